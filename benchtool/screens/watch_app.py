"""The full-screen program: paints snapshots at a fixed rate, hands keys to the desk. Only here is a terminal."""

from __future__ import annotations

import asyncio
import os
import signal
from collections.abc import Callable
from contextlib import suppress

from prompt_toolkit.application import Application
from prompt_toolkit.buffer import Buffer
from prompt_toolkit.completion import DynamicCompleter, WordCompleter
from prompt_toolkit.data_structures import Point
from prompt_toolkit.document import Document
from prompt_toolkit.filters import Condition, has_selection
from prompt_toolkit.history import DummyHistory, History, InMemoryHistory
from prompt_toolkit.input import Input
from prompt_toolkit.key_binding import KeyBindings, KeyPressEvent
from prompt_toolkit.layout import BufferControl, ConditionalContainer, HSplit, Layout, VSplit, Window
from prompt_toolkit.layout.controls import FormattedTextControl, UIContent, UIControl
from prompt_toolkit.layout.dimension import Dimension
from prompt_toolkit.mouse_events import MouseEvent, MouseEventType
from prompt_toolkit.output import ColorDepth, Output
from prompt_toolkit.styles import Style

from benchtool.screens.watch_desk import Desk
from benchtool.screens.watch_glyphs import Glyphs
from benchtool.screens.watch_keys import ask_label, key_bar, most_rows, names
from benchtool.screens.watch_look import ASK_EXAMPLES, SECRET_LINES, Ask, Page
from benchtool.screens.watch_view import SMALLEST, Plan, Styled, draw, message_lines, plan

RATE_HZ = 8.0
"""Pictures a second while nobody presses a key; a key is answered at once."""

# Attributes and the terminal's own colours only: they are readable on light and on dark.
_PLAIN = {"head": "reverse", "strong": "bold", "alarm": "bold", "chosen": "reverse", "key": "bold underline"}
STYLE, PLAIN_STYLE = Style.from_dict({**_PLAIN, "alarm": "bold ansired"}), Style.from_dict(_PLAIN)


class Canvas(UIControl):
    """Everything but the line that is being typed."""

    def __init__(self, desk: Desk, glyphs: Glyphs) -> None:
        self.desk, self.glyphs = desk, glyphs
        self.lines: list[Styled] = []
        self._plan: Plan | None = None
        self._keys: tuple[tuple[object, ...], list[Styled]] | None = None

    def create_content(self, width: int, height: int) -> UIContent:
        """Paint."""
        self.lines = lines = self.paint(width, height)
        return UIContent(lambda number: list(lines[number]), len(lines), Point(0, 0), show_cursor=False)

    def paint(self, width: int, height: int) -> list[Styled]:
        """The picture as styled lines."""
        desk, look = self.desk, self.desk.look
        keys = self._key_rows(width, height)
        if look.ask is not None and not look.message:
            look.message = desk.hint()
        said = len(message_lines(look, width))
        self._plan = shared = plan(
            width, height, desk.model.device_count(), len(keys), blind=desk.model.blind, message=said
        )
        desk.page_rows = shared.traffic if look.page is Page.BUS else max(1, height - len(keys) - 1 - shared.message)
        shot = desk.model.snapshot(look, shared.traffic, shared.seconds)
        return draw(shot, look, shared, self.glyphs, keys)

    def _key_rows(self, width: int, height: int) -> list[Styled]:
        desk, look = self.desk, self.desk.look
        lacks = desk.lacks
        now = (width, height, look.ask, look.page, look.held, desk.model.recording, lacks)
        if self._keys is None or self._keys[0] != now:
            recording = bool(desk.model.recording)
            rows = key_bar(look, width, most_rows(height), self.glyphs, lacks, recording=recording)
            self._keys = (now, rows)
        return self._keys[1]

    def is_focusable(self) -> bool:
        """It takes the keys."""
        return True

    def mouse_handler(self, mouse_event: MouseEvent) -> None:
        """The wheel moves; a click selects a line of the traffic, a second one opens it."""
        kind = mouse_event.event_type
        if kind is MouseEventType.SCROLL_UP:
            self.desk.press("up")
        elif kind is MouseEventType.SCROLL_DOWN:
            self.desk.press("down")
        elif kind is MouseEventType.MOUSE_UP and self._plan is not None:
            from_bottom = len(self.lines) - self._plan.keys - self._plan.message - mouse_event.position.y
            if 0 < from_bottom <= self._plan.traffic:
                self.desk.click(self._plan.traffic - from_bottom)


