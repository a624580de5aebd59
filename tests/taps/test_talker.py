"""The talker: half duplex, its own echo, stalls of the computer, bit rates, who switches the driver."""

from __future__ import annotations

import errno
import fcntl
import os
import pty
import struct
import termios
import tty
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from benchtool.capture.chunk import Chunk, Direction, Mark, TapInfo
from benchtool.capture.settings import LineSettings
from benchtool.simulate.station import Station
from benchtool.taps.clock import SystemClock
from benchtool.taps.devices import Adapter
from benchtool.taps.live import SourceLostError
from benchtool.taps.talker import Talker
from benchtool.taps.talker_echo import Difference, Echo, EchoCheck
from benchtool.taps.talker_line import Switching, open_talk
from benchtool.taps.talker_port import open_talk_port
from benchtool.taps.talker_serial import SerialTalkPort
from benchtool.taps.tap import TapError
from tests.taps.fakes import MS, FakeClock

SETTINGS = LineSettings(9600)
CHAR = SETTINGS.char_ns
ASK, ANSWER = b"\x53\x01\x08\x00\x05\x60\x8b\x33", b"\x53\x81\x08\x00\x05\x40\x39\x35"  # sheet 5.7


class Script(Station):
    """Says what it is given at its times, and keeps what it hears."""

    name = "script"

    def __init__(self, says: list[tuple[int, bytes | None]]) -> None:
        self.says = says
        self.heard: list[Chunk] = []
        self.wanted: int | None = None
        self.acted: list[int] = []

    def hear(self, chunk: Chunk) -> None:
        self.heard.append(chunk)

    def wake_ns(self) -> int | None:
        return self.says[0][0] if self.says else None

    def act(self, now_ns: int) -> bytes | None:
        self.acted.append(now_ns)
        return self.says.pop(0)[1]

    def baud(self) -> int | None:
        return self.wanted

    @property
    def octets(self) -> bytes:
        return b"".join(chunk.octets for chunk in self.heard)


class Line:
    """An open line by script: octets with the time at which they come."""

    def __init__(self, clock: FakeClock, comes: list[tuple[int, bytes]], *, echo: bytes | None = None) -> None:
        self.clock = clock
        self.origin_ns = clock.time_ns
        self.comes = comes
        self.echo = echo
        self.notices: list[str] = []
        self.info = TapInfo("line", SETTINGS)
        self.sent: list[tuple[int, bytes]] = []
        self.rates: list[tuple[int, int]] = []
        self.marks = b""

    @property
    def now_ns(self) -> int:
        return self.clock.time_ns - self.origin_ns

    def read(self, timeout_s: float) -> tuple[bytes, bytes]:
        self.comes.sort()
        until_ns = self.now_ns + round(timeout_s * 1e9)
        if self.comes and self.comes[0][0] <= until_ns:
            at_ns, octets = self.comes.pop(0)
            self.clock.time_ns = max(self.clock.time_ns, self.origin_ns + at_ns)
            marks, self.marks = self.marks, b""
            return octets, marks
        self.clock.time_ns = self.origin_ns + until_ns
        return b"", b""

    def send(self, octets: bytes) -> None:
        self.sent.append((self.now_ns, octets))
        if self.echo is not None:
            came = self.echo if self.echo else octets
            self.comes.append((self.now_ns + len(octets) * CHAR, came))

    def set_baud(self, baud: int) -> None:
        self.rates.append((self.now_ns, baud))
        self.info = replace(self.info, settings=LineSettings(baud))

    def close(self) -> None:
        pass


class Rig:
    def __init__(
        self,
        says: list[tuple[int, bytes | None]],
        comes: list[tuple[int, bytes]],
        *,
        echo: bytes | None = None,
        known: Echo = Echo.AUTO,
        certain: bool = True,
    ) -> None:
        self.clock = FakeClock()
        self.line = Line(self.clock, comes, echo=echo)
        self.station = Script(says)
        self.items: list[Chunk] = []
        self.differences: list[Difference] = []
        self.talker = Talker(
            self.station,
            self.line,
            self.clock,
            echo=known,
            certain=lambda _: certain,
            on_item=self.items.append,
            on_difference=self.differences.append,
        )

    def run(self, until_ns: int) -> Rig:
        while self.talker.now_ns < until_ns:
            self.talker.turn(0.05)
        return self


def test_what_is_given_to_say_later_was_not_late_before() -> None:
    rig = Rig([], []).run(3000 * MS)
    # A client that was free all the time is asked something now.
    rig.station.says.append((0, ASK))
    rig.run(3200 * MS)
    assert [octets for _, octets in rig.line.sent] == [ASK]
    assert rig.talker.figures.late_ns < 60 * MS


