"""Symptoms: what separates causes, robust to how it was heard; None where it cannot be seen."""

from __future__ import annotations

import math
from collections.abc import Iterable
from functools import lru_cache

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchtool.capture.chunk import Chunk, Gap, LineCounts, LineErrors, TapInfo
from benchtool.capture.settings import CharFormat, LineSettings
from benchtool.diagnose.evidence import Evidence, Gatherer
from benchtool.diagnose.model import bins_of
from benchtool.diagnose.proofs import Inversion, Proofs, gather
from benchtool.diagnose.symptoms import BY_NAME, SYMPTOMS, symptoms, tell
from benchtool.frames.crc import with_crc_modbus
from benchtool.frames.decoder import BusDecoder
from benchtool.frames.osdp.build import build_frame
from benchtool.measure.tally import Tally
from benchtool.wire.uart import UartReceiver, encode
from tests.reversed_pair import sampler

SETTINGS = LineSettings(9600)
NS = 1_000_000_000


UNTRIED = Proofs(Inversion(), {}, None)


def heard(
    items: Iterable[Chunk | Gap | LineCounts],
    line_errors: LineErrors = LineErrors.UNAVAILABLE,
    resolution_ns: int = 0,
    line: LineSettings = SETTINGS,
    prove: bool = True,
) -> tuple[Evidence, Proofs]:
    info = TapInfo("made by hand", line, line_errors, resolution_ns)
    decoder, tally = BusDecoder(line, resolution_ns), Tally(info)
    gatherer = Gatherer(tally)
    tally.begin(0)
    last_ns = 0
    for item in items:
        frames = decoder.feed(item)
        gatherer.item(item)
        for frame in frames:
            gatherer.frame(frame)
        last_ns = item.t_ns
    for frame in decoder.close():
        gatherer.frame(frame)
    gatherer.close(last_ns + NS)
    evidence = gatherer.evidence(decoder.counters)
    return evidence, gather(evidence, line) if prove else UNTRIED


def chunk(octets: bytes, begin: int, marks: bytes = b"") -> Chunk:
    return Chunk(begin, begin + len(octets) * SETTINGS.char_ns, octets, marks)


def poll(address: int, sequence: int) -> bytes:
    return build_frame(address, 0x60, b"", sequence=sequence, crc=True, reply=False)


def ack(address: int, sequence: int) -> bytes:
    return build_frame(address, 0x40, b"", sequence=sequence, crc=True, reply=True)


def talk(turns: int, addresses: tuple[int, ...] = (1, 2, 3), gap_ms: float = 50) -> list[Chunk]:
    items = []
    now = 0
    for turn in range(turns):
        address = addresses[turn % len(addresses)]
        sequence = 1 + turn // len(addresses) % 3
        for octets, wait_ms in ((poll(address, sequence), gap_ms), (ack(address, sequence), 3.0)):
            made = chunk(octets, now + round(wait_ms * 1e6))
            items.append(made)
            now = made.end_ns
    return items


def values_of(items: Iterable[Chunk], **how: object) -> dict[str, float | None]:
    evidence, proofs = heard(items, **how)  # type: ignore[arg-type]
    return symptoms(evidence, proofs, SETTINGS)


@lru_cache
def sound() -> dict[str, float | None]:
    return values_of(talk(90))


def number(values: dict[str, float | None], name: str) -> float:
    value = values[name]
    assert value is not None, name
    return value


def test_the_list_is_well_formed() -> None:
    assert 40 <= len(SYMPTOMS) == len(BY_NAME)
    for symptom in SYMPTOMS:
        assert 1 <= len(symptom.edges) <= 7, symptom.name
        assert list(symptom.edges) == sorted(set(symptom.edges)), symptom.name
        assert symptom.about
        assert not symptom.words.endswith(".")


def test_a_sound_bus_shows_no_fault() -> None:
    for name in ("damage", "failed-exchanges", "silent-worst", "late", "second-replies", "odd-steps", "strays"):
        assert number(sound(), name) == 0, name
    for name in ("sequence-jumps", "sequence-repeats", "sequence-restarts", "sequence-mismatches", "refusals"):
        assert number(sound(), name) == 0, name
    assert sound()["bits-rose"] is sound()["mains"] is sound()["in-slot"] is None


def test_a_blind_tap_is_not_a_clean_one() -> None:
    marks = ("marks-framing", "marks-parity", "marks-break", "sound-with-framing", "sound-with-parity")
    assert all(sound()[name] is None for name in marks)
    assert all(number(values_of(talk(20), line_errors=LineErrors.MARKED), name) == 0 for name in marks)
    counted = values_of(talk(20), line_errors=LineErrors.COUNTED)
    assert [counted[name] for name in marks] == [0, 0, 0, None, None]


