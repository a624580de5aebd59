"""The adapter tap: marks and counts, times, loss and return; on scripts, and on real pseudo-terminals."""

from __future__ import annotations

import array
import errno
import fcntl
import os
import sys
import termios
import threading
from collections.abc import Callable
from pathlib import Path

import pytest

from benchtool.capture.chunk import Chunk, Direction, Gap, Item, LineCounts, LineErrors, Mark
from benchtool.capture.settings import CharFormat, LineSettings
from benchtool.taps import line_setup, port
from benchtool.taps.adapter import AdapterTap
from benchtool.taps.clock import SystemClock
from benchtool.taps.counters import Counters
from benchtool.taps.line_setup import CMSPAR, actual_rate
from benchtool.taps.live import SourceLostError
from benchtool.taps.port import PosixPort, open_port
from benchtool.taps.talker_line import Switching
from benchtool.taps.talker_port import open_talk_port
from benchtool.taps.tap import TapError
from tests.taps.fakes import MS, FakeClock, FakePort, S, Step, collect, octets_of, pseudo_terminal, unplug, usb_adapter

F, P, B = int(Mark.FRAMING), int(Mark.PARITY), int(Mark.BREAK)
E1 = LineSettings(9600, CharFormat.parse("8E1"))
GONE = SourceLostError("no such device")


class Bench:
    """An adapter tap on scripted devices: one script an opening; an exception refuses the opening."""

    def __init__(
        self,
        root: Path,
        *openings: FakePort | TapError,
        settings: LineSettings | None = None,
        device: str = "/dev/ttyUSB0",
        lower_latency: bool = True,
    ) -> None:
        self.clock = FakeClock()
        self.openings = list(openings)
        self.opened: list[str] = []
        self.tap = AdapterTap(
            device, settings, clock=self.clock, opener=self.opener, root=root, lower_latency=lower_latency
        )

    def opener(self, device: str, settings: LineSettings) -> FakePort:
        self.opened.append(device)
        opening = self.openings.pop(0)
        if isinstance(opening, TapError):
            raise opening
        opening.clock = self.clock
        return opening


def device_with(*script: Step, counts: Counters | None = None, flag_works: bool = True) -> FakePort:
    return FakePort(FakeClock(), list(script), counts, flag_works)


def rising(device: FakePort, counts: Counters, data: bytes) -> Callable[[], bytes]:
    """A read before which the counters rise."""

    def step() -> bytes:
        device.counts = counts
        return data

    return step


ABSENT = TapError("there is no device", reason="absent")


def test_a_chunk_is_dated_back_by_its_characters(tmp_path: Path) -> None:
    bench = Bench(tmp_path, device_with(b"\x01", b"\x02\x03"))
    char_ns = LineSettings().char_ns
    with bench.tap as tap:
        bench.clock.time_ns += 100 * MS
        assert tap.read(1) == [Chunk(101 * MS - char_ns, 101 * MS, b"\x01", b"", Direction.RECEIVED)]
        # 2 characters last 2.08 ms, but only 1 ms passed: not before the chunk before
        assert tap.read(1) == [Chunk(101 * MS, 102 * MS, b"\x02\x03", b"", Direction.RECEIVED)]
        assert tap.now_ns == 102 * MS


def test_the_clock_starts_at_opening_with_a_wall_anchor(tmp_path: Path) -> None:
    bench = Bench(tmp_path, device_with())
    with bench.tap as tap:
        assert tap.now_ns == 0
        assert tap.info.anchor_ns == 1_700_000_000 * S
        assert tap.read(0.25) == []
        assert tap.now_ns == 250 * MS


def test_marks_without_counters(tmp_path: Path) -> None:
    script = (b"\x41\xff\x00\x53", b"\xff\x00\x00")
    with Bench(tmp_path, device_with(*script)).tap as tap:
        assert [item[2:4] for item in tap.read(1) + tap.read(1)] == [(b"\x41\x53", bytes([0, F])), (b"\0", bytes([B]))]
    with Bench(tmp_path, device_with(*script), settings=E1).tap as tap:
        assert [item[2:4] for item in tap.read(1)] == [(b"\x41\x53", bytes([0, F | P]))]


