"""The live screen's state, by injected items, keys and time: what it shows, hides, holds and hands on."""

from __future__ import annotations

import os
import stat
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchtool.capture.chunk import Chunk, TapInfo
from benchtool.capture.files import CaptureError, open_capture
from benchtool.diagnose.finding import Cause, Diagnosis, Finding, Step
from benchtool.diagnose.readings import METER
from benchtool.frames.decoders import UNTOLD
from benchtool.frames.osdp.keys import KeyRing
from benchtool.screens.watch_devices import State
from benchtool.screens.watch_glyphs import ASCII, BLOCKS, fit
from benchtool.screens.watch_look import Look, Page
from benchtool.screens.watch_pace import FULL, Pace
from benchtool.screens.watch_ring import Ring
from benchtool.screens.watch_rows import Filter
from benchtool.screens.watch_state import Model
from benchtool.screens.watch_summary import summary_lines
from benchtool.taps.address import open_tap
from tests.screens.watching import watching

SIZES = ((80, 24), (120, 40), (60, 20))
GOLDEN = Path(__file__).parent.parent.parent / "fixtures" / "screens"


def _fixed(cause: Cause, place: str, probability: float, summary: str, measure: str) -> Diagnosis:
    """A finding and the next measurement; those that are worked out change whenever the tables are trained anew."""
    kind = next(one for one in METER if one.name == measure.rstrip("0123456789"))
    step = Step(f"{kind.how.format(place=place)}.", (), kind.caution, measure)
    return Diagnosis((Finding(cause, place, probability, summary, (), (), ()),), (step,), (), None)


@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize(
    ("name", "address", "found"),
    [
        (
            "demo",
            "sim:demo",
            _fixed(Cause.DEVICE_SILENT, "address 5", 0.74, "The device at address 5 does not answer.", "ab-idle@5"),
        ),
        (
            "noise",
            "sim:demo?fault=noise-broadband",
            _fixed(Cause.NOISE_BROADBAND, "bus", 0.96, "Noise between the wires damages octets at random.", "a-idle"),
        ),
        (
            "modbus",
            "sim:modbus",
            _fixed(
                Cause.HEALTHY,
                "bus",
                0.58,
                "Nothing wrong was found: devices answer, and no damage was seen.",
                "ab-idle",
            ),
        ),
    ],
)
def test_pictures_stay_as_they_were_looked_at(name: str, address: str, found: Diagnosis, size: tuple[int, int]) -> None:
    """Golden text: it shows that a picture has changed. Made by `BENCHTOOL_GOLDEN=1 pytest …`, then to be looked at."""
    screen = watching(address)
    for _ in range(64):  # as in life: eight pictures a second, of which the last is kept
        screen.run(0.125)
        screen.text(*size)
    assert screen.model.found is not None
    screen.model.found = replace(screen.model.found, diagnosis=found)
    path = GOLDEN / f"watch-{name}-{size[0]}x{size[1]}.txt"
    if os.environ.get("BENCHTOOL_GOLDEN"):
        path.write_text(screen.text(*size), encoding="utf-8")
    assert path.read_text(encoding="utf-8") == screen.text(*size)


@pytest.mark.parametrize("width", [20, 40, 59, 80, 131, 220])
@pytest.mark.parametrize("height", [4, 10, 15, 24, 60])
def test_every_size_is_used_and_not_passed(width: int, height: int) -> None:
    screen = watching()
    screen.run(1)
    for key in (None, "w", "q", "?", "escape"):
        if key is not None:
            screen.press(key)
        lines = screen.picture(width, height)
        assert len(lines) <= height
        assert max(len(line) for line in lines) == width, "the heading is drawn to the edge"


def test_plain_ascii_draws_nothing_else() -> None:
    screen = watching("sim:demo?fault=noise-broadband", glyphs=ASCII)
    screen.run(8)
    for keys in ((), ("enter",), ("escape", "w"), ("escape", "?")):
        screen.press(*keys)
        assert screen.text(100, 40).isascii()


def test_devices_are_told_alive_and_silent_by_word_and_sign() -> None:
    screen = watching()
    screen.run(8)
    shot = screen.model.snapshot(Look(), 5, 60)
    # What the scenario says: readers 1 to 4 answer, 5 never does.
    assert {one.address: one.state for one in shot.devices} == dict.fromkeys(range(1, 5), State.ALIVE) | {
        5: State.SILENT
    }
    assert shot.state == "Alive: 4 of 5 devices answer; address 5 is silent."
    assert "- silent" in screen.text()
    assert next(one for one in shot.devices if one.address == 4).last.startswith("7.8 s: keys")
    assert shot.devices[0].address == 5, "what needs attention comes first"


