"""`benchtool card --as keys` and `--keys`: bursts of a keypad to keys, and keys to bursts."""

from __future__ import annotations

import json
import re

import click

from benchtool.commands.errors import CommandError, Exit
from benchtool.frames.card.bits import Bits
from benchtool.frames.card.keypad import STYLES
from benchtool.frames.card.pin import PAUSE_NS, Burst, Ended, buffered, bursts_of, entries
from benchtool.reports.card_draw import wrapped

_ENDS = {
    Ended.ENTER: "ended with #",
    Ended.CLEARED: "cleared with *",
    Ended.PAUSE: "ended by a pause",
    Ended.STYLE: "ended by a burst of another length",
    Ended.NO_KEY: "ended by a burst that is no key",
    Ended.LAST: "not ended: no more bursts",
}


def _burst(word: str) -> Burst:
    match = re.fullmatch(r"([01]{1,64})(?:@([0-9]{1,9}(?:\.[0-9]{1,9})?))?", word)
    octet = re.fullmatch(r"([0-9A-Fa-f]{2})(?:@([0-9]{1,9}(?:\.[0-9]{1,9})?))?", word)
    # 00, 01, 10 and 11 are two bits: no key is one of these octets.
    found = match or octet
    if found is None:
        raise CommandError(
            "bursts are 4, 6 or 8 bits each with blanks between, as 0001 0010 1011; hex octets for 8 bits, as E1 D2;"
            " with @seconds behind where times are known",
            Exit.USAGE,
        )
    bits = Bits.of(found[1]) if found is match else Bits(int(found[1], 16), 8)
    return Burst(bits, None if found[2] is None else round(float(found[2]) * 1e9))


def _bursts(typed: str) -> list[Burst]:
    """Bursts in the order typed, which is the order in which they came: times must not go back."""
    bursts = [_burst(word) for word in typed.split()]
    latest = 0
    for number, burst in enumerate(bursts, 1):
        if burst.t_ns is None:
            continue
        if burst.t_ns < latest:
            raise CommandError(
                f"the time of burst {number} is before that of an earlier one: give the bursts in the order in which"
                " they came, with times since one moment",
                Exit.USAGE,
            )
        latest = burst.t_ns
    return bursts


def read_keys(typed: str, pause: float | None, as_json: bool) -> bool:
    """Print the keys of bursts. Whether every burst is a key."""
    said = entries(_bursts(typed), PAUSE_NS if pause is None else round(pause * 1e9))
    if as_json:
        rows = [
            {"keys": one.keys, "burst_bits": one.length, "ended": one.ended.value, "begin_ns": one.begin_ns}
            for one in said.entered
        ]
        click.echo(json.dumps({"entries": rows, "no_key": [burst.bits.text for burst in said.strange]}))
    else:
        for one in said.entered:
            begun = "" if one.begin_ns is None else f"at {one.begin_ns / 1e9:.3f} s, "
            click.echo(f"keys {one.keys or '(none)':<12} {begun}in {STYLES[one.length]}, {_ENDS[one.ended]}")
        for burst in said.strange:
            size = burst.bits.length
            wanted = "" if size in STYLES else ": a key is a burst of 4, 6 or 8 bits"
            click.echo(f"no key: {burst.bits.text}, {size} bit{'' if size == 1 else 's'}{wanted}")
    return not said.strange


def build_keys(keys: str, site: int | None, as_json: bool) -> None:
    """Print the bursts that a keypad sends for keys, in every style."""
    keys = re.sub(r"[\s,]", "", keys)
    try:
        styles = {length: [bits.text for bits in bursts_of(keys, length)] for length in STYLES}
    except ValueError as error:
        raise CommandError(f"--keys: {error}", Exit.USAGE) from None
    pin = keys.rstrip("#")
    frame, left_out = None, []
    try:
        if site is not None:
            frame = buffered(site, pin)
    except ValueError as error:
        left_out.append(str(error))
    if as_json:
        values: dict[str, object] = {"bursts": {str(length): texts for length, texts in styles.items()}}
        if frame is not None:
            values["buffered"] = {"format": "26-bit", "bits": frame.text, "hex": frame.hex}
        if site is not None:
            values["left_out"] = left_out
        click.echo(json.dumps(values))
        return
    for length, texts in styles.items():
        click.echo(f"{STYLES[length]}, one a key:")
        click.echo("\n".join(wrapped(" ".join(texts))))
    if frame is not None:
        click.echo(f"collected and sent as 26-bit with site code {site}:\n  {frame.text}  hex {frame.hex}")
    elif left_out:
        click.echo("\n".join(wrapped(f"not as one 26-bit frame of a keypad that collects the PIN: {left_out[0]}", "")))
    elif pin.isdigit():
        click.echo("(A keypad that collects the PIN sends one 26-bit frame: add --site for it.)")
