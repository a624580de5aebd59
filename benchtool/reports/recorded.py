"""What is said of a file that was recorded into, by `listen` and by the live screen."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(slots=True)
class Recorded:
    """A file that was recorded into."""

    path: str
    broke_off_ns: int | None = None
    """Bus time at which it could no longer be written; None where it ended as it should."""
    why: str = ""

    def text(self) -> str:
        """For the summary."""
        if self.broke_off_ns is None:
            return f"recorded in {self.path}: raw octets, card data included"
        return (
            f"recorded in {self.path} only until {self.broke_off_ns / 1e9:.1f} s ({self.why}; its last second may "
            "be missing): raw octets, card data included"
        )
