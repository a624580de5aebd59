"""One string says where to listen: a device, a URL, a capture file, or a simulated bus (design, 'Taps by address').

What kind an address is is found out by looking (scheme, then what is on the disk); nothing is opened yet.
"""

from __future__ import annotations

import difflib
import os
import re
import stat
from pathlib import Path

from benchtool.capture.settings import LineSettings
from benchtool.taps.clock import Clock
from benchtool.taps.tap import Tap, TapError

_COM_PORT = re.compile(r"(?:\\\\\.\\)?COM\d+", re.IGNORECASE)
_HOST_PORT = re.compile(r"[A-Za-z0-9.-]+:\d{1,5}")
_DEVICE_NAME = re.compile(r"(tty|cu\.|rfcomm)\w*")
_SCENARIO_NAME = re.compile(r"[a-z][a-z0-9-]*(\?.*)?")


def open_tap(
    address: str,
    settings: LineSettings | None = None,
    *,
    seconds: float | None = None,
    clock: Clock | None = None,
    root: Path = Path("/"),
) -> Tap:
    """The tap an address names, not yet opened. TapError (`bad-address`, `absent`, `unusable`) with a one-line mend.

    `settings` None means that the user did not say: 9600 8N1 on a line, the file's own in a file. `seconds`: how long a
    simulated bus runs, whatever its address says; other taps run until nobody reads them. `clock` is for
    tests of taps in real time, `root` for lists of adapters in messages.
    """
    word = address.strip()
    if not word:
        raise TapError("no address: write a device, a URL, a capture file or sim:demo", reason="bad-address")
    if word.startswith("sim:"):
        from benchtool.taps.simulated import SimulatedTap

        return SimulatedTap(word, settings, seconds=seconds)
    if "://" in word:
        return _url_tap(word, settings, clock)
    if os.name == "nt" and _COM_PORT.fullmatch(word):
        from benchtool.taps.windows import ComTap

        return ComTap(word, settings, clock=clock)
    try:
        mode = os.stat(word).st_mode
    except (OSError, ValueError) as error:
        raise _not_there(word, error, root) from error
    if stat.S_ISREG(mode):
        from benchtool.taps.file import FileTap

        return FileTap(word, settings)
    if stat.S_ISCHR(mode) and os.name == "posix":
        from benchtool.taps.adapter import AdapterTap

        return AdapterTap(word, settings, clock=clock, root=root)
    kind = "a folder" if stat.S_ISDIR(mode) else "neither a serial device nor a file"
    raise TapError(f"{word} is {kind}; write a device, a URL, a capture file or sim:demo", reason="unusable")


def _url_tap(word: str, settings: LineSettings | None, clock: Clock | None) -> Tap:
    from benchtool.taps.network import SocketTap, UrlTap, known_schemes

    scheme = word.split("://", 1)[0].lower()
    if scheme == "socket":
        return SocketTap(word, settings, clock=clock)
    schemes = known_schemes()
    if scheme in schemes:
        return UrlTap(word, settings, clock=clock)
    near = difflib.get_close_matches(scheme, schemes, 1)
    meant = f"did you mean {near[0]}://?" if near else f"known are {', '.join(f'{name}://' for name in schemes)}"
    raise TapError(f"'{scheme}://' is not a kind of address; {meant}", reason="bad-address")


def _not_there(word: str, error: Exception, root: Path) -> TapError:
    if not word.isprintable():
        return TapError(
            f"{word!r} is not an address: it has a line break or another control character", reason="bad-address"
        )
    if isinstance(error, PermissionError):
        return TapError(f"{word} cannot be looked at: a folder on the way is closed to you", reason="forbidden")
    if not isinstance(error, FileNotFoundError | NotADirectoryError):
        return TapError(f"{word!r} is not an address ({error})", reason="bad-address")
    if os.path.islink(word):
        gone = "its adapter may be unplugged" if word.startswith("/dev/") else "what it stood for was moved or removed"
        return TapError(f"{word} is a link to {os.readlink(word)}, which is not there; {gone}", reason="absent")
    if word.startswith("/dev/") or _COM_PORT.fullmatch(word):
        return TapError(f"no such device {word}; {_adapters_here(root)}", reason="absent")
    if _DEVICE_NAME.fullmatch(word):
        return TapError(
            f"no file {word}; a device is written in full, /dev/{word}; {_adapters_here(root)}", reason="absent"
        )
    if _HOST_PORT.fullmatch(word):
        return TapError(f"no file {word}; a serial port on the network is written socket://{word}", reason="absent")
    folder = Path(word).parent
    try:
        there = [name for name in os.listdir(folder) if os.path.exists(folder / name)]
        near = difflib.get_close_matches(Path(word).name, there, 1, cutoff=0.75)
    except OSError:
        return TapError(f"no such file {word}: there is no folder {folder}", reason="absent")
    if near:
        return TapError(f"no such file {word}; did you mean {folder / near[0]}?", reason="absent")
    if _SCENARIO_NAME.fullmatch(word):
        return TapError(f"no such file {word}; a simulated bus is written sim:{word}", reason="absent")
    return TapError(f"no such file {word}; see benchtool ports for devices, or use sim:demo", reason="absent")


def _adapters_here(root: Path) -> str:
    from benchtool.taps.devices import list_adapters

    names = [adapter.device for adapter in list_adapters(root)]
    return f"adapters here: {', '.join(names)} (see benchtool ports)" if names else "no adapter is plugged in"
