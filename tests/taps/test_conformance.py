"""The contract of every tap, held against each kind: one class, subclassed a kind."""

from __future__ import annotations

import contextlib
import os
import socket
from abc import ABC, abstractmethod
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

from benchtool.capture.chunk import Chunk, Gap, Item, LineErrors, TapInfo
from benchtool.capture.files import Recorder
from benchtool.capture.settings import LineSettings
from benchtool.taps.adapter import AdapterTap
from benchtool.taps.file import FileTap
from benchtool.taps.network import SocketTap, UrlTap
from benchtool.taps.simulated import SimulatedTap
from benchtool.taps.tap import Tap, TapError
from tests.taps.fakes import collect, octets_of, octets_reach, pseudo_terminal

SETTINGS = LineSettings(115200)
LUMPS = [bytes(range(256)), b"\xff\xff\x00", b"\x00\xff\x00\x11\x13\x03\x04\x0d\x0a\x1a\x7f", b"S" * 600]
FED = b"".join(LUMPS)


@dataclass
class Subject:
    """A tap under test, not yet open; `feed` makes it hear octets (None: it hears what it hears)."""

    tap: Tap
    feed: Callable[[bytes], None] | None
    expected: bytes | None


def every_octet(subject: Subject) -> list[Item]:
    """Open tap in, all its items out."""
    if subject.feed is None:
        return collect(subject.tap, lambda items: False)
    items: list[Item] = []
    for lump in LUMPS:
        subject.feed(lump)
        items += collect(subject.tap, octets_reach(len(lump)))
    return items


class TapContract(ABC):
    """What the docstrings of `Tap` promise."""

    live = True
    settings: LineSettings | None = SETTINGS

    @pytest.fixture
    def subject(self, tmp_path: Path) -> Iterator[Subject]:
        with self.make(tmp_path) as subject, contextlib.closing(subject.tap):
            yield subject

    @abstractmethod
    def make(self, folder: Path) -> contextlib.AbstractContextManager[Subject]:
        """The tap under test, ready to hear."""

    @abstractmethod
    def absent(self, folder: Path) -> Tap:
        """A tap on something that is not there."""

    def test_the_constructor_does_no_io(self, tmp_path: Path) -> None:
        tap = self.absent(tmp_path)
        with pytest.raises(TapError) as caught:
            tap.open()
        assert "\n" not in str(caught.value)
        assert caught.value.reason in {"absent", "busy", "forbidden", "unusable", "foreign", "bad-address"}
        tap.close()

    def test_it_cannot_transmit(self, subject: Subject) -> None:
        public = [name.lower() for name in dir(subject.tap) if not name.startswith("_")]
        assert not [name for name in public if "write" in name or "send" in name or "transmit" in name]

    def test_open_and_close_may_come_twice(self, subject: Subject) -> None:
        tap = subject.tap
        tap.close()
        tap.open()
        tap.open()
        tap.close()
        tap.close()
        tap.open()
        assert tap.info.name

    def test_it_is_a_context_manager(self, subject: Subject) -> None:
        with subject.tap as tap:
            assert tap is subject.tap

    def test_info_is_complete(self, subject: Subject) -> None:
        with subject.tap as tap:
            info = tap.info
        assert info.name
        assert info.settings == self.settings or self.settings is None
        assert isinstance(info.line_errors, LineErrors)
        assert info.resolution_ns >= 0
        if self.live:
            assert info.resolution_ns > 0
            assert info.anchor_ns > 0

    def test_read_with_no_time_does_not_wait(self, subject: Subject) -> None:
        with subject.tap as tap:
            items = tap.read(0)  # a read that waited would hang here
            assert items == [] if self.live else items or tap.ended

    def test_all_octets_arrive_in_order(self, subject: Subject) -> None:
        with subject.tap:
            heard = octets_of(every_octet(subject))
        assert heard
        if subject.expected is not None:
            assert heard == subject.expected

    def test_items_are_in_order_of_time(self, subject: Subject) -> None:
        with subject.tap as tap:
            items = every_octet(subject)
            now_ns = tap.now_ns
        end_ns = 0
        for item in items:
            assert item.t_ns >= (end_ns if isinstance(item, Chunk) and self.live else 0)
            if isinstance(item, Chunk | Gap):
                assert item.t_ns <= item.end_ns <= now_ns
                assert item.end_ns >= end_ns
                end_ns = item.end_ns
            if isinstance(item, Chunk):
                assert item.octets
                assert len(item.marks) in (0, len(item.octets))
        assert [item.t_ns for item in items] == sorted(item.t_ns for item in items)

    def test_now_never_goes_back(self, subject: Subject) -> None:
        with subject.tap as tap:
            times = [tap.now_ns]
            for _ in range(5):
                tap.read(0)
                times.append(tap.now_ns)
        assert times == sorted(times)

    def test_when_it_ends(self, subject: Subject) -> None:
        with subject.tap as tap:
            if self.live:
                tap.read(0)
                assert not tap.ended
            else:
                while tap.read(0):
                    pass
                assert tap.ended
                assert tap.read(0) == []
        if self.live:
            tap.read(0)
            assert tap.ended


