"""`diagnose --site`: places in the record's names, in text, JSON and the page; nothing changes without a record."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result

from benchtool.commands.main import main
from benchtool.install.load import load
from benchtool.install.save import to_text, with_value
from benchtool.reports.site_names import addresses_in, named_text
from tests.commands.test_site_compare import DEMO

OPEN = "sim:demo?fault=conductor-open&at=3"
NAMES = {3: "Store door (if-2)", 4: "Ramp door (if-3)"}


@pytest.mark.parametrize(
    ("text", "named"),
    [
        ("address 3", "Store door (if-2)"),
        ("segment between address 3 and address 4", "segment between Store door (if-2) and Ramp door (if-3)"),
        ("segment to address 3, 4", "segment to Store door (if-2), Ramp door (if-3)"),
        ("The device at address 3 does not answer.", "Store door (if-2) does not answer."),
        ("The device at address 9 does not answer.", "The device at address 9 (not in the record) does not answer."),
        ("address 3: 36 of 36 requests", "Store door (if-2): 36 of 36 requests"),
        ("one address, 3 of them; addresses 3", "one address, 3 of them; addresses 3"),
        ("bus", "bus"),
    ],
)
def test_names_in_sentences(text: str, named: str) -> None:
    assert named_text(text, NAMES) == named


def test_where_the_address_matters_it_stays() -> None:
    text = named_text("Two devices answer at address 3.", NAMES, keep=True)
    assert text.startswith("Two devices answer at address 3, that of Store door (if-2)")
    assert addresses_in("segment to address 3, 4") == (3, 4)


@pytest.fixture
def site(tmp_path: Path) -> str:
    path = tmp_path / "site.toml"
    path.write_text(to_text(DEMO), encoding="utf-8")
    return str(path)


def run(*words: str) -> Result:
    return CliRunner().invoke(main, ["diagnose", *words])


def diagnosed(*words: str) -> dict[str, Any]:
    result = run(*words, "--json")
    assert result.exit_code == 0, result.output
    made: dict[str, Any] = json.loads(result.stdout)
    return made


def test_text_names_doors_and_devices(site: str) -> None:
    text = run(OPEN, "--site", site).output
    assert "segment between Store door (d-2) and Loft door (d-3)" in " ".join(text.split())
    assert "BY THE RECORD of Lantern Quay, bus quay" in text
    assert "ERROR missing: reader" not in text
    assert "Slip gate (d-5, address 5) does not answer" in " ".join(text.split())
    assert "ERROR segment" in text


def test_json_has_names_beside_places_that_stay(site: str) -> None:
    plain, made = (
        diagnosed("sim:demo", "--length", "140", "--order", "1,2,3,4,5"),
        diagnosed("sim:demo", "--site", site),
    )
    assert [(one["cause"], one["place"], one["probability"]) for one in made["findings"]] == [
        (one["cause"], one["place"], one["probability"]) for one in plain["findings"]
    ]
    first = made["findings"][0]
    assert first["site"]["place"] == "Slip gate (d-5), address 5"
    assert first["site"]["devices"] == [{"id": "d-5", "name": None, "door": "Slip gate", "address": 5}]
    assert made["site"]["length"] == 140
    assert made["site"]["order"] == [1, 2, 3, 4, 5]
    assert made["site"]["differences"][0]["id"] == "missing"
    assert "site" not in plain
    assert "site" not in plain["findings"][0]


def test_the_page_has_names(site: str, tmp_path: Path) -> None:
    page = tmp_path / "page.html"
    assert run("sim:demo", "--site", site, "--report", str(page)).exit_code == 0
    text = page.read_text(encoding="utf-8")
    assert "Slip gate (d-5), address 5" in text
    assert "<small>Loft door (d-3)</small>" in text
    assert "names by the record of Lantern Quay" in text


def test_a_saved_diagnosis_takes_the_names_too(site: str, tmp_path: Path) -> None:
    saved = tmp_path / "visit.json"
    assert run("sim:demo", "--save", str(saved)).exit_code == 0
    made = diagnosed(str(saved), "--site", site)
    assert made["findings"][0]["site"]["place"] == "Slip gate (d-5), address 5"
    assert made["site"]["differences"] == []


def test_what_the_record_says_of_the_pair(site: str, tmp_path: Path) -> None:
    text = to_text(DEMO)
    for place in range(6):
        text = with_value(text, ("bus", 0, "device", place, "terminator"), place == 5)
    one_end = tmp_path / "one-end.toml"
    one_end.write_text(text, encoding="utf-8")
    assert load(text).record.bus[0].device[5].terminator is True
    assert any(
        one.startswith("ends-terminated") for one in diagnosed("sim:demo", "--site", str(one_end))["site"]["pair"]
    )
    assert diagnosed("sim:demo", "--site", site)["site"]["pair"] == []


def test_listening_ends_with_names(site: str) -> None:
    result = CliRunner().invoke(main, ["listen", "sim:demo?for=2", "--site", site])
    assert "by the record, address 5: Slip gate (d-5)" in result.output
    result = CliRunner().invoke(main, ["listen", "sim:demo?for=2", "--site", site, "--json"])
    assert json.loads(result.stdout.splitlines()[-1])["names"]["3"] == "Loft door (d-3)"
    assert CliRunner().invoke(main, ["listen", "sim:demo?for=2", "--bus", "quay"]).exit_code == 2


def test_misuse_is_one_line(site: str) -> None:
    assert run("sim:demo", "--bus", "quay").exit_code == 2
    assert run("sim:demo", "--site", site, "--bus", "elsewhere").exit_code == 2
    assert run("sim:demo", "--site", "absent.toml").exit_code == 4
