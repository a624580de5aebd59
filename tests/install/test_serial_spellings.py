"""One serial number, written by people in several ways."""

from __future__ import annotations

import pytest

from benchtool.install.compare_serial import plain


@pytest.mark.parametrize("noted", ["DI-5037", "DI 5037", "di5037", "SN DI-5037", "S/N: DI 5037", " DI_5037 "])
def test_ways_of_writing_one_serial(noted: str) -> None:
    assert plain(noted) == "DI5037"


def test_others_stay_others() -> None:
    assert plain("DI-5037") != plain("DI-5038")
    assert plain("5037") != plain("DI-5037")
    assert plain("I1-10") != plain("I11-0")
    assert plain("NO5037") != plain("5037")
