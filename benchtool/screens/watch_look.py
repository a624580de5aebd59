"""What the person at the screen is looking at: held or running, what is selected, filtered, opened, asked for. Pure."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import Enum

from benchtool.frames.frame import Protocol
from benchtool.screens.watch_ring import Ring
from benchtool.screens.watch_rows import Filter, Row


class Page(Enum):
    """What fills the screen; the value is its title."""

    BUS = "bus"
    FRAME = "one line of the traffic, to its last bit"
    DEVICE = "one device"
    WHY = "what is wrong, why, and what to do next"
    HELP = "help"


class Ask(Enum):
    """What is being typed; the value is what stands before it."""

    FILTER = "show only (errors, events, addresses, words; nothing: all): "
    SEARCH = "search the traffic for: "
    MEASURED = "measured or tried, as ab-ohms 61 or swap-clip better: "
    NOTE = "note for this moment: "
    RECORD = "record into (.pcapng, .log): "
    LINE = "rate and format, as 19200 or 9600 8E1: "
    DO = "do, as card 26-bit 57 20118, @4 keys 12#, fault noise-mains: "


ASK_EXAMPLES = {
    Ask.FILTER: "show only: ",
    Ask.SEARCH: "search for: ",
    Ask.MEASURED: "measured or tried: ",
    Ask.NOTE: "note: ",
    Ask.RECORD: "record into: ",
    Ask.LINE: "rate and format: ",
    Ask.DO: "do: ",
}
"""The same on a narrow screen."""


SECRET_LINES = frozenset({Ask.NOTE, Ask.DO})
"""Lines that may hold a card, keys or a PIN: the arrow keys bring back none of them."""


class Focus(Enum):
    """Which list the arrow keys move in."""

    TRAFFIC = "traffic"
    DEVICES = "devices"


@dataclass(slots=True)
class Look:
    """Belongs to the screen's own thread; nothing here touches the bus."""

    show_secrets: bool = False
    page: Page = Page.BUS
    text: tuple[str, ...] = ()
    """The lines of a page other than the bus, not wrapped yet."""
    top: int = 0
    """The first of its lines on the screen."""
    ask: Ask | None = None
    focus: Focus = Focus.TRAFFIC
    held: bool = False
    kept: Ring[Row] | None = None
    """The lines as they were when the traffic was held: they stay, however much comes and goes meanwhile."""
    selected: int = -1
    """The selected line of the traffic; counts where it is held; -1: none."""
    bottom: int = -1
    """The lowest line on the screen where it is held."""
    device: tuple[Protocol, int] | None = None
    """The selected device; None: the first."""
    devices_top: int = 0
    filter: Filter = field(default_factory=Filter)
    filter_number: int = 0
    search: str = ""
    message: str = ""
    refused: str = ""
    """Why what was typed was not taken; it can be mended then."""
    painted: int = 0
    """Lines below this number have been on the screen, or have passed by."""
    passed: int = 0
    """Lines that passed by unseen lately."""
    passed_ns: int = 0
    """Bus time when the last of them did."""

    def tell(self, text: str) -> None:
        """Say something in the line above the keys, until the next key."""
        self.message = text

    def hold(self, kept: Ring[Row], selected: int) -> None:
        """Stop the traffic on the screen at those lines; -1: none of them is shown."""
        self.held, self.kept = True, kept
        self.selected, self.bottom = selected, selected if selected >= 0 else kept.end - 1

    def run(self) -> None:
        """Let the traffic run on."""
        self.held, self.kept, self.passed = False, None, 0

    def show_only(self, wanted: Filter) -> None:
        """Another filter; what was remembered of the old one no longer counts."""
        self.filter = wanted
        self.filter_number += 1

    def open(self, page: Page, text: tuple[str, ...]) -> None:
        """Fill the screen with a text."""
        self.page, self.text, self.top = page, text, 0

    def back(self) -> None:
        """Back to the bus."""
        self.page, self.text, self.top = Page.BUS, (), 0
