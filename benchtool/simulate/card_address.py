"""The address of a simulated reader: `sim:card?option=value&…`, read into lines, cards and a seed.

Options: `fault` (docs/card-faults.md), `format` (a built-in one, such as `26-bit` or `34-bit 16+16`), `cards` (how many
are held to it), `same=yes` (one card each time), `keys` (a PIN pressed after the cards, in bursts of `keypad` bits),
`width_us`, `spacing_us`, `metres`, `gauge`, `pull_up` (ohm), `line=drawn` (cable, pull-up, pulses and input drawn by
the seed), `seed`. Card numbers are invented by the seed.
"""

from __future__ import annotations

import random
from collections.abc import Iterator
from dataclasses import replace
from urllib.parse import parse_qsl

from benchtool.capture.card_lines import LineRecord
from benchtool.frames.card.bits import Bits
from benchtool.frames.card.formats import FORMATS, CardFormat, find_formats
from benchtool.frames.card.keypad import KEYS, STYLES
from benchtool.simulate.card_bus import presentations
from benchtool.simulate.card_faults import apply_card_fault
from benchtool.simulate.card_reader import some_keys
from benchtool.simulate.card_setup import CardSetup, a_card, drawn, plain
from benchtool.simulate.specs import MOST_SEED, ScenarioError, meant
from benchtool.wire.cable import AWG_OHM_PER_KM

OPTIONS = (
    "fault",
    "format",
    "cards",
    "same",
    "keys",
    "keypad",
    "width_us",
    "spacing_us",
    "metres",
    "gauge",
    "pull_up",
    "line",
    "seed",
)
"""What may follow the `?` of `sim:card`."""
_MOST_CARDS = 10_000
_CARDS = 5


def records_of(address: str) -> Iterator[LineRecord]:
    """What the lines do, a record for each card or PIN, without gaps. ScenarioError before the first for a bad one."""
    setup, cards, seed = simulated(address)
    return presentations(setup, cards, seed)


def simulated(address: str) -> tuple[CardSetup, list[Bits | str], int]:
    """What an address sets up: the lines, the cards (bits) and PINs (keys) in order, the seed. ScenarioError."""
    options = _options(address)
    seed = _whole(options, "seed", 1, MOST_SEED)
    draw = random.Random(f"card line {seed}")
    row = _format(options.get("format", FORMATS[0].name))
    if options.get("line", "typical") not in ("typical", "drawn"):
        raise ScenarioError("line: typical or drawn is wanted")
    setup = drawn(draw, row) if options.get("line") == "drawn" else plain(row)
    setup = apply_card_fault(_fitted(setup, options), options.get("fault", "healthy"), draw)
    count = _whole(options, "cards", _CARDS, _MOST_CARDS)
    size = _whole(options, "keypad", setup.keypad or 4, 8)
    if size not in STYLES:
        raise ScenarioError(f"keypad={size}: {', '.join(map(str, STYLES))} bits a key are wanted")
    same = options.get("same", "no")
    if same not in ("yes", "no"):
        raise ScenarioError("same: yes or no is wanted")
    cards: list[Bits | str]
    if setup.keypad:
        setup = replace(setup, keypad=size)
        cards = [some_keys(draw) for _ in range(count)]
    else:
        cards = [a_card(setup, draw) for _ in range(min(count, 1) if same == "yes" else count)]
        cards = cards * count if same == "yes" else cards
    pressed = options.get("keys", "")
    if pressed.strip(KEYS):
        raise ScenarioError(f"keys: only {KEYS} can be pressed")
    return replace(setup, keypad=size), [*cards, *([pressed] if pressed else ())], seed


def _options(address: str) -> dict[str, str]:
    query = address.partition("?")[2]
    # A plus sign stands in the names of formats: it is not the space of a web form.
    options = dict(parse_qsl(query.replace("+", "%2B"), keep_blank_values=True))
    unknown = sorted(set(options) - set(OPTIONS))
    if unknown:
        raise ScenarioError(f"unknown option {unknown[0]!r}; {meant(unknown[0], OPTIONS, 'known are')}")
    return options


def _format(name: str) -> CardFormat:
    found = find_formats(name)
    if not found:
        raise ScenarioError(f"format={name}: no such format; there are {', '.join(row.name for row in FORMATS)}")
    return found[0]


def _fitted(setup: CardSetup, options: dict[str, str]) -> CardSetup:
    """With the widths, spacings and cable that were asked for."""
    timing = setup.timing
    if "width_us" in options:
        timing = replace(timing, width_s=_number(options, "width_us", 1, 10_000) / 1e6)
    if "spacing_us" in options:
        timing = replace(timing, spacing_s=_number(options, "spacing_us", 20, 100_000) / 1e6)
    line = setup.lines[0]
    if "metres" in options:
        line = replace(line, length_m=_number(options, "metres", 0.1, 2000))
    if "gauge" in options:
        gauge = _whole(options, "gauge", 22, 99)
        if gauge not in AWG_OHM_PER_KM:
            raise ScenarioError(f"gauge={gauge}: {', '.join(map(str, AWG_OHM_PER_KM))} is wanted")
        line = replace(line, ohm_per_m=AWG_OHM_PER_KM[gauge] / 1000)
    if "pull_up" in options:
        line = replace(line, pull_up_ohm=_number(options, "pull_up", 100, 10e6))
    ground_ohm = setup.ground_ohm
    if "metres" in options or "gauge" in options:
        ground_ohm = line.length_m * line.ohm_per_m
    return replace(setup, timing=timing, lines=(line, line), ground_ohm=ground_ohm)


def _number(options: dict[str, str], key: str, least: float, most: float) -> float:
    try:
        value = float(options[key])
    except ValueError:
        value = -1.0
    if not least <= value <= most:
        raise ScenarioError(f"{key}={options[key]}: a number from {least:g} to {most:g} is wanted")
    return value


def _whole(options: dict[str, str], key: str, default: int, most: int) -> int:
    text = options.get(key)
    if text is None:
        return default
    if not (text.isascii() and text.isdigit() and len(text) <= len(str(most)) and int(text) <= most):
        raise ScenarioError(f"{key}={text}: a whole number, 0 to {most}, is wanted")
    return int(text)
