"""What a session notices of OSDP traffic while it listens, beside its tallies; one a session."""

from __future__ import annotations

from typing import TYPE_CHECKING

from benchtool.capture.chunk import Item
from benchtool.frames.frame import Frame
from benchtool.frames.osdp.keys import KeyRing
from benchtool.measure.osdp_watch import OsdpWatch, WatchFigures
from benchtool.taps.tap import Tap

if TYPE_CHECKING:
    from benchtool.install.compare_listened import Listener


class Noticing:
    """Watches from when the tap is open: hand `opened`, `item` and `frame` to the session.

    `listener` hears what a record can be held against, where there is one.
    """

    def __init__(self, keys: KeyRing, listener: Listener | None = None) -> None:
        self._keys = keys
        self._listener = listener
        self._watch: OsdpWatch | None = None

    def opened(self, tap: Tap) -> None:
        """The tap is open, and says what it is."""
        self._watch = OsdpWatch(tap.info, self._keys)

    def item(self, item: Item) -> None:
        """An item as it came from the tap."""
        assert self._watch is not None
        self._watch.item(item)

    def frame(self, frame: Frame) -> None:
        """A frame that the decoder made."""
        assert self._watch is not None
        seen = self._watch.frame(frame)
        if self._listener is not None:
            self._listener.frame(frame, seen)

    def figures(self, ended_ns: int) -> WatchFigures:
        """All that was noticed, once the session is over."""
        assert self._watch is not None
        self._watch.close(ended_ns)
        return self._watch.figures()