def test_counts_are_those_of_listen() -> None:
    screen = watching("sim:demo?fault=noise-broadband&for=6", speed=FULL)
    while not screen.pump.closed:
        screen.pump.step()
    tap = open_tap("sim:demo?fault=noise-broadband&for=6")
    heard = 0
    with tap:
        while not tap.ended:
            heard += sum(len(item.octets) for item in tap.read(0) if isinstance(item, Chunk))
    figures = screen.model.figures()
    assert figures.octets == heard
    shot = screen.model.snapshot(Look(), 5, 60)
    assert (shot.counts.octets, shot.counts.sound, shot.counts.damaged) == (heard, figures.sound, figures.damaged)


def test_secrets_are_hidden_everywhere_and_shown_when_asked_for() -> None:
    screen = watching()
    screen.run(4)
    # The scenario presents card 20118 of site 57 at 3.2 s; 26 bits with these inside (docs/card-formats.md).
    bits = "0011100101001110100101100"[1:]
    screen.type("f", "raw")
    screen.run(0.1)
    screen.press("enter")
    hidden = screen.text(120, 60)
    assert "card read" in hidden
    assert "20118" not in hidden
    assert bits not in hidden.replace(" ", "")
    screen.press("escape")
    assert "20118" not in screen.text(200, 60)
    screen.look.show_secrets = True
    screen.press("enter")
    assert "57 20118" in screen.text(120, 60)


def test_a_frame_opens_to_its_last_bit_with_its_check_value() -> None:
    screen = watching()
    screen.run(0.1)
    screen.press("home", "enter")
    text = screen.text(100, 40)
    # Sheet 5.1: SOM 53, address 01, length 8, control 04 (CRC), POLL 60; CRC as sent and worked out BA 00.
    assert screen.look.page is Page.FRAME
    for shown in ("0  53  0101 0011", "5  60  0110 0000", "7  00  0000 0000", "sent BA 00, worked out BA 00"):
        assert shown in text


def test_damage_opens_with_the_reason_and_the_check_value_that_would_be_right(tmp_path: Path) -> None:
    # The frame of sheet 5.7 (COMPUTED) with its last octet changed: 33 8B is right, 34 8B was sent.
    path = tmp_path / "a.log"
    path.write_text("0.5 53 01 08 00 05 60 8B 34\n1.0 53 01 08 00 05 60 8B 33\n")
    screen = watching(str(path), speed=FULL)
    screen.run(0.2)
    screen.press("home", "enter")
    assert "sent 8B 34, worked out 8B 33: THEY DIFFER" in screen.text(100, 40)
    assert "BAD check" in screen.text(100, 40)
    screen.pump.finish()


def test_held_traffic_stands_still_while_the_bus_goes_on() -> None:
    screen = watching()
    screen.run(3)
    screen.press(" ")
    before = screen.model.snapshot(screen.look, 6, 60)
    screen.run(2)
    after = screen.model.snapshot(screen.look, 6, 60)
    assert after.lines == before.lines
    assert after.newer > 20
    assert "newer below" in screen.text()
    screen.press(" ")
    assert screen.model.snapshot(screen.look, 6, 60).lines[-1].number == screen.model.rows.end - 1


def test_scrolling_back_reaches_the_first_line_and_comes_back() -> None:
    screen = watching()
    screen.run(5)
    screen.press(*["pageup"] * 60)
    shot = screen.model.snapshot(screen.look, 6, 60)
    assert [line.number for line in shot.lines] == [0, 1, 2, 3, 4, 5]
    assert shot.selected == 0
    screen.press("end")
    shot = screen.model.snapshot(screen.look, 6, 60)
    assert shot.selected == shot.lines[-1].number


def test_filter_shows_only_what_it_says_and_search_finds_back_in_time() -> None:
    screen = watching()
    screen.run(8)
    screen.type("f", "5")
    lines = screen.model.snapshot(screen.look, 6, 60).lines
    assert lines
    assert {line.who for line in lines} == {"-> 5"}
    screen.type("f", "")
    screen.type("s", "keys pressed")
    line = next(one for one in screen.model.snapshot(screen.look, 6, 60).lines if one.number == screen.look.selected)
    assert line.what.startswith("KEYPAD")
    screen.press(",")
    assert "No older line" in screen.look.message


def test_what_passes_by_unseen_is_told_and_still_recorded(tmp_path: Path) -> None:
    screen = watching("sim:demo?for=10", speed=16.0)
    path = tmp_path / "all.pcapng"
    screen.type("r", str(path))
    while not screen.pump.closed:
        screen.run(0.1)
        text = screen.text()
    assert "passed too fast to show" in text
    screen.pump.finish()
    with open_capture(str(path)) as capture:
        recorded = sum(len(item.octets) for item in capture if isinstance(item, Chunk))
    assert recorded == screen.model.figures().octets > 0
    if os.name == "posix":
        assert stat.S_IMODE(path.stat().st_mode) == 0o600