def test_it_says_and_hears_and_keeps_both() -> None:
    rig = Rig([(20 * MS, ASK)], [(40 * MS, ANSWER)]).run(200 * MS)
    assert rig.line.sent == [(20 * MS, ASK)]
    assert rig.station.octets == ANSWER
    assert [(item.direction, item.octets) for item in rig.items] == [
        (Direction.SENT, ASK),
        (Direction.RECEIVED, ANSWER),
    ]
    sent, heard = rig.items
    assert (sent.t_ns, sent.end_ns) == (20 * MS, 20 * MS + 8 * CHAR)
    assert (heard.t_ns, heard.end_ns) == (40 * MS - 8 * CHAR, 40 * MS)
    figures = rig.talker.figures
    assert (figures.sent, figures.octets_sent, figures.octets_heard, figures.echoes) == (1, 8, 8, 0)
    assert rig.talker.echo is Echo.AUTO


def test_an_answer_that_waits_in_the_buffer_is_heard_before_the_station_gives_up() -> None:
    # The computer stalls for 2 s from just after asking; the answer has come meanwhile.
    rig = Rig([(0, ASK), (220 * MS, None)], [(30 * MS, ANSWER)])
    rig.talker.turn(0)
    rig.clock.time_ns += 2000 * MS
    rig.talker.turn(0)
    assert rig.station.octets == ANSWER
    assert rig.talker.figures.late_ns > 1000 * MS


def test_nothing_is_said_while_our_own_octets_are_on_their_way() -> None:
    rig = Rig([(0, ASK), (1 * MS, ANSWER)], []).run(100 * MS)
    assert [at_ns for at_ns, _ in rig.line.sent] == [0, 8 * CHAR]


def test_our_echo_is_found_out_taken_away_and_compared() -> None:
    rig = Rig([(0, ASK), (100 * MS, ASK)], [(30 * MS, ANSWER), (130 * MS, ANSWER)], echo=b"").run(300 * MS)
    assert rig.talker.echo is Echo.YES
    assert rig.station.octets == ANSWER * 2
    assert rig.talker.figures.echoes == 2
    assert not rig.differences
    assert [item.octets for item in rig.items if item.direction is Direction.RECEIVED] == [ANSWER, ANSWER]


@pytest.mark.parametrize("known", [Echo.AUTO, Echo.YES])
def test_an_echo_that_differs_is_a_collision(known: Echo) -> None:
    rig = Rig([(0, ASK), (100 * MS, ASK)], [], echo=b"", known=known).run(30 * MS)
    spoilt = ASK[:3] + b"\xff" + ASK[4:]
    rig.line.echo = spoilt
    rig.run(300 * MS)
    assert rig.differences == [Difference(ASK, spoilt, 3)]
    assert rig.talker.figures.differing_echoes == 1
    assert rig.station.octets == b""


def test_an_echo_that_is_marked_damaged_is_a_collision_though_its_octets_are_right() -> None:
    check = EchoCheck(Echo.YES)
    check.sent(ASK)
    assert check.heard(ASK, bytes(7) + bytes((Mark.FRAMING,))) == (b"", b"")
    assert [difference.heard for difference in check.differences] == [ASK]


def test_an_echo_that_does_not_come_is_told() -> None:
    rig = Rig([(0, ASK), (200 * MS, ASK)], [], echo=b"").run(100 * MS)
    rig.line.echo = None
    rig.run(400 * MS)
    assert rig.differences == [Difference(ASK, b"", 0)]


def test_half_an_echo_is_told() -> None:
    rig = Rig([(0, ASK)], [(9 * MS, ASK[:5])], known=Echo.YES).run(200 * MS)
    assert rig.differences == [Difference(ASK, ASK[:5], 5)]


def test_an_answer_that_begins_like_an_echo_is_handed_on_whole() -> None:
    # 53 is the first octet of both; it comes alone.
    rig = Rig([(0, ASK)], [(20 * MS, ANSWER[:1]), (22 * MS, ANSWER[1:])]).run(200 * MS)
    assert rig.station.octets == ANSWER
    assert rig.talker.echo is Echo.AUTO


def test_a_beginning_that_stays_alone_is_handed_on_in_the_end() -> None:
    rig = Rig([(0, ASK)], [(20 * MS, ASK[:2])]).run(300 * MS)
    assert rig.station.octets == ASK[:2]
    rig = Rig([(0, ASK), (30 * MS, ASK)], [(20 * MS, ASK[:2])]).run(300 * MS)
    assert rig.station.octets == ASK[:2]


def test_where_a_reply_may_be_the_same_octets_no_echo_is_concluded() -> None:
    # Modbus function 06 is answered by the request itself (sheet 3.2).
    write = bytes.fromhex("11 06 00 01 00 03 9A 9B")
    rig = Rig([(0, write)], [(30 * MS, write)], certain=False).run(200 * MS)
    assert rig.station.octets == write
    assert rig.talker.echo is Echo.AUTO


