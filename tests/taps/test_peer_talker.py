"""libosdp, an independent open OSDP stack, and our stand-ins through the talker over a pseudo-terminal, in both roles.

Both ends are turned in lock-step in one thread (the sheet of measurements says why). The peer keeps real time: where a
stall of the host breaks its session it begins again, and so do we; only the end of a story counts.
"""

from __future__ import annotations

import os
import pty
import tty
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from functools import wraps
from typing import Any

import numpy as np
import pytest

pytest.importorskip("osdp", reason="libosdp, the peer, is not installed")

import osdp.constants
import osdp.control_panel
import osdp.helpers
import osdp.peripheral_device

from benchtool.capture.settings import LineSettings
from benchtool.commands.stand_in import Keys, device_of, devices_for, scenario_for
from benchtool.frames.osdp.codes import Command, Reply
from benchtool.frames.osdp.keys import KeyRing
from benchtool.frames.osdp.secure import DEFAULT, DEFAULT_KEY, INSTALLED
from benchtool.simulate.crowd import Crowd
from benchtool.simulate.osdp_actions import command_of, parse_action, perform
from benchtool.simulate.osdp_device_session import DeviceSession
from benchtool.simulate.osdp_functions import Functions
from benchtool.simulate.osdp_panel_session import PanelSession
from benchtool.simulate.osdp_survey import Surveyor
from benchtool.simulate.panel import Panel
from benchtool.simulate.peripheral import Peripheral
from benchtool.simulate.station import Station
from benchtool.taps.clock import SystemClock
from benchtool.taps.talker import Talker
from benchtool.taps.talker_line import Switching
from benchtool.taps.talker_port import open_talk_port
from tests import peer_libosdp as peer

pytestmark = pytest.mark.peer
FAST = LineSettings(115200)
KEY = bytes(range(0x40, 0x50))
NEW_KEY = bytes(range(0x60, 0x70))
CAP = osdp.constants.Capability
LOG = osdp.constants.LogLevel.Emergency
FLAG = osdp.constants.LibFlag
IDENTITY = bytes.fromhex("020b7e 01 01 0700a100 01 04 00")
CAPABILITIES = bytes.fromhex("010102 020402 040401 050201 060101 080100 090101 0A8000 0D0001")


def unstalled(test: Callable[[str], None]) -> Callable[[str], None]:
    """Tell the story anew where a stall of the host broke it."""

    @wraps(test)
    def again(how: str) -> None:
        for _ in range(2):
            with suppress(peer.StalledError):
                return test(how)
        return test(how)

    return again


def _kept(events: list[dict[str, Any]]) -> Callable[[int, dict[str, Any]], int]:
    def keep(_device: int, event: dict[str, Any]) -> int:
        events.append(event)
        return 0

    return keep


class Bench:
    """Our station on one end of a pseudo-terminal, the peer's channel on the other; `turn` moves both."""

    def __init__(self, station: Station, descriptor: int, device: str) -> None:
        self.port = open_talk_port(device, FAST, Switching.ADAPTER, SystemClock())
        self.talker = Talker(station, self.port, SystemClock())
        self.sent: list[tuple[int, str, bytes]] = []
        self.channel = peer._Terminal(descriptor, ">", self.sent)
        self.refresh: Callable[[], None] = lambda: None

    def until(self, done: Callable[[], bool]) -> None:
        for _ in range(peer.SPINS):
            self.refresh()
            self.talker.turn(0)
            if done():
                return
        raise peer.StalledError


@contextmanager
def bench(station: Station) -> Iterator[Bench]:
    ours, theirs = pty.openpty()
    tty.setraw(ours)
    tty.setraw(theirs)
    os.set_blocking(ours, False)
    made = Bench(station, ours, os.ttyname(theirs))
    try:
        yield made
    finally:
        made.refresh = lambda: None
        made.port.close()
        os.close(ours)
        os.close(theirs)


def device(session: DeviceSession | None) -> Peripheral:
    return Peripheral(
        "device",
        7,
        FAST,
        identity=IDENTITY,
        capabilities=CAPABILITIES if session is not None else CAPABILITIES.replace(bytes((9, 1, 1)), b""),
        reply_ns=0,
        rng=np.random.default_rng(1),
        session=session,
        functions=Functions(identity=IDENTITY, capabilities=CAPABILITIES, inputs=2, outputs=2)
        if session is not None
        else None,
    )


