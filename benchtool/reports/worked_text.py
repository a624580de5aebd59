"""Calculations as lines for a person, the work shown, and as plain values for `--json`."""

from __future__ import annotations

import math
from typing import Any

from benchtool.install.feeds import Feeds
from benchtool.install.worked import Figure, Worked
from benchtool.reports.folded import wrap


def worked_text(worked: Worked) -> list[str]:
    """The result first, then how it came about."""
    lines = [str(worked.result)]
    if worked.limit is not None:
        lines.append(f"{'KEEPS TO' if worked.fits else 'MISSES'} the limit: {worked.limit}")
    lines += ["", f"  {worked.formula}"]
    lines += [f"    {figure}" for figure in worked.inputs]
    lines += [f"  Source: {worked.source}."]
    for note in worked.notes:
        lines += wrap(note, "  ")
    return lines


def worked_values(worked: Worked) -> dict[str, Any]:
    """The same as plain values; what is infinite is null."""
    return {
        "result": _figure(worked.result),
        "formula": worked.formula,
        "inputs": [_figure(figure) for figure in worked.inputs],
        "source": worked.source,
        "limit": None if worked.limit is None else _figure(worked.limit),
        "fits": worked.fits,
        "notes": list(worked.notes),
    }


def _figure(figure: Figure) -> dict[str, Any]:
    value = figure.value if math.isfinite(figure.value) else None
    return {"name": figure.name, "value": value, "unit": figure.unit}


def feeds_text(feeds: Feeds) -> list[str]:
    """Each consumer with its voltage, or why it is not known; each supply with its load."""
    width = max((len(fed.id) for fed in feeds.consumers), default=0)
    lines = [f"{'':{width}}  at it      through its feed  feed"]
    for fed in feeds.consumers:
        if fed.volts is None:
            lines.append(f"{fed.id:{width}}  not known: {'; '.join(fed.unknown)}")
            continue
        amps = "not known" if fed.through_a is None else f"{1000 * fed.through_a:.0f} mA"
        lines.append(f"{fed.id:{width}}  {fed.volts:6.2f} V   {amps:16}  {fed.feed_ohm:.3g} ohm")
    for load in feeds.supplies:
        drawn = f"{load.amps:.3g} A" if load.amps is not None else f"not known: {'; '.join(load.unknown)}"
        lines.append(f"supply {load.supply.id}: load {drawn}")
    return lines


def feeds_values(feeds: Feeds) -> dict[str, Any]:
    """The same as plain values."""
    return {
        "consumers": [
            {
                "id": fed.id,
                "supply": fed.source,
                "volts": fed.volts,
                "own_a": fed.own_a,
                "through_a": fed.through_a,
                "feed_ohm": fed.feed_ohm,
                "unknown": list(fed.unknown),
            }
            for fed in feeds.consumers
        ],
        "supplies": [
            {"id": load.supply.id, "amps": load.amps, "unknown": list(load.unknown)} for load in feeds.supplies
        ],
        "fed_from_themselves": list(feeds.circles),
    }
