"""Standard input: lines as they come, and whole tables."""

from __future__ import annotations

import io
import os
from pathlib import Path

import pytest

from benchtool.frames.card.read import Source
from benchtool.taps.card_file import CardOptions
from benchtool.taps.card_stream import CardStream
from tests.taps.test_card_file import FIXTURES, WORKED, frames


def test_lines_from_any_text_stream() -> None:
    reads = frames(CardStream(io.StringIO(f"{WORKED}\n26: 0CA1FFF\nhello\n")))
    assert [read.bits.text for read in reads] == [WORKED, WORKED]


@pytest.mark.parametrize("name", ["edges.csv", "short-pulses.csv", "scope.csv"])
def test_tables_are_read_whole(name: str) -> None:
    source = CardStream(io.StringIO((FIXTURES / name).read_text()))
    reads = frames(source)
    assert {read.bits.text for read in reads} == {WORKED}
    assert all(read.pulses for read in reads)


def test_single_bits_end_with_the_input() -> None:
    assert [read.bits.text for read in frames(CardStream(io.StringIO("\n".join(WORKED))))] == [WORKED]


def test_lines_come_out_before_the_input_ends(tmp_path: Path) -> None:
    reading, writing = os.pipe()
    with os.fdopen(reading) as stream, os.fdopen(writing, "wb", buffering=0) as pipe, CardStream(stream) as source:
        pipe.write(f"{WORKED}\n26: 0CA1".encode())
        (read,) = source.read(1.0)
        assert source.info.source is Source.CONVERTER
        assert source.read(0) == []
        pipe.write(b"FFF\n")
        (second,) = source.read(1.0)
        assert not source.ended
        assert getattr(read, "bits", None) == getattr(second, "bits", 0)


def test_hex_takes_the_length_given() -> None:
    (read,) = frames(CardStream(io.StringIO("0CA1FFF\n"), CardOptions(length=26)))
    assert read.bits.text == WORKED


def test_empty_input_gives_nothing() -> None:
    assert frames(CardStream(io.StringIO(""))) == []
