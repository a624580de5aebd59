"""`--baud auto`: listen with one setting after the other, never transmitting, and take the one that reads the bus.

A device server (`socket://`) sets its line itself, and a capture was heard with what it was heard with: both are told.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Iterable
from contextlib import suppress
from dataclasses import dataclass, replace

import click

from benchtool.capture.chunk import Chunk, Item, LineErrors, TapInfo
from benchtool.capture.rates import TRIED_RATES
from benchtool.capture.settings import CharFormat, LineSettings, Parity
from benchtool.commands.errors import CommandError, Exit
from benchtool.explore.settings_score import (
    PARITIES,
    Score,
    score,
    searched,
    seven_bits,
    stop_bits,
)
from benchtool.frames.decoders import UNTOLD, Spoken
from benchtool.taps.tap import Tap, TapError

_LEAST_S, _MOST_S = 0.3, 1.2
"""How long to listen with each setting: until enough came, not longer than the second."""
_SEARCH_S = 2.5
"""The same where a check value must be searched for."""
_ENOUGH_OCTETS = 120
_SIMULATED_S = 3
_ALIKE = 0.03
"""Scores closer than this are not told apart."""

Opener = Callable[[LineSettings], Tap]


@dataclass(frozen=True, slots=True)
class Found:
    """The settings found, and by how much."""

    settings: LineSettings
    best: Score
    second: Score | None
    """The best of another rate; None where none was tried."""
    alike: tuple[LineSettings, ...]
    """Settings that read the bus as well: they cannot be told apart here."""
    notes: tuple[str, ...] = ()

    @property
    def margin(self) -> float:
        """How much better than the second, 0 to 1."""
        return self.best.value - (self.second.value if self.second is not None else 0.0)

    def words(self) -> list[str]:
        """The result in lines for people."""
        lines = [f"settings found: {self.best.words()}"]
        if self.second is not None:
            lines.append(f"next best rate: {self.second.words()}; margin {self.margin:.2f} of 1")
        if self.alike:
            lines.append(f"reads the bus as well, so it cannot be told apart here: {', '.join(map(str, self.alike))}")
        return [*lines, *self.notes]


def find_settings(
    address: str,
    char_format: CharFormat | None = None,
    spoken: Spoken = UNTOLD,
    *,
    opener: Opener | None = None,
    rates: Iterable[int] = TRIED_RATES,
) -> Found:
    """Find rate and, where none is given, character format. CommandError where nothing is heard or nothing fits."""
    if opener is None:
        if os.path.isfile(address):
            raise CommandError(
                f"--baud auto: {address} was heard with the rate it was heard with; that cannot be changed", Exit.USAGE
            )
        if address.startswith("socket://"):
            raise CommandError(
                "--baud auto: the device server sets its line itself; set the rate there, or use rfc2217://", Exit.USAGE
            )
        opener = _opener(address)
    finder = _Finder(opener, spoken)
    try:
        return finder.run(tuple(rates), char_format)
    finally:
        finder.end_progress()


def _opener(address: str) -> Opener:
    from benchtool.taps.address import open_tap

    # On a simulated bus enough time to judge by, however long the scenario lasts.
    return lambda settings: open_tap(address, settings, seconds=_SIMULATED_S)


class _Finder:
    def __init__(self, opener: Opener, spoken: Spoken) -> None:
        self._opener = opener
        self._spoken = spoken
        self._heard: dict[LineSettings, tuple[list[Item], TapInfo]] = {}
        self._scores: dict[LineSettings, Score] = {}
        self._progress = sys.stderr.isatty()

    def run(self, rates: tuple[int, ...], given: CharFormat | None) -> Found:
        first = given or CharFormat()
        checked = 0
        for rate in rates:
            self._try(LineSettings(rate, first))
            if any(one.certain for one in self._scores.values()):
                # One more rate shows whether the rate matters at all at this tap.
                checked += 1
                if checked > 1:
                    break
        if not any(one.octets for one in self._scores.values()):
            raise CommandError("--baud auto: nothing was heard at any rate; does anybody talk on this bus?", Exit.TAP)
        if given is None:
            self._parities()
        if not self._best().proven:
            self._search()
        best = self._best()
        if not best.proven:
            raise CommandError(
                f"--baud auto: no rate reads the bus; nearest is {best.words()}; listen longer by hand with --baud, "
                "or give --protocol FILE",
                Exit.TAP,
            )
        return self._told(best, given)

    def _try(self, settings: LineSettings, most_s: float = _MOST_S) -> None:
        items, info = self._listen(settings, most_s)
        self._heard[settings] = (items, info)
        self._scores[settings] = score(items, info, self._spoken)

    def _listen(self, settings: LineSettings, most_s: float) -> tuple[list[Item], TapInfo]:
        if self._progress:
            click.echo(f"\rtrying {settings} …          ", err=True, nl=False)
        items: list[Item] = []
        try:
            tap = self._opener(settings)
            with tap:
                info = tap.info
                count = 0
                enough = _ENOUGH_OCTETS * (most_s / _MOST_S)
                while not tap.ended and tap.now_ns < most_s * 1e9:
                    if count >= enough and tap.now_ns >= _LEAST_S * 1e9:
                        break
                    came = tap.read(0.05)
                    items += came
                    count += sum(len(item.octets) for item in came if isinstance(item, Chunk))
            with suppress(TapError):
                items += tap.read(0)
        except TapError as error:
            from benchtool.commands.options import tap_failed

            raise tap_failed(error) from None
        return items, info

    def _ranked(self) -> list[Score]:
        return sorted(self._scores.values(), key=lambda one: -one.value)

    def _best(self) -> Score:
        return self._ranked()[0]

    def _parities(self) -> None:
        """Other parities at the rates that look best, unless the first reads without a fault."""
        best = self._best()
        if best.certain and best.errors is not None:
            return
        likely = sorted(self._scores.values(), key=lambda one: (-one.value, one.errors or 0.0, -one.octets))
        for one in likely[:3]:
            for text in PARITIES[1:]:
                self._try(LineSettings(one.settings.baud, CharFormat.parse(text)))

    def _search(self) -> None:
        """No known protocol: look for a check value at each rate, the ones with few line errors first."""
        likely = sorted(self._scores.values(), key=lambda one: (one.errors or 0.0, -one.octets))
        for one in likely[:8]:
            if not one.octets:
                continue
            items, info = self._listen(one.settings, _SEARCH_S)
            self._heard[one.settings] = (items, info)
            self._scores[one.settings] = found = searched(items, info)
            rates = {each.settings.baud for each in self._scores.values() if each.proven}
            if len(rates) > 1 or (found.proven and found.errors == 0):
                return

    def _told(self, best: Score, given: CharFormat | None) -> Found:
        items, info = self._heard[best.settings]
        others = [one for one in self._ranked() if one is not best]
        alike = [one.settings for one in others if one.proven and best.value - one.value <= _ALIKE]
        second = next((one for one in others if one.settings.baud != best.settings.baud), None)
        settings = best.settings
        notes = []
        if given is None:
            stops = stop_bits(items, info)
            if stops is None:
                notes.append("stop bits: cannot be told at this tap; a receiver set to 1 reads 2 as well")
            elif stops != settings.format.stop_bits:
                settings = replace(settings, format=replace(settings.format, stop_bits=stops))
            parity = seven_bits(items, settings.format)
            if parity is not None:
                # Every octet of one parity in its eight bits: hardly by chance. 8N1 reads the same.
                alike.append(settings)
                settings = replace(settings, format=CharFormat(7, parity, 1.0))
        if info.line_errors is LineErrors.UNAVAILABLE and given is None and settings.format.parity is Parity.NONE:
            notes.append(
                "parity: line errors cannot be seen at this tap, so a parity that is not checked reads as well"
            )
        if any(one.baud != settings.baud for one in alike):
            notes.append("the rate makes no difference at this tap: something before it sets the line")
        return Found(settings, replace(best, settings=settings), second, tuple(alike), tuple(notes))

    def end_progress(self) -> None:
        if self._progress:
            click.echo("\r" + " " * 40 + "\r", err=True, nl=False)