def test_counters_tell_parity_from_framing_and_are_not_told_twice(tmp_path: Path) -> None:
    device = device_with(counts=Counters(framing=5))
    device.script = [
        rising(device, Counters(framing=5, parity=1), b"\xff\x00\x53"),
        rising(device, Counters(framing=6, parity=1), b"\xff\x00\x54"),
        rising(device, Counters(framing=6, parity=2), b"\xff\x00\x00"),
    ]
    with Bench(tmp_path, device, settings=E1).tap as tap:
        items = [item for _ in range(10) for item in tap.read(0.2)]
    assert [item.marks for item in items if isinstance(item, Chunk)] == [bytes([P]), bytes([F]), bytes([P])]
    assert not [item for item in items if isinstance(item, LineCounts)]
    assert tap.read(0) == []


def test_counts_that_no_mark_explains_become_items(tmp_path: Path) -> None:
    device = device_with(b"A", counts=Counters())
    device.script.append(rising(device, Counters(framing=2, breaks=1, overrun=1), b"B"))
    bench = Bench(tmp_path, device)
    with bench.tap as tap:
        tap.read(1)
        bench.clock.time_ns += 200 * MS
        items = [item for _ in range(5) for item in tap.read(0.15)]
    counts = [item for item in items if isinstance(item, LineCounts)]
    assert [item[1:] for item in counts] == [(0, 0, 0, 1), (2, 0, 1, 0)]
    assert [item.t_ns for item in items] == sorted(item.t_ns for item in items)


def test_counts_leave_octets_on_their_way_their_date(tmp_path: Path) -> None:
    device = device_with(counts=Counters())
    bench = Bench(tmp_path, device)
    with bench.tap as tap:
        tap.read(1)
        device.counts = Counters(overrun=1)
        (counts,) = tap.read(0.15)
        assert counts == LineCounts(1050 * MS, overrun=1)
        device.script = [b"x" * 48, b"x" * 4096]
        (chunk,) = tap.read(1)
        assert isinstance(chunk, Chunk)
        assert chunk.end_ns - chunk.t_ns == 48 * LineSettings().char_ns
        assert tap.read(1)[0].t_ns == chunk.end_ns


def test_why_it_cannot_be_opened_again_is_said_once(tmp_path: Path) -> None:
    busy = TapError("/dev/ttyUSB0 is in use by another program; close that program first", reason="busy")
    bench = Bench(tmp_path, device_with(GONE), ABSENT, busy, busy, device_with())
    with bench.tap as tap:
        tap.read(1)
        tap.read(60)
    assert [line for line in tap.notices if "in use" in line] == [str(busy)]


def test_counters_are_asked_ten_times_a_second_at_most(tmp_path: Path) -> None:
    device = device_with(*[b"A"] * 300, counts=Counters())
    asked: list[int] = []
    bench = Bench(tmp_path, device)

    def counters() -> Counters:
        asked.append(bench.clock.time_ns)
        return Counters()

    device.counters = counters  # type: ignore[method-assign]
    with bench.tap as tap:
        for _ in range(300):
            tap.read(1)
        assert 3 <= len(asked) <= 5  # opening, the first read, then every 100 of 300 ms


def test_at_closing_nothing_is_kept_back(tmp_path: Path) -> None:
    device = device_with(b"A\xff", counts=Counters())
    bench = Bench(tmp_path, device)
    with bench.tap as tap:
        tap.read(1)
        device.counts = Counters(parity=1)
    assert not tap.ended
    assert [type(item) for item in tap.read(0)] == [Chunk, LineCounts]
    assert tap.ended
    assert device.closed


def test_a_lone_ff_is_given_out_after_a_while(tmp_path: Path) -> None:
    bench = Bench(tmp_path, device_with(b"A\xff"))
    with bench.tap as tap:
        assert octets_of(tap.read(1)) == b"A"
        assert tap.read(0.05) == []
        assert octets_of(tap.read(0.06)) == b"\xff"


# --- loss and return


