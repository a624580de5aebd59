"""`benchtool simulate`: stand in for a controller, a reader or a door interface on a real line."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click

from benchtool.commands.options import Duration, line_options, record_options, time_option
from benchtool.commands.osdp_keys import osdp_key_option
from benchtool.commands.stand_in_run import StandIn
from benchtool.commands.transmit import line_to_talk

if TYPE_CHECKING:
    from benchtool.capture.chunk import TapInfo
    from benchtool.capture.settings import LineSettings
    from benchtool.commands.stand_in import Keys
    from benchtool.frames.frame import Frame
    from benchtool.measure.osdp_watch import OsdpWatch
    from benchtool.simulate.crowd import Crowd
    from benchtool.simulate.misdeeds import Misbehaving
    from benchtool.simulate.osdp_actions import Action
    from benchtool.simulate.panel import Panel
    from benchtool.simulate.specs import Scenario
    from benchtool.simulate.station import Station

ROLES = ("controller", "reader", "interface")
MISDEEDS = ("wrong-check", "truncated", "late", "wrong-sequence", "silent")
_POLL, _ACK, _RMAC_I, _KEYSET = 0x60, 0x40, 0x78, 0x75
_QUIET = frozenset({_POLL, _ACK})
"""POLL and ACK: shown with --all only."""


class _Simulate(click.Command):
    """`simulate card` is a command of its own, with options of its own: it goes through the probe, not over a bus."""

    def make_context(
        self, info_name: str | None, args: list[str], parent: click.Context | None = None, **extra: Any
    ) -> click.Context:
        """That of the other command where the first word says so."""
        if args[:1] == ["card"]:
            from benchtool.commands.simulate_card import command as card

            return card.make_context(f"{info_name} card", args[1:], parent, **extra)
        return super().make_context(info_name, args, parent, **extra)


@click.command("simulate", cls=_Simulate)
@click.argument("role", type=click.Choice(ROLES))
@click.argument("scenario", required=False)
@click.option("--port", required=True, metavar="PORT", help="The serial device or URL to talk on.")
@line_to_talk
@line_options
@click.option(
    "--address", "addresses", type=click.IntRange(0, 247), multiple=True, help="Only this address; may be repeated."
)
@click.option(
    "--protocol",
    type=click.Choice(["osdp", "modbus-rtu"]),
    help="What to speak where no scenario says it; OSDP unless given.",
)
@click.option("--check", type=click.Choice(["crc", "checksum"]), help="The controller's check value (OSDP).")
@click.option("--turnaround", type=Duration(), metavar="3ms", help="From a request to our reply.")
@click.option("--poll-gap", type=Duration(), metavar="50ms", help="From a reply to the controller's next command.")
@osdp_key_option
@click.option("--default-key", is_flag=True, help="Use or take the default key of OSDP, which everybody knows.")
@click.option("--clear-too", is_flag=True, help="With keys: go on in clear where the other end takes none of them.")
@click.option(
    "--set-key",
    type=click.Path(dir_okay=False),
    metavar="FILE",
    help="The controller gives the devices this key once their secure channel is on.",
)
@click.option("--do", "actions", multiple=True, metavar="ACTION", help="Do this; '3s card 26-bit 57 20118': after 3 s.")
@click.option("--script", type=click.Path(dir_okay=False), metavar="FILE", help="A file of actions, one a line.")
@click.option("--inject", type=click.Choice(MISDEEDS), help="Spoil what we say.")
@click.option(
    "--every", type=click.IntRange(1), help="How often it is spoilt, with --inject: each n-th; the 5th unless given."
)
@click.option("--late", type=Duration(), metavar="300ms", help="How late, with --inject late; 300ms unless given.")
@click.option("--anyway", is_flag=True, help="Talk as a controller though another one is heard.")
@time_option("Stop after this time.")
@record_options
@click.option("--all", "show_all", is_flag=True, help="Show polls without news, too.")
@click.option("--show-cards", is_flag=True, help="Show card numbers and typed digits, which are hidden else.")
@click.option(
    "--json",
    "as_json",
    is_flag=True,
    help="Print one JSON object a line; octets hold card data as they came (docs/json.md).",
)
def command(role: str, scenario: str | None, port: str, **options: Any) -> None:
    """Stand in for a controller, a reader or a door interface on PORT.

    A dead reader is found by standing in for its controller; a dead controller by standing in for its readers. SCENARIO
    is that of a simulated bus (a name, or a .toml file): who is polled or stood in for, cards, keys, inputs, timing.
    Without one: one device, at --address.

    CAUTION: this transmits. Take the real controller (or reader) off the pair first; on a live installation doors may
    stay shut, or open. While it runs, type actions, or pipe them in, one a line: 'help' lists
    them.

    A card on D0 and D1 is shown by `benchtool simulate card`, through the probe: see its --help.

    \b
    Examples:
      benchtool simulate controller --port /dev/ttyUSB0 --address 0 --transmit
      benchtool simulate reader --port /dev/ttyUSB0 --transmit --do "5s card 26-bit 57 20118"
      benchtool simulate interface demo --port /dev/ttyUSB0 --transmit --address 1
      benchtool simulate reader --port /dev/ttyUSB0 --transmit --inject silent --every 10
      echo "2s keys 1234#" | benchtool simulate reader --port /dev/ttyUSB0 --transmit --for 10s
      benchtool simulate controller --port /dev/ttyUSB0 --transmit --default-key --set-key new.key
    """
    if scenario is not None and scenario.endswith(".toml"):
        from benchtool.simulate.modbus_file import is_modbus_file

        if is_modbus_file(scenario):
            from benchtool.commands.simulate_modbus import ModbusRun

            ModbusRun(role, scenario, port, options).go()
            return
    _Run(role, scenario, port, options).go()


class _Run(StandIn):
    """Standing in as a scenario says: OSDP, or Modbus without a file of its own."""

    not_done = "whose time or device had not come"
    no_actions = "Modbus takes actions with a .toml file of Modbus devices alone"

    def __init__(self, role: str, scenario: str | None, port: str, options: dict[str, Any]) -> None:
        from benchtool.commands.stand_in import scenario_for
        from benchtool.commands.stand_in_options import (
            actions_of,
            as_asked_of,
            check_injection,
            injected_of,
            keys_of,
            new_keys_of,
        )
        from benchtool.simulate.osdp_actions import usage

        super().__init__(
            role,
            port,
            options,
            (
                "a second controller takes the devices from the real one",
                "a second device at an address garbles the real one's answers",
            ),
        )
        self.scenario: Scenario = as_asked_of(
            scenario_for(scenario, role, options["addresses"], options["protocol"]), options
        )
        check_injection(options)
        self.takes_actions = self.scenario.controller.protocol == "osdp"
        self.injected = injected_of(options, self.scenario.controller.protocol)
        self.usage = usage(self.controls)
        self.keys: Keys = keys_of(options, self.scenario)
        self.new_keys = new_keys_of(options["set_key"], self.scenario, self.keys, self.controls)
        self.actions: list[Action] = actions_of(options, self.controls)
        self.panel: Panel | None = None
        self.crowd: Crowd | None = None
        self.spoilt: Misbehaving | None = None

    @property
    def base(self) -> LineSettings:
        """As the scenario's line."""
        return self.scenario.line.settings

    def who(self) -> str:
        """The scenario's names."""
        names = ", ".join(f"{device.name} (address {device.address})" for device in self.scenario.devices[:8])
        more = len(self.scenario.devices) - 8
        names += f" and {more} more" if more > 0 else ""
        return f"{self.scenario.controller.name}, asking {names}" if self.controls else names

    def watch(self, info: TapInfo) -> OsdpWatch | None:
        """OSDP's rules; with the keys at hand, of which it learns more by itself."""
        from copy import deepcopy

        from benchtool.measure.osdp_watch import OsdpWatch

        osdp = self.scenario.controller.protocol == "osdp"
        return OsdpWatch(info, deepcopy(self.keys.ring), others_only=True) if osdp else None

    def station(self, settings: LineSettings) -> Station:
        """The controller or the devices, with what --inject spoils."""
        from benchtool.commands.stand_in import controller_for, devices_for
        from benchtool.simulate.misdeeds import Misbehaving
        from benchtool.simulate.panel import Panel

        station: Station
        if self.controls:
            station = controller_for(self.scenario, settings, self.keys, self._heard, self._notice)
            if isinstance(station, Panel):
                self.panel = station
                self._give_keys(station)
        else:
            station = self.crowd = devices_for(self.scenario, settings, self.keys, self._notice, self.scenario.seed)
        if self.injected is None:
            return station
        self.spoilt = Misbehaving(station, self.injected)
        return self.spoilt

    def _give_keys(self, panel: Panel) -> None:
        """Have each device given the key of --set-key, as the first thing once it may be told."""
        for address, key in self.new_keys.items():
            panel.send(address, _KEYSET, b"\x01\x10" + key)

    def typed(self, text: str, now_ns: int) -> None:
        """An action, from now on."""
        from benchtool.simulate.osdp_actions import command_of, parse_action

        action = parse_action(text)
        if self.controls:
            command_of(action)  # what is wrong is told now, not once the device is there
        self.actions.append(action._replace(at_ns=now_ns + action.at_ns))

    def act(self, now_ns: int) -> None:
        """What is due, and can be done."""
        for action in [one for one in self.actions if one.at_ns <= now_ns and self._can(one)]:
            self.actions.remove(action)
            self._do(action)

    def left(self) -> int:
        """Actions not done yet."""
        return len(self.actions)

    def is_routine(self, frame: Frame) -> bool:
        """A poll without news."""
        return _is_routine(frame.octets)

    def more_object(self) -> dict[str, Any]:
        """How often --inject spoilt what was said, and what of our devices was never fetched."""
        made: dict[str, Any] = {} if self.spoilt is None else {"spoilt": self.spoilt.done}
        return made if self.crowd is None or not self.takes_actions else made | {"not_fetched": self._not_fetched()}

    def more_text(self) -> list[str]:
        """The same."""
        lines = [] if self.spoilt is None else [f"spoilt on purpose: {self.spoilt.done} ({self.options['inject']})"]
        left = self._not_fetched()
        return [
            *lines,
            *([f"{left} event(s) of these devices were never fetched: nobody polled them since"] if left else []),
        ]

    def _not_fetched(self) -> int:
        from benchtool.simulate.peripheral import Peripheral

        members = [] if self.crowd is None else self.crowd.members
        return sum(member.functions.untold for member in members if isinstance(member, Peripheral))

    def _can(self, action: Action) -> bool:
        """Whether it can be done now: a controller waits until the device is there."""
        if self.panel is None:
            return True
        address = self._address(action)
        return address not in self.panel.addresses or self.panel.is_online(address)

    def _address(self, action: Action) -> int:
        assert self.panel is not None
        return self.panel.addresses[0] if action.address is None else action.address

    def _do(self, action: Action) -> None:
        from benchtool.commands.stand_in import device_of
        from benchtool.simulate.osdp_actions import ActionError, command_of, perform
        from benchtool.simulate.specs import ScenarioError

        try:
            if self.crowd is not None:
                perform(action, device_of(self.crowd, action.address).functions)
            elif self.panel is not None:
                address = self._address(action)
                if address not in self.panel.addresses:
                    raise ActionError(f"address {address} is not polled; there are {self.panel.addresses}")
                self.panel.send(address, *command_of(action))
        except (ActionError, ScenarioError) as error:
            self.note(str(error))
        else:
            self.note(f"done: {action.verb}")

    def _heard(self, address: int, code: int, data: bytes) -> None:
        """What a device said over its secure channel, in words; what it says in clear stands in the frame's line."""
        from benchtool.frames.osdp.codes import code_info
        from benchtool.frames.osdp.payloads import decode_payload

        session = None if self.panel is None else self.panel.session(address)
        if session is None or not session.active or code in (_ACK, _RMAC_I):
            return
        info = code_info(code, True)
        fields, _ = decode_payload(code, True, data, 0)
        words = ", ".join(
            f"{field.name.replace('_', ' ')} {'•••' if field.secret and not self.show_cards else field.text}"
            for field in fields
        )
        self._notice(address, f"{info.name if info else f'0x{code:02X}'}: {words}")

    def _notice(self, address: int, text: str) -> None:
        self.note(text, address)


def _is_routine(octets: bytes) -> bool:
    """Whether it is a POLL or ACK, sealed or not."""
    if octets[:1] != b"S" or len(octets) < 7:
        return False
    at = 5 + (octets[5] if octets[4] & 0x08 else 0)
    return at < len(octets) and octets[at] in _QUIET
