"""Ctrl-C in the middle of an item: it is recorded, decoded and told wholly, and then the listening ends."""

from __future__ import annotations

import signal
from pathlib import Path

import pytest

from benchtool.capture.chunk import Item
from benchtool.commands.session import Session, Whole
from benchtool.frames.frame import Frame
from benchtool.taps.address import open_tap


def test_an_interrupt_while_an_item_is_taken_waits_for_its_end(tmp_path: Path) -> None:
    name = str(tmp_path / "visit.pcapng")
    items: list[Item] = []
    frames: list[Frame] = []

    def interrupt(item: Item) -> None:
        items.append(item)
        if len(items) == 7:  # recorded already, not yet decoded
            signal.raise_signal(signal.SIGINT)

    session = Session(open_tap("sim:demo?for=60"), record=name, on_item=interrupt, on_frame=frames.append)
    session.run()
    assert session.stopped_by_user
    assert len(items) == 7
    again: list[Frame] = []
    Session(open_tap(name), on_frame=again.append).run()
    assert [frame.octets for frame in again] == [frame.octets for frame in frames]
    assert len(frames) >= 5


def test_a_second_interrupt_is_not_held_back() -> None:
    whole = Whole()
    whole.__enter__()
    whole.interrupt(2, None)
    with pytest.raises(KeyboardInterrupt):
        whole.interrupt(2, None)
    with pytest.raises(KeyboardInterrupt):
        whole.__exit__()
    with pytest.raises(KeyboardInterrupt):  # with nothing in hand it comes at once
        whole.interrupt(2, None)
    with whole:
        pass
