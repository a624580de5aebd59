"""Exploring invented buses whole: claims against the truth, the table against the traffic, honesty about the rest."""

from __future__ import annotations

import random

import pytest

from benchtool.capture.chunk import Chunk, LineErrors, TapInfo
from benchtool.capture.settings import LineSettings
from benchtool.explore.claims import Claim, What, confidence
from benchtool.explore.explore import decoded, explore
from benchtool.explore.invented import draw, traffic
from benchtool.explore.judge import missing, verdicts
from benchtool.explore.lengths import cut, cutting_rules, length_fields
from benchtool.frames.frame import Frame, Role
from benchtool.frames.osdp.build import build_frame
from benchtool.frames.protocol_file import from_toml, to_toml
from benchtool.frames.protocol_table import LengthRule, Place

SEEDS = tuple(range(1, 25))


@pytest.mark.parametrize("lump_ns", [0, 16_000_000])
def test_most_claims_are_right_and_confidence_says_how_many(lump_ns: int) -> None:
    judged = []
    absent = 0
    for seed in SEEDS[: 18 if lump_ns == 0 else 4]:
        made = draw(seed)
        heard = traffic(made, seed, frames=90, lump_ns=lump_ns)
        found = explore(heard.chunks, heard.info)
        judged += verdicts(found, made, heard)
        absent += len(missing(found, made))
        assert found.table is not None
        assert to_toml(from_toml(to_toml(found.table))).split("[frame]")[1] == to_toml(found.table).split("[frame]")[1]
        # The table reads the traffic it was learned from: no octet is lost.
        frames = decoded(found.table, heard.chunks, heard.info)
        assert sum(len(frame.octets) for frame in frames) == sum(len(chunk.octets) for chunk in heard.chunks)
    right = sum(verdict.right for verdict in judged) / len(judged)
    said = sum(confidence(verdict.what, verdict.score) for verdict in judged) / len(judged)
    assert right > 0.85
    assert abs(said - right) < 0.12
    assert absent < 0.25 * len(judged)
    checks = [verdict for verdict in judged if verdict.what is What.CHECK]
    assert sum(verdict.right for verdict in checks) >= len(checks) - 1


def osdp_traffic(count: int = 120) -> tuple[list[Chunk], TapInfo]:
    """Polls and answers of three devices; the frames are OSDP's, so that the truth is the standard's (sheet 5.1)."""
    info = TapInfo("osdp", LineSettings(9600), LineErrors.MARKED)
    chooser = random.Random(3)
    chunks: list[Chunk] = []
    t_ns = 0
    sequence = [0, 0, 0, 0]
    for index in range(count // 2):
        address = 1 + index % 3
        sequence[address] = sequence[address] % 3 + 1
        ask = build_frame(address, 0x60, sequence=sequence[address])
        data = chooser.randbytes(4) if chooser.random() < 0.2 else b""
        answer = build_frame(address, 0x48 if data else 0x40, data, sequence=sequence[address], reply=True)
        for octets, wait in ((ask, 3_000_000 + 100_000 * address), (answer, 45_000_000)):
            end = t_ns + len(octets) * info.settings.char_ns
            chunks.append(Chunk(t_ns, end, octets))
            t_ns = end + wait
    return chunks, info


def test_osdp_is_rediscovered() -> None:
    # sheet 5.1 and trap 2: start 53, length in octets 2 and 3, reply bit 7 of octet 1, CRC 1021/1D0F low octet first.
    chunks, info = osdp_traffic()
    found = explore(chunks, info)
    table = found.table
    assert table is not None
    assert table.check is not None
    assert (table.check.poly, table.check.init, table.check.little) == (0x1021, 0x1D0F, True)
    assert table.starts == (b"\x53",)
    assert table.length == LengthRule(Place(2), 0)
    assert table.address == Place(1, mask=0x7F)
    assert table.role_of(chunks[0].octets) is Role.REQUEST
    assert table.role_of(chunks[1].octets) is Role.REPLY
    assert (found.sound, found.damaged) == (120, 0)
    assert found.claim(What.PERIOD) is not None


def test_one_device_shows_no_address_and_a_fixed_octet_is_not_called_a_start_for_sure() -> None:
    chunks, info = osdp_traffic()
    alone = [chunk for chunk in chunks if chunk.octets[1] & 0x7F == 1]
    found = explore(alone, info)
    assert found.claim(What.ADDRESS) is None
    # Its sequence number runs 1, 2, 3 and comes back in the reply: three devices asked in turn would look the same.
    assert any("an address asked in turn or a counter" in text for text in found.open_questions)


def test_damage_is_counted_once_the_check_value_is_known() -> None:
    chunks, info = osdp_traffic()
    wrong = bytearray(chunks[10].octets)
    wrong[5] ^= 4
    damaged = [*chunks[:10], chunks[10]._replace(octets=bytes(wrong)), *chunks[11:]]
    found = explore(damaged, info)
    assert (found.sound, found.damaged) == (119, 1)


def test_too_little_says_nothing() -> None:
    info = TapInfo("quiet", LineSettings())
    found = explore([Chunk(0, 10_000_000, b"abc")], info)
    assert found.claims == ()
    assert found.table is None
    assert "too few" in found.open_questions[0]
    assert explore([], info).table is None


def test_noise_is_not_a_protocol() -> None:
    chooser = random.Random(11)
    chunks = []
    t_ns = 0
    for _ in range(50):
        octets = chooser.randbytes(chooser.randrange(1, 20))
        chunks.append(Chunk(t_ns, t_ns + len(octets) * 1_041_667, octets))
        t_ns += len(octets) * 1_041_667 + chooser.randrange(10_000_000, 60_000_000)
    found = explore(chunks, TapInfo("noise", LineSettings()))
    assert found.claim(What.CHECK) is None
    assert found.claim(What.LENGTH) is None
    assert found.claim(What.ADDRESS) is None
    assert any("no check value" in text for text in found.open_questions)


def test_length_fields() -> None:
    frames = [bytes((2, 1, size, *range(size), 9)) for size in (3, 4, 7)]
    (found,) = length_fields(frames)
    assert found.rule == LengthRule(Place(2), 4)
    assert found.lengths == 3
    assert length_fields(frames[:1]) == []
    assert cut(frames[0] + frames[2], found.rule) == [frames[0], frames[2]]
    assert cut(frames[0] + b"\x01", found.rule) is None
    lumps = [frames[index % 3] + frames[(index + 1) % 3] for index in range(9)]
    assert found.rule in [one.rule for one in cutting_rules(lumps)]


def test_confidence_is_never_certain() -> None:
    for what in What:
        for score in (-1.0, 0.0, 0.5, 1.0, 5.0, 1e6):
            assert 0.0 < confidence(what, score) < 1.0
            assert int(Claim(what, "", score).percent.rstrip("%")) <= 99


def test_frames_of_a_table_are_frames() -> None:
    chunks, info = osdp_traffic()
    found = explore(chunks, info)
    assert found.table is not None
    frames = decoded(found.table, chunks, info)
    assert all(isinstance(frame, Frame) for frame in frames)
    assert [frame.address for frame in frames[:4]] == [1, 1, 2, 2]
