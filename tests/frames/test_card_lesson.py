"""The facts of a lesson hold for every format, and exercises ask what they answer."""

from __future__ import annotations

import random
import re

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchtool.frames.card.build import build_bits, build_values
from benchtool.frames.card.decode import decode_as
from benchtool.frames.card.exercise import Exercise, Kind, make_exercise
from benchtool.frames.card.formats import FORMATS, CardFormat
from benchtool.frames.card.lesson import double_error, flipped, left_by_open_line, single_errors, suspects
from benchtool.reports.card_draw import ASCII, WIDTH
from benchtool.reports.card_lesson import lesson_text
from tests.card_strategies import card_formats, carried


@given(carried())
def test_what_one_wrong_bit_breaks_is_what_decoding_finds(frame: tuple[CardFormat, dict[str, int]]) -> None:
    row, values = frame
    bits = build_values(row, values)
    seen = []
    for fails in single_errors(row):
        for place in fails.places:
            read = decode_as(row, flipped(bits, place))
            assert tuple(sorted(check.group.bit for check in read.parity if not check.ok)) == fails.groups
            assert not fails.groups or place in suspects(read)
            seen.append(place)
    assert sorted(seen) == list(range(1, row.length + 1))


@given(carried())
def test_the_double_error_shown_goes_unseen_and_changes_a_number(frame: tuple[CardFormat, dict[str, int]]) -> None:
    row, values = frame
    read = decode_as(row, build_values(row, values))
    unseen = double_error(read)
    if unseen is not None:
        assert unseen.read.parity_ok
        assert [n for _, n in unseen.read.values] != [n for _, n in read.values]


@settings(max_examples=40)
@given(carried(130), st.integers(0, 2**130))
def test_a_lesson_fits_the_page_for_every_format(frame: tuple[CardFormat, dict[str, int]], noise: int) -> None:
    row, values = frame
    bits = build_values(row, values)
    for read in (decode_as(row, bits), decode_as(row, (noise % (1 << row.length), row.length))):
        for glyphs in (None, ASCII):
            lines = lesson_text([read]) if glyphs is None else lesson_text([read], glyphs)
            assert max(map(len, lines)) <= WIDTH
            if glyphs is ASCII and row.name.isascii() and all(field.name.isascii() for field in row.fields):
                assert all(line.isascii() for line in lines)


def test_the_lesson_counts_as_the_sheet_does() -> None:
    # sheet 6.2 and 6.7 (READ, COMPUTED): 101/4095 is 0CA1FFF; swapped it is 335E000, site 154 number 61440;
    # reversed 3FFE14C; D0 open leaves 17 ones, D1 open 9 zeros
    text = " ".join(" ".join(lesson_text([decode_as(FORMATS[0], (0x0CA1FFF, 26))])).split())
    assert "9 pulses on D0 and 17 on D1" in text
    assert "0110 0101 = 64 + 32 + 4 + 1 = 101" in text
    assert "they hold 4 ones. 4 is even, so the parity bit must be 0, and it is: 4 ones with it, even. PASS" in text
    assert "hex 335E000 (site code 154, card number 61440): FAIL (bits 1, 26)" in text
    assert "hex 3FFE14C" in text
    assert "17 bits are left, all 1" in text
    assert "9 bits are left, all 0" in text
    assert "1-13 bit 1 14-26 bit 26" in text


def test_a_lesson_on_damage_names_the_suspects() -> None:
    text = " ".join(" ".join(lesson_text([decode_as(FORMATS[0], (0x0CA1FFF ^ 1 << 10, 26))])).split())
    assert "Here one wrong bit among 14-26 would explain what fails." in text
    assert "12 ones with it, not odd. FAIL" in text
    thirty_seven = " ".join(single.split()[0] for single in lesson_text([decode_as(FORMATS[4], (2, 37))]) if single)
    assert "19" in thirty_seven  # sheet 6.4: bit 19 is in both groups


def answers(exercise: Exercise) -> bool | None:
    return exercise.judge(exercise.answer)


@given(st.integers(0, 10**6), st.sampled_from(Kind))
def test_the_answer_given_is_judged_right_and_others_wrong(seed: int, kind: Kind) -> None:
    exercise = make_exercise(kind, random.Random(seed), FORMATS)
    assert exercise.kind is kind
    assert answers(exercise) is True
    assert exercise.read.ok
    wrong = {
        Kind.DECODE: re.sub("[0-9]+", lambda match: str(int(match[0]) + 1), exercise.answer),
        Kind.BUILD: flipped(exercise.read.bits, 1).text,
        Kind.PARITY: exercise.answer.translate({48: "1", 49: "0"}),
        Kind.FLIPPED: re.sub("[0-9]+", lambda match: str(int(match[0]) % 26 + 1), exercise.answer),
        Kind.OPEN: "D1" if exercise.answer == "D0" else "D0",
        Kind.SWAPPED: "nothing" if exercise.answer != "nothing" else "swapped",
        Kind.FORMAT: next(row.name for row in FORMATS if row.length != exercise.read.format.length),
    }[kind]
    assert exercise.judge(wrong) is False
    for nonsense in ("", "pigs", "12x", "?"):
        assert exercise.judge(nonsense) is None
    again = make_exercise(kind, random.Random(seed), FORMATS)
    assert (again.question, again.answer) == (exercise.question, exercise.answer)


@given(card_formats(48), st.integers(0, 10**6), st.sampled_from(Kind))
def test_every_format_gives_exercises(row: CardFormat, seed: int, kind: Kind) -> None:
    exercise = make_exercise(kind, random.Random(seed), (row,))
    assert answers(exercise) is True
    assert exercise.read.format == row


@pytest.mark.parametrize(
    ("kind", "given_so", "means"),
    [
        (Kind.DECODE, "{0},{1}", True),
        (Kind.DECODE, "site {0} number {1}", True),
        (Kind.BUILD, "{hex}/26", True),
        (Kind.BUILD, "0x{hex}", True),
        (Kind.BUILD, "{bits}", True),
        (Kind.BUILD, "0", None),
    ],
)
def test_answers_may_be_written_as_people_write_them(kind: Kind, given_so: str, means: bool | None) -> None:
    exercise = make_exercise(kind, random.Random(5), FORMATS[:1])
    numbers = [number for _, number in exercise.read.values]
    bits = exercise.read.bits
    if means is None:
        assert exercise.judge("0" * 25) is None
    else:
        assert exercise.judge(given_so.format(*numbers, hex=bits.hex, bits=bits.text)) is means


def test_a_flipped_bit_is_really_flipped_in_the_question() -> None:
    exercise = make_exercise(Kind.FLIPPED, random.Random(3), FORMATS[:1])
    shown = exercise.question[-1].strip().replace(" ", "")
    right = exercise.read.bits.text
    assert [place for place in range(1, 27) if shown[place - 1] != right[place - 1]] == [int(exercise.answer)]


def test_an_open_line_leaves_the_other_lines_pulses() -> None:
    bits = build_bits(FORMATS[0], 101, 4095)
    assert (left_by_open_line(bits, 0).text, left_by_open_line(bits, 1).text) == ("1" * 17, "0" * 9)
