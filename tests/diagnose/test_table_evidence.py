"""The evidence of an unknown bus: counts by the table's address, bits mended by its check value, no other rules."""

from __future__ import annotations

import random
from dataclasses import replace

from benchtool.capture.chunk import Chunk, LineErrors, TapInfo
from benchtool.capture.settings import LineSettings
from benchtool.diagnose.conclude import conclude
from benchtool.diagnose.engine import diagnose, observe
from benchtool.diagnose.evidence import Evidence
from benchtool.diagnose.finding import Cause
from benchtool.diagnose.repair import Mended
from benchtool.diagnose.table_evidence import TableGatherer, without_addresses
from benchtool.frames.check_value import CheckKind, CheckValue
from benchtool.frames.frame import Protocol
from benchtool.frames.protocol_table import LengthRule, Place, ProtocolTable, RoleRule
from benchtool.frames.table_decoder import TableDecoder
from benchtool.measure.tally import Tally
from benchtool.reports.frame_text import figures_object, figures_text

SETTINGS = LineSettings(19200)
CRC = CheckValue(CheckKind.CRC, 16, poly=0x8BB7)
TABLE = ProtocolTable(
    name="gate",
    starts=(b"\xa5",),
    least=6,
    most=30,
    length=LengthRule(Place(1), 0),
    check=CRC,
    address=Place(2, mask=0x7F),
    role=RoleRule(Place(2, mask=0x80), frozenset((0,)), frozenset((0x80,))),
)


def frame(address: int, code: int, payload: bytes = b"") -> bytes:
    return CRC.completed(bytes((0xA5, 6 + len(payload), address, code)) + payload + b"\0\0")


def evidence(table: ProtocolTable, *, damage: bool = False, silent: int | None = None, count: int = 120) -> Evidence:
    """A controller asks three devices in turn; `damage` flips a bit in every tenth reply, `silent` never answers."""
    info = TapInfo("gate", SETTINGS, LineErrors.MARKED)
    tally = Tally(info)
    gatherer = TableGatherer(tally, table)
    decoder = TableDecoder(table, SETTINGS)
    chooser = random.Random(1)
    t_ns = 0
    for index in range(count):
        address = 1 + index % 3
        ask, answer = frame(address, 0x10), frame(address | 0x80, 0x90, bytes((index // 30, 7)))
        if damage and index % 10 == 5:
            flipped = bytearray(answer)
            flipped[chooser.randrange(3, len(answer))] ^= 1 << chooser.randrange(8)
            answer = bytes(flipped)
        for octets, wait_ns in ((ask, 4_000_000), (answer if address != silent else b"", 40_000_000)):
            if octets:
                chunk = Chunk(t_ns, t_ns + len(octets) * SETTINGS.char_ns, octets)
                frames = decoder.feed(chunk)
                gatherer.item(chunk)
                for one in frames:
                    gatherer.frame(one)
                t_ns = chunk.end_ns
            t_ns += wait_ns
    for one in decoder.close():
        gatherer.frame(one)
    gatherer.close(t_ns)
    return gatherer.evidence(decoder.counters)


def test_a_sound_bus_is_counted_by_the_tables_addresses() -> None:
    found = evidence(TABLE)
    rows = {row.address: row for row in found.figures.addresses}
    assert set(rows) == {1, 2, 3}
    assert all(row.protocol is Protocol.TABLE and (row.requests, row.answered) == (40, 40) for row in rows.values())
    assert all(row.protocol is Protocol.TABLE for row in found.conduct.addresses)
    assert [(row.address, row.answered, row.refusals) for row in found.conduct.addresses] == [
        (1, 40, 0),
        (2, 40, 0),
        (3, 40, 0),
    ]
    assert found.figures.damaged == 0
    assert diagnose(found, SETTINGS).findings[0].cause.value == "healthy"


def test_flipped_bits_are_mended_by_the_tables_check_value() -> None:
    found = evidence(TABLE, damage=True)
    assert found.figures.damaged == 12
    assert found.repairs.count(Mended.BIT) == 12
    assert found.bits.copies == 12
    assert found.bits.rose + found.bits.fell == 12
    assert sum(row.damaged for row in found.figures.addresses) == 12


def test_a_narrow_check_value_mends_nothing_but_copies_still_tell_the_bits() -> None:
    narrow = CheckValue(CheckKind.SUM, 8, gap=1)
    table = ProtocolTable(least=6, most=30, lengths=(6, 8), check=narrow, address=Place(2), role=TABLE.role)
    assert table.starts == ()
    found = evidence(table, damage=True, count=30)
    assert found.repairs.count(Mended.BIT) == 0


def test_a_silent_device_is_found() -> None:
    found = evidence(TABLE, silent=2)
    assert {row.address: row.silent for row in found.figures.addresses}[2] >= 39
    assert diagnose(found, SETTINGS).findings[0].cause.value == "device-silent"


def test_of_a_table_without_an_address_none_is_told() -> None:
    found = evidence(replace(TABLE, address=None), damage=True)
    assert found.figures.no_address
    assert figures_object(found.figures)["addresses"][0]["address"] is None
    row = next(line for line in figures_text(found.figures) if line.startswith("table"))
    assert row.split()[:2] == ["table", "-"]
    observed = without_addresses(observe(found, SETTINGS))
    told = conclude(observed, found.figures)
    assert any("knows no address" in text for text in told.limits)
    assert told.findings[0].cause is not Cause.ADDRESS_DUPLICATE
    words = str((told.findings, told.next))
    assert "address 0" not in words
    assert "unplug@" not in words


def test_of_a_table_with_addresses_they_are_told() -> None:
    found = evidence(TABLE)
    assert not found.figures.no_address
    assert [row["address"] for row in figures_object(found.figures)["addresses"]] == [1, 2, 3]
