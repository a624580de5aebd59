"""Which source an address of cards names, and what is said where it names none."""

from __future__ import annotations

import pytest

from benchtool.taps.card_address import is_simulated_reader, open_card_source
from benchtool.taps.card_simulated import SimulatedCards
from benchtool.taps.tap import TapError


def test_a_simulated_reader_is_named_in_full() -> None:
    assert is_simulated_reader("sim:card?seed=3")
    assert not is_simulated_reader("sim:card-x")
    assert not is_simulated_reader("sim:demo?osdp_key=sim:card")
    assert isinstance(open_card_source("sim:card"), SimulatedCards)


@pytest.mark.parametrize("typed", ["sim:crad", "sim:cards?fault=d0-open", "sim:card-x"])
def test_a_name_spelt_nearly_so_is_told(typed: str) -> None:
    with pytest.raises(TapError, match=r"did you mean sim:card[?]"):
        open_card_source(typed)


def test_a_wrong_option_is_told_without_the_keys_beside_it() -> None:
    with pytest.raises(TapError) as caught, open_card_source("sim:card?keys=2580&fualt=d0-open"):
        pass
    assert str(caught.value) == "sim:card: unknown option 'fualt'; did you mean fault?"
