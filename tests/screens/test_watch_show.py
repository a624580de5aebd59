"""What the live screen shows where things go wrong: late recordings, noise, silence, a lost adapter, small screens."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from benchtool.capture.chunk import Chunk, TapInfo
from benchtool.diagnose.finding import Cause
from benchtool.frames.decoders import UNTOLD
from benchtool.frames.osdp.build import build_frame
from benchtool.frames.osdp.keys import KeyRing
from benchtool.screens.watch_devices import State
from benchtool.screens.watch_diagnosis import Work
from benchtool.screens.watch_glyphs import ASCII
from benchtool.screens.watch_look import Focus, Look
from benchtool.screens.watch_state import Model
from benchtool.screens.watch_strip import Rates
from benchtool.screens.watch_summary import summary_lines
from benchtool.screens.watch_words import state_sentence, wrapped
from tests.screens.watching import watching

POLL = build_frame(1, 0x60, b"", sequence=1, crc=True, reply=False)
ACK = build_frame(1, 0x40, b"", sequence=1, crc=True, reply=True)


def late_log(path: Path, octets: tuple[bytes, bytes] = (POLL, ACK)) -> str:
    """Polls and replies from the 60th second on; the recording began at 0."""
    path.write_text(
        "".join(
            f"{60 + number / 2 + late:.3f} {one.hex(' ')}\n"
            for number in range(20)
            for one, late in ((octets[0], 0.0), (octets[1], 0.02))
        )
    )
    return str(path)


def test_a_recording_that_began_long_before_its_first_octet_is_played_from_there(tmp_path: Path) -> None:
    screen = watching(late_log(tmp_path / "late.log"))
    assert screen.model.now_ns >= 59_000_000_000
    screen.run(0.2)
    assert screen.model.octets > 0
    text = screen.text()
    assert "No finding yet" in text
    assert "Nothing heard" not in text
    screen.run(4)
    assert screen.model.found is not None
    assert screen.model.found.octets > 0
    screen.pump.finish()


def test_nothing_is_found_out_before_there_is_something_to_judge() -> None:
    screen = watching("sim:bench")
    screen.pump.model.begin(TapInfo("made"), 0)
    for seconds, judges in ((9, False), (11, True)):  # long silence on a bus is something
        screen.model.idle(seconds * 10**9)
        assert screen.pump._can_judge(last=False) is judges
    screen.pump.model.begin(TapInfo("made"), 0)
    with screen.model.lock:
        screen.model.hear(Chunk(0, 8_000_000, POLL))
    for seconds, judges in ((1, False), (2, True)):
        screen.model.idle(seconds * 10**9)
        assert screen.pump._can_judge(last=False) is judges


def test_an_end_without_an_octet_says_so() -> None:
    assert state_sentence(10**9, 0, None, Rates(), (), "Ended") == "Ended. Nothing was heard."


def test_the_last_picture_of_a_capture_is_at_its_last_octet(tmp_path: Path) -> None:
    screen = watching(late_log(tmp_path / "late.log"), speed=0.0)
    for _ in range(40):
        screen.run(0.1)
    assert screen.pump.closed
    # 60 s + 19 halves + 20 ms; an octet log of 9600 8N1 without an end is 8 octets long.
    assert screen.model.now_ns == pytest.approx(69_520_000_000, abs=20_000_000)
    assert "Ended. " in screen.text()
    screen.pump.finish()


def heard(frames: list[bytes], *, damage: bool) -> Model:
    model = Model(UNTOLD, KeyRing())
    model.begin(TapInfo("made"), 0)
    now_ns = 0
    with model.lock:
        if damage:
            model.hear(Chunk(50_000_000, 52_000_000, b"\x7f\xf3"))
        for number, octets in enumerate(frames, 1):
            now_ns = number * 100_000_000
            model.hear(Chunk(now_ns, now_ns + len(octets) * 1_041_667, octets))
        model.idle(now_ns + 90_000_000)
    return model


def polled(*addresses: int) -> list[bytes]:
    return [build_frame(address, 0x60, b"", sequence=1, crc=True, reply=False) for address in addresses]


def test_a_lone_frame_in_noise_is_no_device() -> None:
    shown = heard(polled(5, 1, 5, 5, 5, 5, 37), damage=True).snapshot(Look(), 5, 60).devices
    assert [device.address for device in shown] == [5]


def test_without_damage_the_first_request_already_counts() -> None:
    assert heard(polled(5, 1, 37), damage=False).device_count() == 3


def test_an_address_that_answers_counts_at_once_in_noise_too() -> None:
    reply = build_frame(9, 0x40, b"", sequence=1, crc=True, reply=True)
    assert [
        one.address for one in heard([*polled(5, 9), reply, *polled(5)], damage=True).snapshot(Look(), 5, 60).devices
    ] == [9]


def test_what_needs_attention_stands_first_and_the_rest_is_counted() -> None:
    screen = watching()
    screen.run(6)
    text = screen.text(60, 20)
    lines = text.splitlines()
    head = next(number for number, line in enumerate(lines) if line.startswith("DEVICE"))
    assert "3 more: Tab" in lines[head]
    assert lines[head + 1].startswith("- silent      5 ")
    assert screen.model.devices[0].state is State.SILENT
    # The rest by address, whatever happens.
    assert [device.address for device in screen.model.devices][1:] == [1, 2, 3, 4]


def test_the_chosen_device_stays_chosen_when_others_move() -> None:
    screen = watching()
    screen.run(3)
    screen.text()
    screen.press("tab", "end")
    chosen = screen.look.device
    screen.run(4)
    assert screen.look.focus is Focus.DEVICES
    assert screen.look.device == chosen
    assert any(line.startswith("+ alive     osdp     4") and ">" in line for line in screen.text().splitlines())
    screen.press("home", "enter")
    assert "osdp address 5: silent" in screen.text()


def test_only_damage_is_not_called_an_answer(tmp_path: Path) -> None:
    spoiled = ACK[:-1] + bytes((ACK[-1] ^ 1,))
    screen = watching(late_log(tmp_path / "late.log", (POLL, spoiled)))
    screen.run(5)
    assert "Somebody asks, but only damage comes back" in screen.text()
    screen.pump.finish()


def test_a_lost_adapter_is_the_first_thing_said() -> None:
    screen = watching()
    screen.run(3)
    screen.model.lost = "/dev/ttyX gone: unplugged"
    assert "Cannot hear now: /dev/ttyX gone: unplugged." in screen.text()


@pytest.mark.parametrize(("width", "height"), [(40, 10), (40, 14), (60, 20), (79, 23), (80, 24), (132, 50)])
def test_keys_and_state_are_on_every_screen(width: int, height: int) -> None:
    screen = watching("sim:demo?fault=noise-broadband")
    screen.run(4)
    lines = screen.text(width, height).splitlines()
    assert len(lines) == height
    assert lines[1].startswith("Damage: ")
    assert any(line.startswith("? help") for line in lines)
    assert any(line.startswith("TRAFFIC") for line in lines)
    assert any(line.startswith("Next") for line in lines)


def test_all_keys_fit_in_two_rows_of_eighty_columns() -> None:
    screen = watching()
    screen.run(1)
    for keys in ((), (" ",)):
        screen.press(*keys)
        last = screen.text(80, 24).splitlines()[-2:]
        assert last[0].startswith("? help")
        assert last[1].endswith("c anew")


def test_plain_signs_end_cut_sentences_too() -> None:
    screen = watching(glyphs=ASCII)
    screen.run(5)
    assert "... [w: whole]" in screen.text(80, 24)
    assert " [w]" in screen.text(60, 20)


def test_a_diagnosis_that_breaks_is_told_and_listening_goes_on(monkeypatch: pytest.MonkeyPatch) -> None:
    screen = watching()
    screen.run(1)

    def broken(work: Work) -> None:
        raise ZeroDivisionError

    monkeypatch.setattr(screen.pump.worker, "work", broken)
    screen.pump.worker.start()
    screen.pump.worker.give(screen.model.work())
    thread = screen.pump.worker._thread
    assert thread is not None
    thread.join(5)
    before = screen.model.octets
    screen.run(2)
    assert screen.model.octets > before
    assert isinstance(screen.pump.broken, ZeroDivisionError)
    assert "The diagnosis failed" in screen.look.message


def test_a_first_column_hangs_over_the_rows_below_it() -> None:
    line = "  w      why          The whole diagnosis, and more"
    assert wrapped([line], 46) == ["  w      why          The whole diagnosis, and", " " * 22 + "more"]


def test_beside_a_fault_that_is_plain_to_see_nobody_is_told_that_all_is_well() -> None:
    screen = watching()
    screen.run(8)
    found = screen.model.found
    assert found is not None
    well = replace(found.diagnosis.findings[0], cause=Cause.HEALTHY, probability=0.25)
    screen.model.found = replace(found, diagnosis=replace(found.diagnosis, findings=(well,)))
    shown = screen.text()
    assert "address 5 is silent" in shown.splitlines()[1]
    assert "No finding is sure yet: address 5 is silent" in shown
    assert "healthy" not in shown
    assert "healthy" not in "\n".join(summary_lines(screen.pump, 100))
    sound = watching("sim:demo?fault=healthy")
    sound.run(8)
    assert not sound.model.trouble()


def test_on_a_narrow_screen_the_first_line_keeps_that_it_rests_and_records(tmp_path: Path) -> None:
    screen = watching()
    screen.run(3)
    screen.type("r", str(tmp_path / "watch-20260302-101112.pcapng"))
    screen.press("p")
    first = screen.picture(60, 20)[0]
    assert "paused" in first
    assert "● recording" in first
    screen.pump.finish()