class TestAdapter(TapContract):
    """On a pseudo-terminal, which is a serial device to the kernel."""

    @contextlib.contextmanager
    def make(self, folder: Path) -> Iterator[Subject]:
        with pseudo_terminal() as (near, name):
            yield Subject(AdapterTap(name, SETTINGS), lambda octets: _write_all(near, octets), FED)

    def absent(self, folder: Path) -> Tap:
        return AdapterTap(str(folder / "ttyUSB7"))


class TestSocket(TapContract):
    """On a socket served by this process."""

    @contextlib.contextmanager
    def make(self, folder: Path) -> Iterator[Subject]:
        with socket.create_server(("127.0.0.1", 0)) as server:
            peers: list[socket.socket] = []

            def feed(octets: bytes) -> None:
                if not peers:
                    peers.append(server.accept()[0])
                peers[-1].sendall(octets)

            yield Subject(SocketTap(f"socket://127.0.0.1:{server.getsockname()[1]}", SETTINGS), feed, FED)
            for peer in peers:
                peer.close()

    def absent(self, folder: Path) -> Tap:
        with socket.create_server(("127.0.0.1", 0)) as server:
            port = server.getsockname()[1]
        return SocketTap(f"socket://127.0.0.1:{port}")


class TestUrl(TapContract):
    """On pySerial's own loop, whose near end is its far end."""

    @contextlib.contextmanager
    def make(self, folder: Path) -> Iterator[Subject]:
        tap = UrlTap("loop://", SETTINGS)
        yield Subject(tap, lambda octets: tap.serial.write(octets), FED)

    def absent(self, folder: Path) -> Tap:
        return UrlTap("loop://?nonsense=1")


class _Recorded(TapContract):
    live = False
    settings = None
    name = ""

    @contextlib.contextmanager
    def make(self, folder: Path) -> Iterator[Subject]:
        path = folder / self.name
        with Recorder(path, TapInfo("bench", SETTINGS, LineErrors.MARKED, 1000, 1_700_000_000_000_000_000)) as recorder:
            for place, lump in enumerate(LUMPS):
                begin = 10_000_000 * place
                recorder.write(Chunk(begin, begin + 1_000_000, lump))
        yield Subject(FileTap(str(path)), None, FED)

    def absent(self, folder: Path) -> Tap:
        return FileTap(str(folder / self.name))


class TestCaptureFile(_Recorded):
    """On a pcapng file."""

    name = "visit.pcapng"


class TestOctetLog(_Recorded):
    """On a text log."""

    name = "visit.log"


class TestSimulated(TapContract):
    """On the embedded simulated bus, which must also repeat itself."""

    live = False
    settings = None

    @contextlib.contextmanager
    def make(self, folder: Path) -> Iterator[Subject]:
        def again() -> Tap:
            return SimulatedTap("sim:demo?for=2")

        with again() as tap:
            expected = octets_of(collect(tap, lambda items: False))
        yield Subject(again(), None, expected)

    def absent(self, folder: Path) -> Tap:
        return SimulatedTap("sim:no-such-place")


def _write_all(near: int, octets: bytes) -> None:
    # A pseudo-terminal takes at most 4095 octets that nobody reads; a lump is always smaller.
    assert os.write(near, octets) == len(octets)
