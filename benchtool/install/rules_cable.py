"""Rules of the cables: kind, screen, and how long a reader's data lines may be."""

from __future__ import annotations

from collections.abc import Iterable

from benchtool.install.copper import gauge_mm2
from benchtool.install.feeds import area_of
from benchtool.install.record import CableKind, Reader
from benchtool.install.rule import COMMON_PRACTICE, KEPT, Rule, Said, Severity, some, unknown
from benchtool.install.view import Trunk, View
from benchtool.install.worked import Figure

_CARD_LINE_M = ((gauge_mm2(18), 153.0), (gauge_mm2(20), 91.0), (gauge_mm2(22), 61.0))
_SLACK = 1.04
"""Copper that is within 4 % of a gauge counts as it: 0.5 mm² is sold for 20 AWG."""
_THINNEST_AWG = 26
_IMPEDANCE = (100.0, 150.0)
_ONE_GAUGE = gauge_mm2(20) / gauge_mm2(21)
"""Copper of a gauge over that of the next: cables sold by area for a gauge differ by less (1.5 mm² for 16 AWG)."""


def _segments_by_cable(view: View) -> Iterable[tuple[Trunk, CableKind | None]]:
    """Each pair with each kind of cable in it, once; None where a stretch's is not noted."""
    for trunk in view.trunks:
        seen = {segment.cable.id if segment.cable else "": segment.cable for segment in trunk.segments}
        for cable in seen.values():
            yield trunk, cable


def _not_noted(trunk: Trunk) -> Said:
    return unknown(trunk.path, f"the kind of cable is not noted for all of {trunk.bus.id}")


def _cable(view: View) -> Iterable[Said]:
    for trunk, cable in _segments_by_cable(view):
        if cable is None:
            yield _not_noted(trunk)
            continue
        path = view.by_kind["cable", cable.id].path
        for field, words in (("twisted", "is not twisted"), ("screened", "has no screen")):
            value = getattr(cable, field)
            if value is None:
                yield unknown(path, f"whether {cable.id} is {field} is not noted")
            else:
                yield KEPT if value else Said((*path, field), f"{cable.id} of {trunk.bus.id} {words}")


def _impedance(view: View) -> Iterable[Said]:
    low, high = _IMPEDANCE
    for trunk, cable in _segments_by_cable(view):
        ohm = None if cable is None else cable.impedance_ohm
        if cable is None:
            yield _not_noted(trunk)
        elif ohm is None:
            yield unknown(view.by_kind["cable", cable.id].path, f"the impedance of {cable.id} is not noted")
        elif low <= ohm <= high:
            yield KEPT
        else:
            yield Said(
                (*view.by_kind["cable", cable.id].path, "impedance_ohm"),
                f"{cable.id} of {trunk.bus.id} has another impedance than end-of-line resistors suit",
                Figure("impedance", ohm, "ohm"),
                Figure("least", low, "ohm") if ohm < low else Figure("most", high, "ohm"),
            )


def _gauge(view: View) -> Iterable[Said]:
    least = gauge_mm2(_THINNEST_AWG)
    for trunk, cable in _segments_by_cable(view):
        area = None if cable is None else area_of(cable)
        if cable is None:
            yield _not_noted(trunk)
        elif area is None:
            yield unknown(view.by_kind["cable", cable.id].path, f"the gauge of {cable.id} is not noted")
        elif area * _SLACK >= least:
            yield KEPT
        else:
            yield Said(
                (*view.by_kind["cable", cable.id].path, "area_mm2" if area == cable.area_mm2 else "awg"),
                f"{cable.id} of {trunk.bus.id} is thinner than {_THINNEST_AWG} AWG",
                Figure("copper", area, "mm²"),
                Figure("least", least, "mm²"),
            )


def _gauge_agrees(view: View) -> Iterable[Said]:
    for named in view.of_kind("cable"):
        cable: CableKind = named.entry
        if cable.area_mm2 is None or cable.awg is None:
            continue
        by_gauge = gauge_mm2(cable.awg)
        if 1 / _ONE_GAUGE <= cable.area_mm2 / by_gauge <= _ONE_GAUGE:
            yield KEPT
        else:
            yield Said(
                (*named.path, "area_mm2"),
                f"{view.called(cable.id)} has another area than its gauge; the thinner of the two is counted on",
                Figure("area", cable.area_mm2, "mm²"),
                Figure(f"{cable.awg:g} AWG", by_gauge, "mm²"),
            )


def _has_screen(trunk: Trunk) -> bool:
    """Whether any cable of a pair has a screen, or may have one."""
    return any(segment.cable is None or segment.cable.screened is not False for segment in trunk.segments)


