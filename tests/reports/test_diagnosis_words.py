"""The text of a diagnosis where much is open: short, plain, and never an endless list."""

from __future__ import annotations

from dataclasses import replace

import pytest

from benchtool.diagnose.finding import REST, Cause, Diagnosis, Finding, Group, Proof, Step
from benchtool.reports.diagnosis_html import diagnosis_html
from benchtool.reports.diagnosis_text import diagnosis_text, group_text, shortened, undecided

STEP = Step(
    "Measure volts between the wires.",
    ("0.22 to 0.37 V: " + ", ".join(cause.value for cause in list(Cause)[:12]), "about 0 V: bias-missing"),
    "Touch nothing else.",
    "ab-idle",
    0.2,
    2.0,
    "--meter ab-idle=VOLTS",
)


def finding(cause: Cause, probability: float, *weights: float, rest: float = 0.0) -> Finding:
    proofs = [Proof(f"sign {place}", weight, {}) for place, weight in enumerate(weights)]
    proofs += [Proof("everything else together", rest, {})] if rest else []
    return Finding(cause, "bus", probability, f"It is {cause.value}.", tuple(proofs), ("a",), (f"Mend {cause.value}.",))


def open_question(many: int = 18) -> Diagnosis:
    causes = list(Cause)[:many]
    findings = tuple(finding(cause, 0.3 / (place + 1), 0.2) for place, cause in enumerate(causes[:8]))
    return Diagnosis(findings, (STEP,), (), None, Group(tuple(causes), 0.97))


def text(found: Diagnosis) -> str:
    return " ".join(" ".join(diagnosis_text(found)).split())


@pytest.mark.parametrize("many", [15, 18, 21])
def test_of_many_names_the_likeliest_are_given_and_the_rest_counted(many: int) -> None:
    said = text(open_question(many))
    assert f"The evidence does not tell yet: {many} causes fit what was seen" in said
    named = [cause.value for cause in list(Cause)[:many] if f"{cause.value}:" in said]
    assert named == [cause.value for cause in list(Cause)[:4]]
    assert f"and {many - 4} more, less likely; --json and --report list all." in said
    # Straight on to what to measure, without advice on guesses.
    assert "Mend" not in said
    assert said.index("NEXT") < 700
    assert "RESULT The evidence does not tell yet. First of the guesses: healthy, 30% (possible)." in said


def test_no_line_names_more_than_five() -> None:
    for line in text(open_question()).split(". "):
        assert sum(cause.value in line for cause in Cause) <= 5, line


def test_a_sound_bus_that_leads_is_said_to_fit_best() -> None:
    assert "a sound bus best of all" in text(open_question())
    other = replace(open_question(), findings=(finding(Cause.BIAS_WEAK, 0.3),))
    assert "a sound bus" not in text(other)


def test_few_that_read_alike_are_all_named() -> None:
    group = Group((Cause.CONDUCTOR_OPEN, Cause.TERMINATOR_MISSING_ONE, Cause.LINE_TOO_LONG), 0.96)
    findings = (finding(Cause.CONDUCTOR_OPEN, 0.46, 2.4), finding(Cause.TERMINATOR_MISSING_ONE, 0.43, 2.2))
    found = Diagnosis(findings, (STEP,), (), None, group)
    assert not undecided(found)
    said = text(found)
    assert "apart: conductor-open, terminator-missing-one, line-too-long-for-rate (96% in all); ab-idle is" in said
    assert "Mend conductor-open." in said


def test_a_leader_that_rests_on_small_signs_alone_is_a_guess() -> None:
    found = Diagnosis((finding(Cause.NOISE_BROADBAND, 0.55, 0.2, -0.1, rest=0.9),), (STEP,), (), None)
    assert undecided(found)
    assert "The evidence does not tell yet. The next measurement" in text(found)
    # With a telling sign, or when it is rather likely, it is none.
    assert not undecided(replace(found, findings=(finding(Cause.NOISE_BROADBAND, 0.55, 1.2, rest=0.9),)))
    sure = replace(found, findings=(finding(Cause.NOISE_BROADBAND, 0.65, 0.2, rest=0.9),))
    assert not undecided(sure)
    assert "small signs, none of which tells by itself (together they speak for it)" in text(sure)


