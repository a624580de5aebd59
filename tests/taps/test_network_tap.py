"""Serial ports of other machines: refusals in words, loss and return, and a real RFC 2217 peer."""

from __future__ import annotations

import contextlib
import socket
import threading
from collections.abc import Iterator

import pytest
import serial
import serial.rfc2217

from benchtool.capture.chunk import Chunk, Gap, LineErrors
from benchtool.capture.settings import CharFormat, LineSettings
from benchtool.taps import network
from benchtool.taps.live import SourceLostError
from benchtool.taps.network import NETWORK_RESOLUTION_NS, SerialSource, SocketTap, UrlTap, known_schemes
from benchtool.taps.tap import TapError
from tests.taps.fakes import FakeClock, collect, octets_of, octets_reach


def test_no_line_errors_and_coarse_times_are_said() -> None:
    with UrlTap("loop://") as tap:
        assert tap.info.line_errors is LineErrors.UNAVAILABLE
        assert tap.info.resolution_ns == NETWORK_RESOLUTION_NS


@pytest.mark.parametrize(
    ("error", "words"),
    [
        (ConnectionRefusedError(111, "Connection refused"), "nothing listens on port 4001"),
        (TimeoutError("timed out"), "does not answer"),
        (socket.gaierror(-2, "Name or service not known"), "no host is called device"),
        (OSError(101, "Network is unreachable"), "Network is unreachable"),
    ],
)
def test_refusals_in_words(monkeypatch: pytest.MonkeyPatch, error: OSError, words: str) -> None:
    def refuse(address: tuple[str, int], timeout: float) -> socket.socket:
        raise error

    monkeypatch.setattr(socket, "create_connection", refuse)
    with pytest.raises(TapError, match=words) as caught:
        SocketTap("socket://device:4001").open()
    assert caught.value.reason == "absent"


@pytest.mark.parametrize("address", ["socket://", "socket://host", "socket://host:no", "socket://host:99999"])
def test_addresses_that_are_none(address: str) -> None:
    with pytest.raises(TapError, match="socket://host:port") as caught:
        SocketTap(address).open()
    assert caught.value.reason == "bad-address"


def test_what_came_with_the_connection_is_kept() -> None:
    with socket.create_server(("127.0.0.1", 0)) as server:
        tap = SocketTap(f"socket://127.0.0.1:{server.getsockname()[1]}")
        accepted = threading.Thread(target=lambda: _greet(server))
        accepted.start()
        with tap:
            accepted.join()
            items = collect(tap, octets_reach(5))
    assert octets_of(items) == b"hello"


def _greet(server: socket.socket) -> None:
    peer, _ = server.accept()
    peer.sendall(b"hello")
    peer.close()


def test_a_lost_connection_is_a_gap_and_is_made_again() -> None:
    clock = FakeClock()
    with socket.create_server(("127.0.0.1", 0)) as server:
        tap = SocketTap(f"socket://127.0.0.1:{server.getsockname()[1]}", clock=clock)
        with tap:
            peer, _ = server.accept()
            peer.sendall(b"before")
            items = collect(tap, octets_reach(6))
            peer.close()
            items += collect(tap, lambda items: bool(tap.notices))
            items += tap.read(1)
            again, _ = server.accept()
            again.sendall(b"after")
            items += collect(tap, octets_reach(5))
            again.close()
    assert octets_of(items) == b"beforeafter"
    assert [type(item) for item in items if not isinstance(item, Chunk)] == [Gap]
    assert "the far end closed the connection" in tap.notices[0]
    assert "back after" in tap.notices[1]


def test_known_schemes_are_those_of_pyserial() -> None:
    assert {"socket", "rfc2217", "loop", "spy", "alt"} <= set(known_schemes())


def test_a_serial_port_is_opened_with_its_control_lines_low() -> None:
    tap = UrlTap("loop://", LineSettings(4800, CharFormat.parse("7E2")))
    with tap:
        port = tap.serial
        assert (port.rts, port.dtr) == (False, False)
        assert (port.baudrate, port.bytesize, port.parity, port.stopbits) == (4800, 7, "E", 2)


class _BrokenPort:
    in_waiting = 0

    def __init__(self, error: Exception) -> None:
        self.error = error

    def read(self, size: int) -> bytes:
        raise self.error

    def close(self) -> None:
        raise OSError("already gone")


@pytest.mark.parametrize("error", [serial.SerialException("read failed:\n no"), OSError("gone"), TypeError("None")])
def test_a_failing_port_is_a_lost_source(error: Exception) -> None:
    source = SerialSource(_BrokenPort(error), FakeClock())
    assert source.read(0) == b""
    with pytest.raises(SourceLostError) as caught:
        source.read(1)
    assert "\n" not in str(caught.value)
    source.close()


def test_a_quiet_port_is_waited_for_no_longer_than_asked() -> None:
    clock = FakeClock()
    with UrlTap("loop://", clock=clock) as tap:
        assert tap.read(0.01) == []
    assert 0.01 <= sum(clock.waited) < 0.013


class _Rfc2217Server:
    """One connection, served by pySerial's own RFC 2217 server over a loop port."""

    def __init__(self, listener: socket.socket) -> None:
        self.port = serial.serial_for_url("loop://", timeout=0)
        self.connection: socket.socket | None = None
        self.thread = threading.Thread(target=self._serve, args=(listener,))
        self.thread.start()

    def _serve(self, listener: socket.socket) -> None:
        self.connection, _ = listener.accept()
        self.manager = serial.rfc2217.PortManager(self.port, self)  # type: ignore[arg-type]  # any port, any writer
        with contextlib.suppress(OSError):
            while data := self.connection.recv(1024):
                for _ in self.manager.filter(data):
                    pass
        self.connection.close()

    def stop(self) -> None:
        if self.connection is not None:
            with contextlib.suppress(OSError):
                self.connection.shutdown(socket.SHUT_RDWR)
            self.thread.join()
        self.port.close()

    def write(self, data: bytes) -> None:
        assert self.connection is not None
        self.connection.sendall(data)

    def send(self, octets: bytes) -> None:
        self.write(b"".join(self.manager.escape(octets)))


@pytest.fixture
def server() -> Iterator[tuple[_Rfc2217Server, str]]:
    with socket.create_server(("127.0.0.1", 0)) as listener:
        served = _Rfc2217Server(listener)
        yield served, f"rfc2217://127.0.0.1:{listener.getsockname()[1]}"
        served.stop()


@pytest.mark.filterwarnings("ignore:set(Daemon|Name):DeprecationWarning")  # in pySerial 3.5 itself
def test_rfc2217_with_a_real_peer(server: tuple[_Rfc2217Server, str]) -> None:
    peer, address = server
    with UrlTap(address, LineSettings(19200, CharFormat.parse("8E1"))) as tap:
        assert (peer.port.baudrate, peer.port.parity) == (19200, "E")
        assert (peer.port.rts, peer.port.dtr) == (False, False)
        peer.send(bytes(range(256)))
        items = collect(tap, octets_reach(256))
        assert octets_of(items) == bytes(range(256))
        peer.stop()
        collect(tap, lambda items: bool(tap.notices))
    assert "gone" in tap.notices[0]
    assert tap.info.resolution_ns == network.NETWORK_RESOLUTION_NS
