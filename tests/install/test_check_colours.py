"""Colours on the pair's terminals: crossed, of another pair, of another cable, under other names."""

from __future__ import annotations

import pytest

from benchtool.install.checks import Checked
from benchtool.install.record import CableKind
from tests.install.test_check_rules import Change, checked, every, more, put

RULE = "pair-not-crossed"


def told(result: Checked) -> list[str]:
    """How the rule judges: what it finds, what it cannot tell, or that it is kept."""
    words = [f"found: {finding.said.sentence}" for finding in result.findings if finding.rule.id == RULE]
    words += [f"open: {finding.said.sentence}" for finding in result.unchecked if finding.rule.id == RULE]
    return words + ["kept"] * (RULE in {rule.id for rule in result.kept})


def cores(**of_device: dict[str, str]) -> Change:
    return put(**{name: {"cores": colours} for name, colours in of_device.items()})


ELSEWHERE = "elsewhere on this cable A on white and B on blue"


@pytest.mark.parametrize(
    ("colours", "words"),
    [
        ({"A": "white", "B": "green"}, f"found: at Gate (rd-gate) A on white and B on green is noted, {ELSEWHERE}"),
        ({"A": "red", "B": "orange"}, f"found: at Gate (rd-gate) A on red and B on orange is noted, {ELSEWHERE}"),
        ({"A": "white", "B": "white"}, "found: at Gate (rd-gate) both A and B are noted on white"),
        (
            {"A": "blue", "B": "white"},
            "found: at Gate (rd-gate) the colours of A and B are the other way round than elsewhere on yard",
        ),
        (
            {"D+": "white", "D-": "blue"},
            "open: at Gate (rd-gate) the pair's terminals are D+ and D-, elsewhere A and B: which is which is open",
        ),
        ({"D+": "white", "D-": "green"}, f"found: at Gate (rd-gate) D+ on white and D- on green is noted, {ELSEWHERE}"),
        (
            {"X1": "white", "X2": "blue", "X3": "red"},
            "open: which two of the terminals at Gate (rd-gate) are the pair's is not clear from their names",
        ),
        # Written in another way, and with conductors that are none of the pair's.
        ({"a": "WH", "b": "BU"}, "kept"),
        ({"A": "White", "B": "blue", "0 V": "black", "12 V": "red"}, "kept"),
    ],
)
def test_what_is_told_of_a_place(colours: dict[str, str], words: str) -> None:
    assert told(checked(cores(rd_gate=colours))) == [words]


def test_another_cable_has_its_own_colours() -> None:
    other = more("cable", CableKind(id="old", awg=24, impedance_ohm=120, velocity=0.66, twisted=True, screened=True))
    laid = put(rd_gate={"cable": "old"}, if_exit={"cable": "old"})
    new = {"A": "red", "B": "green"}
    # From if-ramp to rd-gate and on to if-exit: the ramp's terminals have the colours of either cable.
    assert told(checked(other, laid, cores(rd_gate=new, if_exit=new))) == ["kept"]
    assert told(checked(other, laid, cores(if_ramp=new, rd_gate=new, if_exit=new))) == ["kept"]
    # Not noted as another cable: told.
    assert [words.split(" A ")[0] for words in told(checked(cores(rd_gate=new, if_exit=new)))] == [
        "found: at Gate (rd-gate)",
        "found: at Yard exit (if-exit)",
    ]
    # Its other end has the colours of the first cable: what lies on which wire cannot be told.
    assert told(checked(other, put(if_exit={"cable": "old"}), cores(if_exit=new))) == [
        "open: the colours of the cable at Yard exit (if-exit) are noted at none of its other places"
    ]
    # The same colours in another cable go on.
    assert told(checked(other, put(if_exit={"cable": "old"}))) == ["kept"]


def test_other_names_everywhere_are_held_against_each_other() -> None:
    plus = every("device", cores={"RS485+": "white", "RS485-": "blue"})
    assert told(checked(plus)) == ["kept"]
    crossed = told(checked(plus, cores(if_exit={"RS485+": "blue", "RS485-": "white"})))
    assert len(crossed) == 1
    assert "other way round" in crossed[0]
