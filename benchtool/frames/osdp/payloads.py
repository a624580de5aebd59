"""Payloads of commands and replies: octets to fields and back."""

from __future__ import annotations

from collections.abc import Mapping

from benchtool.frames.meaning import Field, Value


def decode_payload(code: int, reply: bool, data: bytes, offset: int) -> tuple[tuple[Field, ...], tuple[str, ...]]:
    """Fields of a payload that starts at `offset` in its frame, and what is odd about it."""
    if not data:
        return (), ()
    text = data.hex().upper()
    return (Field("data", text, text, offset, len(data)),), ()


def encode_payload(code: int, reply: bool, values: Mapping[str, Value]) -> bytes:
    """Octets of a payload from its field values."""
    return bytes.fromhex(str(values.get("data", "")))
