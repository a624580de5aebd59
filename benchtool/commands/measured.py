"""What `diagnose` takes besides a tap: readings, actions, a scope's CSV, a saved diagnosis."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from benchtool.commands.errors import CommandError, Exit
from benchtool.commands.outputs import check_output
from benchtool.diagnose.observed import Observed, StateError, from_json, is_saved
from benchtool.diagnose.readings import ACTIONS, METER, ByHand, ReadingError, parse_reading, parse_tried
from benchtool.reports.folded import wrap

if TYPE_CHECKING:
    from typing import Any

    from benchtool.measure.waveform import Waveform, WaveformFigures

_MOST_FRAMES = 8
_MOST_OCTETS = 4_000_000
"""A saved diagnosis is far smaller."""


def by_hand(meter: Sequence[str], tried: Sequence[str]) -> ByHand:
    """The `--meter` and `--tried` options; CommandError with one line if one is wrong."""
    try:
        return ByHand() + ByHand(tuple(map(parse_reading, meter)), tuple(map(parse_tried, tried)))
    except ReadingError as error:
        raise CommandError(str(error), Exit.USAGE) from None


def given_twice(meter: Sequence[str], tried: Sequence[str]) -> list[str]:
    """One line for each reading or action that was given with two values: which of them counts."""
    notes = []
    for option, parsed in (
        ("--meter", [(one.name, one.text()) for one in map(parse_reading, meter)]),
        (
            "--tried",
            [(one.name, f"{one.name}={'better' if one.better else 'same'}") for one in map(parse_tried, tried)],
        ),
    ):
        values: dict[str, list[str]] = {}
        for name, text in parsed:
            values.setdefault(name, []).append(text)
        for texts in values.values():
            if len(set(texts)) > 1:
                others = ", ".join(dict.fromkeys(text for text in texts if text != texts[-1]))
                notes.append(f"{option} was given twice: {texts[-1]} counts, the last; left out: {others}")
    return notes


def addresses_in_order(text: str | None) -> tuple[int, ...]:
    """The `--order` option."""
    if text is None:
        return ()
    try:
        found = tuple(int(part) for part in text.replace(" ", "").split(",") if part)
    except ValueError:
        found = ()
    if not found or len(set(found)) != len(found) or not all(0 <= one <= 255 for one in found):
        raise CommandError(f"--order {text}: addresses once each, from the controller on, such as 1,2,5", Exit.USAGE)
    return found


def saved_diagnosis(path: str) -> Observed | None:
    """What `--save` wrote, if the file is one; None if it is anything else (a capture, a device, a `sim:`)."""
    try:
        file = Path(path)
        if not file.is_file():
            return None
        with file.open("rb") as opened:
            if not is_saved(opened.read(200)):
                return None
            opened.seek(0)
            octets = opened.read(_MOST_OCTETS)
    except (OSError, ValueError):
        return None
    try:
        return from_json(octets.decode("utf-8", errors="replace"))
    except StateError as error:
        raise CommandError(f"{path}: {error}", Exit.INPUT) from None


def check_save(path: str | None, reads: str, *, overwrite: bool) -> None:
    """CommandError where `--save` cannot be written: a diagnosis gone on with is saved over itself, no other file."""
    goes_on = path is not None and path == reads and saved_diagnosis(reads) is not None
    kept = () if goes_on else (reads,)
    check_output(path, "--save", (".json",), overwrite=overwrite or goes_on, reads=kept, ours=_is_ours)


def _is_ours(begins: bytes) -> bool:
    return not begins or is_saved(begins)


def readings_text() -> list[str]:
    """The readings and actions that can be given, with how each is taken."""
    lines = ["READINGS  (--meter KIND=VALUE; ohms or volts, 120k and open are understood)"]
    for kind in METER:
        name = kind.name.replace("@", "@ADDRESS")
        lines.append(
            f"  {name + '=' + ('OHMS' if kind.unit == 'ohm' else 'VOLTS'):30} {kind.how.format(place='the device')}"
        )
    lines += ["", "ACTIONS  (--tried ACTION=better or ACTION=same)"]
    for action in ACTIONS:
        lines.append(f"  {action.name.replace('@', '@ADDRESS'):30} {action.how.format(place='the device')}")
    cautions = dict.fromkeys([*(kind.caution for kind in METER), *(action.caution for action in ACTIONS)])
    return [*lines, "", "CAUTIONS", *(f"  ! {caution}" for caution in cautions)]


def read_scope(path: str) -> Waveform:
    """A scope's CSV; CommandError with one line if it is none."""
    from benchtool.measure.waveform import WaveformError, read_waveform

    try:
        return read_waveform(path)
    except WaveformError as error:
        text = str(error)
        raise CommandError(text if text.startswith(path) else f"{path}: {text}", Exit.INPUT) from None
    except OSError as error:
        raise CommandError(f"{path}: cannot be read ({error.strerror or error})", Exit.INPUT) from None


def scope_text(figures: WaveformFigures, said: Sequence[str] = ()) -> list[str]:
    """What was measured on the waveform, each figure beside its limit, and what it says in octets.

    `said`: what is to be read first.
    """
    from benchtool.reports.frame_text import frame_line

    lines = [*(line for text in said for line in wrap(text, "! "))]
    lines += [""] if said else []
    lines.append("WAVEFORM, each figure beside its limit")
    lines += [f"  {check.text()}" for check in figures.checks() if check.value is not None]
    if figures.frames:
        lines.append(f"  {len(figures.frames)} frames in it:")
        lines += [f"    {frame_line(frame)}" for frame in figures.frames[:_MOST_FRAMES]]
    lines += [f"  note: {note}" for note in figures.notes]
    return [*lines, ""]


def scope_object(figures: WaveformFigures) -> list[dict[str, Any]]:
    """The same for `--json`."""
    return [
        {
            "name": c.name,
            "value": c.value,
            "unit": c.unit,
            "limit": c.limit,
            "verdict": c.verdict.value,
            "source": c.source,
        }
        for c in figures.checks()
    ]
