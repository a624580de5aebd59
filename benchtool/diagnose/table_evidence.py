"""The evidence of a bus read by a protocol table, or as Modbus in ASCII mode: the same counts, without the rules.

What is not known there: sequence numbers, refusals, which request a reply fits. Damaged frames are mended by the
table's own check value, if that is wide enough not to be right by luck.
"""

from __future__ import annotations

from dataclasses import replace

from benchtool.diagnose.evidence import Gatherer
from benchtool.diagnose.finding import Cause
from benchtool.diagnose.lean import MOST_LOG, Lean
from benchtool.diagnose.observed import Observed
from benchtool.diagnose.repair import Mended
from benchtool.frames.decoders import Decoder
from benchtool.frames.frame import Frame, Protocol
from benchtool.frames.modbus.ascii_decoder import AsciiDecoder
from benchtool.frames.protocol_table import ProtocolTable
from benchtool.frames.table_decoder import TableDecoder
from benchtool.measure.conduct import Conduct, ConductCounter
from benchtool.measure.exchange import Exchange
from benchtool.measure.tally import Tally

_WIDE = 16
"""Bits of a check value from which on one flipped bit is looked for."""
_MOST_OCTETS = 48
_NO_ADDRESS = (
    "the table knows no address in these frames: which device a finding is about, and whether two devices have one "
    "address, cannot be told"
)


def _plain(frame: Frame) -> Frame:
    """The frame as the conduct counter takes one without sequence numbers: its address, and nothing else."""
    return frame._replace(octets=bytes(((frame.address or 0) & 0xFF, 0)))


def without_addresses(observed: Observed) -> Observed:
    """The same of a bus of which no address is known: none is said, and no cause is offered that needs one."""
    told = {
        name: (text.replace("address 0", "the bus"), {key: value for key, value in numbers.items() if key != "address"})
        for name, (text, numbers) in observed.told.items()
    }
    lean = Lean(Cause.ADDRESS_DUPLICATE, -MOST_LOG, "no address is known in these frames", heard=True)
    return replace(
        observed, addresses=(), told=told, leans=(*observed.leans, lean), limits=(*observed.limits, _NO_ADDRESS)
    )


class _PlainConduct(ConductCounter):
    """Counts conduct by the address that the decoder knows."""

    def __init__(self, protocol: Protocol) -> None:
        super().__init__()
        self._protocol = protocol

    def request(self, frame: Frame) -> None:
        super().request(_plain(frame))

    def unasked(self, frame: Frame) -> None:
        super().unasked(_plain(frame))

    def exchange(self, exchange: Exchange) -> None:
        reply = exchange.reply
        super().exchange(
            exchange._replace(
                request=_plain(exchange.request), reply=None if reply is None else _plain(reply), damaged=None
            )
        )

    def figures(self) -> Conduct:
        found = super().figures()
        rows = tuple(replace(row, protocol=self._protocol) for row in found.addresses)
        return replace(found, addresses=rows)


class PlainGatherer(Gatherer):
    """As `Gatherer`, for frames of one protocol whose rules are not judged."""

    def __init__(self, tally: Tally, protocol: Protocol) -> None:
        super().__init__(tally)
        self._conduct = _PlainConduct(protocol)

    def _mended(self, octets: bytes) -> bytes | None:
        """The frame with one bit put right; None where that cannot be told."""
        return None

    def _compare(self, octets: bytes, asked: bytes | None) -> list[int]:
        repairs = self._repairs
        repairs.tried += 1
        mended = self._mended(octets)
        if mended is not None:
            repairs.mended[Mended.BIT] = repairs.mended.get(Mended.BIT, 0) + 1
            return self._bits.add(octets, mended)
        found = self._copies.find(octets, None)
        if found is None:
            return []
        at, true = found
        self._places["extra_before"] += at > 0
        self._places["extra_after"] += at + len(true) < len(octets)
        wrong = self._bits.add(octets[at : at + len(true)], true)
        return [at + place for place in wrong]


class TableGatherer(PlainGatherer):
    """For frames that a `TableDecoder` makes."""

    def __init__(self, tally: Tally, table: ProtocolTable) -> None:
        super().__init__(tally, Protocol.TABLE)
        self._table = table

    def _mended(self, octets: bytes) -> bytes | None:
        return _one_bit(octets, self._table)


def _one_bit(octets: bytes, table: ProtocolTable) -> bytes | None:
    """The frame with one bit put right, where that makes all that the table knows right."""
    if table.check is None or table.check.width < _WIDE or not table.check.least <= len(octets) <= _MOST_OCTETS:
        return None
    for place in range(len(octets)):
        for bit in range(8):
            mended = bytearray(octets)
            mended[place] ^= 1 << bit
            if table.sound(bytes(mended)):
                return bytes(mended)
    return None


def gatherer_for(tally: Tally, decoder: Decoder) -> Gatherer:
    """What gathers the evidence of the frames that this decoder finds."""
    if isinstance(decoder, TableDecoder):
        return TableGatherer(tally, decoder.table)
    return PlainGatherer(tally, Protocol.MODBUS_ASCII) if isinstance(decoder, AsciiDecoder) else Gatherer(tally)
