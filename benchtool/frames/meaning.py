"""What a frame says: its name, its fields with their places, and what is odd about them.

Protocol packages make a `Meaning` only when somebody wants to read it; the decoders' hot path never does.
"""

from __future__ import annotations

from dataclasses import dataclass

Value = int | str | bool | None | list["Value"] | dict[str, "Value"]
"""What a field's value may be: whatever JSON can carry."""

HIDDEN = "•••"
"""Stands for a secret (a card number, a key, typed digits) unless the user asked to see it."""


@dataclass(frozen=True, slots=True)
class Field:
    """One field of a frame."""

    name: str
    """snake_case, the open standard's own word where it has one."""
    value: Value
    text: str
    """The value as a person reads it, with its unit."""
    start: int
    """Offset of its first octet in the frame's octets."""
    length: int
    """Octets it takes; 0 where it is derived from others."""
    secret: bool = False
    """Card data, keys, typed digits: shown as `HIDDEN` unless asked for."""


@dataclass(frozen=True, slots=True)
class Meaning:
    """A frame in words."""

    name: str | None
    """The standard's name of the command, reply or function; None where there is none."""
    title: str
    """The same in plain words: "poll", "card read", "read holding registers"."""
    fields: tuple[Field, ...] = ()
    problems: tuple[str, ...] = ()
    """What is wrong or odd in a frame whose check value may well be right: a payload too short, a value not allowed."""

    def text(self, *, show_secrets: bool = False) -> str:
        """One line: the title, then each field; secrets hidden unless asked for."""
        names = {field.name for field in self.fields}
        records: list[list[str]] = [[]]
        record = "1"
        for field in self.fields:
            base, _, number = field.name.rpartition("_")
            # The second and later of like records: the number counts records, and is none of a device's own numbers.
            of_record = number if number.isdecimal() and base in names and not field.text.startswith("[") else "1"
            name = (base if of_record != "1" else field.name).replace("_", " ")
            text = HIDDEN if field.secret and not show_secrets else field.text
            # "tamper tamper" says nothing more than "tamper"; a free text that begins like its name is another matter.
            said = text if text.startswith(name) and field.value != text else f"{name} {text}"
            if of_record != record and records[-1]:
                records.append([])
            record = of_record
            records[-1].append(said)
        records[-1] += [f"({problem})" for problem in self.problems]
        line = "; ".join(", ".join(parts) for parts in records)
        return f"{self.title}: {line}" if line else self.title

    def values(self, *, show_secrets: bool = False) -> dict[str, Value]:
        """Field values for `--json`; a hidden secret is None."""
        return {f.name: None if f.secret and not show_secrets else f.value for f in self.fields}
