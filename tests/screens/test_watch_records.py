"""What the live screen leaves behind: masked notes, readings, each part's own results, recordings in a row."""

from __future__ import annotations

from pathlib import Path

import pytest

from benchtool.screens.watch_summary import summary_lines
from tests.screens.watching import Watching, watching


def summary(screen: Watching) -> str:
    return "\n".join(summary_lines(screen.pump, 100))


def test_a_note_loses_what_may_be_secret_in_the_summary_and_beside_the_recording(tmp_path: Path) -> None:
    screen = watching()
    screen.type("r", str(tmp_path / "v.pcapng"))
    screen.run(1)
    screen.type("t", "badge 57 20118 refused, PIN 4711")
    assert "***" in screen.look.message
    screen.pump.finish()
    for text in (summary(screen), screen.text(120, 40), (tmp_path / "v.notes.txt").read_text()):
        assert "refused" in text
        assert "20118" not in text
        assert "4711" not in text


def test_a_note_stays_whole_where_the_user_asked_for_cards(tmp_path: Path) -> None:
    screen = watching()
    screen.pump.show_secrets = True
    screen.type("r", str(tmp_path / "v.pcapng"))
    screen.type("t", "badge 57 20118 refused")
    screen.pump.finish()
    assert "badge 57 20118 refused" in (tmp_path / "v.notes.txt").read_text()


def test_readings_are_in_the_summary_and_beside_the_recording(tmp_path: Path) -> None:
    screen = watching()
    screen.type("r", str(tmp_path / "v.pcapng"))
    screen.run(2)
    screen.type("m", "ab-ohms 61")
    screen.type("m", "swap-clip same")
    screen.pump.finish()
    kept = (tmp_path / "v.notes.txt").read_text()
    for text in (summary(screen), kept):
        assert "measured or tried: ab-ohms 61 ohm" in text
        assert "swap-clip same" in text
    assert kept.splitlines()[0].startswith(f"{screen.model.readings[0].t_ns / 1e9:.3f} s ")


@pytest.mark.parametrize("typed", ["-ab-idle@5", "ab-idle@5 -", "ab-idle@5=-", "- AB-IDLE@5"])
def test_a_reading_is_taken_back(typed: str) -> None:
    screen = watching()
    screen.run(4)
    screen.type("m", "ab-idle@5 -0.2")
    screen.type("m", "ab-ohms 61")
    screen.type("m", typed)
    assert [reading.name for reading in screen.model.by_hand.readings] == ["ab-ohms"]
    assert screen.model.found is not None
    assert [one.name for one in screen.model.found.diagnosis.by_hand.readings] == ["ab-ohms"]
    assert "taken back" in screen.look.message
    assert "taken back: ab-idle@5" in summary(screen)
    screen.type("m", "-b-idle")
    assert "Nothing is given for b-idle; given are: ab-ohms." in screen.look.message
    screen.press("?")
    assert "takes it back" in " ".join(screen.look.text)


def test_beginning_anew_drops_readings_and_says_so() -> None:
    screen = watching()
    screen.run(4)
    screen.type("m", "ab-ohms 61")
    screen.press("c")
    assert not screen.model.by_hand.readings
    assert "1 reading of before dropped" in screen.look.message
    screen.run(4)
    assert screen.model.found is not None
    assert not screen.model.found.diagnosis.by_hand.readings


def test_each_part_of_the_summary_tells_its_own_finding_and_security_findings() -> None:
    screen = watching("sim:demo?fault=pair-reversed-at-tap")
    screen.run(8)
    screen.type("d", "fault healthy")
    screen.run(8)
    screen.pump.finish()
    first, second = summary(screen).split("after that:")
    assert "pair-reversed-at-tap" in first.split("when the simulated bus got the fault healthy:")[1]
    assert "first guess: pair-reversed-at-tap" not in second
    assert "Nothing wrong was found" in second
