"""The measuring of `explore` on invented buses: it runs, is repeatable, and counts what was claimed."""

from __future__ import annotations

import re

import pytest

from benchtool.train.explorer import checks, main


def test_the_search_for_check_values_is_counted_and_comes_out_again(capsys: pytest.CaptureFixture[str]) -> None:
    found = []
    for _ in range(2):
        checks(8, 5, verbose=True)
        told = capsys.readouterr().out.splitlines()[-1]
        assert "8 protocols, 40 frames, 1 % of octets damaged" in told
        found.append(re.findall(r"(first|listed|alone) ([0-9.]+)%", told))
    assert found[0] == found[1]
    shares = dict(found[0])
    # Listed covers first and alone; a search that finds nothing would be 0.
    assert float(shares["listed"]) >= max(float(shares["first"]), float(shares["alone"])) > 80


def test_claims_on_an_invented_bus_are_counted(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("sys.argv", ["explorer", "measure", "--count", "1", "--seed", "5"])
    main()
    told = capsys.readouterr().out
    assert told.startswith("1 invented buses, seeds 5 to 5")
    rows = {
        line.split()[0]: [int(part) for part in line.split()[1:4]]
        for line in told.splitlines()
        if re.match(r"[a-z-]+ +\d", line)
    }
    made, right, listed = rows["check"]
    assert 0 <= right <= made
    assert listed <= made
    assert made == 1