def test_a_file_that_is_there_is_not_recorded_over(tmp_path: Path) -> None:
    path = tmp_path / "kept.pcapng"
    path.write_text("kept")
    screen = watching()
    screen.type("r", str(path))
    assert "is there already" in screen.look.refused
    assert not screen.model.recording
    assert path.read_text() == "kept"


def test_a_measurement_goes_into_the_diagnosis_at_once() -> None:
    screen = watching()
    screen.run(6)
    before = screen.model.found
    assert before is not None
    screen.type("m", "ab-ohms 61")
    after = screen.model.found
    assert after is not None
    assert [reading.text() for reading in after.diagnosis.by_hand.readings] == ["ab-ohms 61 ohm"]
    screen.type("m", "ab-ohms sixty")
    assert "a number is wanted" in screen.look.refused
    screen.desk.cancel()
    screen.type("m", "swap-clip same")
    assert screen.model.found is not None
    assert [one.name for one in screen.model.found.diagnosis.by_hand.tried] == ["swap-clip"]
    screen.press("w")
    assert "measured: ab-ohms 61 ohm" in screen.text(100, 60)


def test_diagnosis_is_not_made_more_often_than_it_may() -> None:
    screen = watching()
    screen.run(20)
    # Every 3 s from 1.5 s on, by the clock passed in.
    assert 6 <= len(screen.pump.worker.costs_ns) <= 7


def test_a_card_is_presented_and_a_fault_injected_on_a_simulated_bus() -> None:
    screen = watching("sim:bench")
    screen.run(1)
    screen.type("d", "card 26-bit 57 20118")
    assert screen.look.message == "card at address 1: told at its next poll"
    screen.run(1)
    assert "card 26-bit •••" in screen.model.snapshot(Look(), 5, 60).devices[0].last
    screen.type("d", "card 26-bit 999999 1")
    assert "write: card" in screen.look.refused
    assert "999999" not in screen.look.refused
    screen.desk.cancel()
    before_ns = screen.model.now_ns
    screen.type("d", "fault pair-reversed-at-tap")
    screen.run(5)
    shot = screen.model.snapshot(Look(), 5, 60)
    assert shot.now_ns > before_ns
    assert shot.counts.sound == 0
    assert "pair-reversed-at-tap" in shot.finding
    screen.type("d", "fault no-such-fault")
    assert "no fault 'no-such-fault'" in screen.look.refused
    screen.desk.cancel()
    screen.run(0.5)
    assert "pair-reversed-at-tap" in screen.model.snapshot(Look(), 5, 60).tap


def test_rate_changes_without_leaving_and_the_recording_goes_on_in_another_file(tmp_path: Path) -> None:
    screen = watching("sim:bench")
    path = tmp_path / "v.pcapng"
    screen.type("r", str(path))
    screen.run(2)
    first = screen.model.octets
    screen.type("b", "19200 8E1")
    assert str(screen.model.settings) == "19200 8E1"
    screen.run(2)
    screen.pump.finish()
    sums = []
    for name, expected in ((path, "9600 8N1"), (tmp_path / "v-2.pcapng", "19200 8E1")):
        with open_capture(str(name)) as capture:
            assert str(capture.info.settings) == expected
            sums.append(sum(len(item.octets) for item in capture if isinstance(item, Chunk)))
    assert sums[0] >= first > 0
    assert sums[1] == screen.model.figures().octets
    assert [part.figures.octets for part in screen.pump.past] == [sums[0]]


def test_rate_of_a_capture_is_not_changed_and_its_speed_is(tmp_path: Path) -> None:
    path = tmp_path / "a.log"
    path.write_text("".join(f"{at} 53 01 08 00 05 60 8B 33\n" for at in range(1, 30)))
    screen = watching(str(path))
    screen.run(2.5)
    assert screen.model.octets == 24, "it plays from the first line on"
    for key, why in (("b", "was heard with 9600 8N1"), ("d", "for a simulated bus")):
        assert not screen.desk.press(key)
        assert screen.look.ask is None, "it is refused at the key, before anything is typed"
        assert why in screen.look.message
        assert why in " ".join(screen.text().split())
    screen.press("?")
    assert "NOT HERE" in screen.look.text
    screen.press("q")
    screen.press("p")
    screen.run(5)
    assert screen.model.octets == 24
    screen.press("p", "+")
    screen.run(2)
    assert screen.model.octets > 24 + 40
    assert screen.model.pace == "speed 4"
    screen.pump.finish()


def test_notes_have_their_moment_and_lie_beside_the_recording(tmp_path: Path) -> None:
    screen = watching()
    screen.type("r", str(tmp_path / "v.pcapng"))
    screen.run(2)
    screen.type("t", "door banged")
    screen.pump.finish()
    assert [(round(note.t_ns / 1e9, 1), note.text) for note in screen.model.notes] == [(2.0, "door banged")]
    notes = tmp_path / "v.notes.txt"
    assert notes.read_text().endswith(" s  door banged\n")
    if os.name == "posix":
        assert stat.S_IMODE(notes.stat().st_mode) == 0o600


