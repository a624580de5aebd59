"""Client against servers on a line that loses, damages, repeats and cuts frames, and adds noise.

Never stuck, never an unhandled exception, never a false accept: an answer taken as one is what the server then held.
"""

from __future__ import annotations

from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, rule

from benchtool.capture.chunk import Chunk
from benchtool.capture.settings import LineSettings
from benchtool.simulate.modbus_client import Client
from benchtool.simulate.modbus_framing import Mode
from benchtool.simulate.modbus_points import Points, Table
from benchtool.simulate.modbus_query import Outcome, Query, Result
from benchtool.simulate.modbus_server import Server, Servers
from benchtool.simulate.modbus_unit import Unit
from benchtool.simulate.station import Station

LINE = LineSettings(19200)
S, MS = 1_000_000_000, 1_000_000
LIMIT_NS = 100 * MS
HOW = ("sound", "sound", "sound", "lost", "flipped", "cut", "twice", "noise before", "noise after", "in lumps")


class Storm(RuleBasedStateMachine):
    """Each rule lets one thing happen; time goes on only here."""

    @initialize(mode=st.sampled_from(Mode), retries=st.integers(0, 2))
    def begin(self, mode: Mode, retries: int) -> None:
        self.now_ns = 0
        self.spoilt = False
        self.client = Client("client", LINE, mode=mode, reply_limit_ns=LIMIT_NS, retries=retries, on_result=self.judge)
        self.members = []
        for address in (5, 6):
            # Each place says which server and address it is, so that a wrong answer cannot pass for the right one.
            tables = {
                Table.HOLDING: {at: address << 8 | at for at in range(200)},
                Table.COILS: dict.fromkeys(range(50), 0),
            }
            self.members.append(
                Server(f"server {address}", address, LINE, Unit(Points(tables)), mode=mode, reply_ns=5 * MS)
            )
        self.servers = Servers("servers", self.members, LINE, mode=mode)
        self.asked = self.ended = 0

    def judge(self, result: Result) -> None:
        self.ended += 1
        query, values = result.query, result.values
        if result.outcome is not Outcome.ANSWERED:
            assert self.spoilt or result.outcome is Outcome.REFUSED or query.address not in (5, 6)
            return
        if query.function == 3:
            start, quantity = query.values["start"], query.values["quantity"]
            assert values["registers"] == [query.address << 8 | at for at in range(start, start + quantity)]
        elif query.function == 5:
            held = self.members[query.address - 5].unit.points.get(Table.COILS, query.values["address"])
            assert held == [int(query.values["value"] == "on")]

    @rule(address=st.sampled_from([5, 6, 6, 7]), start=st.integers(0, 210), quantity=st.integers(1, 125))
    def read(self, address: int, start: int, quantity: int) -> None:
        self.client.ask(Query(address, 3, {"start": start, "quantity": quantity}))
        self.asked += 1

    @rule(address=st.sampled_from([5, 6]), at=st.integers(0, 60), value=st.sampled_from(["on", "off"]))
    def write(self, address: int, at: int, value: str) -> None:
        self.client.ask(Query(address, 5, {"address": at, "value": value}))
        self.asked += 1

    @rule(how=st.lists(st.sampled_from(HOW), min_size=1, max_size=6), seed=st.integers(0, 10**9))
    def pass_on(self, how: list[str], seed: int) -> None:
        """Let the next transmissions happen, each in one of these ways."""
        for number, way in enumerate(how):
            said = self.next_said()
            if said is None:
                return
            speaker, octets = said
            listener: Station = self.servers if speaker is self.client else self.client
            self.carry(listener, octets, way, seed + number)

    @rule(
        address=st.sampled_from([5, 6]),
        start=st.integers(0, 100),
        quantity=st.integers(1, 60),
        asking=st.sampled_from(("sound", "sound", "sound", "twice", "in lumps")),
        answering=st.sampled_from(HOW[3:]),
        seed=st.integers(0, 10**9),
    )
    def exchange(self, address: int, start: int, quantity: int, asking: str, answering: str, seed: int) -> None:
        """A read whose answer suffers."""
        self.calm()
        self.client.ask(Query(address, 3, {"start": start, "quantity": quantity}))
        self.asked += 1
        while self.ended < self.asked:
            said = self.next_said()
            if said is None:
                return
            to_servers = said[0] is self.client
            listener: Station = self.servers if to_servers else self.client
            self.carry(listener, said[1], asking if to_servers else answering, seed)

    def next_said(self) -> tuple[Station, bytes] | None:
        """The next transmission of anybody; None where nobody has anything to say."""
        for _ in range(100):
            wakes = [
                (wake, n) for n, one in enumerate((self.client, self.servers)) if (wake := one.wake_ns()) is not None
            ]
            if not wakes:
                return None
            wake, number = min(wakes)
            station: Station = (self.client, self.servers)[number]
            self.now_ns = max(self.now_ns, wake)
            octets = station.act(self.now_ns)
            if octets is not None:
                return station, octets
        raise AssertionError("stuck: a hundred turns and nothing said")

    def carry(self, listener: Station, octets: bytes, way: str, seed: int) -> None:
        self.spoilt = self.spoilt or way not in ("sound", "in lumps")
        if way == "lost":
            self.now_ns += len(octets) * LINE.char_ns
            return
        if way == "flipped":
            at = seed % len(octets)
            octets = octets[:at] + bytes((octets[at] ^ 1 << seed // 7 % 8,)) + octets[at + 1 :]
        elif way == "cut":
            octets = octets[: max(1, seed % len(octets))]
        elif way == "twice":
            octets = octets * 2
        elif way.startswith("noise"):
            noise = seed.to_bytes(5, "big")[: 1 + seed % 5]
            octets = noise + octets if way == "noise before" else octets + noise
        size = 7 if way == "in lumps" else len(octets)
        for at in range(0, len(octets), size):
            piece = octets[at : at + size]
            end_ns = self.now_ns + len(piece) * LINE.char_ns
            listener.hear(Chunk(self.now_ns, end_ns, piece))
            self.now_ns = end_ns

    @rule()
    def calm(self) -> None:
        """Without further damage everything that was asked comes to an end."""
        for _ in range(40 * (self.asked - self.ended) + 40):
            if self.client.idle and self.servers.wake_ns() is None:
                break
            said = self.next_said()
            if said is not None:
                self.carry(self.servers if said[0] is self.client else self.client, said[1], "sound", 0)
        assert self.client.idle
        assert self.ended == self.asked
        # From a quiet line on, what is sound is answered again.
        self.now_ns += 2 * S
        self.spoilt = False

    @invariant()
    def nothing_ends_twice(self) -> None:
        if hasattr(self, "client"):
            assert self.ended <= self.asked


Storm.TestCase.settings = settings(
    max_examples=60, stateful_step_count=20, deadline=None, suppress_health_check=list(HealthCheck)
)
TestStorm = Storm.TestCase
