"""The simulated tap: `sim:SCENARIO?option=value&…`, a bus in virtual time that needs no hardware.

Options: `fault` and what the fault takes (docs/scenarios.md), `seed`, `for` (seconds of bus time), `adapter`
(`marked`, `counted` or `blind`), `lump_ms` (deliver octets in lumps as many adapters do), `pace=real`, `osdp_key` (a
file with the keys of secure devices).
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from time import monotonic_ns, sleep
from urllib.parse import parse_qsl

from benchtool.capture.chunk import Chunk, Item, LineCounts, LineErrors, Mark, TapInfo
from benchtool.capture.settings import LineSettings
from benchtool.simulate import faults, scenario
from benchtool.simulate.specs import MOST_SEED, Scenario, ScenarioError, meant
from benchtool.simulate.station import Station
from benchtool.taps.tap import Tap, TapError

_BATCH = 200
_MOST_KEY_TEXT = 1 << 20
_LOOKS_LIKE_A_KEY = re.compile(r"^(?:[0-9A-Fa-f]{2}(?:[ :+-]|%20|%3[Aa])?){15,}")
OPTIONS = ("fault", *faults.OPTIONS, "seed", "for", "adapter", "lump_ms", "pace", "osdp_key")
"""What may follow the `?` of a `sim:` address."""
_ADAPTERS = {
    "marked": LineErrors.MARKED,
    "counted": LineErrors.COUNTED,
    "blind": LineErrors.UNAVAILABLE,
}


class SimulatedTap(Tap):
    """A tap on a virtual bus.

    `settings` (from `--baud` and `--format`) sets the tap's receiver, not the bus; None: as the bus is set. `seconds`
    of bus time go before what the address says; None: as it says. `typed` is what errors call the address where that
    is not what the user wrote. `instead` makes a station that talks in place of the
    controller, and says how its line is set.
    """

    def __init__(
        self,
        address: str,
        settings: LineSettings | None = None,
        *,
        seconds: float | None = None,
        typed: str | None = None,
        clock_ns: Callable[[], int] = monotonic_ns,
        wait: Callable[[float], None] = sleep,
        instead: Callable[[Scenario], tuple[Station, LineSettings]] | None = None,
    ) -> None:
        self._address = address
        self._settings = settings
        self._seconds = seconds
        self._typed = address if typed is None else typed
        self._clock_ns = clock_ns
        self._wait = wait
        self._instead = instead
        self._turned = False
        self._info: TapInfo | None = None
        self._items: Iterator[Item] = iter(())
        self._ended = False
        self._now_ns = 0
        self._end_ns = 0
        self._real_pace = False
        self._began_ns = 0
        self._held: Item | None = None
        self.scenario: Scenario | None = None
        """The scenario as it runs, faults applied; None before opening."""
        self.stations: dict[str, Station] = {}
        """Who is on the bus, by name; empty before opening."""

    def turn_clip(self) -> None:
        """Before opening: clip our two leads on the other way round than the scenario has them."""
        self._turned = not self._turned

    def open(self) -> None:
        """Load the scenario, apply the options, build the bus; TapError says what is wrong."""
        if self._address.partition("?")[0] == "sim:card":  # not the whole address: a PIN may stand in it
            raise TapError(
                "sim:card is a simulated reader's data lines, not a bus: benchtool reads reads it", reason="bad-address"
            )
        if _LOOKS_LIKE_A_KEY.search(self._address.partition("osdp_key=")[2]):
            raise TapError("osdp_key= takes a file, never the key itself: write it into a file", reason="bad-address")
        try:
            self._open()
        except ScenarioError as error:
            raise TapError(f"{self._typed}: {error}", reason="bad-address") from None

    def _open(self) -> None:
        from benchtool.simulate.build import build_bus, identity_of, tap_settings

        name, _, query = self._address.removeprefix("sim:").partition("?")
        options = dict(parse_qsl(query, keep_blank_values=True))
        unknown = sorted(set(options) - set(OPTIONS))
        if unknown:
            raise ScenarioError(f"unknown option {unknown[0]!r}; {meant(unknown[0], OPTIONS, 'known are')}")
        loaded = scenario.load(name or "demo")
        fault_options = {key: options[key] for key in faults.OPTIONS if key in options}
        loaded = faults.apply(loaded, options.get("fault"), fault_options)
        receiver = loaded.tap
        if self._settings is not None:  # after the faults: who sets our receiver right hears the bus right
            receiver = replace(receiver, baud=self._settings.baud, format=str(self._settings.format))
        loaded = replace(loaded, tap=replace(receiver, reversed_pair=receiver.reversed_pair != self._turned))
        seed = _seed(options, loaded.seed)
        asked = _number(options, "for", loaded.duration_s)
        self._end_ns = round((asked if self._seconds is None else self._seconds) * 1e9)
        lump_ns = round(_number(options, "lump_ms", 0) * 1e6)
        if options.get("pace", "virtual") not in ("virtual", "real"):
            raise ScenarioError(f"pace={options['pace']}: virtual or real is wanted")
        self._real_pace = options.get("pace") == "real"
        errors = _ADAPTERS.get(options.get("adapter", "marked"))
        if errors is None:
            raise ScenarioError(f"adapter={options['adapter']}: {', '.join(_ADAPTERS)} is wanted")
        settings = tap_settings(loaded)
        self._info = TapInfo(self._address, settings, errors, lump_ns)
        keys = None
        if "osdp_key" in options:
            from benchtool.simulate.secured import keys_of

            try:
                keys = keys_of(loaded, _text_of(options["osdp_key"]), identity_of)
            except ScenarioError as error:
                raise ScenarioError(f"osdp_key={options['osdp_key']}: {error}") from None
        instead = None if self._instead is None else self._instead(loaded)
        bus = build_bus(loaded, seed, instead=instead, osdp_keys=keys)
        chunks: Iterator[Chunk] = bus.run(self._end_ns)
        self.scenario, self.stations = loaded, bus.stations
        self._ended, self._now_ns, self._held = False, 0, None
        if lump_ns:
            chunks = lump(chunks, lump_ns, settings)
        self._items = as_seen(chunks, errors)
        self._began_ns = self._clock_ns()

    def close(self) -> None:
        """Nothing to give back."""
        self._items = iter(())

    @property
    def info(self) -> TapInfo:
        """What the tap says about itself."""
        if self._info is None:
            raise RuntimeError("the tap is not open")
        return self._info

    @property
    def ended(self) -> bool:
        """True when the simulated time is over."""
        return self._ended

    @property
    def now_ns(self) -> int:
        """Bus time reached."""
        return self._now_ns

    def read(self, timeout_s: float) -> list[Item]:
        """The next items of bus time; with `pace=real` no earlier than they would have come."""
        items: list[Item] = []
        until_ns = None
        if self._real_pace:
            until_ns = self._elapsed_ns() + round(timeout_s * 1e9)
        while len(items) < _BATCH and not self._ended:
            item = self._held if self._held is not None else next(self._items, None)
            self._held = None
            if item is None:
                if until_ns is not None and not self._pace(self._end_ns, until_ns, bool(items)):
                    break
                self._ended = True
                self._now_ns = max(self._now_ns, self._end_ns)
                break
            due_ns = _end_ns(item)
            if until_ns is not None and not self._pace(due_ns, until_ns, bool(items)):
                self._held = item
                break
            items.append(item)
            self._now_ns = max(self._now_ns, due_ns)
        if until_ns is not None and not self._ended:
            self._now_ns = max(self._now_ns, min(until_ns, self._elapsed_ns()))
        return items

    def _elapsed_ns(self) -> int:
        return self._clock_ns() - self._began_ns

    def _pace(self, due_ns: int, until_ns: int, have_items: bool) -> bool:
        """Wait until `due_ns`; False when that lies past `until_ns` or there is something to hand over first."""
        left_ns = due_ns - self._elapsed_ns()
        if left_ns <= 0:
            return True
        if have_items:
            return False
        if due_ns > until_ns:
            self._wait(max(0, until_ns - self._elapsed_ns()) / 1e9)
            return False
        self._wait(left_ns / 1e9)
        return True


def _number(options: dict[str, str], key: str, default: float) -> float:
    text = options.get(key)
    if text is None:
        return default
    try:
        value = float(text)
    except ValueError:
        value = -1.0
    if not 0 <= value < 1e9:
        raise ScenarioError(f"{key}={text}: a number of 0 or more is wanted")
    return value


def _text_of(path: str) -> str:
    try:
        with Path(path).open("rb") as file:
            return file.read(_MOST_KEY_TEXT).decode("utf-8")
    except (OSError, ValueError) as error:
        why = error.strerror if isinstance(error, OSError) else "it is not a text file with keys"
        raise ScenarioError(f"cannot be read: {why}") from None


def _seed(options: dict[str, str], default: int) -> int:
    text = options.get("seed")
    if text is None:
        return default
    if not (text.isascii() and text.isdigit() and len(text) <= len(str(MOST_SEED))):
        raise ScenarioError(f"seed={text}: a whole number, 0 to {MOST_SEED}, is wanted")
    return int(text)


def _end_ns(item: Item) -> int:
    return item.t_ns if isinstance(item, LineCounts) else item.end_ns


def lump(chunks: Iterator[Chunk], lump_ns: int, settings: LineSettings) -> Iterator[Chunk]:
    """Deliver octets as an adapter with a latency timer does: all that came until each tick, with the tick's time.

    As a real adapter's tap does, the beginning is counted back from the tick, never before the chunk before.
    """
    octets, marks = bytearray(), bytearray()
    tick_ns = 0
    last_end_ns = 0

    def hand_over() -> Chunk:
        start_ns = max(last_end_ns, tick_ns - len(octets) * settings.char_ns)
        made = Chunk(start_ns, max(start_ns, tick_ns), bytes(octets), bytes(marks) if any(marks) else b"")
        octets.clear()
        marks.clear()
        return made

    for chunk in chunks:
        each_ns = (chunk.end_ns - chunk.t_ns) / max(1, len(chunk.octets))
        for index, octet in enumerate(chunk.octets):
            arrived_ns = chunk.t_ns + round((index + 1) * each_ns)
            if octets and arrived_ns > tick_ns:
                made = hand_over()
                last_end_ns = made.end_ns
                yield made
            tick_ns = -(-arrived_ns // lump_ns) * lump_ns
            octets.append(octet)
            marks.append(chunk.marks[index] if chunk.marks else 0)
    if octets:
        yield hand_over()


def as_seen(chunks: Iterator[Chunk], errors: LineErrors) -> Iterator[Item]:
    """What an adapter with that capability shows of line errors."""
    for chunk in chunks:
        if errors is LineErrors.MARKED or not chunk.marks:
            yield chunk
            continue
        yield chunk._replace(marks=b"")
        if errors is LineErrors.COUNTED:
            yield LineCounts(
                chunk.end_ns,
                *(sum(1 for mark in chunk.marks if mark & bit) for bit in (Mark.FRAMING, Mark.PARITY, Mark.BREAK)),
            )
