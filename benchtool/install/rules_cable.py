"""Rules of the cables: kind, screen, and how long a reader's data lines may be."""

from __future__ import annotations

from collections.abc import Iterable

from benchtool.install.copper import gauge_mm2
from benchtool.install.feeds import area_of
from benchtool.install.record import Reader
from benchtool.install.rule import COMMON_PRACTICE, Rule, Said, Severity, some, unknown
from benchtool.install.view import View
from benchtool.install.worked import Figure

_CARD_LINE_M = ((gauge_mm2(18), 153.0), (gauge_mm2(20), 91.0), (gauge_mm2(22), 61.0))
_SLACK = 1.02
"""Copper that is within 2 % of a gauge counts as it."""


def _cable(view: View) -> Iterable[Said]:
    for trunk in view.trunks:
        seen = {segment.cable.id: segment.cable for segment in trunk.segments if segment.cable is not None}
        if any(segment.cable is None for segment in trunk.segments):
            yield unknown(trunk.path, f"the kind of cable is not noted for all of {trunk.bus.id}")
        for cable in seen.values():
            path = view.by_id[cable.id].path
            for field, words in (("twisted", "is not twisted"), ("screened", "has no screen")):
                value = getattr(cable, field)
                if value is None:
                    yield unknown(path, f"whether {cable.id} is {field} is not noted")
                elif not value:
                    yield Said((*path, field), f"{cable.id} of {trunk.bus.id} {words}")


def _screen_through(view: View) -> Iterable[Said]:
    for trunk in view.trunks:
        for name in trunk.way[1:-1]:
            device = next(one for one in trunk.bus.device if one.id == name)
            path = trunk.device_path(device)
            if device.shield_through is None:
                yield unknown(path, f"whether the screen goes on at {view.called(name)} is not noted")
            elif not device.shield_through:
                yield Said((*path, "shield_through"), f"the screen of {trunk.bus.id} ends at {view.called(name)}")


def _screen_earth(view: View) -> Iterable[Said]:
    for trunk in view.trunks:
        earthed = [device.id for device in trunk.bus.device if device.shield_earthed]
        open_ones = [device.id for device in trunk.bus.device if device.shield_earthed is None]
        if len(earthed) > 1:
            yield Said(
                trunk.path,
                f"the screen of {trunk.bus.id} is earthed at {len(earthed)} places: {', '.join(earthed)}",
                Figure("places", len(earthed)),
                Figure("wanted", 1),
            )
        elif open_ones:
            yield unknown(trunk.path, f"whether the screen is earthed is not noted at {some(open_ones)}")
        elif trunk.bus.device and not earthed:
            yield Said(trunk.path, f"the screen of {trunk.bus.id} is earthed nowhere")


def _card_lines(view: View) -> Iterable[Said]:
    for named in view.of_kind("reader"):
        reader: Reader = named.entry
        if reader.wiring != "data lines":
            continue
        cable = view.cable(reader.cable)
        area = None if cable is None else area_of(cable)
        if reader.metres is None or area is None:
            yield unknown(named.path, f"length, cable or gauge of {view.called(reader.id)} is not noted")
            continue
        most = next((metres for gauge, metres in _CARD_LINE_M if area * _SLACK >= gauge), None)
        if most is None:
            if reader.metres > _CARD_LINE_M[-1][1]:
                most = _CARD_LINE_M[-1][1]
            else:
                yield unknown(named.path, f"no length is published for data lines thinner than 22 AWG ({reader.id})")
                continue
        if reader.metres > most:
            yield Said(
                (*named.path, "metres"),
                f"the data lines of {view.called(reader.id)} are longer than their gauge allows",
                Figure("length", reader.metres, "m"),
                Figure("most", most, "m"),
            )


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
