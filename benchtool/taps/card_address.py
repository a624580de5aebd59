"""One string says where cards are read: a file, `-`, a simulated reader, a probe, an OSDP bus or a capture of one."""

from __future__ import annotations

import os
import sys
from difflib import get_close_matches

from benchtool.capture.settings import LineSettings
from benchtool.frames.osdp.keys import KeyRing
from benchtool.taps.address import open_tap
from benchtool.taps.card_file import CardFile, CardOptions, is_capture
from benchtool.taps.card_source import CardSource
from benchtool.taps.card_stream import CardStream
from benchtool.taps.tap import TapError


def is_simulated_reader(address: str) -> bool:
    """Whether an address is a simulated reader with data lines, rather than a simulated bus."""
    return address.partition("?")[0] == "sim:card"


def open_card_source(
    address: str,
    options: CardOptions | None = None,
    *,
    settings: LineSettings | None = None,
    keys: KeyRing | None = None,
) -> CardSource:
    """The source that an address names, not yet opened. TapError (`bad-address`, `absent`) with a one-line mend.

    `settings` and `keys` are for OSDP, as for any tap; `options` for files and lines.
    """
    word = address.strip()
    if word == "-":
        return CardStream(sys.stdin, options)
    if is_simulated_reader(word):
        from benchtool.taps.card_simulated import SimulatedCards

        return SimulatedCards(word)
    if word.startswith("sim:"):
        from benchtool.simulate.scenario import names

        name = word.removeprefix("sim:").partition("?")[0]
        if get_close_matches(name, ("card", *names()), 1) == ["card"]:
            raise TapError(f"no scenario {name!r}; did you mean sim:card?", reason="bad-address")
    if word.startswith("probe:"):
        from benchtool.taps.probe_source import open_probe

        return open_probe(word)
    kind = options.kind if options is not None else None
    if os.path.isfile(word) and kind != "osdp" and (kind is not None or not is_capture(word)):
        return CardFile(word, options)
    from benchtool.taps.card_osdp import OsdpCards

    return OsdpCards(open_tap(word, settings), word, keys)
