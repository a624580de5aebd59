"""What is typed at the live screen: taken, or refused and still there to be mended; never run as keys."""

from __future__ import annotations

import threading
from pathlib import Path

import pytest
from prompt_toolkit.completion import CompleteEvent
from prompt_toolkit.document import Document
from prompt_toolkit.input import DummyInput
from prompt_toolkit.layout import BufferControl
from prompt_toolkit.output import DummyOutput

from benchtool.screens.watch_app import make_app
from benchtool.screens.watch_look import Ask
from tests.screens.test_watch_app import run
from tests.screens.watching import watching

REFUSED = [
    ("m", "ab-ohms sixty", "a number is wanted", "ab-ohms 61"),
    ("m", "swap-clip perhaps", "", "swap-clip same"),
    ("b", "fast", "is not a character format", "19200 8E1"),
    ("b", "4", "a bit rate is 50 to 20 000 000", "19200"),
    ("d", "fault nonsense", "no fault 'nonsense'", "fault healthy"),
    ("d", "card 26-bit 99999999", "write: card", "card 26-bit 57 20118"),
    ("s", "no such words", "No line with “no such words”", "poll"),
]


@pytest.mark.parametrize(("key", "wrong", "why", "right"), REFUSED)
def test_what_is_refused_stays_open_until_it_is_right(key: str, wrong: str, why: str, right: str) -> None:
    screen = watching()
    screen.run(3)
    screen.type(key, wrong)
    assert screen.look.ask is not None
    assert why in screen.look.refused
    assert "Not taken: " in screen.text(80, 23)
    assert screen.desk.submit(right)
    assert screen.look.ask is None
    assert not screen.look.refused


def test_a_recording_that_cannot_be_made_is_asked_for_again(tmp_path: Path) -> None:
    (tmp_path / "kept.pcapng").write_text("kept")
    screen = watching()
    for wrong in (tmp_path / "kept.pcapng", tmp_path / "none" / "a.pcapng", tmp_path / "a.xyz"):
        screen.type("r", str(wrong))
        assert screen.look.ask is Ask.RECORD
        assert screen.look.refused
        screen.desk.cancel()
    assert not screen.model.recording
    screen.type("r", str(tmp_path / "good.pcapng"))
    assert screen.model.recording
    screen.pump.finish()


def test_a_recording_goes_on_where_another_is_refused(tmp_path: Path) -> None:
    screen = watching()
    screen.type("r", str(tmp_path / "one.pcapng"))
    assert screen.pump.record(str(tmp_path / "none" / "two.pcapng"))
    assert screen.model.recording.endswith("one.pcapng")
    screen.pump.finish()


def test_letters_after_a_refusal_go_into_the_line_and_not_to_the_keys() -> None:
    screen = watching()
    screen.run(3)
    before = screen.model.settings
    # m asks; the refused text is wiped with Ctrl-U, and letters that are keys elsewhere are typed again.
    run(screen, "mbd\r\x15mdbc\r\x15ab-ohms 61\rq")
    screen.pump.step()
    assert [reading.name for reading in screen.model.by_hand.readings] == ["ab-ohms"]
    assert screen.model.settings == before
    assert screen.look.ask is None


def test_escape_leaves_a_refused_line() -> None:
    screen = watching()
    screen.run(2)
    screen.type("m", "nonsense")
    assert screen.look.refused
    screen.desk.cancel()
    assert (screen.look.ask, screen.look.refused, screen.look.message) == (None, "", "")


def test_tab_fills_in_a_name() -> None:
    screen = watching()
    screen.run(2)
    app = make_app(screen.desk, screen.glyphs, input=DummyInput(), output=DummyOutput())
    buffer = next(one for one in app.layout.find_all_controls() if isinstance(one, BufferControl)).buffer
    for ask, typed, filled in (
        (Ask.DO, "fault pair-sh", "pair-shorted"),
        (Ask.DO, "tam", "tamper "),
        (Ask.MEASURED, "swap-cl", "swap-clip "),
        (Ask.FILTER, "err", "errors"),
    ):
        screen.look.ask = ask
        found = [one.text for one in buffer.completer.get_completions(Document(typed), CompleteEvent())]
        assert found == [filled]


def test_a_filter_that_nothing_fits_says_so_and_one_that_fits_does_not() -> None:
    screen = watching()
    screen.run(3)
    screen.type("f", "errors nosuchword")
    assert "No line in the screen's memory fits “errors nosuchword”" in screen.text()
    screen.type("f", "2")
    assert "Showing only: 2" in screen.text()
    screen.type("s", "-> 3")
    assert "among those shown (only 2)" in screen.look.refused


def test_a_search_in_vain_leaves_the_traffic_as_it_was() -> None:
    screen = watching()
    screen.run(3)
    screen.type("s", "nosuchword")
    assert not screen.look.held
    assert not screen.look.search


def test_a_refusal_comes_from_the_listening_thread_and_a_note_before_the_end_is_kept(tmp_path: Path) -> None:
    (tmp_path / "kept.pcapng").write_text("kept")
    screen = watching("sim:bench")
    screen.pump.start()
    assert "is there already" in screen.pump.refusal(lambda: screen.pump.record(str(tmp_path / "kept.pcapng")))
    screen.pump.ask(lambda: screen.pump.note("the last word"))
    screen.pump.finish()
    assert [note.text for note in screen.model.notes] == ["the last word"]


