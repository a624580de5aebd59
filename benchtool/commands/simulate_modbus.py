"""`benchtool simulate` with a file of Modbus devices and polls: stand in for a client or for servers, RTU or ASCII."""

from __future__ import annotations

import json
import sys
from collections import Counter
from collections.abc import Callable
from typing import TYPE_CHECKING, Any

import click

from benchtool.commands.errors import CommandError, Exit

if TYPE_CHECKING:
    from benchtool.commands.talking import Conversation
    from benchtool.frames.frame import Frame
    from benchtool.simulate.modbus_actions import ModbusAction
    from benchtool.simulate.modbus_file import ModbusFile
    from benchtool.simulate.modbus_points import Table
    from benchtool.simulate.modbus_query import Result
    from benchtool.simulate.station import Station

_NOT_HERE = {
    "check": "--check",
    "osdp_key": "--osdp-key",
    "default_key": "--default-key",
    "clear_too": "--clear-too",
    "set_key": "--set-key",
}
"""Options of OSDP."""
_INJECTED = {"wrong-check": "check", "truncated": "truncated", "late": "late", "silent": "silent"}
"""The words of --inject, and what they are in a file."""
_TICK_NS = 16_000_000
"""How coarsely most adapters tell times: a shorter silence within a frame ends nothing."""


