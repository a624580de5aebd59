"""Taps on serial ports of other machines: `socket://host:port` by a plain TCP socket, other URLs through pySerial.

A TCP socket is read without pySerial: that reads it octet by octet and throws away what came with the connection
(sheet 10.4 and the source of pySerial 3.5). No such port tells line errors, and its octets come in packets.
"""

from __future__ import annotations

import contextlib
import select
import socket
from typing import Any
from urllib.parse import urlsplit

import serial

from benchtool.capture.chunk import LineErrors, TapInfo
from benchtool.capture.settings import LineSettings
from benchtool.taps.clock import Clock
from benchtool.taps.live import LiveTap, Source, SourceLostError
from benchtool.taps.tap import TapError

NETWORK_RESOLUTION_NS = 50_000_000
"""Device servers gather octets and networks delay them: 50 ms (common practice, no published source)."""
_CONNECT_S = 5.0
_LEAST_CONNECT_S = 0.05
_POLL_S = 0.002
_READ_S = 0.001
_READ_SIZE = 65536


class SocketTap(LiveTap):
    """Listens on `socket://host:port`. The settings are only remembered: the far end sets its line itself."""

    def _connect(self, timeout_s: float | None) -> Source:
        host, port = _host_and_port(self._address)
        limit_s = _CONNECT_S if timeout_s is None else max(timeout_s, _LEAST_CONNECT_S)
        try:
            return _SocketSource(socket.create_connection((host, port), timeout=limit_s))
        except OSError as error:
            raise TapError(_refused(self._address, host, port, error), reason="absent") from error

    def _describe(self) -> TapInfo:
        return TapInfo(self._address, self._settings, LineErrors.UNAVAILABLE, NETWORK_RESOLUTION_NS)


class _SocketSource:
    def __init__(self, connection: socket.socket) -> None:
        self._socket = connection
        connection.setblocking(False)
        # A dead line is noticed without octets on it; the listener itself never sends any.
        with contextlib.suppress(OSError):
            connection.setsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1)
            for option, value in (("TCP_KEEPIDLE", 5), ("TCP_KEEPINTVL", 2), ("TCP_KEEPCNT", 3)):
                if hasattr(socket, option):
                    connection.setsockopt(socket.IPPROTO_TCP, getattr(socket, option), value)

    def read(self, timeout_s: float) -> bytes:
        try:
            if not select.select([self._socket], [], [], timeout_s)[0]:
                return b""
            data = self._socket.recv(_READ_SIZE)
        except BlockingIOError:
            return b""
        except OSError as error:
            raise SourceLostError(error.strerror or str(error)) from error
        if not data:
            raise SourceLostError("the far end closed the connection")
        return data

    def close(self) -> None:
        self._socket.close()


class UrlTap(LiveTap):
    """Listens on any other pySerial URL (`rfc2217://`, `loop://`, `spy://`, `hwgrep://` …)."""

    def __init__(self, address: str, settings: LineSettings | None = None, *, clock: Clock | None = None) -> None:
        super().__init__(address, settings, clock=clock)
        self.serial: Any = None
        """The pySerial object while open, for what only its own kind can do."""

    def _connect(self, timeout_s: float | None) -> Source:
        if self._address.lower().startswith("rfc2217://"):
            _host_and_port(self._address)
        try:
            self.serial = open_serial(self._address, self._settings)
        except Exception as error:
            # pySerial 3.5 lets KeyError, TypeError and more out for an address it cannot read.
            raise cannot_open(self._address, error) from error
        return SerialSource(self.serial, self._clock)

    def _describe(self) -> TapInfo:
        return TapInfo(self._address, self._settings, LineErrors.UNAVAILABLE, NETWORK_RESOLUTION_NS)


def open_serial(address: str, settings: LineSettings) -> Any:
    """Open a pySerial port for listening: RTS and DTR low before it opens, settings made once and never changed."""
    port = serial.serial_for_url(address, do_not_open=True)
    port.baudrate = settings.baud
    port.bytesize = settings.format.data_bits
    port.parity = settings.format.parity.value
    port.stopbits = settings.format.stop_bits
    port.timeout = _READ_S
    port.rts = False
    port.dtr = False
    port.open()
    return port


class SerialSource:
    """Reads a pySerial port: whole lumps, never longer than asked."""

    def __init__(self, port: Any, clock: Clock) -> None:
        self._port = port
        self._clock = clock

    def read(self, timeout_s: float) -> bytes:
        """What has come; SourceLostError when the port has failed."""
        deadline_ns = self._clock.now_ns() + round(timeout_s * 1e9)
        try:
            while True:
                waiting = self._port.in_waiting
                # A dead connection shows only in a read that may wait.
                data: bytes = self._port.read(waiting or 1) if waiting or timeout_s > 0 else b""
                if data or self._clock.now_ns() >= deadline_ns:
                    return data
                self._clock.wait(_POLL_S)
        except (serial.SerialException, OSError, TypeError) as error:
            # TypeError: pySerial 3.5 lets one out when another thread has closed the port.
            raise SourceLostError(_one_line(error)) from error

    def close(self) -> None:
        """Close the port, whatever state it is in."""
        with contextlib.suppress(serial.SerialException, OSError):
            self._port.close()


def known_schemes() -> list[str]:
    """The URL schemes that pySerial knows here, sorted."""
    import importlib
    import pkgutil

    found = set()
    for package in serial.protocol_handler_packages:
        for module in pkgutil.iter_modules(importlib.import_module(package).__path__):
            if module.name.startswith("protocol_"):
                found.add(module.name.removeprefix("protocol_"))
    return sorted(found)


def _host_and_port(address: str) -> tuple[str, int]:
    try:
        parts = urlsplit(address)
        host, port = parts.hostname, parts.port
    except ValueError:
        host, port = None, None
    if not host or not port:
        scheme = address.split("://", 1)[0]
        raise TapError(f"'{address}' is not an address: write {scheme}://host:port", reason="bad-address")
    return host, port


def _refused(address: str, host: str, port: int, error: OSError) -> str:
    if isinstance(error, socket.gaierror):
        return f"{address}: no host is called {host}; check the name, or write its IP address"
    if isinstance(error, ConnectionRefusedError):
        return (
            f"{address}: {host} is there, but nothing listens on port {port}; is the device server set to TCP server?"
        )
    if isinstance(error, TimeoutError):
        return f"{address}: {host} does not answer; check its address and the network cable"
    return f"{address}: {error.strerror or error}"


def _one_line(error: Exception) -> str:
    return " ".join(str(error).split())


def cannot_open(address: str, error: Exception) -> TapError:
    """What to tell of an address that pySerial did not open."""
    if isinstance(error, OSError):  # SerialException is one
        return TapError(f"{address} cannot be opened: {_one_line(error)}", reason="absent")
    return TapError(f"'{address}' is not an address that pySerial can read", reason="bad-address")
