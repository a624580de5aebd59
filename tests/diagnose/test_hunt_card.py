"""The hunt at data lines: the printed number is compared and never kept."""

from __future__ import annotations

import pytest

from benchtool.diagnose.card_evidence import CardEvidence
from benchtool.diagnose.hunt_card import CardHunt
from benchtool.diagnose.hunt_question import HuntError
from benchtool.frames.card.build import build_values
from benchtool.frames.card.formats import FORMATS
from benchtool.frames.card.read import CardRead, Source
from benchtool.reports.hunt_page import page


def test_a_printed_number_is_compared_and_never_kept() -> None:
    # The site code and the number are invented; a reader that is set so sends the last bit first (sheet 6.7).
    frame = build_values(FORMATS[0], dict(zip((field.name for field in FORMATS[0].fields), (61, 40123), strict=True)))
    read = CardRead(frame.reversed(), Source.EDGES)
    hunt = CardHunt("sim:card", listens=True)
    hunt.hear(CardEvidence((read, read), expected=(FORMATS[0],)))
    question = hunt.next_question()
    assert question is not None
    assert (question.name, question.secret) == ("printed", True)
    for wrong in ("61,4012x", "61,40123; 61,40123; 61,40123"):
        with pytest.raises(HuntError) as caught:
            hunt.take(wrong)
        assert "4012" not in str(caught.value)
    hunt.take("61,40123")
    assert hunt.diagnosis().findings[0].cause.value == "bits-reversed"
    assert "2 of 2 reads" in hunt.answers[-1].text
    assert "4012" not in page(hunt, "today")
    assert "4012" not in hunt.to_json()
    assert "printed" not in hunt.to_json()
    assert hunt.without(hunt.answers[-1])["bits-reversed"] < 0.5
    hunt.back()
    assert not hunt.evidence.printed


def test_one_number_for_reads_of_several_cards_is_refused() -> None:
    names = [field.name for field in FORMATS[0].fields]
    frames = [build_values(FORMATS[0], dict(zip(names, pair, strict=True))) for pair in ((61, 40123), (61, 1788))]
    hunt = CardHunt("sim:card", listens=True)
    hunt.hear(CardEvidence(tuple(CardRead(one.reversed(), Source.EDGES) for one in frames), expected=(FORMATS[0],)))
    with pytest.raises(HuntError, match="not of one card"):
        hunt.take("61,40123")
    hunt.take("61,40123; 61,1788")
    assert "2 of 2 reads" in hunt.answers[-1].text


def test_a_dark_readers_supply_comes_before_everything_else_at_its_lines() -> None:
    hunt = CardHunt.from_json(
        '{"benchtool-card-hunt": 1, "tap": "", "answers": [["d0-idle", "4.9"], ["reader-light", "dark"]]}'
    )
    hunt.looks = True
    question = hunt.next_question()
    assert question is not None
    assert question.name == "supply"
    assert "supply is live" in question.caution.lower()
    hunt.take("")
    after = hunt.next_question()
    assert after is None or after.name != "supply"
