"""The facts of a lesson hold for every format, and exercises ask what they answer."""

from __future__ import annotations

import random
import re
from collections.abc import Callable
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchtool.frames.card import exercise_answers as answers_
from benchtool.frames.card.build import build_bits, build_values
from benchtool.frames.card.decode import decode_as
from benchtool.frames.card.exercise import Exercise, Kind, make_exercise
from benchtool.frames.card.formats import FORMATS, CardField, CardFormat, ParityGroup, Sense
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


TABLE_ROW = CardFormat(
    "house 12",
    12,
    (CardField("level", (2, 3)), CardField("badge", (4, 5, 6, 7, 8, 9, 10))),
    (ParityGroup(1, Sense.EVEN, (2, 3, 4)), ParityGroup(12, Sense.ODD, (8, 9, 10))),
    "invented",
)


@pytest.mark.parametrize(
    ("understand", "means", "same", "none"),
    [
        (
            answers_.numbers("site_code", "card_number"),
            (237, 463),
            [
                *("237 463", "237,463", "237-463", "237 - 463", "237/463", "237:463", "237, 463.", "00237 00463"),
                *("card number 463, site code 237", "site 237 card 463", "number=463; site=237", "card_number 463 237"),
                *("463 is the card number, 237 the site code", "463 card number 237 site code", "237 and 463"),
                *(
                    "facility code 237, card no. 463",
                    "Site Code: 237; Number: 463",
                    "card number 463 and site code 237",
                ),
            ],
            ["237", "237 463 1", "site 237, site 463", "237.463", "23x 463", "", "237?463", "237 D463"],
        ),
        (
            answers_.numbers("bit"),
            (17,),
            ["17", "17.", "17th", "bit 17", "bit17", "Bit #17", "the 17th bit", "bit no. 17", "it is bit 17!"],
            ["17 18", "x17", "17x", "1.7", "seventeen", "14-26"],
        ),
        (
            answers_.parity_bits(1, 26),
            "01",
            [
                *("01", "0 1", "0,1", "0 and 1", "0/1", "bit 1 = 0, bit 26 = 1", "bit 26 = 1, bit 1 = 0", "1:0 26:1"),
                *(
                    "bit 1 is 0 and bit 26 is 1",
                    "bit 1 0 bit 26 1",
                    "parity bit 1: 0; parity bit 26: 1",
                    "0 1.",
                    "b1=0 b26=1",
                ),
            ],
            ["0", "011", "0 2", "bit 1 = 0", "bit 10, bit 261", "bit 1 = 0, bit 25 = 1", "1 = 0, 1 = 1", ""],
        ),
        (
            answers_.open_line,
            "0",
            [
                *(
                    "D0",
                    "d0",
                    "0",
                    "data 0",
                    "DATA0",
                    "line D0",
                    "line 0",
                    "D0 is open",
                    "the D0 line",
                    "D0 open.",
                    "d-0",
                ),
                *("data line 0", "D0 is broken", "Data-0 wire"),
            ],
            ["D0 or D1", "not D0", "D0 works", "", "D2", "open", "D0, D1 is fine"],
        ),
        (
            answers_.changed({"swapped": "s", "reversed": "r", "nothing": "n"}),
            "s",
            [
                "swapped",
                "Swap",
                "s",
                "inverted",
                "D0 and D1 swapped",
                "D0 and D1 are swapped.",
                "lines swapped",
                "the data lines are swapped",
            ],
            ["not swapped", "swapped or reversed", "swapped and reversed", "", "D0 and D1", "x"],
        ),
        (
            answers_.changed({"swapped": "s", "reversed": "r", "nothing": "n"}),
            "r",
            [
                "reversed",
                "rev",
                "r",
                "bit order reversed",
                "the bit order is reversed",
                "reversed bit order",
                "reverse",
                "bits reversed",
            ],
            ["not reversed"],
        ),
        (
            answers_.changed({"swapped": "s", "reversed": "r", "nothing": "n"}),
            "n",
            [
                "nothing",
                "n",
                "nothing wrong",
                "nothing is wrong",
                "none",
                "ok",
                "no",
                "no fault",
                "neither swapped nor reversed",
            ],
            ["no swapped", "nothing reversed"],
        ),
        (
            answers_.bits_of(26),
            0x1DA039E,
            [
                *("26:1DA039E", "1DA039E/26", "1da039e", "0x1DA039E", "hex 1DA039E", f"{0x1DA039E:026b}", "1 DA 03 9E"),
                *("76:80:E7:80", "7680E780/26", "0 11101101 0000000111001111 0", "0-11101101-0000000111001111-0"),
            ],
            ["1DA039E/27", "27:1DA039E", "FDA039E", "1DA039G", "0" * 25, "0" * 27, "", "/26"],
        ),
        (
            answers_.name_among(FORMATS, {"34-bit 16+16"}),
            "right",
            ["34-bit 16+16", "34 bit 16+16", "34 16 + 16", "it is 34-bit 16+16.", "the 34-bit 16+16 format"],
            ["34", "16+16 19", "", "27-bit"],
        ),
    ],
)
def test_natural_spellings_are_understood_and_what_says_two_things_is_not(
    understand: Callable[[str], object | None], means: object, same: list[str], none: list[str]
) -> None:
    assert {text: understand(text) for text in same} == dict.fromkeys(same, means)
    assert {text: understand(text) for text in none} == dict.fromkeys(none, None)


