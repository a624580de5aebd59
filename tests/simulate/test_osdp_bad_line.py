"""Panel against peripheral over a line that loses, damages, repeats and delays frames.

The invariant, in one sentence: whatever the line does, nobody raises, no card or command is believed that was not sent,
and once the line is sound again the device is on-line and does what it is told.
"""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchtool.frames.osdp.codes import Command, Reply
from benchtool.frames.osdp.secure import DEFAULT, INSTALLED
from benchtool.simulate.misdeeds import Injected, Misbehaving, Misdeed
from benchtool.simulate.osdp_device_session import DeviceSession
from benchtool.simulate.osdp_panel_session import PanelSession
from benchtool.simulate.panel import Panel
from benchtool.simulate.peripheral import Peripheral
from benchtool.simulate.station import Station
from tests.simulate.lockstep import MS, SETTINGS, S, heard, octets

IDENTITY = octets("020b7e010101000102030400")
KEY, NEW_KEY = bytes(range(0x40, 0x50)), bytes(range(0x60, 0x70))
CARDS = [bytes((0, 1, 26, 0, number, 0x87, 0xFF, 0xC0)) for number in range(20)]
TEXTS = [bytes((0, 1, 0, 1, 1, 2)) + bytes((0x41 + number, 0x42)) for number in range(20)]
TROUBLE = ("sound", "lost", "damaged", "cut", "twice", "late", "noise")
ROUGH = st.lists(st.tuples(st.sampled_from(TROUBLE), st.integers(0, 255)), min_size=5, max_size=120)


class Line:
    """Carries what two stations say; `troubles` befall the first transmissions, one each."""

    def __init__(self, panel: Panel, device: Peripheral, troubles: list[tuple[str, int]]) -> None:
        self.panel, self.device = panel, device
        self.troubles = list(troubles)[::-1]
        self.later: list[tuple[int, Station, bytes]] = []
        self.free_ns = 0

    def run(self, until_ns: int) -> None:
        """Both act in order of time until then."""
        while True:
            due = [
                (wake_ns, n)
                for n, one in enumerate((self.panel, self.device))
                if (wake_ns := one.wake_ns()) is not None
            ]
            due += [(at_ns, 2 + n) for n, (at_ns, _, _) in enumerate(self.later)]
            now_ns, number = min(due)
            if now_ns >= until_ns:
                return
            if number >= 2:
                _, station, data = self.later.pop(number - 2)
                self._deliver(station, data, now_ns)
                continue
            talker: Station = (self.panel, self.device)[number]
            other: Station = (self.device, self.panel)[number]
            data_or_none = talker.act(now_ns)
            if data_or_none is not None:
                self._carry(other, data_or_none, now_ns)

    def _deliver(self, station: Station, data: bytes, now_ns: int) -> None:
        begin_ns = max(now_ns, self.free_ns)
        chunk = heard(data, begin_ns)
        self.free_ns = chunk.end_ns
        station.hear(chunk)

    def _carry(self, other: Station, data: bytes, now_ns: int) -> None:
        trouble, number = self.troubles.pop() if self.troubles else ("sound", 0)
        if trouble == "lost":
            return
        if trouble == "damaged":
            at = number % len(data)
            data = data[:at] + bytes((data[at] ^ (number or 1),)) + data[at + 1 :]
        elif trouble == "cut":
            data = data[: number % len(data)]
        elif trouble == "noise":
            data = bytes((number, 0x53, number ^ 0xFF)) + data
        elif trouble == "late":
            self.later.append((now_ns + number * 2 * MS, other, data))
            return
        elif trouble == "twice":
            self.later.append((now_ns + number * 2 * MS, other, data))
        if data:
            self._deliver(other, data, now_ns)


