"""What eyes and ears tell at data lines. Likelihoods are judgements of this project, common practice, no source."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest

from benchtool.diagnose.card_belief import believe
from benchtool.diagnose.card_evidence import CardEvidence
from benchtool.diagnose.card_finding import CardCause
from benchtool.diagnose.card_model import CAUSES, INDEX
from benchtool.diagnose.hunt_card import CardHunt
from benchtool.diagnose.hunt_card_choose import best_card_look
from benchtool.diagnose.hunt_question import Answer, Ask, HuntError
from benchtool.diagnose.sights_card import CARD_SIGHTS, CardSight, card_sight_of
from benchtool.reports.hunt_page import page
from benchtool.reports.hunt_text import result


@pytest.mark.parametrize("sight", CARD_SIGHTS, ids=lambda sight: sight.name)
def test_answers_are_probabilities_under_every_cause_and_the_page_prints_them(sight: CardSight) -> None:
    for row in (sight.usual, *sight.rows.values()):
        assert len(row) == len(sight.answers)
        assert math.isclose(sum(row), 1.0)
    table = sight.table()
    assert table.shape == (len(CAUSES), len(sight.answers))
    assert np.allclose(table.sum(axis=1), 1.0)
    assert (table > 0).all()

    def told(row: tuple[float, ...]) -> str:
        return ", ".join(f"{word} {share:g}" for word, share in zip(sight.words(), row, strict=True))

    text = (Path(__file__).parent.parent.parent / "docs" / "hunt.md").read_text(encoding="utf-8")
    begin = text.index(f"| `{sight.name}` |")
    part = text[begin : text.find("\n| `", begin)]
    assert f"| usual | {told(sight.usual)} |" in part
    for cause, row in sight.rows.items():
        assert any(cause.value in line and line.endswith(f"| {told(row)} |") for line in part.splitlines()), cause


def test_what_was_seen_weighs_as_its_table_says() -> None:
    plain, seen = believe(CardEvidence()), believe(CardEvidence(seen=(("card-held", "nothing"),)))
    row = card_sight_of("card-held").table()[:, 1]
    silent, healthy = INDEX[CardCause.READER_SILENT], INDEX[CardCause.HEALTHY]
    ratio = (
        seen.probability[silent] / seen.probability[healthy] / (plain.probability[silent] / plain.probability[healthy])
    )
    assert math.isclose(ratio, row[silent] / row[healthy])


def _answered(**answers: str) -> tuple[CardHunt, list[str]]:
    hunt, asked = CardHunt(listens=False, looks=True), []
    while (question := hunt.next_question()) is not None:
        asked.append(question.name)
        hunt.take(answers.get(question.name.replace("-", "_"), ""))
    return hunt, asked


def test_a_hunt_without_a_tap_asks_eyes_and_ears_and_finds_a_reader_without_power() -> None:
    hunt, asked = _answered(reader_light="dark", card_held="nothing", led_answer="none", supply="0.1")
    assert {"reader-light", "card-held"} <= set(asked)
    assert hunt.diagnosis().findings[0].cause is CardCause.READER_SILENT
    told = " ".join(line for part in result(hunt) for line in part.lines)
    assert "seen: reader-light: it is dark" in told
    assert "What does the reader's light do while no card is near? it is dark (reader-light)" in " ".join(
        page(hunt, "").split()
    )


def test_nobody_is_asked_who_does_not_look() -> None:
    hunt, asked = CardHunt(listens=False), []
    while (question := hunt.next_question()) is not None:
        asked.append(question.name)
        hunt.take("")
    assert not set(asked) & {sight.name for sight in CARD_SIGHTS}


def test_a_look_comes_before_the_meter_only_where_it_settles_more_for_its_time() -> None:
    hunt = CardHunt(listens=False, looks=True)
    first = hunt.next_question()
    assert first is not None
    assert first.ask is Ask.CHOICE
    evidence, found = hunt.evidence, hunt.diagnosis()
    every = {sight.name for sight in CARD_SIGHTS}
    assert best_card_look(evidence, found, every, None) is None
    assert best_card_look(evidence, found, (), None) == first


def test_what_was_seen_is_saved_and_a_wrong_word_is_said() -> None:
    hunt = CardHunt(listens=False, looks=True)
    question = hunt.next_question()
    assert question is not None
    with pytest.raises(HuntError, match="none of the answers"):
        hunt.take("purple")
    hunt.take(question.choices[-1][0])
    again = CardHunt.from_json(hunt.to_json())
    assert again.answers == hunt.answers == (Answer(question.name, question.choices[-1][0]),)
    assert again.shares() == hunt.shares()
    with pytest.raises(HuntError, match="no answer to"):
        CardHunt.from_json(hunt.to_json().replace(f'"{question.choices[-1][0]}"', '"purple"'))


def test_a_reader_that_was_only_looked_at_is_not_called_sound() -> None:
    hunt, _ = _answered(led_answer="granted", which_cards="kind", card_held="beeps", reader_light="steady")
    assert not hunt.settled
    told = " ".join(line for part in result(hunt) if part.title == "RESULT" for line in part.lines)
    assert hunt.diagnosis().findings[0].cause is CardCause.HEALTHY
    assert "nothing was measured" in told