def test_without_echo_nothing_is_taken_away_but_one_that_comes_is_counted() -> None:
    rig = Rig([(0, ASK)], [(30 * MS, ASK)], known=Echo.NO).run(200 * MS)
    assert rig.station.octets == ASK
    assert rig.talker.figures.came_back == 1
    assert rig.talker.figures.echoes == 0
    pieces = [(30 * MS, ASK[:3]), (35 * MS, ASK[3:] + ANSWER)]
    assert Rig([(0, ASK)], pieces, known=Echo.NO).run(200 * MS).talker.figures.came_back == 1
    # An answer is no echo, nor what follows it; nor are octets that a reply may repeat (sheet 3.2).
    answered = [(30 * MS, ANSWER), (60 * MS, ASK)]
    assert Rig([(0, ASK)], answered, known=Echo.NO).run(200 * MS).talker.figures.came_back == 0
    assert Rig([(0, ASK)], [(30 * MS, ASK)], known=Echo.NO, certain=False).run(200 * MS).talker.figures.came_back == 0


def test_echo_and_answer_in_one_lump() -> None:
    rig = Rig([(0, ASK)], [(40 * MS, ASK + ANSWER)]).run(200 * MS)
    assert rig.station.octets == ANSWER
    assert rig.talker.echo is Echo.YES


def test_another_bit_rate_holds_once_our_octets_are_out() -> None:
    rig = Rig([(0, ASK)], [])
    rig.station.wanted = 115200
    rig.run(100 * MS)
    assert rig.line.rates == [(8 * CHAR, 115200)]
    assert rig.talker.now_ns >= 100 * MS


def test_a_line_that_goes_is_told_in_one_line() -> None:
    rig = Rig([], [])

    def gone(timeout_s: float) -> tuple[bytes, bytes]:
        raise SourceLostError("the device hung up")

    rig.line.read = gone  # type: ignore[method-assign]
    with pytest.raises(TapError, match="line has gone: the device hung up"):
        rig.talker.turn(0)


@pytest.fixture
def pair() -> Iterator[tuple[int, str]]:
    ours, theirs = pty.openpty()
    tty.setraw(ours)
    try:
        yield ours, os.ttyname(theirs)
    finally:
        os.close(ours)
        os.close(theirs)


def test_a_pseudo_terminal_carries_every_octet_both_ways(pair: tuple[int, str]) -> None:
    every = bytes(range(256)) + b"\xff\xff\x00"
    port = open_talk_port(pair[1], SETTINGS, Switching.ADAPTER, SystemClock())
    try:
        port.send(every)
        assert os.read(pair[0], 4096) == every
        os.write(pair[0], every)
        got = b""
        while len(got) < len(every):
            octets, marks = port.read(10)
            assert not marks
            got += octets
        assert got == every
        port.set_baud(115200)
        assert port.info.settings.baud == 115200
    finally:
        port.close()
        port.close()


def test_a_line_to_talk_on_says_how_fine_its_times_are(pair: tuple[int, str], monkeypatch: pytest.MonkeyPatch) -> None:
    # sheet 10.3: 1 ms for the host to wake, a USB frame of 1 ms, and the latency timer; 17 ms where it is not read
    port = open_talk_port(pair[1], SETTINGS, Switching.ADAPTER, SystemClock())
    assert port.info.resolution_ns == MS
    port.set_baud(115200)
    assert port.info.resolution_ns == MS
    port.close()
    adapter = Adapter(pair[1], "ftdi_sio", usb=True, latency_ms=16)
    monkeypatch.setattr("benchtool.taps.talker_port.describe", lambda _: adapter)
    port = open_talk_port(pair[1], SETTINGS, Switching.ADAPTER, SystemClock())
    assert port.info.resolution_ns == 18 * MS
    port.close()
    network = open_talk("loop://", SETTINGS, Switching.ADAPTER, FakeClock())
    assert network.info.resolution_ns == 50 * MS
    network.close()
    assert SerialTalkPort("COM5", SETTINGS, None, Switching.ADAPTER, FakeClock()).info.resolution_ns == 17 * MS


def test_a_line_that_takes_no_octets_is_told(pair: tuple[int, str], monkeypatch: pytest.MonkeyPatch) -> None:
    port = open_talk_port(pair[1], SETTINGS, Switching.ADAPTER, SystemClock())
    monkeypatch.setattr("benchtool.taps.talker_port._STUCK_S", 0.01)
    try:
        with pytest.raises(SourceLostError, match="takes no octets"):
            port.send(bytes(1_000_000))
    finally:
        port.close()