def test_pulled_out_and_back(tmp_path: Path) -> None:
    first, second = device_with(b"ab\xff", GONE), device_with(b"cd")
    bench = Bench(tmp_path, first, ABSENT, ABSENT, second)
    with bench.tap as tap:
        heard = tap.read(1) + tap.read(1)
        assert octets_of(heard) == b"ab\xff"
        assert first.closed
        assert tap.read(0) == []
        assert bench.clock.waited == []
        before_ns = tap.now_ns
        assert tap.read(0.3) == []
        assert tap.now_ns - before_ns == 300 * MS
        (gap,) = tap.read(60)
        assert gap == Gap(1 * MS, 1502 * MS, "/dev/ttyUSB0 gone: no such device")
        (chunk,) = tap.read(1)
        assert chunk.t_ns >= gap.end_ns
        assert octets_of([chunk]) == b"cd"
    assert tap.notices == [
        "/dev/ttyUSB0 gone at 0.0 s (no such device); waiting for it",
        "/dev/ttyUSB0 back after 1.5 s",
    ]


def test_no_wait_is_longer_than_asked(tmp_path: Path) -> None:
    bench = Bench(tmp_path, device_with(GONE), *[ABSENT] * 50)
    with bench.tap as tap:
        for timeout_s in (0.1, 0.7, 0.01, 2.0):
            before_ns = tap.now_ns
            tap.read(timeout_s)
            assert tap.now_ns - before_ns <= timeout_s * S + MS


def test_closed_while_gone_leaves_the_gap(tmp_path: Path) -> None:
    bench = Bench(tmp_path, device_with(b"a", GONE), *[ABSENT] * 9)
    with bench.tap as tap:
        tap.read(1)
        tap.read(1)
        tap.read(2)
    assert tap.read(0) == [Gap(1 * MS, 2002 * MS, "/dev/ttyUSB0 gone: no such device")]
    assert tap.ended


def test_it_is_found_under_another_name_by_its_serial_number(tmp_path: Path) -> None:
    device = usb_adapter(tmp_path, "ttyUSB0", serial="B0001")
    bench = Bench(tmp_path, device_with(GONE), device_with(b"x"), device=str(device))
    with bench.tap as tap:
        tap.read(1)
        unplug(tmp_path, "ttyUSB0")
        assert tap.read(1) == []
        usb_adapter(tmp_path, "ttyUSB3", serial="B0001")
        assert isinstance(tap.read(1)[0], Gap)
        assert octets_of(tap.read(1)) == b"x"
    assert bench.opened == [str(device), str(tmp_path / "dev/ttyUSB3")]
    assert f"{device} is {tmp_path / 'dev/ttyUSB3'} now" in tap.notices


def test_another_adapter_under_the_old_name_is_not_taken_for_it(tmp_path: Path) -> None:
    device = usb_adapter(tmp_path, "ttyUSB0", serial="B0001")
    bench = Bench(tmp_path, device_with(GONE), device=str(device))
    with bench.tap as tap:
        tap.read(1)
        (tmp_path / "sys/devices/usb1/1-ttyUSB0/serial").write_text("B0002\n")
        assert tap.read(2) == []
    assert bench.opened == [str(device)]


# --- capability and latency


def test_what_the_driver_can_show_is_in_the_info(tmp_path: Path) -> None:
    for driver, expected in (("cp210x", LineErrors.MARKED), ("cdc_acm", LineErrors.UNAVAILABLE)):
        root = tmp_path / driver
        device = usb_adapter(root, driver=driver, latency=None)
        with Bench(root, device_with(), device=str(device)).tap as tap:
            assert tap.info.line_errors is expected
            assert tap.info.resolution_ns == 2 * MS
    with Bench(tmp_path, device_with(counts=Counters())).tap as tap:
        assert tap.info.line_errors is LineErrors.COUNTED


def test_the_latency_timer_is_lowered_and_restored(tmp_path: Path) -> None:
    device = usb_adapter(tmp_path, latency=16)
    timer = tmp_path / "sys/bus/usb-serial/devices/ttyUSB0/latency_timer"
    with Bench(tmp_path, device_with(), device=str(device)).tap as tap:
        assert timer.read_text() == "1\n"
        assert (tap.latency_ms, tap.info.resolution_ns) == (1, 3 * MS)
    assert timer.read_text() == "16\n"
    with Bench(tmp_path, device_with(), device=str(device), lower_latency=False).tap as tap:
        assert timer.read_text() == "16\n"
        assert (tap.latency_ms, tap.info.resolution_ns) == (16, 18 * MS)