def make_app(
    desk: Desk,
    glyphs: Glyphs,
    *,
    input: Input | None = None,
    output: Output | None = None,
    mouse: bool = False,
    plain: bool = False,
) -> Application[None]:
    """The program, ready to run. `plain`: no colours."""
    look = desk.look
    canvas = Canvas(desk, glyphs)
    asking = Condition(lambda: look.ask is not None)
    bindings = KeyBindings()
    completer = DynamicCompleter(lambda: WordCompleter(desk.words(), WORD=True))
    buffer = Buffer(multiline=False, completer=completer, accept_handler=lambda typed: _accept(typed))
    picture = Window(canvas, always_hide_cursor=True)
    line = Window(BufferControl(buffer), height=1)

    def _accept(typed: Buffer) -> bool:
        if not desk.submit(typed.text):
            return True  # it stays, to be mended
        app.layout.focus(picture)
        return False  # empties the line

    def label() -> str:
        width = app.output.get_size().columns
        return "" if look.ask is None else ask_label(look.ask, width, ASK_EXAMPLES[look.ask], glyphs)

    before = Window(FormattedTextControl(label), height=1, dont_extend_width=True, style="class:strong")
    root = HSplit(
        [
            picture,
            ConditionalContainer(VSplit([before, line], height=Dimension.exact(1)), filter=asking),
        ]
    )

    # A line brings back its own earlier lines alone, and none where a card or a PIN may have been typed.
    earlier: dict[Ask, History] = {ask: DummyHistory() if ask in SECRET_LINES else InMemoryHistory() for ask in Ask}

    def press(name: str) -> Callable[[KeyPressEvent], None]:
        def pressed(event: KeyPressEvent) -> None:
            desk.press(name)
            if look.ask is not None:
                text = desk.begin_ask(look.ask)
                buffer.history = earlier[look.ask]
                buffer.reset(Document(text, 0))
                event.app.clipboard.set_text("")  # nor does what was cut out of another line come back
                if text:
                    _select(buffer)
                event.app.layout.focus(line)

        return pressed

    for name in dict.fromkeys(name for name, _, _ in names()):
        # Escape begins other keys, but nobody should have to press it twice.
        bindings.add(name, filter=~asking, eager=name != "escape")(press(name))

    @bindings.add("c-c")
    @bindings.add("<sigint>")
    def _stop(event: KeyPressEvent) -> None:
        desk.leave_now()

    @bindings.add("tab", filter=asking)
    def _fill_in(event: KeyPressEvent) -> None:
        if buffer.complete_state:
            buffer.complete_next()
        else:
            buffer.start_completion(insert_common_part=True)

    @bindings.add("enter", filter=asking & has_selection)
    def _as_it_stands(event: KeyPressEvent) -> None:
        buffer.exit_selection()
        buffer.validate_and_handle()

    @bindings.add("escape", filter=asking)
    def _leave_it(event: KeyPressEvent) -> None:
        desk.cancel()
        buffer.reset()
        event.app.layout.focus(picture)

    app: Application[None] = Application(
        Layout(root, focused_element=picture),
        style=PLAIN_STYLE if plain else STYLE,
        color_depth=ColorDepth.DEPTH_1_BIT if plain else None,
        key_bindings=bindings,
        full_screen=True,
        mouse_support=mouse,
        input=input,
        output=output,
    )
    app.ttimeoutlen = 0.1  # so long is waited whether an Escape begins another key
    app.timeoutlen = 0.1
    desk.leave_now = lambda: _exit(app)
    return app


def _select(buffer: Buffer) -> None:
    """What stands in the line already is taken by Enter alone; the next letter takes its place."""
    buffer.start_selection()
    if buffer.selection_state is not None:
        buffer.selection_state.enter_shift_mode()
    buffer.cursor_position = len(buffer.text)


def _exit(app: Application[None]) -> None:
    if app.is_running and not app.is_done:
        app.exit()


def run_app(app: Application[None], rate_hz: float = RATE_HZ) -> None:
    """Run until it is left, painting at the rate. A polite kill or a closed terminal leaves it as `q` does."""

    async def keep_painting() -> None:
        while True:
            await asyncio.sleep(1 / rate_hz)
            app.invalidate()

    def begin() -> None:
        app.create_background_task(keep_painting())
        if os.name == "posix":
            loop = asyncio.get_running_loop()
            for number in (signal.SIGTERM, signal.SIGHUP):
                with suppress(RuntimeError, ValueError):  # not the main thread: somebody else minds the signals
                    loop.add_signal_handler(number, lambda: _exit(app))

    app.run(pre_run=begin)


__all__ = ["RATE_HZ", "SMALLEST", "Canvas", "make_app", "run_app"]
