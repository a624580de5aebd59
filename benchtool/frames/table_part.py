"""What the hand-edited TOML tables share: keys taken one by one, with one-line errors, and values written out."""

from __future__ import annotations

from difflib import get_close_matches
from typing import Any

from benchtool.capture.printable import printable


class Part:
    """One table of the file; every key must be taken, so that a mistyped one is told."""

    def __init__(self, data: dict[str, Any], where: str, what: str) -> None:
        """`where` begins every message; `what` says of which kind of table an unknown key is told."""
        self._data = dict(data)
        self._known: list[str] = []
        self.where = where
        self._what = what

    def _taken(self, name: str, default: Any = None) -> Any:
        self._known.append(name)
        return self._data.pop(name, default)

    def _meant(self, name: str) -> str:
        """A key that stands there and looks like the one that is missing."""
        near = get_close_matches(name, self._data, 1)
        return f" (is {near[0]} meant for it?)" if near else ""

    def part(self, name: str) -> Part | None:
        """A table inside; None where there is none."""
        value = self._taken(name)
        if value is None:
            return None
        if not isinstance(value, dict):
            raise ValueError(f"[{name}] is wanted, not {name} = {value!r}")
        return Part(value, f"[{name}] ", self._what)

    def parts(self, name: str) -> list[Part]:
        """Tables inside that may come several times, `[[name]]`; told apart by their number, from 1."""
        value = self._taken(name, [])
        if isinstance(value, dict):
            raise ValueError(f"{self.where}[[{name}]] is wanted, in double brackets{self._meant(name)}")
        if not isinstance(value, list) or not all(isinstance(one, dict) for one in value):
            raise ValueError(f"{self.where}[[{name}]] is wanted, not {name} = {value!r}")
        return [Part(one, f"{self.where}{name} {index}: ", self._what) for index, one in enumerate(value, 1)]

    def any(self, name: str) -> Any:
        """Whatever stands there; None where nothing does."""
        return self._taken(name)

    def number(self, name: str, default: int | None = None) -> int:
        """A whole number; ValueError where it is missing and has no default."""
        value = self._taken(name, default)
        if value is None:
            raise ValueError(f"{self.where}{name} is missing: a whole number is wanted{self._meant(name)}")
        if not isinstance(value, int) or isinstance(value, bool):
            raise ValueError(f"{self.where}{name}: a whole number is wanted, not {value!r}")
        return value

    def real(self, name: str) -> float:
        """A number from 0 to 1e9; 0 where it is missing."""
        value = self._taken(name, 0)
        if not isinstance(value, int | float) or isinstance(value, bool) or not 0 <= value < 1e9:
            raise ValueError(f"{self.where}{name}: a number of 0 or more is wanted, not {value!r}")
        return value

    def flag(self, name: str) -> bool:
        """True or false; false where it is missing."""
        value = self._taken(name, False)
        if not isinstance(value, bool):
            raise ValueError(f"{self.where}{name}: true or false is wanted, not {value!r}")
        return value

    def word(self, name: str, default: str = "") -> str:
        """A text."""
        value = self._taken(name, default)
        if not isinstance(value, str):
            raise ValueError(f"{self.where}{name}: a text is wanted, not {value!r}")
        return value

    def numbers(self, name: str) -> tuple[int, ...]:
        """A list of whole numbers; empty where it is missing."""
        value = self._taken(name, [])
        if not isinstance(value, list) or not all(isinstance(one, int) and not isinstance(one, bool) for one in value):
            raise ValueError(f"{self.where}{name}: a list of whole numbers is wanted, not {value!r}")
        return tuple(value)

    def octets(self, name: str) -> tuple[bytes, ...]:
        """A list of octet strings in hex, one to eight octets each; empty where it is missing."""
        value = self._taken(name, [])
        try:
            found = tuple(bytes.fromhex(one) for one in value)
        except (TypeError, ValueError):
            raise ValueError(f"{self.where}{name}: a list of octets in hex is wanted, not {value!r}") from None
        if b"" in found or max(map(len, found), default=0) > 8:
            raise ValueError(f"{self.where}{name}: one to eight octets each are wanted")
        return found

    def done(self) -> None:
        """ValueError where a key was not taken, with the known key that it looks like."""
        if self._data:
            key = next(iter(self._data))
            near = get_close_matches(key, self._known, 1)
            mend = f": did you mean {near[0]}?" if near else ""
            raise ValueError(f"{self.where}{key} is not known in {self._what}{mend}")


def flag(value: bool) -> str:
    """As TOML writes it."""
    return "true" if value else "false"


def one_line(text: str) -> str:
    """Text for a comment or a message: without line breaks and what cannot be printed."""
    return " ".join(printable(text).split())


def quoted(text: str) -> str:
    """Text as a TOML string."""
    return '"' + printable(text).replace("\\", "\\\\").replace('"', '\\"') + '"'