def test_a_line_that_has_hung_up_is_told(pair: tuple[int, str]) -> None:
    port = open_talk_port(pair[1], SETTINGS, Switching.ADAPTER, SystemClock())
    spare = os.dup(pair[0])
    os.close(pair[0])
    os.close(spare)
    try:
        with pytest.raises(SourceLostError):
            port.send(ASK)
    finally:
        port.close()
        os.dup2(os.open(os.devnull, os.O_RDONLY), pair[0])


class Ioctls:
    """Stands in for the RS-485 and modem control calls of the kernel, which a pseudo-terminal has not."""

    def __init__(self, *, rs485: bool = True, taken: bool = True) -> None:
        self.rs485, self.taken = rs485, taken
        self.state = bytes(32)
        self.calls: list[str] = []
        self.real = fcntl.ioctl

    def __call__(self, fd: int, request: int, argument: bytes | int = 0, mutate: bool = True) -> object:
        if request in (0x542E, 0x542F):  # sheet section 10: TIOCGRS485, TIOCSRS485
            if not self.rs485:
                raise OSError(errno.ENOTTY, "Inappropriate ioctl for device")
            if request == 0x542F and isinstance(argument, bytes):
                self.calls.append(f"rs485 {struct.unpack_from('I', argument)[0]:#x}")
                self.state = argument if self.taken else self.state
            return self.state
        if request in (termios.TIOCMBIS, termios.TIOCMBIC):
            self.calls.append("rts on" if request == termios.TIOCMBIS else "rts off")
            return 0
        return self.real(fd, request, argument, mutate)


def test_the_kernels_mode_is_set_and_put_back(pair: tuple[int, str], monkeypatch: pytest.MonkeyPatch) -> None:
    # sheet section 10: ENABLED 1, RTS_ON_SEND 2, RX_DURING_TX 0x10
    kernel = Ioctls()
    monkeypatch.setattr(fcntl, "ioctl", kernel)
    port = open_talk_port(pair[1], SETTINGS, Switching.KERNEL, SystemClock())
    port.close()
    assert [call for call in kernel.calls if call.startswith("rs485")] == ["rs485 0x13", "rs485 0x0"]


@pytest.mark.parametrize(("rs485", "taken"), [(False, True), (True, False)])
def test_a_kernel_without_that_mode_is_told(
    pair: tuple[int, str], monkeypatch: pytest.MonkeyPatch, rs485: bool, taken: bool
) -> None:
    monkeypatch.setattr(fcntl, "ioctl", Ioctls(rs485=rs485, taken=taken))
    with pytest.raises(TapError, match="no RS-485 mode in the kernel"):
        open_talk_port(pair[1], SETTINGS, Switching.KERNEL, SystemClock())


def test_rts_is_on_while_we_talk_and_off_when_all_is_out(
    pair: tuple[int, str], monkeypatch: pytest.MonkeyPatch
) -> None:
    kernel = Ioctls()
    monkeypatch.setattr(fcntl, "ioctl", kernel)
    monkeypatch.setattr(termios, "tcdrain", lambda _: kernel.calls.append("drained"))
    clock = FakeClock()
    port = open_talk_port(pair[1], SETTINGS, Switching.RTS, clock)
    kernel.calls.clear()
    port.send(ASK)
    port.close()
    assert kernel.calls == ["rts on", "drained", "rts off"]
    # An adapter may call it done while octets are in its own buffer: their time is waited for.
    assert clock.waited == [pytest.approx(8 * CHAR / 1e9)]


def test_a_line_without_rts_is_told(pair: tuple[int, str]) -> None:
    with pytest.raises(TapError, match=r"has no RTS to switch .*leave --direction out"):
        open_talk_port(pair[1], SETTINGS, Switching.RTS, SystemClock())


@pytest.mark.parametrize(
    ("address", "reason"),
    [
        ("sim:demo", "bad-address"),
        ("/dev/nothing-here", "absent"),
        ("socket://127.0.0.1:1", "absent"),
        (str(Path(__file__)), "unusable"),
    ],
)
def test_addresses_that_cannot_be_talked_on(address: str, reason: str) -> None:
    with pytest.raises(TapError) as told:
        open_talk(address, SETTINGS, Switching.ADAPTER, SystemClock())
    assert told.value.reason == reason
    assert "\n" not in str(told.value)


def test_a_url_is_talked_on_through_pyserial() -> None:
    # pySerial's own loop:// hands back what is written: an echo.
    port = open_talk("loop://", SETTINGS, Switching.RTS, FakeClock())
    try:
        port.send(ASK)
        assert port.read(0) == (ASK, b"")
        port.set_baud(19200)
        assert port.info.settings.baud == 19200
    finally:
        port.close()
    with pytest.raises(TapError, match="no RS-485 mode"):
        open_talk("loop://", SETTINGS, Switching.KERNEL, FakeClock())
