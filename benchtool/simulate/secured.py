"""Secure channels of a scenario's controller and devices: whose key is which, and random numbers by the seed.

The keys guard nothing but a simulated bus. They are taken from a file all the same, never from an argument, so that
what is learned here is right for a real one. Facts: sheet 5.8.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

import numpy as np

from benchtool.frames.osdp.keys import KeyRing, KeySource, KeyText
from benchtool.frames.osdp.secure import DEFAULT, INSTALLED, cuid_of
from benchtool.simulate.osdp_device_session import DeviceSession
from benchtool.simulate.osdp_panel_session import PanelSession
from benchtool.simulate.specs import DeviceSpec, Scenario, ScenarioError


def keys_of(scenario: Scenario, text: str, identity_of: Callable[[DeviceSpec], bytes]) -> dict[int, bytes]:
    """The key of each secure device, by its address, from a key file's text; ScenarioError without the key."""
    try:
        ring = KeyRing.parse(text)
    except KeyText as error:
        raise ScenarioError(str(error)) from None
    secure = [device for device in scenario.devices if device.secure]
    if not secure:
        raise ScenarioError("this scenario has no secure device: see secure = true in docs/scenarios.md")
    made: dict[int, bytes] = {}
    for device in secure:
        tried = ring.for_address(device.address, cuid_of(identity_of(device)))
        found = [key.octets for key in tried if key.source is not KeySource.DEFAULT]
        if not found:
            raise ScenarioError(f"there is no key for address {device.address} in it")
        made.setdefault(device.address, found[0])
    return made


def device_session(spec: DeviceSpec, identity: bytes, key: bytes | None, seed: list[int]) -> DeviceSession:
    """A device's side: with a key of its own, or with the default key."""
    return DeviceSession(identity, random=_random(seed), key=key, default_too=key is None, required=spec.secure)


def panel_sessions(scenario: Scenario, keys: Mapping[int, bytes], seed: list[int]) -> dict[int, PanelSession]:
    """A controller's side, one a secure device."""
    made: dict[int, PanelSession] = {}
    for device in scenario.devices:
        if device.secure and device.address not in made:
            key = keys.get(device.address)
            made[device.address] = PanelSession(
                _always(key), random=_random([*seed, device.address]), kinds=[DEFAULT if key is None else INSTALLED]
            )
    return made


def _always(key: bytes | None) -> Callable[[bytes], list[bytes]]:
    return lambda _: [] if key is None else [key]


def _random(seed: list[int]) -> Callable[[int], bytes]:
    """Unpredictable enough for a bus that is not there, and the same with the same seed."""
    return np.random.Generator(np.random.PCG64(seed)).bytes
