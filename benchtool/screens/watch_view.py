"""Draws a snapshot as styled lines, as many and as wide as the terminal. Pure; no colour carries a meaning alone.

From top to bottom: what is listened to; how the bus does; the finding; what to do next; the line's last minutes;
counts; the devices; the traffic; what was said or is being typed; the keys. Small screens leave out the least.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

from benchtool.frames.frame import Protocol
from benchtool.frames.meaning import HIDDEN
from benchtool.reports.frame_text import milliseconds
from benchtool.screens.watch_devices import SIGNS, DeviceLine, State, place_of
from benchtool.screens.watch_glyphs import Glyphs, fit, history
from benchtool.screens.watch_look import Focus, Look, Page
from benchtool.screens.watch_pace import PAUSED
from benchtool.screens.watch_rows import Line
from benchtool.screens.watch_short import Sentences, caution_forms, cut_to, finding_forms, shared_out, step_forms
from benchtool.screens.watch_snapshot import Snapshot
from benchtool.screens.watch_strip import Rates
from benchtool.screens.watch_words import rows_of, wrapped

Styled = list[tuple[str, str]]
"""A line in pieces: style class and text."""

SMALLEST = (40, 10)
"""Columns and rows below which nothing useful fits."""
HEAD, STRONG, ALARM, FAINT, CHOSEN, KEY, TEXT = (
    "class:head",
    "class:strong",
    "class:alarm",
    "class:faint",
    "class:chosen",
    "class:key",
    "",
)
_SHOWN_BLANK = (HEAD, CHOSEN, KEY)
_WHOLE, _WHOLE_NARROW = " … [w: whole]", " [w]"
"""What stands behind a sentence that is not whole: the key that shows all of it."""
_ROOMY = 76
"""From so many columns on everything is written out."""
_LABEL = 21
"""Columns before the strip of the line's past."""
_MOST_SAID = 6
"""Rows that what is said may take."""
_FAST_ENOUGH = 3
"""A line or two that passed by is no news."""


@dataclass(frozen=True, slots=True)
class Plan:
    """How the rows of a screen are shared out."""

    width: int
    height: int
    state: int
    finding: int
    todo: int
    """Rows for the next measurement."""
    caution: int
    strip: bool
    counts: int
    devices: int
    traffic: int
    message: int
    keys: int

    @property
    def seconds(self) -> int:
        """How much of the line's past fits."""
        return max(10, self.width - _LABEL)