@given(st.text(max_size=80) | st.text("0123456789 ,;-.bitdsx=:", max_size=80))
def test_anything_may_be_typed_as_an_answer(text: str) -> None:
    for kind in Kind:
        assert make_exercise(kind, random.Random(1), FORMATS).judge(text) in (True, False, None)


def given_by_its_card(exercise: Exercise, row: CardFormat) -> bool:
    """Whether a format of the frame's length gives every number that the question names: worked out from the bits."""
    bits = exercise.question[-1].strip().replace(" ", "")
    if len(bits) != row.length:
        return False
    said = dict(re.findall(r"(site code|card number) ([0-9]+)", exercise.question[0]))
    found = {
        field.name.replace("_", " "): str(int("".join(bits[place - 1] for place in field.places), 2))
        for field in row.fields
    }
    return said.items() <= found.items()


@given(st.integers(0, 10**6))
def test_the_question_for_the_format_has_one_right_answer(seed: int) -> None:
    exercise = make_exercise(Kind.FORMAT, random.Random(seed), FORMATS)
    assert [row.name for row in FORMATS if given_by_its_card(exercise, row)] == [exercise.answer]
    assert [row.name for row in FORMATS if exercise.judge(row.name)] == [exercise.answer]


def test_formats_that_no_question_tells_apart_are_all_right() -> None:
    twin = replace(FORMATS[0], name="house 26")
    exercise = make_exercise(Kind.FORMAT, random.Random(3), (FORMATS[0], twin))
    assert exercise.judge("26-bit") is exercise.judge("house 26") is True
    assert "Right as well" in exercise.why


def test_the_frame_to_build_says_what_bits_that_belong_to_nothing_are() -> None:
    exercise = make_exercise(Kind.BUILD, random.Random(3), (TABLE_ROW,))
    assert "What belongs to nothing, at 11, is 0." in exercise.question[0]
    assert "belongs to nothing" not in make_exercise(Kind.BUILD, random.Random(3), FORMATS).question[0]


def test_a_flipped_bit_is_really_flipped_in_the_question() -> None:
    exercise = make_exercise(Kind.FLIPPED, random.Random(3), FORMATS[:1])
    shown = exercise.question[-1].strip().replace(" ", "")
    right = exercise.read.bits.text
    assert [place for place in range(1, 27) if shown[place - 1] != right[place - 1]] == [int(exercise.answer)]


def test_an_open_line_leaves_the_other_lines_pulses() -> None:
    bits = build_bits(FORMATS[0], 101, 4095)
    assert (left_by_open_line(bits, 0).text, left_by_open_line(bits, 1).text) == ("1" * 17, "0" * 9)