def session_of(key: bytes | None) -> DeviceSession:
    return DeviceSession(IDENTITY, random=os.urandom, key=key, default_too=key is None, required=key is not None)


@pytest.mark.parametrize("how", ["clear", "default key", "own key"])
@unstalled
def test_the_peer_controls_our_device(how: str) -> None:
    session = None if how == "clear" else session_of(KEY if how == "own key" else None)
    ours = device(session)
    told: list[str] = []
    channel: list[str] = []
    ours.functions.happened = told.append
    if session is not None:
        session.happened = channel.append
    with bench(Crowd("stand-in", [ours], FAST)) as on:
        info = osdp.helpers.PDInfo(7, on.channel, scbk=None if how == "clear" else KEY)
        panel = osdp.control_panel.ControlPanel([info], log_level=LOG).ctx
        events: list[dict[str, Any]] = []
        panel.set_event_callback(_kept(events))
        on.refresh = panel.refresh
        on.until(lambda: bool(panel.status() & 1) and (how == "clear" or bool(panel.sc_status() & 1)))
        for line in ("card 26-bit 101 4095", "keys 12#", "tamper open", "input 1 on"):
            perform(parse_action(line), ours.functions)
        on.until(lambda: len(events) == 4)
        commands = osdp.constants.Command
        for kind, what in (
            (commands.LED, peer.LED),
            (commands.Buzzer, peer.BUZZER),
            (commands.Output, peer.OUTPUT),
            (commands.Text, peer.TEXT),
        ):
            before = len(told)
            assert panel.submit_command(0, {"command": kind} | what)
            on.until(lambda before=before: len(told) > before)  # type: ignore[misc]
        secured = bool(panel.sc_status() & 1)
        # It goes on at the new address with the number after COMSET's.
        assert panel.submit_command(0, {"command": commands.Comset, "address": 9, "baud_rate": 115200})
        on.until(lambda: ours.address == 9)
        perform(parse_action("card 26-bit 101 4095"), ours.functions)
        on.until(lambda: len(events) == 5)
        assert panel.status() & 1
    kinds = osdp.constants.Event
    assert [event["event"] for event in events[:4]] == [kinds.CardRead, kinds.KeyPress, kinds.Status, kinds.Status]
    # sheet 6.2: site 101, number 4095
    assert events[0].items() >= {"reader_no": 0, "length": 26, "data": bytes.fromhex("3287FFC0")}.items()
    assert events[1]["data"] == b"12\r"
    assert [text.split()[0] for text in told[:4]] == ["LED", "BUZ", "OUT", "TEXT"]
    assert "PLEASE WAIT" in told[3]
    assert secured == (how != "clear")
    if session is not None:
        # A device that has no key yet is first met on the default key, given the controller's, and met on that.
        begun = [text for text in channel if text.startswith("secure channel on")]
        assert begun[-1:] == ["secure channel on the installed key"]
        assert ("a new key set; the next session takes it" in channel) == (how == "default key")


@pytest.mark.parametrize("how", ["reader", "interface"])
@unstalled
def test_the_peer_takes_inputs_of_the_devices_that_simulate_stands_in_with(how: str) -> None:
    crowd = devices_for(scenario_for(None, how, [7], None), FAST, Keys(KeyRing(), False, False), lambda *_: None, 1)
    with bench(crowd) as on:
        panel = osdp.control_panel.ControlPanel([osdp.helpers.PDInfo(7, on.channel, scbk=None)], log_level=LOG).ctx
        events: list[dict[str, Any]] = []
        panel.set_event_callback(_kept(events))
        on.refresh = panel.refresh
        on.until(lambda: bool(panel.status() & 1))
        perform(parse_action("input 1 on"), device_of(crowd, 7).functions)
        on.until(lambda: bool(events))
        assert events[0]["event"] == osdp.constants.Event.Status
        perform(parse_action("card 26-bit 101 4095"), device_of(crowd, 7).functions)
        on.until(lambda: len(events) == 2)
        assert panel.status() & 1


