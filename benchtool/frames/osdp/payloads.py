"""Payloads of commands and replies: octets to fields and back, both by the tables in `tables`."""

from __future__ import annotations

from collections.abc import Mapping

from benchtool.frames.meaning import Field, Value
from benchtool.frames.osdp import encode, layout
from benchtool.frames.osdp.codes import Command, NakCode, Reply
from benchtool.frames.osdp.tables import layout_of


def decode_payload(
    code: int, reply: bool, data: bytes, offset: int, *, cut_off: bool = False
) -> tuple[tuple[Field, ...], tuple[str, ...]]:
    """Fields of a payload as far as they go, and what is odd about it; never raises.

    `offset` is the payload's place in its frame. `cut_off` says that the frame stopped early, so that a payload too
    short is no news. Data of a code without a table is one field `data` in hex.
    """
    fields, problems = layout.decode(layout_of(code, reply), data, offset, cut_off=cut_off)
    if reply and code == Reply.NAK and len(data) > 1 and data[0] != NakCode.RECORD:
        problems.append("only a NAK about a command record carries a status for each record")
    if not reply and code == Command.KEYSET and len(data) > 1 and data[1] != 16:
        problems.append(f"a secure channel key has 16 octets, not {data[1]}")
    return tuple(fields), tuple(problems)


def encode_payload(code: int, reply: bool, values: Mapping[str, Value]) -> bytes:
    """Octets of a payload from its fields' values, as `decode_payload` gives them; ValueError says what is wrong.

    Numbers are in the unit of their field (500 for 500 ms) or a word of their table ("green"); the second record's
    fields end in `_2`. A number that counts what follows may be left out.
    """
    return encode.encode(layout_of(code, reply), values)
