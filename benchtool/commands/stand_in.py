"""Builds the stations that `simulate` stands in with: of a scenario or without one, in clear or with keys."""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import NamedTuple

import numpy as np

from benchtool.capture.settings import LineSettings
from benchtool.commands.errors import CommandError, Exit
from benchtool.frames.osdp.keys import KeyRing, KeySource
from benchtool.simulate.answering import Answering
from benchtool.simulate.build import controller_station, device_station, identity_of
from benchtool.simulate.crowd import Crowd
from benchtool.simulate.osdp_device_session import DeviceSession
from benchtool.simulate.osdp_panel_session import PanelSession
from benchtool.simulate.panel import Panel
from benchtool.simulate.peripheral import Peripheral
from benchtool.simulate.scenario import check, load
from benchtool.simulate.specs import ControllerSpec, DeviceSpec, LineSpec, Scenario, ScenarioError
from benchtool.simulate.station import Station

KINDS = {"reader": ("reader", "keypad"), "interface": ("interface",)}
"""Which devices of a scenario a role stands in for."""


class Keys(NamedTuple):
    """What the secure channel is to be begun with, and whether it must be."""

    ring: KeyRing
    default_key: bool
    required: bool

    @property
    def wanted(self) -> bool:
        """Whether there is to be a secure channel at all."""
        return bool(self.ring.given) or self.default_key

    def installed(self, address: int, cuid: bytes) -> list[bytes]:
        """The keys that may be a device's, but for the default key."""
        return [key.octets for key in self.ring.for_address(address, cuid) if key.source is not KeySource.DEFAULT]


def scenario_for(name: str | None, role: str, addresses: Sequence[int], protocol: str | None) -> Scenario:
    """The scenario by its name, cut down to `addresses` where given; or one made of `addresses` (default: 0 or 1)."""
    addresses = tuple(dict.fromkeys(addresses))
    try:
        if name is None:
            spoken = protocol or "osdp"
            kind = role if role in KINDS else "reader"
            devices = tuple(
                DeviceSpec(f"{kind} {address}", address, 0.0, kind)
                for address in addresses or ((0,) if spoken == "osdp" else (1,))
            )
            made = Scenario(
                "a stand-in", "", ControllerSpec("controller", protocol=spoken), devices, LineSpec(length_m=1.0)
            )
        else:
            made = load(name)
            if protocol is not None and protocol != made.controller.protocol:
                raise ScenarioError(f"{name} speaks {made.controller.protocol}, not {protocol}")
            for address in addresses:
                made.device_at(address)
            kinds = KINDS.get(role)
            devices = tuple(
                device
                for device in made.devices
                if (not addresses or device.address in addresses) and (kinds is None or device.kind in kinds)
            )
            if not devices:
                raise ScenarioError(f"{name} has no {role} to stand in for")
            made = replace(made, devices=devices)
        check(made)
    except ScenarioError as error:
        raise CommandError(str(error), Exit.USAGE) from None
    return made


def controller_for(
    scenario: Scenario,
    settings: LineSettings,
    keys: Keys,
    heard: Callable[[int, int, bytes], None],
    notice: Callable[[int, str], None],
) -> Station:
    """The controller of the scenario, a `Panel` where it speaks OSDP."""
    sessions: dict[int, PanelSession] = {}
    if keys.wanted:
        from benchtool.frames.osdp.secure import DEFAULT, INSTALLED

        kinds = [INSTALLED] if keys.ring.given else []
        kinds += [DEFAULT] if keys.default_key else []
        for device in scenario.devices:
            address = device.address
            session = PanelSession(_keys_of(keys, address), random=os.urandom, kinds=kinds)
            sessions[address] = session
    station = controller_station(
        scenario,
        scenario.controller,
        settings,
        sessions=sessions,
        clear_too=not keys.required,
        heard=heard,
        notice=notice,
    )
    if isinstance(station, Panel):
        for session in sessions.values():
            session.happened = _teller(notice, _address_in(station, session))
    return station


def devices_for(
    scenario: Scenario, settings: LineSettings, keys: Keys, notice: Callable[[int, str], None], seed: int
) -> Crowd:
    """The scenario's devices as one station; `notice(address, text)` tells of what they are made to do."""
    members: list[Answering] = []
    for index, spec in enumerate(scenario.devices):
        session = None
        if keys.wanted:
            identity = identity_of(spec)
            from benchtool.frames.osdp.secure import cuid_of

            own = keys.installed(spec.address, cuid_of(identity))
            session = DeviceSession(
                identity,
                random=os.urandom,
                key=own[0] if own else None,
                default_too=keys.default_key,
                required=keys.required,
            )
        rng = np.random.Generator(np.random.PCG64([seed, 1, index]))
        member = device_station(scenario, spec, settings, rng, session=session, contacts=True)
        if isinstance(member, Peripheral):
            tell = _teller(notice, _address_of(member))
            member.functions.happened = tell
            if session is not None:
                session.happened = tell
        members.append(member)
    return Crowd("stand-in", members, settings)


def device_of(crowd: Crowd, address: int | None) -> Peripheral:
    """The OSDP device at an address, or the first; ScenarioError where there is none."""
    for member in crowd.members:
        if isinstance(member, Peripheral) and address in (None, member.address):
            return member
    where = "here" if address is None else f"at address {address}"
    raise ScenarioError(f"there is no OSDP device {where}")


def _keys_of(keys: Keys, address: int) -> Callable[[bytes], list[bytes]]:
    return lambda cuid: keys.installed(address, cuid)


def _address_in(panel: Panel, session: PanelSession) -> Callable[[], int]:
    """Where the session's device is now: a COMSET may have moved it."""
    return lambda: next(address for address in panel.addresses if panel.session(address) is session)


def _address_of(device: Peripheral) -> Callable[[], int]:
    return lambda: device.address


def _teller(notice: Callable[[int, str], None], address: Callable[[], int]) -> Callable[[str], None]:
    return lambda text: notice(address(), text)
