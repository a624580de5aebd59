"""Several devices on one line circuit, as one station: what is heard is decoded once for all of them."""

from __future__ import annotations

from collections.abc import Iterable

from benchtool.capture.chunk import Chunk
from benchtool.capture.settings import LineSettings
from benchtool.frames.decoder import BusDecoder
from benchtool.simulate.answering import Answering
from benchtool.simulate.station import Station


class Crowd(Station):
    """The devices `members`; what one of them says is not heard by the others, as none of them needs it."""

    def __init__(self, name: str, members: Iterable[Answering], settings: LineSettings) -> None:
        self.name = name
        self.members = list(members)
        self._decoder = BusDecoder(settings)

    def hear(self, chunk: Chunk) -> None:
        """Decode once, and let each member take what is for it."""
        for frame in self._decoder.feed(chunk):
            if frame.ok and frame.end_ns >= chunk.t_ns:
                for member in self.members:
                    if member.is_for_me(frame):
                        member.take(frame)

    def wake_ns(self) -> int | None:
        """The first answer that is due."""
        return min((due_ns for member in self.members if (due_ns := member.wake_ns()) is not None), default=None)

    def act(self, now_ns: int) -> bytes | None:
        """Send the answer that is due first, if one is."""
        due = [(due_ns, at) for at, member in enumerate(self.members) if (due_ns := member.wake_ns()) is not None]
        if not due or min(due)[0] > now_ns:
            return None
        return self.members[min(due)[1]].act(now_ns)

    def baud(self) -> int | None:
        """The bit rate that a member wants that no other differs from; else the line stays as it is."""
        wanted = {member.baud() for member in self.members}
        return wanted.pop() if len(wanted) == 1 else None
