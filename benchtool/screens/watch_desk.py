"""What keys and typed lines do: they change what is looked at, or ask the pump for something. No terminal here.

Moving stands in `watch_walk`, pages in `watch_pages`; here is the rest, and what calls them by the table of keys.
"""

from __future__ import annotations

from collections.abc import Callable
from time import localtime, strftime

from benchtool.screens import watch_typed
from benchtool.screens.watch_glyphs import BLOCKS, Glyphs
from benchtool.screens.watch_keys import Need, fitting, help_text, lacking
from benchtool.screens.watch_look import Ask, Look, Page
from benchtool.screens.watch_pages import Pages
from benchtool.screens.watch_pump import Pump
from benchtool.screens.watch_state import Model


class Desk(Pages):
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
        super().__init__(model, look)
        self.pump = pump
        self.leave_now = leave_now
        self._glyphs = glyphs
        self._stamp = stamp

    @property
    def lacks(self) -> dict[Need, str]:
        """What some keys need and this tap has not, and why."""
        source = self.pump.source
        missing = {Need.SIMULATED: not source.is_simulated, Need.VIRTUAL: source.is_live}
        lacks = {need: need.value for need, is_missing in missing.items() if is_missing}
        return lacks | ({Need.RATE: why} if (why := source.fixed_line) else {})

    def press(self, name: str) -> bool:
        """A key; whether it does something now. One that cannot here says why."""
        for key in fitting(self.look, self.lacks):
            if name in key.names:
                self.look.message = ""
                deed: Callable[[], None] = getattr(self, f"_{key.deeds[key.names.index(name)]}")
                deed()
                return True
        if why := lacking(name, self.look, self.lacks):
            self.look.tell(why)
        return False

    def begin_ask(self, ask: Ask) -> str:
        """Ask for a line; what stands in it to begin with."""
        self.look.ask = ask
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
        ask = look.ask
        # Of record and do an answer may come late, past this: what may be secret is taken out where it is made.
        takes: dict[Ask, Callable[[str], str]] = {
            Ask.FILTER: self._filter,
            Ask.SEARCH: self._search,
            Ask.MEASURED: self._measured,
            Ask.NOTE: self._note,
            Ask.RECORD: lambda line: self.pump.refusal(lambda: self._told(self.pump.record(line), ask, line)),
            Ask.LINE: self._line,
            Ask.DO: lambda line: self.pump.refusal(lambda: self._told(self.pump.act(line), ask, line)),
        }
        look.message = look.refused = ""
        if ask is not None and (text or ask in (Ask.FILTER, Ask.SEARCH)):
            look.refused = self._told(takes[ask](text), ask, text)
            if look.refused:
                look.message = self._told(look.message, ask, text)
        if not look.refused:
            look.ask = None
        return not look.refused

    def _told(self, told: str, ask: Ask | None, text: str) -> str:
        """Why a line was not taken; what may be secret in it is not repeated, unless secrets are shown."""
        return told if self.pump.show_secrets else watch_typed.without_secrets(told, ask, text)

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
        self.look.open(Page.HELP, help_text(self._glyphs, self.model.rows.most, self.lacks))

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

    def _record(self) -> None:
        if self.model.recording:
            self.pump.ask(self.pump.stop_recording)
        else:
            self.look.ask = Ask.RECORD

    def _pause(self) -> None:
        self.pump.ask(lambda: self.pump.change_speed(0))

    def _slower(self) -> None:
        self.pump.ask(lambda: self.pump.change_speed(-1))

    def _faster(self) -> None:
        self.pump.ask(lambda: self.pump.change_speed(1))

    def _count_anew(self) -> None:
        self.pump.ask(self.pump.begin_anew)

    # Typed lines: each tells why it cannot be taken; empty where it is.

    def _note(self, text: str) -> str:
        self.pump.ask(lambda: self.pump.note(text))
        return ""

    def _measured(self, text: str) -> str:
        if name := watch_typed.withdrawn(text):
            self.pump.ask(lambda: self.pump.take_back(name))
            return ""
        try:
            more = watch_typed.result(text)
        except ValueError as error:
            return str(error)
        self.pump.ask(lambda: self.pump.measured(more))
        said = watch_typed.reading_words(more.readings[0]) if more.readings else text
        place = more.readings[0].address if more.readings else more.tried[0].address
        known = place is None or self.model.knows(place)
        doubt = "" if known else f" But no device {place} was heard: is the address right?"
        self.look.tell(f"{said}: weighed with what is heard.{doubt}")
        return ""

    def _line(self, text: str) -> str:
        try:
            baud, char_format = watch_typed.line(text)
        except ValueError as error:
            return str(error)
        return self.pump.refusal(lambda: self.pump.set_line(baud, char_format))
