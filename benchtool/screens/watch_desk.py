"""What keys and typed lines do: they change what is looked at, or ask the pump for something. No terminal here."""

from __future__ import annotations

from collections.abc import Callable
from time import localtime, strftime

from benchtool.reports.diagnosis_text import diagnosis_text
from benchtool.reports.osdp_text import figures_text
from benchtool.screens import watch_frame, watch_typed
from benchtool.screens.watch_devices import place_of
from benchtool.screens.watch_glyphs import BLOCKS, Glyphs
from benchtool.screens.watch_keys import fitting, help_text
from benchtool.screens.watch_look import Ask, Focus, Look, Page
from benchtool.screens.watch_pump import Pump
from benchtool.screens.watch_rows import Filter, Row, RowKind, words_of
from benchtool.screens.watch_state import Model


class Desk:
    """One a screen; `leave_now` ends it."""

    def __init__(
        self,
        model: Model,
        look: Look,
        pump: Pump,
        *,
        glyphs: Glyphs = BLOCKS,
        leave_now: Callable[[], None] = lambda: None,
        stamp: Callable[[], str] = lambda: strftime("%Y%m%d-%H%M%S", localtime()),
    ) -> None:
        self.model, self.look, self.pump = model, look, pump
        self.leave_now = leave_now
        self.page_rows = 10
        """Lines of traffic, or of a page, on the screen: how far a page key goes."""
        self._glyphs = glyphs
        self._stamp = stamp

    @property
    def simulated(self) -> bool:
        """Whether cards can be presented and faults tried."""
        return self.pump.source.is_simulated

    @property
    def virtual(self) -> bool:
        """Whether the bus can be played faster or slower."""
        return not self.pump.source.is_live

    def press(self, name: str) -> bool:
        """A key; whether it does something now."""
        for key in fitting(self.look, simulated=self.simulated, virtual=self.virtual):
            if name in key.names:
                self.look.message = ""
                deed: Callable[[], None] = getattr(self, f"_{key.deeds[key.names.index(name)]}")
                deed()
                return True
        return False

    def begin_ask(self, ask: Ask) -> str:
        """Ask for a line; what stands in it to begin with."""
        self.look.ask = ask
        if ask is Ask.FILTER:
            return self.look.filter.text()
        if ask is Ask.SEARCH:
            return self.look.search
        return f"watch-{self._stamp()}.pcapng" if ask is Ask.RECORD else ""

    def click(self, row: int) -> None:
        """A click on a line of the traffic, counted from the top; on the selected one it opens it."""
        look = self.look
        if look.page is not Page.BUS:
            return
        if not look.held:
            self.model.hold(look)
        shown = self.model.back(look, look.bottom, self.page_rows)[::-1]
        if row < len(shown):
            if shown[row] == look.selected:
                self._open()
            look.selected = shown[row]

    def cancel(self) -> None:
        """Nothing is typed after all."""
        self.look.ask, self.look.message, self.look.refused = None, "", ""

    def submit(self, text: str) -> bool:
        """The line that was asked for; whether it was taken. If not it is still asked for, and `refused` says why."""
        look, text = self.look, text.strip()
        takes: dict[Ask, Callable[[str], str]] = {
            Ask.FILTER: self._filter,
            Ask.SEARCH: self._search,
            Ask.MEASURED: self._measured,
            Ask.NOTE: self._note,
            Ask.RECORD: lambda line: self.pump.refusal(lambda: self.pump.record(line)),
            Ask.LINE: self._line,
            Ask.DO: lambda line: self.pump.refusal(lambda: self.pump.act(line)),
        }
        look.message = look.refused = ""
        if look.ask is not None and (text or look.ask in (Ask.FILTER, Ask.SEARCH)):
            look.refused = takes[look.ask](text)
        if not look.refused:
            look.ask = None
        return not look.refused

    def words(self) -> list[str]:
        """Words that Tab fills in where something is asked for."""
        return watch_typed.words(self.look.ask)

    def hint(self) -> str:
        """What can be typed where something is asked for."""
        return watch_typed.hint(self.look.ask, self.model.found, self.model.settings)

    # What the keys do.

    def _leave(self) -> None:
        self.leave_now()

    def _help(self) -> None:
        text = help_text(self.look, self._glyphs, self.model.rows.most, simulated=self.simulated, virtual=self.virtual)
        self.look.open(Page.HELP, text)

    def _hold(self) -> None:
        if self.look.held:
            self.look.run()
        else:
            self.model.hold(self.look)

    def _to_newest(self) -> None:
        if self.look.focus is Focus.DEVICES:
            self._choose(len(self.model.devices) - 1)
        else:
            self.model.hold(self.look)

    def _choose(self, number: int) -> None:
        devices = self.model.devices
        if devices:
            chosen = devices[max(0, min(number, len(devices) - 1))]
            self.look.device = (chosen.protocol, chosen.address)

    def _move(self, by: int) -> None:
        if self.look.focus is Focus.DEVICES:
            self._choose(place_of(self.model.devices, self.look.device) + by)
            return
        if not self.look.held:
            self.model.hold(self.look)
            if by > 0:
                return
        model, look = self.model, self.look
        walk = model.back if by < 0 else model.forward
        found = walk(look, look.selected, 1 + abs(by))
        if len(found) <= by:
            gone = model.catch_up(look)
            found = walk(look, look.selected, 1 + by)
            if gone and len(found) < 2:
                look.tell(f"The {gone} lines after this one have left the memory; End goes to the newest.")
        elif by < 0 and len(found) < 2 and model.lines(look).first > 0:
            look.tell("The lines before this one have left the memory.")
        if found:
            look.selected = found[-1]

    def _up(self) -> None:
        self._move(-1)

    def _down(self) -> None:
        self._move(1)

    def _page_up(self) -> None:
        self._move(-max(1, self.page_rows - 1))

    def _page_down(self) -> None:
        self._move(max(1, self.page_rows - 1))

    def _oldest(self) -> None:
        if self.look.focus is Focus.DEVICES:
            self._choose(0)
            return
        if not self.look.held:
            self.model.hold(self.look)
        found = self.model.anything(self.look, self.model.lines(self.look).first, 1)
        if found is not None:
            self.look.selected = found

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
        self.look.open(Page.FRAME, watch_frame.row_text(row, show_secrets=self.look.show_secrets))

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
        self.look.open(Page.WHY, (made, "", *diagnosis_text(found.diagnosis, noticed=noticed)))

    def _switch(self) -> None:
        self.look.focus = Focus.TRAFFIC if self.look.focus is Focus.DEVICES else Focus.DEVICES
        self.look.tell(f"The arrow keys move in the {self.look.focus.value}; Enter opens.")

    def _older_match(self) -> None:
        self._find(-1)

    def _newer_match(self) -> None:
        self._find(1)

    def _find(self, step: int, *, from_selected: bool = False) -> bool:
        look = self.look
        if not look.search:
            look.tell("Nothing is searched for yet: s asks what.")
            return False
        if not look.held:
            self.model.hold(look)
            from_selected = True

        def matches(row: Row) -> bool:
            return look.search in words_of(row)

        start = look.selected if from_selected else look.selected + step
        found, gone = self.model.search(matches, look, start, step), 0
        if found is None and step > 0:
            end = self.model.lines(look).end
            gone = self.model.catch_up(look)
            found = self.model.search(matches, look, max(start, end), step)
        if found is None:
            more = f"; {gone} lines after the held ones have left it, End goes to the newest" if gone else ""
            look.tell(f"No {'older' if step < 0 else 'newer'} line with “{look.search}” in the screen's memory{more}.")
        else:
            look.selected = found
            look.tell("Found; , and . go to the next older and newer one.")
        return found is not None

    def _record(self) -> None:
        if self.model.recording:
            self.pump.ask(self.pump.stop_recording)
        else:
            self.look.ask = Ask.RECORD

    def _ask_filter(self) -> None:
        self.look.ask = Ask.FILTER

    def _ask_search(self) -> None:
        self.look.ask = Ask.SEARCH

    def _ask_measured(self) -> None:
        self.look.ask = Ask.MEASURED

    def _ask_note(self) -> None:
        self.look.ask = Ask.NOTE

    def _ask_line(self) -> None:
        self.look.ask = Ask.LINE

    def _ask_do(self) -> None:
        self.look.ask = Ask.DO

    def _pause(self) -> None:
        self.pump.ask(lambda: self.pump.change_speed(0))

    def _slower(self) -> None:
        self.pump.ask(lambda: self.pump.change_speed(-1))

    def _faster(self) -> None:
        self.pump.ask(lambda: self.pump.change_speed(1))

    def _count_anew(self) -> None:
        self.pump.ask(self.pump.begin_anew)

    # Pages.

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

    # Typed lines: each tells why it cannot be taken; empty where it is.

    def _filter(self, text: str) -> str:
        look = self.look
        look.show_only(Filter.parse(text))
        if look.held:  # the selected line must be one that is shown
            near = self.model.anything(look, look.selected, -1)
            near = self.model.anything(look, max(0, look.selected), 1) if near is None else near
            look.selected = -1 if near is None else near
        if not text:
            look.tell("Showing everything.")
        elif self.model.search(_was_heard, look, self.model.lines(look).end - 1, -1) is None:
            look.tell(f"No line in the screen's memory fits “{look.filter.text()}”; new ones will show. f changes it.")
        else:
            look.tell(f"Showing only: {look.filter.text()}. f and nothing typed shows everything.")
        return ""

    def _note(self, text: str) -> str:
        self.pump.ask(lambda: self.pump.note(text))
        return ""

    def _search(self, text: str) -> str:
        look = self.look
        before = (look.search, look.held, look.kept, look.selected, look.bottom)
        look.search = text.lower()
        if not text or self._find(-1, from_selected=True):
            return ""
        look.search, look.held, look.kept, look.selected, look.bottom = before
        among = "" if look.filter.all else f" among those shown (only {look.filter.text()})"
        return f"No line with “{text}” in the screen's memory{among}."

    def _measured(self, text: str) -> str:
        if name := watch_typed.withdrawn(text):
            self.pump.ask(lambda: self.pump.take_back(name))
            return ""
        try:
            more = watch_typed.result(text)
        except ValueError as error:
            return str(error)
        self.pump.ask(lambda: self.pump.measured(more))
        said = more.readings[0].text() if more.readings else text
        self.look.tell(f"{said}: weighed with what is heard.")
        return ""

    def _line(self, text: str) -> str:
        try:
            baud, char_format = watch_typed.line(text)
        except ValueError as error:
            return str(error)
        return self.pump.refusal(lambda: self.pump.set_line(baud, char_format))


def _was_heard(row: Row) -> bool:
    return row.kind not in (RowKind.NOTE, RowKind.SAID)
