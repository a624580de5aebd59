"""Held traffic: it stands still however fast the memory turns over, and its neighbours are the real ones."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from benchtool.capture.chunk import Chunk
from benchtool.frames.osdp.build import build_frame
from benchtool.screens.watch_look import Page
from benchtool.screens.watch_ring import Ring
from tests.screens.watching import Watching, watching

POLL = build_frame(1, 0x60, b"", sequence=1, crc=True, reply=False)


def flood(screen: Watching, frames: int) -> None:
    """So many polls of device 1 at once: on the fast line of the report 4000 lines took 2.8 s."""
    with screen.model.lock:
        for _ in range(frames):
            now_ns = screen.model.now_ns + 20_000_000
            screen.model.hear(Chunk(now_ns, now_ns + 8_000_000, POLL))
        screen.model.idle(now_ns + 100_000_000)


def numbers(screen: Watching) -> list[int]:
    return [line.number for line in screen.model.snapshot(screen.look, 6, 60).lines]


def test_a_held_picture_stands_still_when_the_memory_has_turned_over() -> None:
    screen = watching()
    screen.run(3)
    screen.press(" ")
    before = screen.model.snapshot(screen.look, 6, 60).lines
    flood(screen, 9000)
    after = screen.model.snapshot(screen.look, 6, 60)
    assert after.lines == before
    assert after.newer >= 9000
    assert screen.model.rows.first > before[-1].number
    # Back it goes line by line to the first, all still there.
    screen.press("up")
    assert screen.look.selected == before[-2].number
    screen.press("home")
    assert numbers(screen) == [0, 1, 2, 3, 4, 5]
    screen.press("enter")
    assert screen.look.page is Page.FRAME
    first = screen.look.text
    screen.press("right", "left")
    assert screen.look.text == first


def test_arrows_say_where_lines_have_left_the_memory() -> None:
    screen = watching()
    screen.run(3)
    screen.press(" ")
    selected = screen.look.selected
    flood(screen, 9000)
    gone = screen.model.rows.first - (selected + 1)
    screen.press("down")
    assert screen.look.selected == selected
    assert f"The {gone} lines after this one have left the memory" in screen.look.message
    screen.press("enter", "right")
    assert screen.look.selected == selected
    assert "have left the memory" in screen.look.message
    screen.press("escape", "end")
    assert screen.look.selected == screen.model.rows.end - 1


def test_down_goes_on_into_what_came_since_while_it_is_there() -> None:
    screen = watching()
    screen.run(3)
    screen.press(" ")
    selected = screen.look.selected
    flood(screen, 50)
    screen.press(*["down"] * 3)
    assert screen.look.selected == selected + 3
    assert numbers(screen)[-1] == selected + 3


def test_a_search_holds_what_it_found() -> None:
    screen = watching()
    screen.run(8)
    screen.type("s", "keys pressed")
    found = screen.look.selected
    before = screen.model.snapshot(screen.look, 6, 60).lines
    flood(screen, 9000)
    assert screen.model.snapshot(screen.look, 6, 60).lines == before
    assert screen.look.selected == found
    screen.press(".")
    assert "lines after the held ones have left it" in screen.look.message


def test_a_filter_that_fits_nothing_opens_nothing() -> None:
    screen = watching()
    screen.run(3)
    for before in ((), (" ",)):
        screen.press(*before)
        screen.type("f", "nosuchword")
        screen.press("home", "enter")
        assert screen.look.page.value == "bus"
        assert "No line that is shown to open" in screen.look.message
        screen.type("f", "")
        screen.press(" ")


def test_newer_lines_below_are_those_that_the_filter_shows() -> None:
    screen = watching()
    screen.run(3)
    screen.type("f", "5")
    screen.press(" ")
    before = screen.model.rows.end
    screen.run(2)
    new = [screen.model.rows[number] for number in range(before, screen.model.rows.end)]
    wanted = sum(1 for row in new if screen.look.filter.wants(row))
    assert 0 < wanted < len(new)
    assert screen.model.snapshot(screen.look, 6, 60).newer == wanted


@given(st.integers(1, 9), st.integers(0, 40), st.integers(0, 30))
def test_a_copy_of_a_ring_holds_the_same_and_goes_on_by_itself(most: int, count: int, more: int) -> None:
    ring: Ring[int] = Ring(most)
    for number in range(count):
        ring.append(number)
    kept = ring.copy(2 * most)
    assert (kept.first, kept.end) == (ring.first, ring.end)
    for number in range(count, count + more):
        kept.append(number)
    assert [kept[number] for number in range(kept.first, kept.end)] == list(range(kept.first, count + more))
    assert kept.end - kept.first == min(2 * most, min(most, count) + more)