def build(how: str, seed: int) -> tuple[Panel, Peripheral, list[bytes], list[bytes]]:
    """Panel and device; the cards that the panel believed, the texts that the device showed."""
    random = np.random.default_rng(seed).bytes
    cards: list[bytes] = []
    shown: list[bytes] = []

    def react(_address: int, code: int, data: bytes) -> list[tuple[int, int, bytes]]:
        if code == Reply.RAW:
            cards.append(data)
        return []

    own = None
    sessions = {}
    if how != "clear":
        kind = DEFAULT if how == "default" else INSTALLED
        own = DeviceSession(IDENTITY, random=random, key=None if how == "default" else KEY, required=True)
        sessions[5] = PanelSession(lambda _: [KEY, NEW_KEY], random=random, kinds=(kind,))
    panel = Panel("panel", [5], SETTINGS, poll_gap_ns=20 * MS, react=react, sessions=sessions)
    device = Peripheral(
        "device",
        5,
        SETTINGS,
        identity=IDENTITY,
        capabilities=b"",
        reply_ns=3 * MS,
        rng=np.random.default_rng(seed),
        session=own,
    )
    device.functions.happened = lambda text: shown.append(text.encode())
    return panel, device, cards, shown


@pytest.mark.parametrize("how", ["clear", "own", "default"])
@settings(max_examples=60)
@given(troubles=ROUGH, seed=st.integers(0, 2**32 - 1))
def test_whatever_the_line_does(how: str, troubles: list[tuple[str, int]], seed: int) -> None:
    panel, device, cards, shown = build(how, seed)
    line = Line(panel, device, troubles)
    for number, card in enumerate(CARDS[:6]):
        device.functions.report(Reply.RAW, card)
        panel.send(5, Command.TEXT, TEXTS[number])
        line.run((number + 1) * S)
    line.troubles.clear()
    line.run(30 * S)
    assert panel.is_online(5)
    # No card and no text that was not sent, none in another order; each card at most twice (the line's own doing).
    assert set(cards) <= set(CARDS[:6])
    assert [CARDS.index(card) for card in cards] == sorted(CARDS.index(card) for card in cards)
    expected = {f"text {chr(0x41 + number)}B" for number in range(6)}
    assert {text.decode().rsplit(", ", 1)[1] for text in shown} <= expected
    if how != "clear":
        assert len(cards) == len(set(cards))
        assert len(shown) == len(set(shown))
    # And all is well again.
    cards.clear()
    device.functions.report(Reply.RAW, CARDS[9])
    panel.send(5, Command.TEXT, TEXTS[9])
    line.run(32 * S)
    assert CARDS[9] in cards
    assert shown[-1].endswith(b"text JB")


@settings(max_examples=25)
@given(troubles=ROUGH, seed=st.integers(0, 2**32 - 1))
def test_a_key_change_on_a_bad_line_leaves_both_with_a_key(troubles: list[tuple[str, int]], seed: int) -> None:
    # Both ends take part in the change, or neither: a lost ACK may leave the device with the new key alone.
    panel, device, _, _ = build("own", seed)
    line = Line(panel, device, [])
    line.run(2 * S)
    assert panel.is_online(5)
    panel.send(5, Command.KEYSET, bytes((1, 16)) + NEW_KEY)
    line.troubles = list(troubles)
    line.run(10 * S)
    line.troubles.clear()
    line.run(40 * S)
    assert panel.is_online(5)


@pytest.mark.parametrize("misdeed", list(Misdeed))
@pytest.mark.parametrize("how", ["clear", "own"])
@pytest.mark.parametrize("whose", ["device", "panel"])
def test_a_partner_that_misbehaves_every_fifth_time_is_lived_with(misdeed: Misdeed, how: str, whose: str) -> None:
    panel, device, cards, _ = build(how, 3)
    spoilt = Misbehaving(device if whose == "device" else panel, Injected(misdeed, every=5))
    stations: list[Station] = [spoilt, panel if whose == "device" else device]
    said = 0
    now_ns = 0
    reported = 0
    while now_ns < 60 * S:
        due = [(wake_ns, n) for n, one in enumerate(stations) if (wake_ns := one.wake_ns()) is not None]
        now_ns, number = min(due)
        data = stations[number].act(now_ns)
        if data:
            said += 1
            stations[1 - number].hear(heard(data, now_ns))
        if now_ns > reported * S and reported < len(CARDS):
            device.functions.report(Reply.RAW, CARDS[reported])
            reported += 1
    assert spoilt.done > 10
    assert said > 100
    assert len(set(cards)) > 10
    assert set(cards) <= set(CARDS)
