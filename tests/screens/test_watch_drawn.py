"""What the live screen draws: nothing cut in the midst of a meaning, rates over what was heard, cards asked for."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from prompt_toolkit.utils import get_cwidth

from benchtool.capture.chunk import Chunk, Gap, LineErrors, TapInfo
from benchtool.capture.settings import LineSettings
from benchtool.diagnose.advice import ADVICE
from benchtool.diagnose.conclude import LISTEN
from benchtool.diagnose.finding import Cause, Diagnosis, Finding, Step
from benchtool.diagnose.readings import ACTIONS, METER, STOPPED, UNPOWERED
from benchtool.diagnose.steps import NOTHING_HEARD
from benchtool.frames.frame import Protocol
from benchtool.reports.signs import draws_blocks
from benchtool.screens.watch_devices import DeviceLine, State
from benchtool.screens.watch_glyphs import ASCII, BLOCKS, fit
from benchtool.screens.watch_look import Look
from benchtool.screens.watch_pace import FULL
from benchtool.screens.watch_short import MOST, by_sentences, short_caution, short_step
from benchtool.screens.watch_snapshot import Counts, Snapshot
from benchtool.screens.watch_strip import Rates, Strip
from benchtool.screens.watch_view import draw, plan
from benchtool.screens.watch_words import (
    finding_in_short,
    finding_sentence,
    headline,
    next_thing,
    state_sentence,
    unseen,
)
from tests.screens.watching import watching

S = 1_000_000_000
CHAR_NS = LineSettings().char_ns
SIZES = [(60, 20), (80, 24), (120, 40)]


def snapshot() -> Snapshot:
    screen = watching()
    screen.run(5)
    return screen.model.snapshot(Look(), 5, 60)


def drawn(shot: Snapshot, width: int, height: int) -> list[str]:
    shares = plan(width, height, len(shot.devices), 3)
    return ["".join(text for _, text in line).rstrip() for line in draw(shot, Look(), shares, BLOCKS, [])]


def joined(lines: list[str]) -> str:
    return " ".join(" ".join(lines).split())


# The sentences.


@pytest.mark.parametrize(("width", "height"), SIZES)
@pytest.mark.parametrize("cause", list(Cause))
@pytest.mark.parametrize("probability", [1.0, 0.3])
def test_the_share_and_the_cause_of_a_finding_are_on_every_screen(
    cause: Cause, probability: float, width: int, height: int
) -> None:
    # Longer than any summary there is.
    summary = "What is wrong takes many words to tell, more than this screen has room for. " * 12
    found = Finding(cause, "address 126", probability, summary.strip(), (), (), ())
    diagnosis = Diagnosis((found,), (), (), None)
    shot = replace(snapshot(), finding=finding_sentence(diagnosis), finding_short=finding_in_short(diagnosis))
    said = joined(drawn(shot, width, height)[:9])
    assert f"{probability:.0%}: " in said
    assert (headline(found) if cause is not Cause.NONE_OF_THESE else "no cause that is known here fits") in said
    # Whole sentences, then the key that tells the rest.
    cut = next(place for place in (said.find(" [w]"), said.find(" … [w: whole]")) if place >= 0)
    assert said[cut - 1] == "."


def _cautions() -> list[str]:
    steps = [step for advice in ADVICE.values() for step in advice.steps]
    said = {step.caution for step in (*steps, LISTEN, *NOTHING_HEARD)}
    said |= {kind.caution for kind in METER} | {action.caution for action in ACTIONS}
    mends = [text for advice in ADVICE.values() for text in advice.todo]
    said |= {text.removeprefix("Caution: ") for text in mends if text.startswith("Caution: ")}
    return sorted(said - {""})


@pytest.mark.parametrize("caution", _cautions())
def test_each_caution_stands_whole_on_a_narrow_screen(caution: str) -> None:
    assert len(short_caution(caution)) <= MOST
    row = next(line for line in drawn(replace(snapshot(), caution=caution), 60, 20) if line.startswith("! "))
    assert row in (f"! {caution}", f"! {short_caution(caution)} [w]")
    assert "…" not in row


def test_a_short_caution_still_says_whom_to_warn() -> None:
    for caution in _cautions():
        if "door" in caution.lower():
            assert "door" in short_caution(caution).lower(), caution
        if STOPPED in caution or UNPOWERED in caution:
            assert "warn" in short_caution(caution).lower(), caution


def _told(cause: Cause, probability: float) -> Diagnosis:
    found = Finding(cause, "bus", probability, "It is so.", (), (), ADVICE[cause].todo)
    step = Step("Measure ohms.", (), caution="Power off.", name="ab-ohms")
    return Diagnosis((found,), (step,), (), None)


@pytest.mark.parametrize("cause", [one for one in Cause if one not in (Cause.HEALTHY, Cause.NONE_OF_THESE)])
def test_a_cause_that_is_certain_is_mended_and_not_measured_again(cause: Cause) -> None:
    assert next_thing(_told(cause, 0.94)) == ("Next", "Measure ohms.", "ab-ohms", "Power off.")
    todo = next_thing(_told(cause, 0.95))
    if cause in (Cause.BAUD_WRONG, Cause.FORMAT_WRONG):
        assert todo.head == "Next"  # to listen at the setting found
        return
    assert todo.head == "Do"
    assert todo.do in ADVICE[cause].todo
    assert not todo.name
    # What must be known before the work is never behind it.
    said = ADVICE[cause].todo
    before = [text.removeprefix("Caution: ") for text in said[: said.index(todo.do)]]
    assert todo.caution == " ".join(before)
    shot = replace(snapshot(), do_head=todo.head, do=todo.do, do_name="", caution=todo.caution)
    assert "Do: " in joined(drawn(shot, 60, 20)[:8])


def test_a_supply_measured_too_low_is_what_is_mended() -> None:
    screen = watching("sim:demo?fault=device-silent&at=4")
    screen.run(12)
    screen.press("m")
    screen.desk.submit("supply@4 1.6")
    screen.run(4)
    said = joined(drawn(screen.model.snapshot(Look(), 5, 60), 80, 24)[:8])
    assert "Do: Follow the supply from address 4 back:" in said
    assert "! Live supply: probes only, no mains." in said
    # At another device it says nothing of this one.
    screen.press("m")
    screen.desk.submit("-supply@4")
    screen.press("m")
    screen.desk.submit("supply@2 1.6")
    screen.run(4)
    assert "Follow the supply from address 4" not in joined(drawn(screen.model.snapshot(Look(), 5, 60), 80, 24)[:8])


@pytest.mark.parametrize("cause", [Cause.HEALTHY, Cause.NONE_OF_THESE])
def test_nothing_is_mended_where_there_is_no_cause(cause: Cause) -> None:
    assert next_thing(_told(cause, 1.0)).head == "Next"
    assert next_thing(None) == ("Next", "", "", "")


@pytest.mark.parametrize("name", [kind.name for kind in METER])
def test_each_measurement_stands_whole_on_a_narrow_screen(name: str) -> None:
    kind = next(kind for kind in METER if kind.name == name)
    named = f"{name}126" if kind.at_device else name
    do = kind.how.format(place="address 126") + "."
    shot = replace(snapshot(), do=do, do_name=named)
    said = joined(drawn(shot, 60, 20)[:8])
    short = short_step(named, do)
    assert f"Next [{named}]: {do}" in said or f"Next [{named}]: {short} [w]" in said
    assert ("126" in short) == kind.at_device
    # What must be so before one measures is never left out.
    assert ("power off" in short.lower()) == kind.power_off
    assert ("polling stopped" in short.lower()) == ("polling stopped" in kind.how)


def test_the_caution_of_a_roomy_screen_is_whole() -> None:
    shot = snapshot()
    assert f"! {shot.caution}" in joined(drawn(shot, 120, 40))


def test_sentences_are_left_out_from_the_end() -> None:
    assert by_sentences("One at 0.2 V. Two! Three?") == [
        "One at 0.2 V. Two! Three?",
        "One at 0.2 V. Two!",
        "One at 0.2 V.",
    ]


def _device(address: int, state: State, *, answers: bool = True) -> DeviceLine:
    history: tuple[int | str, ...] = (3_000_000,) if answers else ("silent",)
    return DeviceLine(Protocol.OSDP, address, state, "", 5, 5, 0, 3_000_000, history, "")


def _state(*devices: DeviceLine) -> str:
    return state_sentence(9 * S, 0, 9 * S, Rates(octets=100.0, sound=20.0, seconds=5.0), devices, "")


def test_the_state_is_told_in_good_grammar() -> None:
    alive = [_device(address, State.ALIVE) for address in (8, 9)]
    hurt = [_device(address, State.DAMAGED) for address in (1, 4, 5)]
    assert _state(*alive, *hurt) == "Alive: all 5 devices answer; damage from addresses 1, 4 and 5."
    assert _state(*alive, _device(3, State.SLOW)) == "Alive: all 3 devices answer; address 3 is slow."
    assert _state(*hurt) == "Alive: all 3 devices answer; all of them with damage."
    silent = [_device(address, State.SILENT, answers=False) for address in range(1, 7)]
    assert _state(*alive, *silent) == "Alive: 2 of 8 devices answer; addresses 1, 2, 3, 4 and 2 more are silent."
    assert _state(*alive, *silent[:2]) == "Alive: 2 of 4 devices answer; addresses 1 and 2 are silent."
    missing = [_device(address, State.UNSTEADY) for address in (2, 7)]
    assert _state(*alive, *missing) == "Alive: all 4 devices answer; addresses 2 and 7 miss some replies."


def test_the_end_of_a_capture_of_damage_alone_is_told() -> None:
    rates = Rates(octets=10.0, damaged=3.0, seconds=1.0)
    assert state_sentence(S, 0, S, rates, (), "Ended").startswith("Ended. Octets came, but no sound frame: ")


@pytest.mark.parametrize("errors", list(LineErrors))
def test_what_an_adapter_cannot_see_fits_on_a_narrow_screen(errors: LineErrors) -> None:
    for resolution_ns in (0, 1_000, 16_000_000):
        assert len(unseen(TapInfo("made", line_errors=errors, resolution_ns=resolution_ns))) <= 60


# The line.


def _talk(strip: Strip, first_s: float, last_s: float) -> None:
    """Ten octets every tenth of a second: at 9600 8N1 about a tenth of the time."""
    for number in range(round(first_s * 10), round(last_s * 10)):
        strip.item(Chunk(number * S // 10, number * S // 10 + 10 * CHAR_NS, bytes(10)))


def test_rates_are_over_the_time_there_was() -> None:
    strip = Strip(CHAR_NS)
    strip.begin(0)
    _talk(strip, 0, 2)
    rates = strip.rates(2 * S)
    assert rates.seconds == pytest.approx(2.0)
    assert rates.octets == pytest.approx(100.0)
    assert rates.busy == pytest.approx(100 * CHAR_NS / S)
    _talk(strip, 2, 20)
    assert strip.rates(20 * S).seconds == pytest.approx(5.0)
    assert strip.rates(20 * S).octets == pytest.approx(100.0)


def test_a_file_that_begins_within_a_second_is_counted_from_there() -> None:
    strip = Strip(CHAR_NS)
    _talk(strip, 60.5, 62)
    rates = strip.rates(62 * S)
    assert rates.seconds == pytest.approx(1.5)
    assert rates.octets == pytest.approx(100.0)


def test_time_in_which_nothing_could_be_heard_is_no_silence() -> None:
    strip = Strip(CHAR_NS)
    strip.begin(0)
    _talk(strip, 0, 4)
    for now_s in (5, 6, 7, 8):  # told again and again while it lasts
        strip.item(Gap(4 * S, now_s * S, "unplugged"))
    rates = strip.rates(8 * S)
    assert rates.seconds == pytest.approx(1.0), "of the last five seconds one could be heard"
    assert rates.busy == pytest.approx(100 * CHAR_NS / S)
    assert [cell.deaf for cell in strip.cells(8 * S, 8)] == [False] * 4 + [True] * 4
    strip.item(Gap(4 * S, 10 * S, "unplugged"))
    assert strip.rates(10 * S) == Rates()
    _talk(strip, 10, 11)
    assert strip.rates(11 * S).octets == pytest.approx(100.0)


def test_a_deaf_screen_says_so_instead_of_a_rate() -> None:
    text = "\n".join(drawn(replace(snapshot(), rates=Rates()), 80, 24))
    assert "not heard" in text
    assert "/s" not in text
    assert "0%" not in text.partition("busy")[2]


def test_no_silent_second_follows_the_end(tmp_path: Path) -> None:
    strip = Strip(CHAR_NS)
    strip.begin(0)
    _talk(strip, 0, 3)
    assert all(cell.busy > 0 for cell in strip.cells(3 * S, 3))
    last = strip.cells(3 * S + S // 10, 1)[0]
    assert last.future, "a tenth of a second without octets is no silence"
    assert not strip.cells(3 * S + S // 2, 1)[0].future
    path = tmp_path / "whole.log"
    path.write_text("".join(f"{tenth / 10:.1f} 53 01 08 00 05 60 8B 33\n" for tenth in range(100)))
    screen = watching(str(path), speed=FULL)
    while not screen.pump.closed:
        screen.run(0.1)
    busy = next(line for line in screen.text().splitlines() if line.startswith("busy"))
    assert busy.split()[-1] == "▁" * 10
    assert "in 5 s" in busy
    screen.pump.finish()


@pytest.mark.parametrize("blind", [True, False])
@pytest.mark.parametrize("count", [0, 12_345, 123_456_789])
def test_no_number_is_cut(count: int, blind: bool) -> None:
    shot = replace(
        snapshot(),
        counts=Counts(count, count, count // 2, None if blind else count // 3),
        rates=Rates(11_000.0, 1_150.0, 400.0, 0.9, 5.0),
    )
    for width, height in SIZES:
        row = next(line for line in drawn(shot, width, height) if "line errors" in line)
        assert "…" not in row
        assert f"damaged {count // 2}" in row


# Cards.


@pytest.mark.parametrize("size", [(60, 20), (80, 24)])
def test_a_card_that_was_asked_for_stands_in_the_row_of_its_device(size: tuple[int, int]) -> None:
    # The demo presents card 57 20118 at address 2 at 3.2 s, and keys 2580# at address 4 at 7.8 s.
    screen = watching("sim:demo?fault=healthy")
    screen.run(4)
    hidden = screen.text(*size)
    assert "3.2 s: card 26-bit" in hidden, "its time stands before its dots"
    assert "20118" not in hidden
    screen.look.show_secrets = True
    assert "57 20118" in screen.text(*size)
    screen.look.show_secrets = False
    assert "20118" not in screen.text(*size)


def test_keys_that_were_asked_for_are_shown_and_in_a_secure_session_too() -> None:
    screen = watching("sim:secure")
    screen.run(12)
    told = {one.address: one.last for one in screen.model.snapshot(Look(), 5, 60).devices}
    assert told[2].endswith("keys •••"), "routine replies in between do not count, secure or not"
    told = {one.address: one.last for one in screen.model.snapshot(Look(show_secrets=True), 5, 60).devices}
    assert told[2].endswith("keys 7135#")
    assert told[1].endswith("s: input 0 inactive, input 1 inactive")


def test_a_card_format_without_a_site_code_shows_no_none() -> None:
    screen = watching("sim:bench")
    screen.look.show_secrets = True
    screen.type("d", "card 34-bit 16+16 4102 31007")
    screen.run(1)
    screen.type("f", "raw")
    screen.press("enter")
    text = screen.text(100, 50)
    assert "card as 34-bit 16+16: 4102 31007, parity ok" in text
    # 4102 · 65536 + 31007: the same bits as one number.
    assert "card as 34-bit 32: 268859679, parity ok" in text
    assert "None" not in text


# Pages, and what the terminal can show.


def test_what_a_modbus_line_is_stands_once_on_its_page() -> None:
    screen = watching("sim:modbus")
    screen.run(1)
    screen.press("enter")
    for _ in range(2):
        first = screen.text(80, 24).splitlines()[1].strip()
        assert first in ("read holding registers", "read holding registers, reply")
        screen.press("left")


def test_a_page_says_how_much_more_there_is_on_a_narrow_screen_too() -> None:
    screen = watching()
    screen.run(5)
    for key in ("w", "enter"):
        screen.press(key)
        head = screen.text(60, 20).splitlines()[0]
        assert head.endswith(" more lines)")
        screen.press("escape")


@pytest.mark.parametrize(
    ("encoding", "environ", "blocks"),
    [
        ("utf-8", {"LANG": "en_US.UTF-8"}, True),
        ("utf-8", {}, True),
        ("utf-8", {"LANG": "C.UTF-8"}, True),
        ("utf-8", {"LANG": "en_GB.utf8@euro"}, True),
        # What Python writes is UTF-8 there too (PEP 538, PEP 540).
        ("utf-8", {"LANG": "C", "LC_ALL": "C"}, False),
        ("utf-8", {"LANG": "C", "LC_CTYPE": "C.UTF-8"}, False),
        ("utf-8", {"LC_ALL": "POSIX"}, False),
        ("utf-8", {"LANG": "en_US.ISO-8859-1", "LC_CTYPE": "C.UTF-8"}, False),
        ("utf-8", {"LANG": "C", "LC_ALL": "en_US.UTF-8"}, True),
        ("utf-8", {"LANG": "en_US.UTF-8", "TERM": "linux"}, False),
        ("cp437", {}, False),
        ("ascii", {}, False),
        (None, {}, False),
        ("no-such", {}, False),
    ],
)
def test_only_a_terminal_that_has_them_gets_block_signs(
    encoding: str | None, environ: dict[str, str], blocks: bool
) -> None:
    assert draws_blocks(encoding, environ) is blocks


def test_ascii_has_the_short_forms_too() -> None:
    screen = watching(glyphs=ASCII)
    screen.run(8)
    for size in SIZES:
        assert screen.text(*size).isascii()


@pytest.mark.parametrize("size", SIZES)
def test_nothing_above_the_devices_moves_when_a_line_is_typed(size: tuple[int, int]) -> None:
    width, height = size
    screen = watching("sim:demo?fault=noise-broadband")
    screen.run(8)
    before = screen.text(width, height).splitlines()
    screen.press("m")
    typing = screen.text(width, height - 1).splitlines()  # the line that is typed has a row of its own
    head = next(number for number, line in enumerate(before) if line.startswith("DEVICE"))
    assert typing[:head] == before[:head]


def test_a_measurement_never_stands_without_a_word_of_its_caution() -> None:
    shot = snapshot()
    assert shot.caution
    for width in (40, 60, 80, 120):
        for height in range(10, 45):
            lines = drawn(shot, width, height)
            assert any(line.startswith("! ") for line in lines[:9]) or "(caution: w)" in joined(lines[:6])


@pytest.mark.parametrize(("width", "height"), SIZES)
@pytest.mark.parametrize("time", ["3.2 s", "1234 s", "86399 s"])
def test_the_number_of_a_card_is_never_cut(time: str, width: int, height: int) -> None:
    card = "4102 31007"
    shot = snapshot()
    devices = tuple(replace(one, last=f"{time}: card {card} (34-bit 16+16)") for one in shot.devices)
    rows = [line for line in drawn(replace(shot, devices=devices), width, height) if line.startswith("- silent")]
    assert rows
    assert all(card in row for row in rows)
    assert all(time in row or width < 60 or len(time) > 6 for row in rows)


def test_what_is_added_to_a_second_that_is_over_is_drawn() -> None:
    strip = Strip(CHAR_NS)
    strip.begin(0)
    assert [cell.busy for cell in strip.cells(3 * S, 3)] == [0.0, 0.0, 0.0]
    strip.item(Chunk(S, S + 10 * CHAR_NS, bytes(10)))
    before = strip.cells(3 * S, 3)
    # A lump that an adapter hands over late belongs to the time it took on the wire.
    strip.item(Chunk(S + S // 2, S + S // 2 + 10 * CHAR_NS, bytes(10)))
    after = strip.cells(3 * S, 3)
    assert after[1].busy == pytest.approx(2 * before[1].busy)
    assert [after[0], after[2]] == [before[0], before[2]]


def test_signs_that_are_not_measured_take_one_column() -> None:
    for sign in (*BLOCKS.levels, BLOCKS.nothing, BLOCKS.rule, BLOCKS.recording, *"…•×“”→←↑↓Ωµ–·"):
        assert get_cwidth(sign) == 1
    assert fit("漢字", 5, BLOCKS) == "漢字 "


def test_no_row_is_left_empty_while_a_sentence_is_cut() -> None:
    long = "Follow the supply cores back to the power supply, joint by joint. " * 5
    shot = replace(snapshot(), state="Alive.", finding="It is so.", do_head="Do", do=long, do_name="", caution="")
    lines = drawn(shot, 60, 20)[1:7]
    assert all(lines), lines
    assert lines[-1].endswith("[w]")