def test_length_rate_and_rhythm_hardly_matter() -> None:
    for other in (values_of(talk(900)), values_of(talk(90, gap_ms=7)), values_of(talk(80, addresses=(4, 9)))):
        for name, value in other.items():
            if name in ("load", "frames-heard", "addresses-asked", "latency-drift"):
                continue
            assert value == sound()[name] or (value is not None and value == pytest.approx(sound()[name], rel=0.1)), (
                name
            )


def damaged(flip: dict[int, int], which: int, every: int, turns: int = 120) -> list[Chunk]:
    """Talk in which every so manieth request (0) or reply (1) has these bits flipped, by place in the frame."""
    items = talk(turns)
    for at in range(which, len(items), 2 * every):
        octets = bytearray(items[at].octets)
        for place, bits in flip.items():
            octets[place] ^= bits
        items[at] = items[at]._replace(octets=bytes(octets))
    return items


def test_direction_and_place_of_bit_errors() -> None:
    # Bit 7 of the check value's last octet of replies, where it is 0 in some and 1 in others; and always the same.
    values = values_of(damaged({7: 0x80}, 1, 4))
    assert number(values, "damage") == pytest.approx(1 / 8, rel=0.1)
    assert number(values, "in-slot") == 1
    assert number(values, "bits-late") == 1
    assert number(values, "wrong-in-last") == 1
    assert number(values, "mended-by-bit") == 1
    assert number(values, "bits-per-frame") == 1
    assert number(values, "damaged-worst") > 0
    rising = values_of(damaged({2: 0x40, 5: 0x02}, 1, 4))
    # 08 → 48 and 40 → 42: two 0s read as 1.
    assert number(rising, "bits-rose") == 1
    assert number(rising, "bits-per-frame") == 2
    assert number(rising, "same-spans") > 0.5


def test_damaged_requests_are_told_from_damaged_replies() -> None:
    values = values_of(damaged({6: 0x10}, 0, 4))
    assert number(values, "after-reply") > 0.9
    assert number(values, "in-slot") < 0.1


def test_first_octets_lost_after_turnaround() -> None:
    items = [item._replace(octets=item.octets[1:]) if at % 8 == 1 else item for at, item in enumerate(talk(120))]
    values = values_of(items)
    assert number(values, "first-octet-lost") > 0.9
    assert number(values, "first-wrong") > 0.9
    assert number(values, "reply-shorter") > 0.9


def test_damage_of_the_beginning_only() -> None:
    # As a driver held late leaves it: the first octets of every fourth request garbled, the rest right.
    items = [
        item._replace(octets=b"\xf7\x1b" + item.octets[2:]) if at % 8 == 6 else item
        for at, item in enumerate(talk(120))
    ]
    values = values_of(items)
    assert number(values, "end-sound") > 0.9
    assert number(values, "after-reply") > 0.9
    assert number(values, "wrong-in-last") == 0


