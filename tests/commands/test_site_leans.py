"""What a record says for or against causes, and that it moves a diagnosis no further than a record may."""

from __future__ import annotations

import json
import math
from pathlib import Path

import pytest
from click.testing import CliRunner

from benchtool.commands.main import main
from benchtool.commands.site_leans import leans_of
from benchtool.diagnose.conclude import conclude
from benchtool.diagnose.finding import Cause
from benchtool.diagnose.lean import Lean, log_likelihood
from benchtool.diagnose.model import INDEX, all_sets
from benchtool.diagnose.observed import Observed, StateError, from_json, to_json
from benchtool.diagnose.readings import ByHand, Reading
from benchtool.install.load import load
from benchtool.install.view import view_of

QUAY = Path(__file__).parent.parent.parent / "fixtures" / "sites" / "quay-differs.toml"


def site(*, on: tuple[int, ...] = (0, 3), bias: int | None = 560, stub: str = "0", loads: float = 0.25) -> str:
    """A pair of four devices; resistors on at some, a bias at the first."""
    rows = [
        'schema = 1\n[site]\nname = "Depot"\n[[cable]]\nid = "pair"\nvelocity = 0.66\n[[bus]]\nid = "b"\ncable = "pair"'
    ]
    for place in range(4):
        ohm = (bias if place == 0 else 0) if bias is not None else None
        rows.append(
            f'[[bus.device]]\nid = "d{place}"\nkind = "{"controller" if not place else "interface"}"\n'
            f"metres = {30 if place else 0}\nterminator = {'true' if place in on else 'false'}\nrise_ns = 100\n"
            f"stub_m = {stub if place == 2 else 0}\nunit_load = {loads}\nreceiver_offset = false\n"
            + (f"bias_ohm = {ohm}\nbias_volts = 5\n" if ohm is not None else "")
            + (f"address = {place}\n" if place else "")
        )
    return "\n".join(rows)


def leans(text: str) -> dict[str, float]:
    view = view_of(load(text))
    return {lean.cause.value: lean.log for lean in leans_of(view, view.trunks[0])}


LIKELIER, LESS = pytest.approx(math.log(10)), pytest.approx(-math.log(3))


def test_a_record_that_is_right_speaks_against_what_it_excludes() -> None:
    found = leans(site())
    assert set(found.values()) == {-math.log(3)}
    assert {"terminator-missing-one", "terminator-excess", "bias-missing", "stub-too-long", "bus-overloaded"} <= set(
        found
    )


@pytest.mark.parametrize(
    ("text", "cause"),
    [
        (site(on=()), "terminator-missing-both"),
        (site(on=(0,)), "terminator-missing-one"),
        (site(on=(0, 1, 3)), "terminator-excess"),
        (site(on=(0, 2)), "terminator-misplaced"),
        (site(bias=0), "bias-missing"),
        (site(stub="15"), "stub-too-long"),
        (site(loads=8), "bus-overloaded"),
        (site(bias=4700), "bias-weak"),
    ],
)
def test_what_the_record_itself_breaks_is_likelier(text: str, cause: str) -> None:
    assert leans(text)[cause] == LIKELIER
    assert sum(log > 0 for log in leans(text).values()) <= 2


def test_what_is_not_noted_says_nothing() -> None:
    assert "bias-missing" not in leans(site(bias=None))
    without = leans(site().replace("terminator = true", "").replace("terminator = false", ""))
    assert not [cause for cause in without if cause.startswith("terminator")]


def test_leans_add_up_over_sets_of_causes() -> None:
    logs = log_likelihood([Lean(Cause.BIAS_MISSING, 2.0, "x"), Lean(Cause.STUB_TOO_LONG, -1.0, "y")])
    sets = all_sets()
    assert logs[0] == 0
    assert logs[sets.index((Cause.BIAS_MISSING,))] == 2
    assert logs[sets.index((Cause.BIAS_MISSING, Cause.STUB_TOO_LONG))] == 1
    assert logs[1 + INDEX[Cause.BIAS_WEAK]] == 0


def test_a_lean_is_told_as_evidence_and_no_match_for_a_clear_reading() -> None:
    """60 ohm says that both terminators are there, whatever a record says."""
    said = (Lean(Cause.TERMINATOR_MISSING_ONE, math.log(10), "1 ends without resistor"),)
    found = conclude(Observed(leans=said))
    (one,) = [finding for finding in found.findings if finding.cause is Cause.TERMINATOR_MISSING_ONE]
    assert any(line.text == "by the record: 1 ends without resistor" for line in one.evidence)
    read = ByHand((Reading("ab-ohms", 60.0, None), Reading("ab-idle", 0.25, None)))
    assert conclude(Observed(leans=said, by_hand=read)).findings[0].cause is not Cause.TERMINATOR_MISSING_ONE


def test_leans_are_saved_and_held_to_what_a_record_may_say() -> None:
    observed = Observed(leans=(Lean(Cause.BIAS_MISSING, 2.0, "no bias anywhere"),))
    assert from_json(to_json(observed)) == observed
    held = json.loads(to_json(observed))
    held["leans"][0]["log"] = 900.0
    assert from_json(json.dumps(held)).leans[0].log == 5.0
    held["leans"][0]["cause"] = "healthy"
    with pytest.raises(StateError):
        from_json(json.dumps(held))


def test_failures_beyond_a_segment_make_an_open_wire_likelier_than_dead_devices() -> None:
    result = CliRunner().invoke(main, ["diagnose", "sim:demo?fault=conductor-open&at=3", "--site", str(QUAY), "--json"])
    assert result.exit_code == 0, result.output
    with_record = json.loads(result.output)["findings"]
    plain = json.loads(CliRunner().invoke(main, ["diagnose", "sim:demo?fault=conductor-open&at=3", "--json"]).output)
    assert with_record[0]["cause"] == "conductor-open"
    before = next(one["probability"] for one in plain["findings"] if one["cause"] == "conductor-open")
    assert with_record[0]["probability"] > before