def test_every_octet_is_counted_when_counting_begins_anew() -> None:
    screen = watching("sim:demo?for=9", speed=4.0)
    for _ in range(4):
        screen.run(0.4)
        screen.press("c")
    while not screen.pump.closed:
        screen.run(0.1)
    total = sum(part.figures.octets for part in screen.pump.past) + screen.model.figures().octets
    tap = open_tap("sim:demo?for=9")
    with tap:
        heard = 0
        while not tap.ended:
            heard += sum(len(item.octets) for item in tap.read(0) if isinstance(item, Chunk))
    assert total == heard
    shown = [screen.model.rows[number] for number in range(screen.model.rows.first, screen.model.rows.end)]
    assert sum(len(row.frame.lead) + len(row.frame.octets) for row in shown if row.frame is not None) == heard


def test_memory_is_bounded() -> None:
    model = Model(UNTOLD, KeyRing(), most_rows=50)
    model.begin(
        TapInfo(
            "made",
        ),
        0,
    )
    frame = bytes.fromhex("5301080005608b33")
    with model.lock:
        for number in range(500):
            model.hear(Chunk(number * 10**9, number * 10**9 + 8_000_000, frame))
    assert (model.rows.first, model.rows.end) == (model.rows.end - 50, model.rows.end)
    assert len(model.snapshot(Look(), 100, 10_000).cells) == 240


@given(st.integers(1, 9), st.integers(0, 40))
def test_ring_keeps_the_newest(most: int, count: int) -> None:
    ring: Ring[int] = Ring(most)
    for number in range(count):
        assert ring.append(number) == number
    assert [ring[number] for number in range(ring.first, ring.end)] == list(range(max(0, count - most), count))
    with pytest.raises(IndexError):
        ring[ring.first - 1]


@given(st.text(max_size=30), st.integers(1, 40))
def test_cut_text_has_the_columns_asked_for(text: str, width: int) -> None:
    for glyphs in (BLOCKS, ASCII):
        made = fit(text, width, glyphs)
        assert made.isprintable() or not made
    assert len(fit(text, width, ASCII)) == width
    assert fit(text, width, ASCII).isascii()


@settings(max_examples=25, deadline=None)
@given(st.lists(st.binary(max_size=40), max_size=12))
def test_any_octets_can_be_drawn_and_opened(lumps: list[bytes]) -> None:
    screen = watching("sim:bench")
    with screen.model.lock:
        for number, octets in enumerate(lumps):
            if octets:
                screen.model.hear(Chunk(number * 10**8, number * 10**8 + 10**7, octets))
        screen.model.idle(10**10)
    screen.press("enter")
    screen.text()
    for _ in range(5):
        if screen.look.page is Page.FRAME:
            screen.press("left")
            screen.text(60, 20)


def test_filter_words() -> None:
    assert Filter.parse("errors 3,4 poll") == Filter(True, False, frozenset({3, 4}), ("poll",))
    assert Filter.parse("  ").all
    assert Filter.parse("errors 3,4 poll").text() == "errors 3,4 poll"
    assert Filter.parse("address 9").text() == "address 9"
    assert Filter.parse("address 9") == Filter(addresses=frozenset({9}))


def test_pace_gives_up_what_cannot_be_kept_up_with() -> None:
    pace = Pace(4.0)
    pace.turn(0)
    assert pace.turn(10**9) == 4 * 10**9
    pace.reached(10**9)
    assert pace.bus_ns == 10**9


@pytest.mark.parametrize("what", ["listening", "reopening"])
def test_a_full_disk_stops_the_recording_and_not_the_screen(
    what: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    screen = watching("sim:bench?lump_ms=500")
    screen.type("r", str(tmp_path / "v.pcapng"))
    screen.run(1)

    def full(self: object, item: object) -> None:
        raise CaptureError("no space left on the device", reason="unwritable")

    monkeypatch.setattr("benchtool.capture.recorder.Recorder.write", full)
    if what == "listening":
        screen.run(1)
    else:
        screen.type("b", "19200 8E1")
        screen.run(1)
    assert isinstance(screen.pump.failure, CaptureError)
    assert not screen.model.recording
    assert "RECORDING STOPPED: no space left on the device" in screen.text(100, 40)
    recorded = screen.pump.recorded[-1]
    assert recorded.broke_off_ns is not None
    assert 1.0 <= recorded.broke_off_ns / 1e9 <= 1.6
    said = summary_lines(screen.pump, 100)[-1]
    assert f"only until {recorded.broke_off_ns / 1e9:.1f} s (no space left on the device;" in said