def test_stray_octets_after_replies() -> None:
    items: list[Chunk] = []
    for at, item in enumerate(talk(60)):
        items.append(item)
        if at % 2:
            items.append(chunk(b"\x00", item.end_ns + SETTINGS.char_ns // 2))
    values = values_of(items)
    assert number(values, "strays-after-reply") > 0.9
    assert number(values, "strays-zero") > 0.9
    assert number(values, "damage") == 0


def as_heard(items: Iterable[Chunk], line: LineSettings, *, inverted: bool = False) -> bytes:
    """What a receiver set to `line` makes of transmissions at 9600 8N1, one after the other."""
    octets = bytearray()
    for item in items:
        signal = encode(item.octets, SETTINGS)
        sample = sampler(signal, inverted=inverted)
        got = UartReceiver(line).receive(sample, -0.002, signal.duration_s + 0.004, line_high_before=not inverted)
        octets += bytes(one.value for one in got)
    return bytes(octets)


def test_a_reversed_pair_is_proved_even_where_lumps_join_everything() -> None:
    values = values_of([chunk(as_heard(talk(12), SETTINGS, inverted=True), 0)], resolution_ns=16_000_000)
    assert number(values, "inverted-kinds") > 3


def test_a_parity_bit_that_nobody_sends_is_proved() -> None:
    line = LineSettings(9600, CharFormat.parse("8E1"))
    begin, items = 0, []
    for item in talk(30):
        items.append(chunk(as_heard([item], line), begin))
        begin = items[-1].end_ns + 30_000_000
    evidence, proofs = heard(items, line=line)
    values = symptoms(evidence, proofs, line)
    assert number(values, "format-kinds") > 3
    assert proofs.format is not None
    assert proofs.format.sent == CharFormat()
    assert number(values, "damage-awaiting-parity") > 0.9
    assert number(values, "inverted-kinds") == 0


def test_another_rate_is_proved_even_where_lumps_join_everything() -> None:
    # A receiver slower than the sender makes too few octets of a frame for that.
    line = LineSettings(19_200)
    octets = as_heard(talk(24), line)
    evidence, proofs = heard([Chunk(0, len(octets) * line.char_ns, octets)], resolution_ns=16_000_000, line=line)
    values = symptoms(evidence, proofs, line)
    assert number(values, "rate-kinds") > 3
    assert proofs.rate is not None
    assert proofs.rate.sender_baud == 9600
    assert number(values, "inverted-kinds") == 0
    told = tell("rate-kinds", evidence, proofs, line)
    assert told is not None


def test_a_gap_hides_no_fault_and_makes_none() -> None:
    items = talk(60)
    cut = items[40]
    with_gap: list[Chunk | Gap | LineCounts] = [
        *items[:40],
        Gap(items[39].end_ns, cut.t_ns, "adapter pulled out"),
        *items[41:],
    ]
    evidence, proofs = heard(with_gap, LineErrors.COUNTED)
    assert symptoms(evidence, proofs, SETTINGS)["damage"] == 0


def test_sentences_have_numbers_and_no_holes() -> None:
    evidence, proofs = heard(damaged({2: 0x40, 5: 0x02}, 1, 4), LineErrors.MARKED)
    said = {name: tell(name, evidence, proofs, SETTINGS) for name in BY_NAME}
    for name, told in said.items():
        if told is None:
            continue
        text, numbers = told
        assert "{" not in text, name
        assert "  " not in text, name
        assert numbers["value"] == pytest.approx(symptoms(evidence, proofs, SETTINGS)[name], abs=1e-4), name
    assert sum(told is not None for told in said.values()) > 40
    told = tell("damaged-worst", evidence, proofs, SETTINGS, 2)
    assert told is not None
    assert told[0].startswith("address 2: ")
    assert told[1]["address"] == 2
    assert tell("mains", *heard([]), SETTINGS) is None
    with pytest.raises(KeyError):
        tell("no-such", evidence, proofs, SETTINGS)


def test_nothing_heard_has_few_values() -> None:
    values = values_of([])
    assert number(values, "load") == 0
    assert sum(value is not None for value in values.values()) < 12


pieces = st.one_of(
    st.binary(min_size=1, max_size=30),
    st.builds(poll, st.integers(0, 126), st.integers(0, 3)),
    st.builds(ack, st.integers(0, 126), st.integers(0, 3)),
    st.builds(with_crc_modbus, st.binary(min_size=2, max_size=10)),
)


@settings(max_examples=60)
@given(
    st.lists(st.tuples(pieces, st.integers(0, 400_000_000), st.integers(0, 15)), max_size=40),
    st.sampled_from(LineErrors),
    st.sampled_from((0, 1_000_000, 16_000_000)),
    st.sampled_from(("8N1", "8E1", "7E1")),
)
def test_any_traffic_gives_finite_values(
    rows: list[tuple[bytes, int, int]], errors: LineErrors, resolution_ns: int, form: str
) -> None:
    items = []
    now = 0
    for octets, wait_ns, mark in rows:
        marks = bytes((mark,)) * len(octets) if mark and errors is LineErrors.MARKED else b""
        items.append(chunk(octets, now + wait_ns, marks))
        now = items[-1].end_ns
    line = LineSettings(9600, CharFormat.parse(form))
    evidence, proofs = heard(items, errors, resolution_ns, line, prove=False)
    for name, value in symptoms(evidence, proofs, line).items():
        assert value is None or (math.isfinite(value) and value >= 0), name
        tell(name, evidence, proofs, line, 1)
    assert sum(evidence.timeline.sound) == evidence.figures.sound
    assert evidence.clusters.damaged == evidence.figures.damaged - evidence.strays


def with_a_dead_device(turns: int) -> list[Chunk]:
    """Talk in which the device at address 3 never answers."""
    return [item for item in talk(turns) if item.octets[1] & 0x7F != 3 or not item.octets[1] & 0x80]


@pytest.mark.parametrize("times", [2, 5, 20])
def test_more_of_the_same_changes_no_bin_but_of_what_was_not_seen_yet(times: int) -> None:
    """A symptom is a share or a rate: what grows with listening alone would lead out of what the tables know."""
    short = bins_of(values_of(with_a_dead_device(300)))
    long = bins_of(values_of(with_a_dead_device(300 * times)))
    moved = {symptom.name for symptom, a, b in zip(SYMPTOMS, short, long, strict=True) if a and a != b}
    assert moved == set()


def test_a_few_things_wrong_in_very_much_stay_a_few() -> None:
    """30 of 9000 frames: as many as 640 frames have would be two, but what begins and ends in a frame brings three."""
    items = talk(4500)
    spoilt = [
        item._replace(octets=item.octets[:-1] + b"\x00") if n % 300 == 7 else item for n, item in enumerate(items)
    ]
    assert 3.5 <= number(values_of(spoilt), "anything-wrong") < 12
    assert number(values_of(talk(4500)), "anything-wrong") == 0