@pytest.mark.parametrize("flag_works", [True, False])
def test_where_the_timer_may_not_be_written(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, flag_works: bool) -> None:
    device = usb_adapter(tmp_path, latency=16)

    def refuse(path: Path, text: str) -> int:
        raise PermissionError(errno.EACCES, "Permission denied")

    monkeypatch.setattr(Path, "write_text", refuse)
    scripted = device_with(flag_works=flag_works)
    with Bench(tmp_path, scripted, device=str(device)).tap as tap:
        assert tap.latency_ms == (1 if flag_works else 16)
        assert bool(tap.notices) is not flag_works
    assert scripted.flags == ([True, False] if flag_works else [True])


# --- real pseudo-terminals


def test_the_line_is_set_raw_with_errors_marked() -> None:
    with pseudo_terminal() as (near, name):
        held = os.open(name, os.O_RDWR | os.O_NOCTTY)
        opened = open_port(name, LineSettings(115200))
        flags = termios.tcgetattr(held)
        # sheet 10.1, 0 item 10: INPCK and PARMRK set, IGNPAR, BRKINT and ISTRIP clear
        assert flags[0] == termios.INPCK | termios.PARMRK
        assert (flags[1], flags[3]) == (0, 0)
        assert flags[4] == flags[5] == termios.B115200
        os.write(near, b"\x11\x13\x03\xff\x00")
        assert opened.read(5) == b"\x11\x13\x03\xff\xff\x00"
        os.set_blocking(near, False)
        with pytest.raises(BlockingIOError):  # no echo: nothing came back
            os.read(near, 100)
        with pytest.raises(OSError, match="Bad file descriptor"):  # the kernel refuses to transmit
            os.write(opened.fd, b"x")
        opened.close()
        os.close(held)


@pytest.mark.parametrize("baud", [38400, 12345])
@pytest.mark.parametrize("talks", [False, True])
def test_the_line_is_put_back_as_it_was(baud: int, talks: bool) -> None:
    with pseudo_terminal() as (near, name):
        held = os.open(name, os.O_RDWR | os.O_NOCTTY)
        line_setup.set_line(held, LineSettings(baud))
        attributes = termios.tcgetattr(held)
        attributes[0] = termios.IGNPAR
        attributes[6][termios.VTIME] = 3
        termios.tcsetattr(held, termios.TCSANOW, attributes)
        before = termios.tcgetattr(held)
        if talks:
            open_talk_port(name, LineSettings(250000), Switching.ADAPTER, SystemClock()).close()
        else:
            with AdapterTap(name, LineSettings(250000)):
                assert termios.tcgetattr(held) != before
        assert termios.tcgetattr(held) == before
        assert actual_rate(held) == baud
        os.write(near, b"\xff")
        assert os.read(held, 9) == b"\xff"
        os.close(held)


@pytest.mark.parametrize("baud", [9600, 12345, 250000, 3000000])
def test_any_bit_rate_is_set(baud: int) -> None:
    with pseudo_terminal() as (_, name):
        opened = open_port(name, LineSettings(baud))
        assert actual_rate(opened.fd) == baud
        assert opened.notices == []
        assert termios.tcgetattr(opened.fd)[0] == termios.INPCK | termios.PARMRK
        opened.close()


@pytest.mark.parametrize(("text", "stick"), [("8E1", 0), ("7O2", 0), ("8M1", CMSPAR), ("8S1", CMSPAR)])
def test_what_a_device_does_not_take_is_said(text: str, stick: int) -> None:
    with pseudo_terminal() as (_, name):
        opened = open_port(name, LineSettings(9600, CharFormat.parse(text)))
        assert opened.notices == [f"the device did not take the format {text}"]
        # Linux's pseudo-terminals keep to eight bits and no parity (drivers/tty/pty.c, from memory).
        assert opened.settings == LineSettings(9600, CharFormat.parse("8N2" if text == "7O2" else "8N1"))
        assert termios.tcgetattr(opened.fd)[2] & CMSPAR == stick
        opened.close()


def test_a_tap_tells_the_settings_in_force_and_not_those_refused() -> None:
    with pseudo_terminal() as (_, name), AdapterTap(name, LineSettings(19200, CharFormat.parse("7E1"))) as tap:
        assert str(tap.info.settings) == "19200 8N1"
        assert tap.notices == ["the device did not take the format 7E1"]


