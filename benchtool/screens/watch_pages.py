"""Pages of the live screen: one line to its last bit, one device, the diagnosis, the help; and scrolling them."""

from __future__ import annotations

import re

from benchtool.capture.chunk import LineErrors
from benchtool.reports.diagnosis_text import diagnosis_text
from benchtool.reports.osdp_text import figures_text
from benchtool.screens import watch_frame
from benchtool.screens.watch_devices import place_of
from benchtool.screens.watch_look import Focus, Page
from benchtool.screens.watch_rows import Row
from benchtool.screens.watch_walk import Walk


class Pages(Walk):
    """The part of the desk that opens pages."""

    def _open(self) -> None:
        if self.look.focus is Focus.DEVICES:
            self._open_device()
            return
        if not self.look.held:
            self.model.hold(self.look)
        self._open_line(self.look.selected)

    def _open_line(self, number: int) -> None:
        try:
            row = self.model.lines(self.look)[number]
        except IndexError:
            none = "There is no line to open yet." if self.look.filter.all else "No line that is shown to open."
            self.look.tell(none)
            return
        self.look.open(Page.FRAME, self._row_text(row))

    def _row_text(self, row: Row) -> tuple[str, ...]:
        marked = self.model.info.line_errors is LineErrors.MARKED
        return watch_frame.row_text(row, show_secrets=self.look.show_secrets, marked=marked)

    def _older_line(self) -> None:
        self._move(-1)
        self._open_line(self.look.selected)

    def _newer_line(self) -> None:
        self._move(1)
        self._open_line(self.look.selected)

    def _open_device(self) -> None:
        devices = self.model.devices
        if not devices:
            self.look.tell("No device is known yet.")
            return
        device = devices[place_of(devices, self.look.device)]
        times = [f"{one / 1e6:.1f} ms" if isinstance(one, int) else one for one in device.history]
        lines = [
            f"{device.protocol.value} address {device.address}: {device.state.value}",
            "",
            f"it is: {device.identity or 'not told yet'}",
            f"last told: {device.last or 'nothing yet'}",
            f"asked {device.asked} times, {device.replies} replies, {device.errors} without a sound reply",
            f"last exchanges, oldest first: {', '.join(times) or 'none'}",
            "",
            f"f and {device.address} shows its traffic only.",
        ]
        self.look.open(Page.DEVICE, tuple(lines))

    def _why(self) -> None:
        found = self.model.found
        if found is None:
            self.look.open(Page.WHY, ("No finding yet: there was too little to go by.",))
            return
        noticed = figures_text(self.model.noticed_figures())
        made = f"Worked out at {found.at_ns / 1e9:.1f} s of bus time, from {found.octets} octets."
        text = "\n".join(diagnosis_text(found.diagnosis, noticed=noticed))
        # Here is no command line; the page breaks its lines itself.
        text = re.sub(r"--json and\s+--report\s+list all", "benchtool diagnose --report lists all", text)
        self.look.open(Page.WHY, (made, "", *text.split("\n")))

    def _back(self) -> None:
        self.look.back()

    def _scroll(self, by: int) -> None:
        self.look.top = max(0, self.look.top + by)

    def _scroll_up(self) -> None:
        self._scroll(-1)

    def _scroll_down(self) -> None:
        self._scroll(1)

    def _scroll_page_up(self) -> None:
        self._scroll(-self.page_rows)

    def _scroll_page_down(self) -> None:
        self._scroll(self.page_rows)

    def _scroll_top(self) -> None:
        self.look.top = 0

    def _scroll_end(self) -> None:
        self.look.top = 1 << 20