class ModbusRun:
    """One call of the command with a Modbus file."""

    def __init__(self, role: str, path: str, port: str, options: dict[str, Any]) -> None:
        from benchtool.commands.options import check_recording
        from benchtool.commands.stand_in_options import script_lines
        from benchtool.commands.talking import need_transmit
        from benchtool.simulate.modbus_file import load
        from benchtool.simulate.specs import ScenarioError

        self.port, self.options = port, options
        self.controls = role == "controller"
        self.as_json: bool = options["as_json"]
        self.now_ns: Callable[[], int] = lambda: 0
        self.outcomes: Counter[str] = Counter()
        need_transmit(
            options["transmit"],
            port,
            "a second client takes the servers from the real one" if self.controls else "two answers collide",
        )
        check_recording(options["record"], port)
        for key, option in _NOT_HERE.items():
            if options[key]:
                raise CommandError(f"{option} is for OSDP; this file speaks Modbus", Exit.USAGE)
        try:
            self.file = _as_asked(load(path), options)
        except ScenarioError as error:
            raise CommandError(str(error), Exit.INPUT) from None
        if not self.controls and not self.file.device:
            raise CommandError(f"{path} has no [[device]] to stand in for", Exit.INPUT)
        self.actions = [self._action(where, text) for where, text in script_lines(options)]

    def _action(self, where: str, text: str) -> ModbusAction:
        from benchtool.simulate.modbus_actions import ModbusActionError, parse_action, perform, query_of
        from benchtool.simulate.modbus_file import servers

        try:
            action = parse_action(text)
            if self.controls:
                query_of(action, self._first)
            else:
                perform(action, servers(self.file, self.file.settings))
        except ModbusActionError as error:
            raise CommandError(f"{where}: {error}", Exit.USAGE) from None
        return action

    @property
    def _first(self) -> int | None:
        polled = [poll.address for poll in self.file.poll]
        return polled[0] if polled else None

    def go(self) -> None:
        """Open the line, run the station, print the result."""
        from benchtool.commands.talking import Conversation, TypedLines, open_line, who_controls
        from benchtool.frames.decoder import BusDecoder
        from benchtool.frames.modbus.ascii_decoder import AsciiDecoder
        from benchtool.reports import frame_text
        from benchtool.simulate.modbus_framing import Mode
        from benchtool.taps.clock import SystemClock

        options, clock = self.options, SystemClock()
        line = open_line(
            self.port, options["baud"], options["char_format"], self.file.settings, options["direction"], clock
        )
        try:
            if self.controls and not options["anyway"]:
                other = who_controls(line, clock)
                if other is not None:
                    raise CommandError(
                        f"another controller talks on {self.port} (it asked address {other.address}): take it off the "
                        "pair first, or say --anyway",
                        Exit.TAP,
                    )
            typed = TypedLines(sys.stdin is not None and sys.stdin.isatty())
            settings = line.info.settings
            decoder = AsciiDecoder(settings) if self.file.mode is Mode.ASCII else BusDecoder(settings)
            conversation = Conversation(
                self._station(settings),
                line,
                clock=clock,
                echo=options["echo"],
                seconds=options["seconds"],
                record=options["record"],
                overwrite=options["overwrite"],
                on_frame=self._frame,
                on_notice=self.note,
                each_turn=lambda now_ns: self._turn(now_ns, typed.take()),
                done=lambda: self.controls and not typed_wanted(typed) and self.client.idle and not self.actions,
                decoder=decoder,
            )
            self.now_ns = lambda: conversation.talker.now_ns
            if self.as_json:
                self._out(frame_text.tap_object(line.info))
            else:
                who = "a client" if self.controls else f"{len(self.file.device)} server(s)"
                click.echo(f"standing in for {who} on {self.port}, {settings}; Ctrl-C ends it", err=True)
                click.echo(frame_text.HEADER)
            conversation.run()
            self._result(conversation)
        finally:
            line.close()
        if conversation.failure is not None:
            raise conversation.failure

    def _station(self, settings: Any) -> Station:
        from benchtool.simulate.modbus_file import client, faulty, servers

        if self.controls:
            self.client = client(self.file, settings, resolution_ns=_TICK_NS, on_result=self._asked)
            return faulty(self.file, self.client)
        self.servers = servers(self.file, settings, resolution_ns=_TICK_NS, on_write=self._written)
        return self.servers

    def _turn(self, now_ns: int, lines: list[str]) -> None:
        from benchtool.simulate.modbus_actions import (
            CLIENT_USAGE,
            DEVICE_USAGE,
            ModbusActionError,
            parse_action,
            perform,
            query_of,
        )

        for text in lines:
            if text.lower() in ("help", "?"):
                for entry in CLIENT_USAGE if self.controls else DEVICE_USAGE:
                    click.echo(f"  {entry}", err=True)
            elif text:
                try:
                    action = parse_action(text)
                except ModbusActionError as error:
                    self.note(str(error))
                else:
                    self.actions.append(action._replace(at_ns=now_ns + action.at_ns))
        due = [action for action in self.actions if action.at_ns <= now_ns]
        self.actions = [action for action in self.actions if action.at_ns > now_ns]
        for action in due:
            try:
                if self.controls:
                    self.client.ask(query_of(action, self._first))
                else:
                    perform(action, self.servers)
            except ModbusActionError as error:
                self.note(str(error))
            else:
                self.note(f"done: {action.verb}")

    def _asked(self, result: Result) -> None:
        self.outcomes[result.outcome.value] += 1
        if result.outcome.value not in ("answered", "broadcast"):
            why = f": {result.problem}" if result.problem else ""
            tries = f" after {result.tries} tries" if result.tries > 1 else ""
            self.note(f"function {result.query.function:02X} {result.outcome.value}{why}{tries}", result.query.address)

    def _written(self, address: int, now_ns: int, table: Table, start: int, values: list[int]) -> None:
        shown = " ".join(str(value) for value in values[:16]) + (" …" if len(values) > 16 else "")
        self.note(f"written: {table.value} {start}: {shown}", address)

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

    def _frame(self, frame: Frame) -> None:
        from benchtool.commands.session import terminal_width
        from benchtool.reports import frame_text

        if self.as_json:
            self._out(frame_text.frame_object(frame, show_secrets=self.options["show_cards"]))
        else:
            show = self.options["show_cards"]
            click.echo(frame_text.frame_line(frame, show_secrets=show, width=terminal_width()))

    def _result(self, conversation: Conversation) -> None:
        from benchtool.commands.talking import talked_object, talked_text
        from benchtool.reports import frame_text

        if self.as_json:
            made = {"kind": "summary", "stopped_by_user": conversation.stopped_by_user}
            made |= {"actions_left": len(self.actions), "outcomes": dict(self.outcomes)}
            self._out(made | talked_object(conversation) | frame_text.figures_object(conversation.figures))
            return
        click.echo("")
        click.echo("\n".join(frame_text.figures_text(conversation.figures)))
        click.echo("\n".join(talked_text(conversation)))
        if self.outcomes:
            click.echo("asked: " + ", ".join(f"{count} {name}" for name, count in self.outcomes.items()))
        if self.actions:
            click.echo(f"not done: {len(self.actions)} action(s), whose time had not come")
        if not conversation.talked.octets_heard:
            click.echo(
                "nothing was heard: is the other end on, the pair right, A and B not reversed, the rate the same?"
            )


def _as_asked(made: ModbusFile, options: dict[str, Any]) -> ModbusFile:
    """The file with the addresses, times and faults that the options ask for."""
    from dataclasses import replace

    from benchtool.simulate.modbus_file import FaultSpec

    wanted = options["addresses"]
    devices = tuple(one for one in made.device if not wanted or one.address in wanted)
    polls = tuple(one for one in made.poll if not wanted or one.address in wanted)
    if options["turnaround"] is not None:
        devices = tuple(replace(one, reply_ms=options["turnaround"] * 1000) for one in devices)
    if options["poll_gap"] is not None:
        made = replace(made, pause_ms=options["poll_gap"] * 1000)
    word = options["inject"]
    if word is not None:
        if word not in _INJECTED:
            raise CommandError(f"--inject {word} is for OSDP; this file speaks Modbus", Exit.USAGE)
        fault = FaultSpec(_INJECTED[word], options["every"], options["late"] * 1000 if word == "late" else 0.0)
        devices = tuple(replace(one, fault=(*one.fault, fault)) for one in devices)
        made = replace(made, fault=(*made.fault, fault))
    return replace(made, device=devices, poll=polls)


def typed_wanted(typed: Any) -> bool:
    """Whether a person may still type something."""
    return not typed.ended
