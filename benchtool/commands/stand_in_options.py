"""What the options of `simulate` say, read and checked before anything is sent."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import click

from benchtool.commands.errors import CommandError, Exit
from benchtool.commands.osdp_keys import key_file_caution, read_keys
from benchtool.commands.stand_in import Keys
from benchtool.frames.osdp.keys import KeySource
from benchtool.simulate.misdeeds import Injected, Misdeed
from benchtool.simulate.osdp_actions import Action, ActionError, command_of, parse_action, perform
from benchtool.simulate.osdp_functions import Functions
from benchtool.simulate.specs import Scenario

_MOST_SCRIPT = 1 << 20
_LATE_S = 0.3
_EVERY = 5


def as_asked_of(scenario: Scenario, options: dict[str, Any]) -> Scenario:
    """The scenario with the check value, pauses and turnaround that were asked for."""
    controller, devices = scenario.controller, scenario.devices
    if options["check"] is not None:
        controller = replace(controller, check=options["check"])
    if options["poll_gap"] is not None:
        controller = replace(controller, poll_gap_ms=options["poll_gap"] * 1000)
    if options["turnaround"] is not None:
        devices = tuple(replace(device, reply_ms=options["turnaround"] * 1000) for device in devices)
    return replace(scenario, controller=controller, devices=devices)


def keys_of(options: dict[str, Any], scenario: Scenario) -> Keys:
    """The keys of the secure channel, with cautions on standard error; CommandError in one line, without a key."""
    path = options["osdp_key"]
    ring = read_keys(path)
    caution = key_file_caution(path)
    if caution is not None:
        click.echo(f"note: {caution}", err=True)
    keys = Keys(ring, options["default_key"], not options["clear_too"])
    if options["set_key"] is not None and not keys.wanted:
        raise CommandError(
            "--set-key needs a secure channel: give the present key with --osdp-key, or --default-key", Exit.USAGE
        )
    if keys.wanted and scenario.controller.protocol != "osdp":
        raise CommandError("keys are for OSDP; this speaks Modbus", Exit.USAGE)
    if not keys.wanted and any(device.secure for device in scenario.devices):
        click.echo(
            "note: all is said in clear: for the scenario's secure channel give --default-key or --osdp-key FILE",
            err=True,
        )
    return keys


def new_keys_of(path: str | None, scenario: Scenario, keys: Keys, controls: bool) -> dict[int, bytes]:
    """The key that each device is to be given; it is among those tried, for a device may have it already."""
    if path is None:
        return {}
    if not controls:
        raise CommandError("--set-key is a controller's: a reader is given its key with --osdp-key", Exit.USAGE)
    ring = read_keys(path)
    made: dict[int, bytes] = {}
    for device in scenario.devices:
        found = [key.octets for key in ring.for_address(device.address) if key.source is KeySource.GIVEN]
        if not found:
            raise CommandError(f"--set-key {path}: there is no key for address {device.address} in it", Exit.INPUT)
        made[device.address] = found[0]
        keys.ring.give(found[0], device.address)
    if keys.default_key:
        click.echo(
            "caution: whoever listens to a session on the default key can read the new key; set it on the bench",
            err=True,
        )
    return made


def script_lines(options: dict[str, Any]) -> list[tuple[str, str]]:
    """The lines of --do and --script, each with where it stands."""
    lines = [(f"--do {number}", text) for number, text in enumerate(options["actions"], 1)]
    path = options["script"]
    if path is not None:
        try:
            with Path(path).open(encoding="utf-8") as file:
                text = file.read(_MOST_SCRIPT)
        except (OSError, UnicodeDecodeError) as error:
            why = error.strerror if isinstance(error, OSError) else "it is not UTF-8 text"
            raise CommandError(f"--script {path}: cannot be read: {why}", Exit.INPUT) from None
        for number, line in enumerate(text.splitlines(), 1):
            bare = line.strip()
            if bare and not bare.startswith("#"):
                lines.append((f"{path} line {number}", bare))
    return lines


def actions_of(options: dict[str, Any], controls: bool) -> list[Action]:
    """The actions of --do and --script, each tried at once so that a mistake is told before anything is sent."""
    actions = []
    for where, text in script_lines(options):
        try:
            action = parse_action(text)
            if controls:
                command_of(action)
            else:
                perform(action, Functions(identity=bytes(12), capabilities=b"", inputs=16))
        except ActionError as error:
            raise CommandError(f"{where}: {error}", Exit.USAGE) from None
        actions.append(action)
    return actions


def injected_of(options: dict[str, Any], protocol: str) -> Injected | None:
    """The fault that is put into what we say, if any; CommandError where it is none of the protocol."""
    if options["inject"] is None:
        return None
    misdeed = Misdeed(options["inject"])
    if misdeed is Misdeed.WRONG_SEQUENCE and protocol != "osdp":
        raise CommandError("--inject wrong-sequence is for OSDP; this speaks Modbus", Exit.USAGE)
    return Injected(misdeed, every(options), round(late_s(options) * 1e9))


def late_s(options: dict[str, Any]) -> float:
    """How late a late transmission comes, in seconds."""
    return float(_LATE_S if options["late"] is None else options["late"])


def every(options: dict[str, Any]) -> int:
    """How often --inject spoils what we say: each so-many-th time."""
    return int(_EVERY if options["every"] is None else options["every"])


def check_injection(options: dict[str, Any]) -> None:
    """CommandError where --late or --every is given and nothing is spoilt by it."""
    if options["late"] is not None and options["inject"] != "late":
        raise CommandError("--late needs --inject late", Exit.USAGE)
    if options["every"] is not None and options["inject"] is None:
        raise CommandError("--every needs --inject: say what is to be spoilt, as --inject wrong-check", Exit.USAGE)
