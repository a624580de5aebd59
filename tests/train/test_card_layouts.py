"""The measuring of `formats infer` on invented layouts: a small seeded slice, and its targets."""

from __future__ import annotations

import pytest

from benchtool.explore.card_invented import Population, cards, draw
from benchtool.explore.card_samples import annihilator
from benchtool.train.card_layouts import main, measure


def test_parity_structures_and_numbers_come_out_right(capsys: pytest.CaptureFixture[str]) -> None:
    found = measure(40, 3000)
    rows = list(found.values())
    assert sum(row.relations for row in rows) >= 39
    assert sum(row.number_listed for row in rows) >= 39
    assert not any(row.wrong_settled for row in rows)
    assert "40 invented layouts, seeds 3000 to 3039" in capsys.readouterr().out


def test_measuring_is_repeatable_and_has_its_options(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    told = []
    for _ in range(2):
        monkeypatch.setattr(
            "sys.argv",
            ["card_layouts", "--count", "6", "--seed", "9", "--damaged", "1", "--more", "20", "--digits", "--verbose"],
        )
        main()
        told.append([line for line in capsys.readouterr().out.splitlines() if not line.startswith("longest")])
    assert told[0] == told[1]
    assert any(line.startswith("odd reads") for line in told[0])


def test_invented_cards_keep_the_parity_that_was_drawn() -> None:
    for seed in range(30):
        row = draw(seed).row
        values = [value for value, _ in cards(row, seed, row.length + 20)]
        for group in row.parity:
            assert {(value & group.mask(row.length)).bit_count() & 1 for value in values} == {
                int(group.sense.value == "odd")
            }
        # With so many random cards nothing else holds but the constants.
        constants = sum(len(constant.places) for constant in row.constants)
        assert len(annihilator(values, row.length)) == len(row.parity) + constants


def test_lists_as_sites_give_them_settle_nothing_wrongly(capsys: pytest.CaptureFixture[str]) -> None:
    for kind in Population:
        rows = list(measure(4, 700, kind=kind, printed=6).values())
        assert not any(row.wrong_settled for row in rows)
        assert sum(row.relations for row in rows) >= 3
        assert kind.value in capsys.readouterr().out
