"""`benchtool simulate` with a file of Modbus devices and polls: stand in for a client or for servers, RTU or ASCII."""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING, Any

from benchtool.commands.errors import CommandError, Exit
from benchtool.commands.stand_in_run import StandIn

if TYPE_CHECKING:
    from benchtool.capture.chunk import TapInfo
    from benchtool.capture.settings import LineSettings
    from benchtool.frames.decoders import Decoder
    from benchtool.simulate.modbus_actions import ModbusAction
    from benchtool.simulate.modbus_faults import Faulty
    from benchtool.simulate.modbus_file import ModbusFile
    from benchtool.simulate.modbus_points import Table
    from benchtool.simulate.modbus_query import Result
    from benchtool.simulate.modbus_server import Servers
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


class ModbusRun(StandIn):
    """Standing in as a Modbus file says."""

    def __init__(self, role: str, path: str, port: str, options: dict[str, Any]) -> None:
        from benchtool.commands.stand_in_options import check_injection, script_lines
        from benchtool.simulate.modbus_actions import CLIENT_USAGE, DEVICE_USAGE
        from benchtool.simulate.modbus_file import load
        from benchtool.simulate.specs import ScenarioError

        super().__init__(
            role, port, options, ("a second client takes the servers from the real one", "two answers collide")
        )
        self.usage = CLIENT_USAGE if self.controls else DEVICE_USAGE
        self.outcomes: Counter[str] = Counter()
        check_injection(options)
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

    @property
    def base(self) -> LineSettings:
        """As the file's line."""
        return self.file.settings

    def who(self) -> str:
        """How many."""
        return "a client" if self.controls else f"{len(self.file.device)} server(s)"

    def decoder(self, info: TapInfo) -> Decoder:
        """That of the file's mode."""
        from benchtool.frames.modbus.ascii_decoder import AsciiDecoder
        from benchtool.simulate.modbus_framing import Mode

        if self.file.mode is Mode.RTU:
            return super().decoder(info)
        return AsciiDecoder(info.settings, info.resolution_ns, sent=self.says)

    def station(self, settings: LineSettings) -> Station:
        """The client or the servers, with the file's faults."""
        from benchtool.simulate.modbus_file import client, faulty, servers

        if self.controls:
            self.client = client(self.file, settings, resolution_ns=_TICK_NS, on_result=self._asked)
            self.talks: Faulty | Servers = faulty(self.file, self.client)
            return self.talks
        self.servers = servers(self.file, settings, resolution_ns=_TICK_NS, on_write=self._written)
        self.talks = self.servers
        return self.servers

    def finished(self) -> bool:
        """A client that polls nothing has asked what it was to ask."""
        return self.controls and self.client.idle and not self.actions

    def typed(self, text: str, now_ns: int) -> None:
        """An action, from now on."""
        from benchtool.simulate.modbus_actions import parse_action

        action = parse_action(text)
        self.actions.append(action._replace(at_ns=now_ns + action.at_ns))

    def act(self, now_ns: int) -> None:
        """What is due."""
        from benchtool.simulate.modbus_actions import ModbusActionError, perform, query_of

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

    def left(self) -> int:
        """Actions not done yet."""
        return len(self.actions)

    def more_object(self) -> dict[str, Any]:
        """What became of what was asked, and how often what we said was spoilt."""
        made: dict[str, Any] = {"outcomes": dict(self.outcomes)}
        return made | {"spoilt": self.talks.spoilt.total()} if self._spoils else made

    def more_text(self) -> list[str]:
        """The same."""
        asked = ", ".join(f"{count} {name}" for name, count in self.outcomes.items())
        lines = [f"asked: {asked}"] if asked else []
        if self._spoils:
            kinds = ", ".join(f"{count} {wrong.value}" for wrong, count in self.talks.spoilt.items())
            lines.append(f"spoilt on purpose: {kinds or 'nothing yet'}")
        return lines

    @property
    def _spoils(self) -> bool:
        """Whether anything that we say has a fault, by the file or by --inject."""
        return bool(self.file.fault if self.controls else any(device.fault for device in self.file.device))

    def _asked(self, result: Result) -> None:
        self.outcomes[result.outcome.value] += 1
        if result.outcome.value not in ("answered", "broadcast"):
            why = f": {result.problem}" if result.problem else ""
            tries = f" after {result.tries} tries" if result.tries > 1 else ""
            self.note(f"function {result.query.function:02X} {result.outcome.value}{why}{tries}", result.query.address)

    def _written(self, address: int, now_ns: int, table: Table, start: int, values: list[int]) -> None:
        shown = " ".join(str(value) for value in values[:16]) + (" …" if len(values) > 16 else "")
        self.note(f"written: {table.value} {start}: {shown}", address)


def _as_asked(made: ModbusFile, options: dict[str, Any]) -> ModbusFile:
    """The file with the addresses, times and faults that the options ask for."""
    from dataclasses import replace

    from benchtool.commands.stand_in_options import every, late_s
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
        fault = FaultSpec(_INJECTED[word], every(options), late_s(options) * 1000 if word == "late" else 0.0)
        devices = tuple(replace(one, fault=(*one.fault, fault)) for one in devices)
        made = replace(made, fault=(*made.fault, fault))
    return replace(made, device=devices, poll=polls)
