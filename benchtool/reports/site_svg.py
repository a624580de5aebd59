"""The line diagram of a pair, from the record: devices in order along the cable, one picture a row, for print.

Lengths are in points at the printed width. Resistors are rectangles as in IEC 60617, earth its three bars. What is not
noted is dashed, or says so; nothing is told by colour.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from markupsafe import escape

from benchtool.install.record import Device
from benchtool.install.rules_pair import terminator_ohm
from benchtool.install.view import Segment
from benchtool.reports.site_chains import Chain, Stop
from benchtool.reports.site_words import visible

WIDTH = 510.0
COLUMNS = 5
_STEP = WIDTH / COLUMNS
_BOX = 96.0
_A, _B, _SCREEN, _TOP = 32.0, 48.0, 54.0, 86.0
"""Heights of the two wires, of the screen, and of the boxes' upper edge."""
_SIZE, _LINE = 7.5, 9.2
_MOST_NAME, _MOST_OTHER = 3, 3
"""Lines that a name, and anything else, may take in a box; the schedule has all of it."""
_STYLE = "fill:none;stroke:#111"


@dataclass(frozen=True, slots=True)
class Label:
    """What is written in a device's box."""

    head: str
    """Its address."""
    name: str
    about: tuple[str, ...]
    """Doors, what it is, and what is set there."""
    unknown: str = ""
    """What is not noted of it."""

    def said(self, how: Callable[[str], str]) -> Label:
        """The same with something done to every text."""
        return Label(how(self.head), how(self.name), tuple(map(how, self.about)), how(self.unknown))


@dataclass(frozen=True, slots=True)
class Row:
    """One picture."""

    svg: str
    about: str
    """The same in words."""


def text_width(text: str, size: float = _SIZE) -> float:
    """Width of a text in points, on the wide side: for the widest of the fonts that a page may get."""
    total = 0.0
    for one in text:
        if one in "iljtfrI.,:;'|!()[] -":
            total += 0.42
        elif one in "mwMW@%—…":
            total += 1.0
        elif ord(one) >= 0x1100:
            total += 1.1
        else:
            total += 0.76 if one.isupper() else 0.64
    return total * size


def wrapped(text: str, width: float, most: int, size: float = _SIZE) -> list[str]:
    """The text in lines no wider than `width`; the last of `most` ends with an ellipsis where more would follow."""
    lines: list[str] = []
    rest = text.split()
    while rest:
        if len(lines) == most:
            lines[-1] = _cut(lines[-1] + "…", width, size)
            break
        line = rest.pop(0)
        if text_width(line, size) > width:
            head = 1
            while text_width(line[: head + 1], size) <= width:
                head += 1
            # After a hyphen, where one is: "if-1" and "1" would be read as two ids.
            head = max(line.rfind(sign, 0, head) for sign in "-_./") + 1 or head
            rest.insert(0, line[head:])
            line = line[:head]
        while rest and text_width(f"{line} {rest[0]}", size) <= width:
            line = f"{line} {rest.pop(0)}"
        lines.append(line)
    return lines


def _cut(line: str, width: float, size: float) -> str:
    while len(line) > 1 and text_width(line, size) > width:
        line = line[:-2] + "…"
    return line


def chain_rows(chain: Chain, labels: dict[int, Label], *, usual_cable: str | None) -> list[Row]:
    """The rows of a chain. `labels` by the stop's place; `usual_cable` is not written beside each length."""
    count = math.ceil(len(chain.stops) / COLUMNS)
    return [_Row(chain, number, count, labels, usual_cable).drawn() for number in range(count)]