def _screen_through(view: View) -> Iterable[Said]:
    for trunk in view.trunks:
        if not _has_screen(trunk):
            continue
        if trunk.closing:
            yield unknown(trunk.path, f"{trunk.bus.id} is closed to a ring, so that it has no ends")
            continue
        for path, device in trunk.placed:
            if len(trunk.joined[device.id]) < 2:
                continue
            if device.shield_through is None:
                yield unknown(path, f"whether the screen goes on at {view.called(device.id)} is not noted")
            elif device.shield_through:
                yield KEPT
            else:
                sentence = f"the screen of {trunk.bus.id} ends at {view.called(device.id)}"
                yield Said((*path, "shield_through"), sentence)


def _screen_earth(view: View) -> Iterable[Said]:
    for trunk in view.trunks:
        if not _has_screen(trunk):
            continue
        earthed = [device.id for _, device in trunk.placed if device.shield_earthed]
        open_ones = [device.id for _, device in trunk.placed if device.shield_earthed is None]
        figures = Figure("places", len(earthed)), Figure("wanted", 1)
        if len(earthed) > 1:
            sentence = f"the screen of {trunk.bus.id} is earthed at {len(earthed)} places: {some(earthed)}"
            yield Said(trunk.path, sentence, *figures)
        elif open_ones:
            yield unknown(trunk.path, f"whether the screen is earthed is not noted at {some(open_ones)}")
        elif earthed:
            yield KEPT
        else:
            yield Said(trunk.path, f"the screen of {trunk.bus.id} is earthed nowhere", *figures)


def _card_lines(view: View) -> Iterable[Said]:
    for named in view.of_kind("reader"):
        reader: Reader = named.entry
        if reader.wiring != "data lines":
            continue
        cable = view.cable(reader.cable)
        area = None if cable is None else area_of(cable)
        called = view.called(reader.id)
        by_gauge = [metres for gauge, metres in _CARD_LINE_M if area is not None and area * _SLACK >= gauge]
        # Nothing is published for thinner conductors, but they carry no further than the thinnest that is.
        most = max(by_gauge) if by_gauge else _CARD_LINE_M[0 if area is None else -1][1]
        if reader.metres is None:
            yield unknown(named.path, f"the length of the data lines of {called} is not noted")
        elif reader.metres > most:
            yield Said(
                (*named.path, "metres"),
                f"the data lines of {called} are longer than their gauge allows",
                Figure("length", reader.metres, "m"),
                Figure("most", most, "m"),
            )
        elif area is None:
            yield unknown(named.path, f"the cable of {called}, or its gauge, is not noted")
        elif not by_gauge:
            yield unknown(named.path, f"no length is published for data lines as thin as those of {called}")
        else:
            yield KEPT


RULES = (
    Rule(
        "cable-fit",
        Severity.WARNING,
        "The pair is twisted and screened.",
        "Modbus serial line guide: shielded, balanced pair",
        "Take a twisted, screened pair of about 120 ohm where the run is long or near to mains or motors.",
        _cable,
    ),
    Rule(
        "cable-impedance",
        Severity.WARNING,
        "The pair's cable has an impedance of 100 to 150 ohm.",
        "cable guides of equipment makers: 120 ohm, 100 to 150",
        "Take a cable that is made for RS-485, or end-of-line resistors of the cable's impedance.",
        _impedance,
    ),
    Rule(
        "cable-gauge",
        Severity.WARNING,
        f"The pair's conductors are {_THINNEST_AWG} AWG or thicker.",
        "Modbus serial line guide",
        "Take a thicker pair.",
        _gauge,
    ),
    Rule(
        "gauge-agrees",
        Severity.WARNING,
        "Gauge and area of a cable, where both are noted, are of one conductor.",
        "American wire gauge: one gauge is 1.26 times the copper of the next",
        "Read what is printed on the cable, and take the wrong one of the two out.",
        _gauge_agrees,
    ),
    Rule(
        "screen-through",
        Severity.WARNING,
        "The screen goes on at every device between the ends.",
        COMMON_PRACTICE,
        "Join the screens of both cables, and keep them off the case.",
        _screen_through,
    ),
    Rule(
        "screen-earthed-once",
        Severity.WARNING,
        "The screen is joined to earth at one point.",
        COMMON_PRACTICE,
        "Join it at one end, usually the controller's. Follow the maker and local practice where they say else.",
        _screen_earth,
    ),
    Rule(
        "card-line-length",
        Severity.WARNING,
        "Data lines are no longer than their gauge allows: 61 m at 22 AWG, 91 m at 20, 153 m at 18.",
        "SIA AC-01 recommendation as reader manuals quote it",
        "Take thicker conductors, move the device nearer, or take a reader on RS-485.",
        _card_lines,
    ),
)
"""In the order in which they are told."""