def test_a_refusal_that_comes_as_the_waiting_ends_is_returned_or_told(monkeypatch: pytest.MonkeyPatch) -> None:
    for answer_s, why in ((0.0, "refused"), (0.0, ""), (0.0005, "refused"), (0.0005, "")):
        screen = watching("sim:bench", answer_s=answer_s)
        told: list[str] = []
        monkeypatch.setattr(screen.pump, "tell_screen", told.append)
        screen.pump.start()
        for _ in range(15):
            asked_and_done = threading.Event()
            before = len(told)
            returned = screen.pump.refusal(lambda: why)  # noqa: B023
            screen.pump.ask(asked_and_done.set)
            assert asked_and_done.wait(10)
            assert [text for text in (returned, *told[before:]) if text] == ([why] if why else [])
        screen.pump.finish()


def test_nothing_is_taken_for_done_where_nobody_listens_any_more() -> None:
    screen = watching("sim:bench")
    screen.pump.start()
    done: list[str] = []

    def do(text: str) -> str:
        done.append(text)
        return ""

    def fails() -> str:
        raise ZeroDivisionError

    for _ in range(2):  # it dies of the first
        assert "Not done: benchtool failed (ZeroDivisionError)" in screen.pump.refusal(fails)
    assert screen.desk.press("r")
    screen.desk.submit("never.pcapng")
    assert "Not done: benchtool failed" in screen.look.refused
    screen.pump.finish()
    assert "Not done" in screen.pump.refusal(lambda: do("done"))
    assert not done
    assert not screen.pump.recorded


def test_what_was_told_as_not_done_is_not_done_at_the_end() -> None:
    screen = watching("sim:bench")
    done: list[str] = []

    def do(text: str) -> str:
        done.append(text)
        return ""

    def fails() -> None:
        # The request is in the queue already when the thread dies: it must not be done when the screen is left.
        assert asked.wait(10)
        raise ZeroDivisionError

    asked = threading.Event()
    screen.pump.ask(fails)
    screen.pump.start()
    ask = screen.pump.ask

    def ask_and_go_on(request: object) -> None:
        ask(request)  # type: ignore[arg-type]
        asked.set()

    screen.pump.ask = ask_and_go_on  # type: ignore[method-assign]
    assert "Not done" in screen.pump.refusal(lambda: do("done"))
    screen.pump.finish()
    assert not done


@pytest.mark.parametrize(("width", "height"), [(80, 24), (60, 20), (40, 10)])
def test_why_something_was_refused_can_be_read_whole(width: int, height: int) -> None:
    screen = watching()
    screen.run(3)
    screen.type("b", "8X1")
    shown = " ".join(screen.text(width, height - 1).split())
    assert "Not taken: " in shown
    if height > 10:
        assert screen.look.refused in shown.replace(" … ", " ")
    assert "Enter takes it" in shown


@pytest.mark.parametrize(
    ("key", "typed", "said"),
    [
        ("m", "supply@77 9.1", "supply@77 9.1 V: weighed with what is heard. But no device 77 was heard"),
        ("m", "ab-ohms 61k", "ab-ohms 61 kohm: weighed"),
        ("m", "supply@2 12.1", "supply@2 12.1 V: weighed with what is heard."),
    ],
)
def test_a_reading_is_told_as_a_meter_shows_it_and_whether_its_device_is_there(key: str, typed: str, said: str) -> None:
    screen = watching()
    screen.run(3)
    screen.type(key, typed)
    assert screen.look.message.startswith(said)
    assert ("no device" in said) == ("no device" in screen.look.message)


@pytest.mark.parametrize(
    ("key", "typed", "told"),
    [
        ("m", "swap-clip", "swap-clip better, or swap-clip same"),
        ("m", "nothing 5", "or, with better or same: swap-clip"),
        ("d", "comset 5", "there are card, bits, keys, tamper, power, input, fault"),
    ],
)
def test_what_is_refused_names_what_can_be_typed(key: str, typed: str, told: str) -> None:
    screen = watching()
    screen.run(2)
    screen.type(key, typed)
    assert told in screen.look.refused


def test_a_filter_says_where_lines_are_that_fit() -> None:
    screen = watching("sim:demo?fault=healthy")
    screen.run(2)
    assert screen.desk.press("f")
    assert "errors, events, addresses" in screen.desk.hint()
    screen.desk.cancel()
    screen.press(" ", "home")
    assert not screen.desk.pump.refusal(lambda: screen.desk.pump.inject("noise-broadband level=1"))
    screen.run(4)
    screen.type("f", "errors")
    assert "newer below" in screen.text()
    assert "newer ones do: End goes there" in screen.look.message


def test_at_every_width_the_reason_keeps_its_mend() -> None:
    screen = watching()
    screen.run(4)
    screen.type("m", "nothing 5")
    for width, height in ((60, 19), (80, 23)):
        assert "lower-baud" in " ".join(screen.text(width, height).split())