def plan(width: int, height: int, devices: int, key_rows: int, *, blind: bool = False, message: int = 1) -> Plan:
    """Share out the rows: state, devices and traffic first, then what explains them.

    `blind`: there is something that this tap cannot see, and that must be said. `message`: rows wanted for what is
    said to who types; they go off the traffic.
    """
    # While a line is typed there is a row less than the terminal has: nothing should jump for that.
    roomy, tall = height >= 23, height >= 36
    finding = 3 if tall else 2 if roomy and width < 110 else 1
    todo = 2 if tall or (height >= 19 and width < _ROOMY) else 1
    state = 2 if width < _ROOMY and height >= 19 else 1
    caution = 0 if height < 14 else 2 if roomy else 1
    strip, counts = height >= 14, 1 + (blind and width < 130) if height >= 16 else 0
    fixed = 1 + state + finding + todo + caution + 2 * strip + counts + 1 + key_rows
    left = max(2, height - fixed)
    # Headings of both lists go off what is left.
    known = min(max(1, devices), max(1, ((left - 2) * 3 + 2) // 5))
    shown = known if left >= 5 else min(known, 1)
    traffic = max(1, left - shown - 2)
    # Why something was not taken, with its mend, is worth more than what else stands here for that moment.
    said = 1
    while said < min(message, _MOST_SAID):
        if traffic > 1:
            traffic -= 1
        elif shown > 1:
            shown -= 1
        elif counts:
            counts -= 1
        else:
            break
        said += 1
    return Plan(width, height, state, finding, todo, caution, strip, counts, shown, traffic, said, key_rows)


def draw(shot: Snapshot, look: Look, plan: Plan, glyphs: Glyphs, keys: Sequence[Styled]) -> list[Styled]:
    """The whole screen."""
    width = plan.width
    # The line that is being typed takes a row off the picture.
    if width < SMALLEST[0] or plan.height + (look.ask is not None) < SMALLEST[1]:
        return [[(TEXT, fit(text, width, glyphs))] for text in _too_small(shot)[: plan.height]]
    if look.page is not Page.BUS:
        return _page(look, plan, glyphs, keys)
    said = Sentences(shot.state, shot.finding, shot.finding_short, shot.do_head, shot.do, shot.do_name, shot.caution)
    lines = [_head(shot, width, glyphs), *_sentences(said, plan, glyphs)]
    if plan.strip:
        lines += _strip(shot, plan, glyphs)
    if plan.counts > 1:
        lines += [[(TEXT, fit(_counts(shot, width), width, glyphs))], [(TEXT, fit(shot.unseen, width, glyphs))]]
    elif plan.counts:
        counts = _counts(shot, width)
        both = f"{counts}   {shot.unseen}"
        lines.append([(TEXT, fit(both if len(both) <= width else counts, width, glyphs))])
    lines += _devices(shot.devices, shot.resolution_ns, look, plan, glyphs)
    lines.append([(HEAD, fit(_traffic_head(shot, look, width), width, glyphs))])
    lines += [_traffic(line, shot.selected, width, glyphs) for line in shot.lines]
    lines += [[(TEXT, "")]] * (plan.traffic - len(shot.lines))
    below = [*_message(look, plan, glyphs), *keys]
    return [_without_blanks(line) for line in (lines[: max(0, plan.height - len(below))] + below)[: plan.height]]


def _without_blanks(line: Styled) -> Styled:
    """A line without the blanks at its end, where they do not show: each letter costs the library its time."""
    style, text = line[-1] if line else (HEAD, "")
    return line if style in _SHOWN_BLANK else [*line[:-1], (style, text.rstrip(" "))]


def message_lines(look: Look, width: int) -> list[str]:
    """What is said to who sits here."""
    text = f"Not taken: {look.refused}" if look.refused else look.message
    return list(rows_of(text, width))


def _message(look: Look, plan: Plan, glyphs: Glyphs) -> list[Styled]:
    parts = message_lines(look, plan.width)
    if len(parts) > plan.message:
        parts = [*parts[: plan.message - 1], " ".join(parts[plan.message - 1 :])]
    style = ALARM if look.refused else STRONG
    return [[(style, fit(part, plan.width, glyphs))] for part in parts]


def _too_small(shot: Snapshot) -> list[str]:
    return [shot.state, shot.finding, f"Too small: {SMALLEST[0]}x{SMALLEST[1]} at least.", "q quits."]


def clock(now_ns: int) -> str:
    """Bus time as the traffic and the notes have it: `187.2 s`."""
    return f"{now_ns / 1e9:.1f} s"


def _head(shot: Snapshot, width: int, glyphs: Glyphs) -> Styled:
    left, settings = f" {shot.tap}  {shot.settings}", f"  {shot.settings}"
    recording = f"{glyphs.recording} {shot.recording}" if shot.recording else "not recording"
    room = max(width // 2, width - len(left) - 3)
    short = f"{glyphs.recording} recording" if shot.recording else ""
    pace = shot.pace.partition(", ")[0]
    # What is left out first: how much was played, the recording's name, that there is none, the pace unless it rests.
    forms = (
        (shot.pace, clock(shot.now_ns), recording),
        (pace, clock(shot.now_ns), recording),
        (shot.pace, clock(shot.now_ns), short),
        (pace, clock(shot.now_ns), short),
        (pace, short),
        (pace if pace == PAUSED else "", short or clock(shot.now_ns)),
    )
    texts = ["  ".join(part for part in form if part) for form in forms]
    right = glyphs.text(f" {next((text for text in texts if len(text) <= room), texts[-1])} ")
    room = width - len(right)
    if len(left) > room > len(settings) + 8:  # the end of a long name says more than its beginning
        more = "~" if glyphs.plain else "…"
        left = f" {more}{shot.tap[-(room - len(settings) - 2) :]}{settings}"
    return [(HEAD, fit(left, room, glyphs)), (HEAD, right)]


@lru_cache(maxsize=8)
def _sentences(shot: Sentences, plan: Plan, glyphs: Glyphs) -> Sequence[Styled]:
    """State, finding, next measurement, caution, in the rows that they have together: painted often, seldom new."""
    width, roomy = plan.width, plan.width >= _ROOMY
    whole, cut = map(glyphs.text, (_WHOLE, _WHOLE) if roomy else (_WHOLE_NARROW, f" …{_WHOLE_NARROW}"))
    texts = [[shot.state], finding_forms(shot, whole), step_forms(shot, whole, cautioned=plan.caution > 0)]
    if plan.caution and shot.caution:
        texts.append(caution_forms(shot, whole))
    rows = plan.state + plan.finding + plan.todo + plan.caution
    lines: list[Styled] = []
    for place, (text, given) in enumerate(shared_out(texts, rows, width)):
        style = STRONG if place in (0, 3) else TEXT
        lines += [[(style, fit(part, width, glyphs))] for part in cut_to(text, given, width, cut if place else "")]
    return lines + [[(TEXT, "")]] * (rows - len(lines))


def _strip(shot: Snapshot, plan: Plan, glyphs: Glyphs) -> list[Styled]:
    cells = shot.cells[-plan.seconds :]
    busy = "".join(" " if cell.future else glyphs.deaf if cell.deaf else glyphs.level(cell.busy) for cell in cells)
    hurt = "".join(" " if not cell.damaged else str(cell.damaged) if cell.damaged < 10 else "#" for cell in cells)
    left = plan.width - _LABEL
    heard = _rates_label(shot.rates)
    damage = f"damaged {shot.rates.damaged:.0f}/s" if shot.rates.seconds else "damaged"
    return [
        [(TEXT, fit(heard, _LABEL, glyphs)), (TEXT, fit(busy, left, glyphs))],
        [(TEXT, fit(damage, _LABEL, glyphs)), (ALARM, fit(hurt, left, glyphs))],
    ]


def _rates_label(rates: Rates) -> str:
    """How busy the line was, and in how much time: as much as there is, and could be heard, of the last seconds."""
    if not rates.seconds:
        return "busy   ? not heard"
    seconds = f"{rates.seconds:.0f}" if rates.seconds >= 1 else f"{rates.seconds:.1f}"
    return f"busy {rates.busy:4.0%} in {seconds} s"


def _a_second(rate: float, rates: Rates) -> str:
    """A rate, where there was time to count in."""
    return f" ({rate:.0f}/s)" if rates.seconds else ""


def _counts(shot: Snapshot, width: int) -> str:
    """What was counted, with its rate; rates that do not fit are left out, never a part of a number."""
    counts, rates = shot.counts, shot.rates
    damaged, sound, octets = f"damaged {counts.damaged}", f"sound {counts.sound}", f"octets {counts.octets}"
    blind = counts.line_errors is None
    both = [damaged, "line errors cannot be seen" if blind else f"line errors {counts.line_errors}"]
    short = [damaged, "line errors unseen"] if blind else both
    forms = (
        [*both, sound + _a_second(rates.sound, rates), octets + _a_second(rates.octets, rates)],
        [*both, sound + _a_second(rates.sound, rates), octets],
        [*both, sound, octets],
        [*short, sound, octets],
        [*short, sound],
        short,
    )
    texts = ["  ".join(parts) for parts in forms]
    return next((text for text in texts if len(text) <= width), texts[-1])


_PROTOCOLS = {
    Protocol.OSDP: "osdp",
    Protocol.MODBUS_RTU: "modbus",
    Protocol.MODBUS_ASCII: "modbus",
    Protocol.TABLE: "table",
}


def _devices(devices: Sequence[DeviceLine], resolution_ns: int, look: Look, plan: Plan, glyphs: Glyphs) -> list[Styled]:
    width, chosen = plan.width, look.focus is Focus.DEVICES
    place = place_of(devices, look.device)
    if not chosen:
        look.devices_top = 0
    elif place < look.devices_top:
        look.devices_top = place
    elif place >= look.devices_top + plan.devices:
        look.devices_top = place - plan.devices + 1
    look.devices_top = max(0, min(look.devices_top, len(devices) - plan.devices))
    shown = devices[look.devices_top : look.devices_top + plan.devices]
    more = len(devices) - len(shown)
    no_reply = "no reply" if width >= _ROOMY else "missed"
    heading = _device_columns("DEVICE", "", "", "replies", no_reply, "ms", "recent", width)
    tail = f"  {more} more: Tab" if more else "  it said / it is"
    lines: list[Styled] = [[(HEAD, fit(heading + tail, width, glyphs))]]
    for number, device in enumerate(shown, look.devices_top):
        bad = device.state in (State.SILENT, State.DAMAGED)
        style = CHOSEN if chosen and number == place else ALARM if bad else TEXT
        latency = milliseconds(device.latency_ns, resolution_ns)
        columns = _device_columns(
            f"{SIGNS[device.state]} {device.state.value}",
            _PROTOCOLS.get(device.protocol, "?"),
            str(device.address),
            str(device.replies),
            str(device.errors),
            latency,
            history(device.history, 8 if width >= _ROOMY else 6, glyphs),
            width,
        )
        last = _last_words(device.last, width - len(columns) - 3)  # and a sign that more follows
        said = "; ".join(text for text in (last, device.identity) if text)
        mark = ">" if chosen and number == place else " "
        lines.append([(style, fit(f"{columns} {mark}{said}", width, glyphs))])
    if not devices:
        lines.append([(FAINT, fit("  none yet: a device is one that is asked or answers", width, glyphs))])
    lines += [[(TEXT, "")]] * (plan.devices + 1 - len(lines))
    return lines


def _last_words(last: str, room: int) -> str:
    """What a device told last, with its time: its dots go first. The time goes only where a number that is shown is not
    whole else.
    """
    told, _, _ = last.partition(" (")
    if len(told) <= room or ": " not in last:
        return last
    if HIDDEN in last:
        return last.replace(f" {HIDDEN}", "")
    time, _, untimed = last.partition(": ")
    number = untimed.partition(" (")[0]
    bare = f"{time}: {number.removeprefix('card ').removeprefix('keys ')}"
    return bare if len(bare) <= room else untimed if len(number) <= room else last


def _device_columns(
    state: str, protocol: str, address: str, replies: str, errors: str, latency: str, recent: str, width: int
) -> str:
    if width >= _ROOMY:
        return f"{state:<11} {protocol:<6} {address:>3} {replies:>7} {errors:>8} {latency:>6} {recent:>8}"
    return f"{state:<11} {address:>3} {errors:>6} {latency:>6} {recent:>6}"


def _traffic_head(shot: Snapshot, look: Look, width: int) -> str:
    parts = ["TRAFFIC"]
    if look.held:
        parts.append(f"held, {shot.newer} newer below" if shot.newer else "held at the newest")
    elif shot.passed >= _FAST_ENOUGH:
        none_lost = "none is lost; " if width >= _ROOMY else ""
        parts.append(f"{shot.passed} passed too fast to show ({none_lost}Space holds)")
    else:
        parts.append("newest last")
    if not look.filter.all:
        parts.append(f"only: {look.filter.text()}")
    if look.search:
        parts.append(f"search: {look.search}")
    return "  ".join(parts)


def _traffic(line: Line, selected: int, width: int, glyphs: Glyphs) -> Styled:
    chosen = line.number == selected
    sign = ">" if chosen else " "
    quiet = f"{line.quiet:>7} " if width >= _ROOMY else ""
    text = f"{sign}{line.sign}{line.time:>9} {quiet}{line.who:<6} {line.verdict:<9} {line.what}"
    return [(CHOSEN if chosen else ALARM if line.error else TEXT, fit(text, width, glyphs))]


def _page(look: Look, plan: Plan, glyphs: Glyphs, keys: Sequence[Styled]) -> list[Styled]:
    width, rows = plan.width, plan.height - len(keys) - 1 - plan.message
    margin = " " if width >= _ROOMY else ""  # a text that was wrapped for a narrow terminal fills all of it
    text = wrapped(look.text, width - len(margin))
    look.top = max(0, min(look.top, len(text) - rows))
    below = len(text) - look.top - rows
    where = f"  ({below} more line{'s' * (below > 1)})" if below > 0 else "  (the end)" if look.top else ""
    lines: list[Styled] = [[(HEAD, fit(f"{margin}{look.page.value}{where}", width, glyphs))]]
    lines += [[(TEXT, fit(f"{margin}{one}", width, glyphs))] for one in text[look.top : look.top + rows]]
    lines += [[(TEXT, "")]] * (rows + 1 - len(lines))
    return [*lines, *_message(look, plan, glyphs), *keys]
