"""Rules of what is not likely: figures of one entry that contradict each other, and what hangs on the wrong thing."""

from __future__ import annotations

from collections.abc import Iterable

from benchtool.install.record import Device, Lock, Reader
from benchtool.install.rule import COMMON_PRACTICE, KEPT, Rule, Said, Severity, unknown
from benchtool.install.view import View
from benchtool.install.worked import Figure

_TAKEN_UP = ("diode", "varistor", "built in")


def _temperatures(view: View) -> Iterable[Said]:
    site = view.record.site
    if site.coldest_c is None or site.warmest_c is None:
        return
    if site.coldest_c <= site.warmest_c:
        yield KEPT
    else:
        yield Said(
            ("site", "coldest_c"),
            "the lowest temperature is noted above the highest",
            Figure("lowest", site.coldest_c, "°C"),
            Figure("highest", site.warmest_c, "°C"),
        )


def _at_rest(view: View) -> Iterable[Said]:
    for fed in view.worst.consumers:
        idle, worst = fed.consumer.idle_ma, fed.consumer.worst_ma
        if idle is None or worst is None:
            continue
        if idle <= worst:
            yield KEPT
        else:
            yield Said(
                (*view.fed_path(fed), "idle_ma"),
                f"{view.called(fed.id)} is noted to draw more at rest than at the most",
                Figure("at rest", idle, "mA"),
                Figure("largest", worst, "mA"),
            )


def _magnets(view: View) -> Iterable[Said]:
    for named in view.of_kind("lock"):
        lock: Lock = named.entry
        if lock.kind != "magnet":
            continue
        called = view.called(lock.id)
        said = []
        if lock.without_power == "locked":
            sentence = f"{called} is a magnet, and noted as locked without power"
            said.append(Said((*named.path, "without_power"), sentence))
        if lock.inductive is False and lock.suppression not in _TAKEN_UP:
            said.append(Said((*named.path, "inductive"), f"{called} is a magnet, and noted as without a coil"))
        if lock.idle_ma == 0:
            said.append(Said((*named.path, "idle_ma"), f"{called} is a magnet, and noted to draw nothing at rest"))
        if lock.without_power is None:
            said.append(unknown(named.path, f"whether {called}, a magnet, is free without power is not noted"))
        if lock.idle_ma is None:
            said.append(unknown(named.path, f"what {called}, a magnet, draws at rest is not noted"))
        yield from said or (KEPT,)


def _wired(view: View) -> Iterable[Said]:
    for named in view.of_kind("reader", "lock", "sensor"):
        if not named.entry.device:
            continue
        device = view.find(named.entry.device, "device")
        kind = device.kind if isinstance(device, Device) else ""
        # A reader on the bus may have a relay and inputs; terminals for another reader it has not.
        if kind == "junction" or (kind in ("reader", "keypad") and isinstance(named.entry, Reader)):
            sentence = f"{named.kind} {view.called(named.id)} is noted as wired to {view.called(device.id)}, a {kind}"
            yield Said((*named.path, "device"), sentence)
        elif device is not None or view.find(named.entry.device, "controller") is not None:
            yield KEPT


def _feeders(view: View) -> Iterable[Said]:
    for fed in view.worst.consumers:
        feeder = view.find(fed.consumer.fed_by, "supply", "controller", "device", "reader", "lock")
        if feeder is None:
            continue
        # Reader beside reader, lock beside lock: the cable goes on from one's terminals to the other's.
        wrong = isinstance(feeder, Reader | Lock) and not isinstance(fed.consumer, type(feeder))
        if wrong:
            what = "reader" if isinstance(feeder, Reader) else "lock"
            sentence = f"{view.called(fed.id)} is noted as fed from {view.called(feeder.id)}, a {what}"
            yield Said((*view.fed_path(fed), "fed_by"), sentence)
        else:
            yield KEPT


def _first_place(view: View) -> Iterable[Said]:
    for trunk in view.trunks:
        if not trunk.bus.device or not trunk.controller_placed:
            continue
        path, first = trunk.placed[0]
        if first.after is not None or not first.metres:
            yield KEPT
        else:
            yield Said(
                (*path, "metres"),
                f"{view.called(first.id)} is the first place of {trunk.bus.id}, and cable before it is noted",
                Figure("cable", first.metres, "m"),
                Figure("wanted", 0, "m"),
            )


RULES = (
    Rule(
        "temperatures-in-order",
        Severity.WARNING,
        "The lowest temperature of the site is not above the highest.",
        "this file's own rule",
        "Look which was meant: signs are easily lost. Until then the higher counts for warm cables.",
        _temperatures,
    ),
    Rule(
        "rest-below-largest",
        Severity.WARNING,
        "Nothing draws more at rest than at the most.",
        "this file's own rule",
        "Read the data sheet again: the two may be swapped, or one in another unit.",
        _at_rest,
    ),
    Rule(
        "magnet-likely",
        Severity.WARNING,
        "A magnet has a coil, draws current at rest, and is free without power.",
        COMMON_PRACTICE,
        "Look at the lock: a strike or bolt may have been noted as a magnet. If it really is one that holds without"
        " power, give it the kind other.",
        _magnets,
    ),
    Rule(
        "wired-to-terminals",
        Severity.WARNING,
        "Readers, locks and sensors are wired to what has terminals for them: no junction box, readers no reader.",
        COMMON_PRACTICE,
        "Follow the cable through the box to the device at its end, and note that.",
        _wired,
    ),
    Rule(
        "fed-from-feeder",
        Severity.WARNING,
        "Nothing is fed from a lock, or from a reader that is wired to a device, but others of its kind beside it.",
        COMMON_PRACTICE,
        "Follow the feed to the terminals or the supply that it comes from.",
        _feeders,
    ),
    Rule(
        "first-place-at-0",
        Severity.WARNING,
        "The first place of a pair has no cable before it.",
        "this file's own rule; the length counts until it is mended",
        "Write metres = 0 there, and the length at the place that the cable leads to.",
        _first_place,
    ),
)
"""In the order in which they are told."""