@pytest.mark.parametrize("text", ["8N1", "7E1", "8O2", "5N2", "8N1.5"])
def test_each_format_in_force_is_read_back(text: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """A device that takes any format, which a pseudo-terminal does not: the flags of `termios` as POSIX names them."""
    sizes = {"5": termios.CS5, "7": termios.CS7, "8": termios.CS8}
    flags = sizes[text[0]] | {"N": 0, "E": termios.PARENB, "O": termios.PARENB | termios.PARODD}[text[1]]
    flags |= 0 if text.endswith(("N1", "E1")) else termios.CSTOPB
    monkeypatch.setattr(termios, "tcgetattr", lambda fd: [0, 0, flags, 0, 0, 0, []])
    monkeypatch.setattr(line_setup, "actual_rate", lambda fd: None)
    for wanted in ("8N1.5" if text == "8N1.5" else "6M1", text):
        got = line_setup.settings_in_force(0, LineSettings(9600, CharFormat.parse(wanted)))
        assert str(got) == f"9600 {text}"


def test_what_the_driver_changed_is_said(monkeypatch: pytest.MonkeyPatch) -> None:
    taken = termios.tcgetattr

    def not_quite(fd: int) -> list[object]:
        attributes = taken(fd)
        attributes[0] &= ~termios.PARMRK
        return attributes

    with pseudo_terminal() as (_, name):
        monkeypatch.setattr(termios, "tcgetattr", not_quite)
        monkeypatch.setattr(line_setup, "actual_rate", lambda fd: 9000)
        opened = open_port(name, LineSettings(9600))
        opened.close()
    assert opened.settings == LineSettings(9000)
    assert opened.notices == [
        "the device did not take the marking of line errors",
        "the device set 9000 bit/s, not 9600",
    ]


def test_the_branches_for_another_system(monkeypatch: pytest.MonkeyPatch) -> None:
    """Only that they hold together: there is no such system here."""
    calls: list[tuple[int, int]] = []
    with pseudo_terminal() as (near, name):
        monkeypatch.setattr(sys, "platform", "darwin")
        real = fcntl.ioctl

        def ioctl(fd: int, request: int, argument: bytes | array.array[int] = b"", change: bool = True) -> object:
            if isinstance(argument, array.array):
                calls.append((request, argument[0]))
                return 0
            return real(fd, request, argument)

        monkeypatch.setattr(fcntl, "ioctl", ioctl)
        with pytest.raises(TapError, match="mark and space parity cannot be set"):
            open_port(name, LineSettings(9600, CharFormat.parse("8M1")))
        opened = open_port(name, LineSettings(12345))
        assert calls == [(0x80045402, 12345)]  # sheet 10.6, IOSSIOSPEED
        os.write(near, b"abc")
        assert opened.read(5) == b"abc"
        assert opened.read(0) == b""
        assert opened.counters() is None
        assert opened.low_latency(True) is False
        opened.close()


@pytest.mark.parametrize("number", [errno.EIO, errno.ENXIO])
def test_a_failing_read_is_a_loss(monkeypatch: pytest.MonkeyPatch, number: int) -> None:
    errors: list[OSError] = [BlockingIOError(errno.EAGAIN, "again"), OSError(number, os.strerror(number))]

    def read(fd: int, size: int) -> bytes:
        raise errors.pop(0)

    with pseudo_terminal() as (near, name):
        opened = open_port(name, LineSettings())
        os.write(near, b"x")
        monkeypatch.setattr(os, "read", read)
        assert opened.read(5) == b""
        with pytest.raises(SourceLostError, match=os.strerror(number)):
            opened.read(5)
        monkeypatch.undo()
        opened.close()


def test_a_second_listener_is_told_that_it_is_busy() -> None:
    with pseudo_terminal() as (_, name), AdapterTap(name):
        with pytest.raises(TapError, match=f"{name} is in use") as caught:
            AdapterTap(name).open()
        assert caught.value.reason == "busy"


def test_a_lock_file_is_respected(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(port, "lock_owner", lambda device: "1")
    with pytest.raises(TapError, match=r"is locked by .*process 1") as caught:
        open_port("/dev/null", LineSettings())
    assert caught.value.reason == "busy"


def test_another_reader_is_pointed_out(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(port, "holders", lambda device: ["'terminal' (process 4242)"])
    with pseudo_terminal() as (_, name):
        opened = open_port(name, LineSettings())
        assert "also open in 'terminal' (process 4242)" in opened.notices[0]
        opened.close()


@pytest.mark.parametrize(
    ("number", "reason", "words"),
    [
        (errno.ENOENT, "absent", "benchtool ports"),
        (errno.ENXIO, "absent", "benchtool ports"),
        (errno.EACCES, "forbidden", "you may not read /dev/null: Permission denied"),
        (errno.EBUSY, "busy", "close that program"),
        (errno.EIO, "unusable", "not a working serial line"),
        (errno.EINVAL, "unusable", "cannot be set"),
    ],
)
def test_refusals_in_words(monkeypatch: pytest.MonkeyPatch, number: int, reason: str, words: str) -> None:
    def refuse(path: str, flags: int) -> int:
        raise OSError(number, os.strerror(number))

    monkeypatch.setattr(os, "open", refuse)
    with pytest.raises(TapError, match=words) as caught:
        open_port("/dev/null", LineSettings())
    assert caught.value.reason == reason


def test_a_device_that_is_no_serial_line_is_refused() -> None:
    with pytest.raises(TapError, match="not a working serial line") as caught:
        AdapterTap("/dev/null").open()
    assert caught.value.reason == "unusable"


def test_a_hang_up_is_a_loss_and_a_new_device_is_a_return(tmp_path: Path) -> None:
    clock = FakeClock()
    link = tmp_path / "device"
    with pseudo_terminal() as (near, name), pseudo_terminal() as (other_near, other_name):
        link.symlink_to(name)
        with AdapterTap(str(link), clock=clock) as tap:
            os.write(near, b"before")
            items = collect(tap, lambda items: octets_of(items) == b"before")
            os.close(near)
            collect(tap, lambda items: bool(tap.notices))
            link.unlink()
            link.symlink_to(other_name)
            items += tap.read(1)
            os.write(other_near, b"after")
            items += collect(tap, lambda items: octets_of(items) == b"after")
    assert [type(item) for item in items if not isinstance(item, Chunk)] == [Gap]
    assert octets_of(items) == b"beforeafter"


def test_the_kernel_counters_are_absent_on_a_pseudo_terminal() -> None:
    with pseudo_terminal() as (_, name):
        opened = open_port(name, LineSettings())
        assert opened.counters() is None
        assert opened.low_latency(True) is False
        opened.close()
        opened.close()


def test_kernel_calls_for_counters_and_latency(monkeypatch: pytest.MonkeyPatch) -> None:
    """With the kernel's part played here: no pseudo-terminal answers these calls."""
    flags = [0]

    def ioctl(fd: int, request: int, argument: bytes | array.array[int] = b"") -> object:
        if request == 0x545D:  # sheet 10.2, TIOCGICOUNT
            return bytes(24) + (7).to_bytes(4, sys.byteorder) + bytes(52)
        if isinstance(argument, array.array):
            if request == termios.TIOCGSERIAL:
                argument[4] = flags[0]
            else:
                flags[0] = argument[4]
        return 0

    near, far = os.openpty()
    opened = PosixPort(far, [])
    monkeypatch.setattr(fcntl, "ioctl", ioctl)
    assert opened.counters() == Counters(framing=7)
    assert opened.low_latency(True) is True
    assert flags == [0x2000]  # sheet 10.2, ASYNC_LOW_LATENCY
    assert opened.low_latency(True) is False
    assert opened.low_latency(False) is True
    assert flags == [0]
    opened.close()
    os.close(near)


def test_two_megabytes_without_a_loss() -> None:
    size = 2_000_000
    pattern = bytes(range(256)) * (size // 256)
    with pseudo_terminal() as (near, name), AdapterTap(name, LineSettings(3_000_000)) as tap:

        def write() -> None:
            at = 0
            while at < len(pattern):
                at += os.write(near, pattern[at : at + 4096])

        writer = threading.Thread(target=write)
        writer.start()
        heard: list[bytes] = []
        count = 0
        tries = 0
        while count < len(pattern) and tries < 200_000:
            tries += 1
            items: list[Item] = tap.read(0.1)
            octets = octets_of(items)
            heard.append(octets)
            count += len(octets)
        writer.join()
    assert b"".join(heard) == pattern
