"""One stand-in on a line, of any protocol: opens it, runs the station, shows what is said, prints the result."""

from __future__ import annotations

import json
import os
import stat
import sys
from abc import ABC, abstractmethod
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, Any

import click

from benchtool.commands.errors import CommandError, Exit
from benchtool.commands.options import check_recording

if TYPE_CHECKING:
    from benchtool.capture.chunk import Item, TapInfo
    from benchtool.capture.settings import LineSettings
    from benchtool.commands.talking import Conversation
    from benchtool.frames.decoders import Decoder
    from benchtool.frames.frame import Frame, Role
    from benchtool.frames.osdp.events import Event
    from benchtool.measure.osdp_watch import OsdpWatch
    from benchtool.simulate.station import Station


class StandIn(ABC):
    """One call of `simulate`. Subclasses know what is spoken; `options` are those of the command."""

    usage: Sequence[str] = ()
    """What `help` lists while it runs."""
    takes_actions = True
    no_actions = ""
    """Why none are taken, where that is so."""
    not_done = "whose time had not come"
    """Why an action may be left at the end."""

    def __init__(self, role: str, port: str, options: dict[str, Any], harm: tuple[str, str]) -> None:
        """`harm`: what transmitting does as a controller, and as a device."""
        from benchtool.commands.talking import need_transmit
        from benchtool.reports import osdp_text

        self.port, self.options = port, options
        self.controls = role == "controller"
        self.as_json: bool = options["as_json"]
        self.show_cards: bool = options["show_cards"]
        self.now_ns: Callable[[], int] = lambda: 0
        self._watch: OsdpWatch | None = None
        self._events = osdp_text.EventLines()
        need_transmit(options["transmit"], port, harm[0] if self.controls else harm[1])
        check_recording(options["record"], port)

    @property
    @abstractmethod
    def base(self) -> LineSettings:
        """How the line is set where the user does not say."""

    @abstractmethod
    def station(self, settings: LineSettings) -> Station:
        """Who talks."""

    @abstractmethod
    def who(self) -> str:
        """The same in words."""

    @abstractmethod
    def act(self, now_ns: int) -> None:
        """Do the actions that are due."""

    @abstractmethod
    def typed(self, text: str, now_ns: int) -> None:
        """Take an action that was typed or piped in; ValueError with a line that says what is wrong."""

    @abstractmethod
    def left(self) -> int:
        """Actions not done yet."""

    @property
    def says(self) -> Role:
        """What all that we send is."""
        from benchtool.frames.frame import Role

        return Role.REQUEST if self.controls else Role.REPLY

    def decoder(self, info: TapInfo) -> Decoder:
        """What reads the line: OSDP and Modbus RTU."""
        from benchtool.frames.decoder import BusDecoder

        return BusDecoder(info.settings, info.resolution_ns, sent=self.says)

    def watch(self, info: TapInfo) -> OsdpWatch | None:
        """What holds the standard's rules against the other end, if there is something to hold."""
        return None

    def finished(self) -> bool:
        """Whether there is nothing left to say, once nobody can type any more."""
        return False

    def is_routine(self, frame: Frame) -> bool:
        """Whether a frame is shown with --all only."""
        return False

    def more_object(self) -> dict[str, Any]:
        """What else the summary holds."""
        return {}

    def more_text(self) -> list[str]:
        """The same in lines for a person."""
        return []

    def go(self) -> None:
        """Open the line, run the station, print the result."""
        from benchtool.commands.talking import Conversation, TypedLines, open_line, who_controls
        from benchtool.taps.clock import SystemClock

        options, clock = self.options, SystemClock()
        line = open_line(self.port, options["baud"], options["char_format"], self.base, options["direction"], clock)
        try:
            if self.controls and not options["anyway"]:
                other = who_controls(line, clock)
                if other is not None:
                    raise CommandError(
                        f"another controller talks on {self.port} (it asked address {other.address}): take it off the "
                        "pair first, or say --anyway",
                        Exit.TAP,
                    )
            settings = line.info.settings
            self._watch = self.watch(line.info)
            lines = TypedLines(sys.stdin is not None and self.takes_actions)
            if not self.takes_actions and _is_piped():
                click.echo(f"note: standard input is not read: {self.no_actions}", err=True)
            conversation = Conversation(
                self.station(settings),
                line,
                clock=clock,
                echo=options["echo"],
                seconds=options["seconds"],
                record=options["record"],
                overwrite=options["overwrite"],
                on_item=self._item,
                on_frame=self._frame,
                on_notice=self.note,
                each_turn=lambda now_ns: self._turn(now_ns, lines.take()),
                done=lambda: self.finished() and lines.ended,
                decoder=self.decoder(line.info),
            )
            self.now_ns = lambda: conversation.talker.now_ns
            conversation.run(lambda: self._began(line.info))
            if self._watch is not None:
                self._tell(self._watch.close(conversation.talker.now_ns))
            self._result(conversation)
        finally:
            line.close()
        if conversation.failure is not None:
            raise conversation.failure

    def _began(self, info: TapInfo) -> None:
        from benchtool.reports import frame_text

        if self.as_json:
            self._out(frame_text.tap_object(info))
        else:
            click.echo(f"standing in for {self.who()} on {self.port}, {info.settings}; Ctrl-C ends it", err=True)
            click.echo(frame_text.HEADER)

    def _turn(self, now_ns: int, lines: list[str]) -> None:
        for text in lines:
            if text.lower() in ("help", "?"):
                for entry in self.usage:
                    click.echo(f"  {entry}", err=True)
            elif text and not text.startswith("#"):
                try:
                    self.typed(text, now_ns)
                except ValueError as error:
                    self.note(str(error))
        self.act(now_ns)

    def note(self, text: str, address: int | None = None) -> None:
        """A line for the user."""
        if self.as_json:
            made: dict[str, Any] = {"kind": "note", "t": round(self.now_ns() / 1e9, 6), "text": text}
            self._out(made if address is None else made | {"address": address})
        else:
            whose = "" if address is None else f"address {address}: "
            click.echo(f"{self.now_ns() / 1e9:9.4f} {'':8} note   {whose}{text}")

    def _out(self, made: dict[str, Any]) -> None:
        click.echo(json.dumps(made, separators=(",", ":")))

    def _item(self, item: Item) -> None:
        if self._watch is not None:
            self._watch.item(item)

    def _frame(self, frame: Frame) -> None:
        seen = None if self._watch is None else self._watch.frame(frame)
        self._show(frame)
        if seen is not None:
            self._tell(seen.events)

    def _tell(self, events: Sequence[Event]) -> None:
        """Faults and security findings as they happen; what is only worth a note stands in the summary."""
        from benchtool.commands.session import terminal_width
        from benchtool.frames.osdp.events import Level
        from benchtool.reports import osdp_text

        for event in events:
            if self.as_json:
                self._out(osdp_text.event_object(event))
            elif event.row.level is not Level.NOTE:
                line = self._events.line(event, width=terminal_width())
                if line is not None:
                    click.echo(line)

    def _show(self, frame: Frame) -> None:
        from benchtool.commands.session import terminal_width
        from benchtool.reports import frame_text

        if not self.options["show_all"] and frame.ok and self.is_routine(frame):
            return
        if self.as_json:
            self._out(frame_text.frame_object(frame, show_secrets=self.show_cards))
        else:
            click.echo(frame_text.frame_line(frame, show_secrets=self.show_cards, width=terminal_width()))

    def _result(self, conversation: Conversation) -> None:
        from benchtool.commands.session import terminal_width
        from benchtool.commands.talking import talked_object, talked_text
        from benchtool.reports import frame_text, osdp_text

        noticed = None if self._watch is None else self._watch.figures()
        if self.as_json:
            made = {"kind": "summary", "stopped_by_user": conversation.stopped_by_user, "actions_left": self.left()}
            made |= talked_object(conversation) | self.more_object()
            made |= frame_text.figures_object(conversation.figures)
            self._out(made if noticed is None else made | {"osdp": osdp_text.figures_object(noticed)})
            return
        click.echo("")
        click.echo("\n".join(frame_text.figures_text(conversation.figures, terminal_width())))
        click.echo("\n".join([*talked_text(conversation), *self.more_text()]))
        for text in [] if noticed is None else osdp_text.figures_text(noticed):
            click.echo(text)
        if self.left():
            click.echo(f"not done: {self.left()} action(s), {self.not_done}")
        if not conversation.talked.octets_heard:
            click.echo(
                "nothing was heard: is the other end on, the pair right, A and B not reversed, the rate the same?"
            )


def _is_piped() -> bool:
    """Whether standard input is a pipe or a file that somebody may expect to be read."""
    try:
        mode = os.fstat(sys.stdin.fileno()).st_mode
    except (OSError, ValueError, AttributeError):
        return False
    return stat.S_ISFIFO(mode) or stat.S_ISREG(mode)
