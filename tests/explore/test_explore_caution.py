"""What traffic does not determine is not claimed: bits without meaning, and octets read at a wrong rate."""

from __future__ import annotations

import numpy as np
import pytest

from benchtool.capture.chunk import Item
from benchtool.capture.settings import CharFormat, LineSettings
from benchtool.commands.session import Session
from benchtool.explore.explore import explore
from benchtool.explore.talk import Seen, roles_of
from benchtool.frames.frame import Role
from benchtool.taps.address import open_tap

MS = 1_000_000


def exchanges(count: int, seed: int, *, said: bool) -> list[Seen]:
    """Requests and replies of random octets, parted by silences; `said`: the first octet's top bit marks replies."""
    rng = np.random.Generator(np.random.PCG64(seed))
    frames, now = [], 0
    for _ in range(count):
        for reply in (False, True):
            octets = bytearray(rng.bytes(6))
            if said:
                octets[0] = octets[0] & 0x7F | 0x80 * reply
            frames.append(Seen(now, now + 6 * MS, bytes(octets), True))
            now += 6 * MS + (50 * MS if reply else 4 * MS)
    return frames


@pytest.mark.parametrize("count", [4, 8, 12, 30])
def test_no_octet_is_said_to_tell_who_speaks_where_none_does(count: int) -> None:
    claimed = 0
    for seed in range(25):
        found = roles_of(exchanges(count, seed, said=False))
        claimed += found is not None and found.rule is not None
    assert claimed <= 1


def test_the_bit_that_marks_replies_is_found() -> None:
    for seed in range(10):
        found = roles_of(exchanges(20, seed, said=True))
        assert found is not None
        assert found.rule is not None
        assert (found.rule.place.at, found.rule.place.mask) == (0, 0x80)
        assert found.roles == (Role.REQUEST, Role.REPLY) * 20


@pytest.mark.parametrize(("address", "settings"), [("sim:modbus?for=20", "9600"), ("sim:demo?for=10", "19200")])
def test_a_wrong_rate_is_said_and_nothing_is_made_of_its_octets(address: str, settings: str) -> None:
    items: list[Item] = []
    session = Session(open_tap(address, LineSettings(int(settings), CharFormat())), on_item=items.append)
    session.run()
    found = explore(items, session.tap.info)
    assert found.claims == ()
    assert found.table is None
    assert "line errors" in found.open_questions[0]
    assert "--baud auto" in found.open_questions[0]