@pytest.mark.parametrize("how", ["clear", "default key", "own key"])
@unstalled
def test_we_control_the_peers_device(how: str) -> None:
    heard: list[tuple[int, bytes]] = []

    def react(_address: int, code: int, data: bytes) -> list[tuple[int, int, bytes]]:
        heard.append((code, data))
        return []

    kinds = {"default key": (DEFAULT,), "own key": (INSTALLED,)}.get(how)
    sessions = {}
    if kinds is not None:
        sessions[7] = PanelSession(lambda _: [KEY], random=os.urandom, kinds=kinds)
    panel = Panel("panel", [7], FAST, poll_gap_ns=1_000_000, react=react, sessions=sessions)
    with bench(panel) as on:
        flags = [FLAG.InstallMode] if how == "default key" else []
        scbk = KEY if how == "own key" else None
        identity = osdp.helpers.PdId(1, 2, 0xC0FFEE, 123456, 0x010203)
        info = osdp.helpers.PDInfo(7, on.channel, scbk=scbk, flags=flags, id=identity)
        capabilities = osdp.helpers.PDCapabilities(
            [
                (CAP.OutputControl, 1, 2),
                (CAP.LEDControl, 4, 2),
                (CAP.AudibleControl, 1, 1),
                (CAP.TextOutput, 1, 1),
                (CAP.CommunicationSecurity, 1, 1),
                (CAP.Readers, 0, 1),
            ]
        )
        theirs = osdp.peripheral_device.PeripheralDevice(info, capabilities, log_level=LOG).ctx
        commands: list[dict[str, Any]] = []

        def take(command: dict[str, Any]) -> tuple[int, None]:
            commands.append(command)
            return 0, None

        theirs.set_command_callback(take)
        on.refresh = theirs.refresh
        on.until(lambda: panel.is_online(7) and (how != "own key" or theirs.is_sc_active()))
        for line in ("led green 2", "buzz 3", "output 1 5", "text HELLO"):
            before = len(commands)
            panel.send(7, *command_of(parse_action(line)))
            on.until(lambda before=before: len(commands) > before)  # type: ignore[misc]
        event = osdp.constants.Event
        for kind, what in ((event.CardRead, peer.CARD), (event.KeyPress, peer.KEYS), (event.Status, peer.TAMPER)):
            assert theirs.submit_event({"event": kind} | what)
        on.until(lambda: {Reply.RAW, Reply.KEYPAD, Reply.LSTATR} <= {code for code, _ in heard})
        if how == "default key":
            panel.send(7, Command.KEYSET, bytes((1, 16)) + NEW_KEY)
            on.until(lambda: any(command["command"] == osdp.constants.Command.Keyset for command in commands))
            on.until(lambda: panel.is_online(7) and not sessions[7].on_default_key)
            before = len(commands)
            panel.send(7, *command_of(parse_action("text BYE")))
            on.until(lambda: len(commands) > before)
        else:
            panel.send(7, *command_of(parse_action("comset 9 115200")))
            on.until(lambda: panel.addresses == [9] and panel.is_online(9))
    wanted = osdp.constants.Command
    assert [command["command"] for command in commands[:4]] == [wanted.LED, wanted.Buzzer, wanted.Output, wanted.Text]
    assert commands[2].items() >= {"output_no": 1, "control_code": 5, "timer_count": 50}.items()
    assert (Reply.RAW, bytes.fromhex("0001 1A00 3287FFC0")) in heard
    assert DEFAULT_KEY not in (KEY, NEW_KEY)


@pytest.mark.parametrize("how", ["default key", "own key"])
@unstalled
def test_we_survey_the_peers_device(how: str) -> None:
    surveyor = Surveyor([6, 7], FAST, wait_ns=50_000_000, random=os.urandom)
    with bench(surveyor) as on:
        flags = [FLAG.InstallMode] if how == "default key" else []
        identity = osdp.helpers.PdId(1, 2, 0xC0FFEE, 123456, 0x010203)
        scbk = None if how == "default key" else KEY
        info = osdp.helpers.PDInfo(7, on.channel, scbk=scbk, flags=flags, id=identity)
        capabilities = osdp.helpers.PDCapabilities([(CAP.CommunicationSecurity, 1, 1), (CAP.Readers, 0, 1)])
        theirs = osdp.peripheral_device.PeripheralDevice(info, capabilities, log_level=LOG).ctx
        on.refresh = theirs.refresh
        on.until(lambda: surveyor.done)
        del theirs
    absent, found = surveyor.answers
    if not found.sound or found.default_key is None:
        raise peer.StalledError
    assert not absent.there
    assert not found.clash
    # the peer's identity: OUI, model, version, serial, firmware, as it puts them in PDID
    assert [one[5:9] for one in found.identities] == [(123456).to_bytes(4, "little")]
    assert found.capabilities is not None
    assert bytes((9, 1, 0)) in found.capabilities or bytes((9, 1, 1)) in found.capabilities
    assert found.default_key == (how == "default key")
