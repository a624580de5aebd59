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


def test_a_second_recording_of_that_name_adds_to_the_notes_of_the_first(tmp_path: Path) -> None:
    screen = watching()
    for name, text in (("a.pcapng", "first"), ("a.log", "second"), ("b.log", "third")):
        screen.type("r", str(tmp_path / name))
        screen.type("t", text)
        assert "written into" in screen.look.message
        screen.press("r")
    screen.pump.finish()
    assert [line.split()[-1] for line in (tmp_path / "a.notes.txt").read_text().splitlines()] == ["first", "second"]
    assert (tmp_path / "b.notes.txt").read_text().endswith("third\n")
    assert not (tmp_path / "a-2.notes.txt").exists()


def test_notes_of_an_earlier_session_are_kept_and_the_next_free_name_is_told(tmp_path: Path) -> None:
    for name in ("v.notes.txt", "v-2.notes.txt"):
        (tmp_path / name).write_text("old\n")
    screen = watching()
    screen.type("r", str(tmp_path / "v.pcapng"))
    screen.type("t", "one")
    assert f"written into {tmp_path / 'v-3.notes.txt'}." in screen.look.message
    screen.type("t", "two")
    screen.pump.finish()
    assert [line.split()[-1] for line in (tmp_path / "v-3.notes.txt").read_text().splitlines()] == ["one", "two"]
    assert [(tmp_path / name).read_text() for name in ("v.notes.txt", "v-2.notes.txt")] == ["old\n"] * 2


def test_a_recording_that_replaces_an_old_one_replaces_its_notes_once(tmp_path: Path) -> None:
    (tmp_path / "v.notes.txt").write_text("old\n")
    (tmp_path / "v.pcapng").write_text("old")
    screen = watching()
    for text in ("one", "two"):
        assert not screen.pump.record(str(tmp_path / "v.pcapng"), overwrite=True)
        screen.type("t", text)
        screen.pump.stop_recording()
    screen.pump.finish()
    assert [line.split()[-1] for line in (tmp_path / "v.notes.txt").read_text().splitlines()] == ["one", "two"]


def test_notes_that_cannot_be_written_are_told(tmp_path: Path) -> None:
    (tmp_path / "v.notes.txt").mkdir()
    screen = watching()
    assert not screen.pump.record(str(tmp_path / "v.pcapng"), overwrite=True)
    screen.type("t", "one")
    assert "Noted here only" in screen.look.message
    assert [note.text for note in screen.model.notes] == ["one"]
    screen.pump.finish()