class _Row:
    def __init__(self, chain: Chain, number: int, of: int, labels: dict[int, Label], usual_cable: str | None) -> None:
        begin = number * COLUMNS
        self.chain, self.labels, self.usual_cable = chain, labels, usual_cable
        self.stops = chain.stops[begin : begin + COLUMNS]
        following = chain.stops[begin + COLUMNS : begin + COLUMNS + 1]
        self.after = following[0].segment if following else None
        """The cable that goes on to the next row."""
        self.is_first, self.is_last, self.number = number == 0, number == of - 1, number
        self.parts: list[str] = []
        self.bottom = _TOP

    def drawn(self) -> Row:
        starts = [_STEP * (place + 0.5) for place in range(len(self.stops))]
        left, right = self._ends(starts)
        for y in (_A, _B):
            self._line(left, y, right, y, 1.3)
        self._screen(starts, left, right)
        for x, stop in zip(starts, self.stops, strict=True):
            self._segment(x, stop)
            self._stop(x, stop)
        # The bias stands above the wires; without one, the room is not wanted.
        top = 0 if any(stop.device.bias_ohm for stop in self.stops) else 15
        height = self.bottom + 3 - top
        words = "; ".join(self._words(stop) for stop in self.stops)
        body = "".join(self.parts)
        svg = (
            f'<svg viewBox="0 {top} {WIDTH:g} {height:.1f}" role="img" aria-label="{_safe(words)}" '
            'font-family="\'DejaVu Sans\',Arial,Helvetica,sans-serif" fill="#111">'
            f"{body}</svg>"
        )
        return Row(svg, words)

    def _ends(self, starts: Sequence[float]) -> tuple[float, float]:
        """Where the wires begin and end, with what is written there."""
        left, right = (
            x + side * (3 if _without_terminator(stop.device) else 30)
            for side, x, stop in ((-1, starts[0], self.stops[0]), (1, starts[-1], self.stops[-1]))
        )
        first = self.stops[0].device
        room = 34 if first.bias_ohm else 60 if _without_terminator(first) else 48
        if not self.is_first:
            left = 0.0
            self._text(1, _A - 6, f"from row {self.number}", 6.5)
        elif self.chain.start is not None:
            left = 0.0
            self._text(1, _A - 6, f"from {self._called(self.chain.start)}", 6.5, most=room)
        elif self.chain.loose is not None:
            left = 0.0
            self._text(1, _A - 6, f"from {self.chain.loose}?", 6.5, most=room)
        elif self.chain.head_m:
            left = 0.0
            self._text(1, _A - 6, "from controller", 6.5, most=room)
            self._length(22.0, self.chain.head_m, None)
        if not self.is_last:
            right = WIDTH
            # Above the end-of-line resistor's figure, where the last device of the row has one.
            up = 6 if _without_terminator(self.stops[-1].device) else 12
            self._text(WIDTH - 1, _A - up, f"to row {self.number + 2}", 6.5, anchor="end")
            self.parts.append(f'<path d="M{WIDTH - 7:g} {_A - 3:g}L{WIDTH:g} {_A:g}l-7 3" style="{_STYLE}"/>')
        return left, right

    def _called(self, device: Device) -> str:
        return device.id if device.address is None else f"address {device.address}"

    def _screen(self, starts: Sequence[float], left: float, right: float) -> None:
        """The screen beside the pair, cable by cable, open where a device does not pass it on."""
        begins = left
        for x, stop in zip(starts, self.stops, strict=True):
            inner = stop.segment is not None and not (self.is_last and stop is self.stops[-1])
            gap = 9 if inner and stop.device.shield_through is False else 0
            self._screen_of(stop.segment, begins, x - gap)
            begins = x + gap
        self._screen_of(self.after, begins, right)

    def _screen_of(self, segment: Segment | None, left: float, right: float) -> None:
        if segment is None:
            return
        screened = None if segment.cable is None else segment.cable.screened
        if screened is not False:
            self._line(left, _SCREEN, right, _SCREEN, 0.8, "6 2" if screened else "1.2 3")

    def _segment(self, x: float, stop: Stop) -> None:
        segment = stop.segment
        if segment is None:
            return
        cable = "cable ?" if segment.cable is None else segment.cable.id
        self._length(max(x - _STEP / 2, 22.0), segment.metres, None if cable == self.usual_cable else cable)

    def _length(self, x: float, metres: float | None, cable: str | None) -> None:
        length = "? m" if metres is None else f"{round(metres, 2):g} m"
        self._text(x, (_A + _B) / 2 + 2.8, length, 8, anchor="middle", bold=True)
        if cable is not None:
            self._text(x, _SCREEN + 9, cable, 6.5, anchor="middle", most=44)

    def _stop(self, x: float, stop: Stop) -> None:
        device = stop.device
        self._terminator(x, stop)
        self._bias(x, device)
        if device.shield_earthed:
            self._line(x + 20, _SCREEN, x + 20, 64, 0.9)
            for place, half in enumerate((7.5, 5, 2.5)):
                self._line(x + 20 - half, 64 + 2.6 * place, x + 20 + half, 64 + 2.6 * place, 1.1)
        for dx, wire in ((-2.2, _A), (2.2, _B)):
            self._line(x + dx, wire, x + dx, _TOP, 0.9)
            self.parts.append(f'<circle cx="{x + dx:g}" cy="{wire:g}" r="1.7"/>')
        if device.stub_m != 0 and not (device.stub_m is None and device.kind == "junction"):
            stub = "stub ? m" if device.stub_m is None else f"stub {round(device.stub_m, 2):g} m"
            self._text(x + 6, _TOP - 4, stub, 6.5, italic=device.stub_m is None)
        if stop.branches:
            names = " and ".join(f"branch {number}" for number in stop.branches)
            self._text(x - 6, _TOP - 4, f"{names}", 6.5, anchor="end", bold=True)
        self._box(x, stop)

    def _terminator(self, x: float, stop: Stop) -> None:
        """Across the pair: at the outer side of an end, else beside the device."""
        device = stop.device
        if _without_terminator(device):
            return
        comes_from = self.chain.start or self.chain.loose or self.chain.head_m
        at_left = self.is_first and stop is self.stops[0] and not comes_from
        at_right = self.is_last and stop is self.stops[-1]
        at = x - 30 if at_left else x + 30 if at_right else x + 13
        known = device.terminator is True
        dash = "" if known else "2 1.6"
        self._line(at, _A, at, _B, 0.9, dash)
        self._rect(at - 3.2, _A + 3, 6.4, _B - _A - 6, dash)
        words = f"{terminator_ohm(device):g} Ω" if known else "?"
        self._text(at, _A - 4, words, 7, anchor="middle", bold=known)

    def _bias(self, x: float, device: Device) -> None:
        if not device.bias_ohm:
            return
        at = x - 12
        self._line(at, _A, at, 10, 0.9)
        self._rect(at - 3.2, 14, 6.4, 12)
        self._text(at, 8, "+", 8, anchor="middle", bold=True)
        self._text(at + 6, 8, f"bias {device.bias_ohm:g} Ω each", 7)
        self._line(at, _B, at, 76, 0.9)
        self._rect(at - 3.2, 58, 6.4, 12)
        self._line(at - 5, 76, at + 5, 76, 1.3)
        self._text(at - 7, 78, "0 V", 6.5, anchor="end")

    def _box(self, x: float, stop: Stop) -> None:
        label = self.labels[stop.place]
        left, width = x - _BOX / 2, _BOX - 8
        y = _TOP + 10.5
        self._text(left + 4, y, label.head, 8.2, bold=True, most=width - 18)
        self._text(left + _BOX - 4, y, f"#{stop.place}", 6.5, anchor="end")
        y += 0.8
        for line in wrapped(label.name, width, _MOST_NAME):
            y += _LINE
            self._text(left + 4, y, line, _SIZE, bold=True)
        for about in label.about:
            for line in wrapped(about, width, _MOST_OTHER, 7):
                y += _LINE - 0.4
                self._text(left + 4, y, line, 7)
        for line in wrapped(label.unknown, width, 5, 6.5):
            y += _LINE - 1
            self._text(left + 4, y, line, 6.5, italic=True)
        height = y - _TOP + 5
        heavy = 2 if stop.device.kind == "controller" else 0.9
        self.parts.append(
            f'<rect x="{left:g}" y="{_TOP:g}" width="{_BOX:g}" height="{height:.1f}" '
            f'style="{_STYLE};stroke-width:{heavy:g}"/>'
        )
        self.bottom = max(self.bottom, _TOP + height)

    def _words(self, stop: Stop) -> str:
        label = self.labels[stop.place]
        cable = ""
        if stop.segment is not None:
            long = "cable of unknown length" if stop.segment.metres is None else f"{stop.segment.metres:g} m of cable"
            cable = f"{long} to "
        about = ", ".join((*label.about, *((label.unknown,) if label.unknown else ())))
        return f"{cable}{label.head}: {label.name}{', ' if about else ''}{about}"

    def _line(self, x: float, y: float, to_x: float, to_y: float, wide: float, dash: str = "") -> None:
        dashed = f";stroke-dasharray:{dash}" if dash else ""
        self.parts.append(
            f'<path d="M{x:.1f} {y:.1f}L{to_x:.1f} {to_y:.1f}" style="{_STYLE};stroke-width:{wide:g}{dashed}"/>'
        )

    def _rect(self, x: float, y: float, width: float, height: float, dash: str = "") -> None:
        dashed = f";stroke-dasharray:{dash}" if dash else ""
        self.parts.append(
            f'<rect x="{x:.1f}" y="{y:.1f}" width="{width:g}" height="{height:g}" '
            f'style="fill:#fff;stroke:#111;stroke-width:0.9{dashed}"/>'
        )

    def _text(
        self,
        x: float,
        y: float,
        text: str,
        size: float,
        *,
        anchor: str = "start",
        bold: bool = False,
        italic: bool = False,
        most: float = WIDTH,
    ) -> None:
        shown = _cut(visible(text), most, size)
        style = (' font-weight="bold"' if bold else "") + (' font-style="italic"' if italic else "")
        self.parts.append(
            f'<text x="{x:.1f}" y="{y:.1f}" font-size="{size:g}" text-anchor="{anchor}"{style}>{_safe(shown)}</text>'
        )


def _without_terminator(device: Device) -> bool:
    """Known to have none on; a box with terminals has one only where the record says so."""
    return device.terminator is False or (device.terminator is None and device.kind == "junction")


def _safe(text: str) -> str:
    return str(escape(visible(text)))
