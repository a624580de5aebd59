"""Moving at the live screen: hold, scroll, filter and search the traffic, choose a device. No terminal here."""

from __future__ import annotations

from benchtool.screens.watch_devices import place_of
from benchtool.screens.watch_look import Focus, Look
from benchtool.screens.watch_rows import Filter, Row, RowKind, words_of
from benchtool.screens.watch_state import Model


class Walk:
    """The part of the desk that changes which lines and which device are looked at."""

    def __init__(self, model: Model, look: Look) -> None:
        self.model, self.look = model, look
        self.page_rows = 10
        """Lines of traffic, or of a page, on the screen: how far a page key goes."""

    # What the keys do.

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
            only = look.filter.text()
            if look.held and self.model.newer(look, self.model.lines(look).end - 1):
                look.tell(f"No held line fits “{only}”, but newer ones do: End goes there.")
            else:
                look.tell(f"No line in the screen's memory fits “{only}”; new ones will show. f changes it.")
        else:
            look.tell(f"Showing only: {look.filter.text()}. f and nothing typed shows everything.")
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


def _was_heard(row: Row) -> bool:
    return row.kind not in (RowKind.NOTE, RowKind.SAID)