@pytest.mark.parametrize(
    ("signs", "speaking", "weight", "said"),
    [
        (
            56,
            41,
            3.9,
            "56 small signs, none of which tells by itself, 41 of them for it (together they speak strongly for",
        ),
        (56, 41, -1.2, "41 of them for it (together they speak clearly against it)"),
        (
            3,
            0,
            -0.2,
            "3 small signs, none of which tells by itself, all of them against it (together they hardly speak",
        ),
        (4, 4, 0.5, "4 small signs, none of which tells by itself, all of them for it (together they speak for it)"),
        (1, 1, 0.1, "1 small sign for it (together"),
    ],
)
def test_small_signs_are_counted_and_never_told_as_one_great_factor(
    signs: int, speaking: int, weight: float, said: str
) -> None:
    small = Proof(REST, weight, {"signs": signs, "for": speaking})
    leader = replace(finding(Cause.NOISE_BROADBAND, 0.8, 5.0), evidence=(small,))
    words = text(Diagnosis((leader,), (STEP,), (), None))
    assert said in words
    assert "times" not in words


def test_what_speaks_for_every_fault_alike_does_not_single_one_out() -> None:
    unsound = Proof("456 framing errors", 8.7, {"marked": 456}, any_fault=True)
    leader = replace(finding(Cause.TWO_CONTROLLERS, 0.4), evidence=(unsound, Proof(REST, 0.9, {})))
    found = Diagnosis((leader,), (STEP,), (), None)
    assert undecided(found)
    certain = text(replace(found, findings=(replace(leader, probability=0.9),)))
    assert "456 framing errors (over a million times likelier with any fault than on a sound bus)" in certain


def test_percentages_that_add_to_more_than_a_hundred_are_explained() -> None:
    findings = (finding(Cause.CONDUCTOR_OPEN, 0.62, 2.4), finding(Cause.TERMINATOR_MISSING_ONE, 0.6, 2.2))
    group = Group((Cause.CONDUCTOR_OPEN, Cause.TERMINATOR_MISSING_ONE), 1.0)
    said = text(Diagnosis(findings, (STEP,), (), None, group, two_causes=0.4))
    assert "(100% in all, as two can be at work at once)" in said
    assert "Two causes at once: 40%; each of the two is counted, so the percentages add to more than a hundred." in said
    apart = (finding(Cause.CONDUCTOR_OPEN, 0.5, 2.4), finding(Cause.TERMINATOR_MISSING_ONE, 0.4, 2.2))
    said = text(Diagnosis(apart, (STEP,), (), None, replace(group, probability=0.9), two_causes=0.3))
    assert "(90% in all)" in said
    assert "Two causes at once: 30%." in said


def test_a_segment_is_a_place_on_the_pair() -> None:
    broken = replace(finding(Cause.CONDUCTOR_OPEN, 0.9, 2.0), place="segment to address 4, 11")
    assert "conductor-open on the segment to address 4, 11: 90%" in text(Diagnosis((broken,), (STEP,), (), None))


def test_beside_a_proof_nothing_improbable_is_listed() -> None:
    findings = (finding(Cause.REVERSED_AT_TAP, 0.98, 5.0), finding(Cause.DEVICE_SILENT, 0.02, 0.1))
    assert "device-silent" not in text(Diagnosis(findings, (STEP,), (), None))
    second = (findings[0], finding(Cause.DEVICE_SILENT, 0.07, 0.1))
    assert "device-silent" in text(Diagnosis(second, (STEP,), (), None)), "a second cause is worth a line"


@pytest.mark.parametrize(
    ("reading", "short"),
    [
        ("about 0 V: bias-missing, bias-weak", "about 0 V: bias-missing, bias-weak"),
        (
            "1 V: healthy, clock-off, bias-weak, noise-mains, device-slow, device-silent",
            "1 V: healthy, clock-off, bias-weak, noise-mains and 2 more",
        ),
        ("errors gone: a, b, c, d, e, f, g", "errors gone: a, b, c, d, e, f, g"),
        ("no colon at all", "no colon at all"),
    ],
)
def test_results_name_the_likeliest_causes_only(reading: str, short: str) -> None:
    assert shortened(reading) == short


def test_the_report_says_so_at_its_head_and_lists_all() -> None:
    found = open_question()
    page = diagnosis_html(found, None, title="Demo", tap="no tap")
    head, _, rest = page.partition("Findings, most probable first")
    assert "Not decided yet. First of the guesses: healthy" in head
    assert "all are named below" in head
    assert found.group is not None
    everything = ", ".join(cause.value for cause in found.group.causes)
    assert everything in rest
    assert everything not in head


def test_nothing_is_cut_off_where_there_is_no_group() -> None:
    assert group_text(Diagnosis((finding(Cause.HEALTHY, 0.9),), (STEP,), (), None)) == ""
