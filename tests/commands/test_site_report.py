"""`benchtool site report`: a page is written, captures are tied to their bus, errors are one line."""

from __future__ import annotations

from pathlib import Path

import pytest
from click.testing import CliRunner

from benchtool.commands.main import main

FIXTURES = Path(__file__).parent.parent.parent / "fixtures"
DEPOT = str(FIXTURES / "sites" / "depot.toml")
MISTAKES = str(FIXTURES / "sites" / "depot-mistakes.toml")
CAPTURE = str(FIXTURES / "osdp" / "peer-session.log")
DAY = ("--date", "2026-03-14")
ONE_BUS = """schema = 1
[site]
name = "Invented"
[[door]]
id = "d"
name = "Store door"
[[bus]]
id = "yard"
protocol = "osdp"
[[bus.device]]
id = "if-1"
kind = "interface"
door = "d"
address = 1
"""


def run(*words: str) -> tuple[int, str]:
    result = CliRunner().invoke(main, ["site", "report", *words])
    return result.exit_code, result.output


@pytest.fixture
def out(tmp_path: Path) -> Path:
    return tmp_path / "page.html"


@pytest.fixture
def one_bus(tmp_path: Path) -> str:
    path = tmp_path / "one.toml"
    path.write_text(ONE_BUS, encoding="utf-8")
    return str(path)


def test_a_page_is_written_and_told_in_one_line(out: Path) -> None:
    code, text = run(MISTAKES, "--out", str(out), *DAY)
    assert code == 0
    assert text.startswith(f"{out}: written. Not ready: ")
    assert "error" in text
    page = out.read_text(encoding="utf-8")
    assert page.startswith("<!doctype html>")
    assert "Made on 2026-03-14" in page
    assert "size: A4;" in page


def test_the_same_record_and_day_give_the_same_page(out: Path, tmp_path: Path) -> None:
    other = tmp_path / "other.html"
    assert run(DEPOT, "--out", str(out), *DAY)[0] == run(DEPOT, "--out", str(other), *DAY)[0] == 0
    assert out.read_bytes() == other.read_bytes()


def test_letter(out: Path) -> None:
    assert run(DEPOT, "--out", str(out), "--paper", "letter")[0] == 0
    assert "size: Letter;" in out.read_text(encoding="utf-8")


def test_a_capture_is_counted_as_listen_counts_it_with_the_names_of_the_doors(out: Path, one_bus: str) -> None:
    log = out.with_name("visit.pcapng")
    listened = CliRunner().invoke(main, ["listen", "sim:demo", "--for", "5s", "--record", str(log)])
    row = next(line.split() for line in listened.output.splitlines() if line.startswith("osdp      1"))
    code, text = run(one_bus, "--out", str(out), "--capture", str(log), *DAY)
    assert code == 0, text
    page = out.read_text(encoding="utf-8")
    part = page.split("visit.pcapng on yard")[1]
    asked, answered = row[2], row[3]
    assert int(asked) > 5
    assert f'<td>Store door (if-1)</td><td class="number">{asked}</td><td class="number">{answered}</td>' in part
    assert "Asked, but not in the record: address 2, address 3, address 4, address 5." in part


def test_with_several_buses_a_capture_names_its_own(out: Path) -> None:
    code, text = run(DEPOT, "--out", str(out), "--capture", CAPTURE)
    assert (code, text.count("\n")) == (2, 1)
    assert "of which bus? write yard=" in text
    assert not out.exists()
    code, text = run(DEPOT, "--out", str(out), "--capture", f"yard={CAPTURE}")
    assert code == 0, text
    assert "peer-session.log on Yard bus (yard)" in out.read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("words", "code", "said"),
    [
        (("--out", "page.txt"), 2, "the name ends in .html or .htm"),
        (("--out", "page.html", "--date", "tomorrow"), 2, "a day is wanted, as 2026-03-14"),
        (("--out", "page.html", "--capture", "none.pcapng"), 4, "no such file"),
        (("--out", "page.html", "--capture", f"bsu={CAPTURE}"), 4, "no bus is called bsu; there are: yard, rooms"),
        (("--out", "page.html", "--capture", f"yard={DEPOT}"), 4, "depot.toml"),
        (("--out", "no/such/folder/page.html"), 5, "there is no folder no/such/folder"),
    ],
)
def test_errors_are_one_line_with_the_mend(
    words: tuple[str, ...], code: int, said: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    got, text = run(DEPOT, *words)
    assert got == code
    assert said in text
    assert text.count("\n") == 1
    assert list(tmp_path.iterdir()) == []


def test_an_empty_record_is_no_pass(tmp_path: Path, out: Path) -> None:
    empty = tmp_path / "empty.toml"
    empty.write_text('schema = 1\n[site]\nname = "Nothing"\n', encoding="utf-8")
    assert run(str(empty), "--out", str(out)) == (
        0,
        f"{out}: written. Nothing is recorded yet that a rule could be held against.\n",
    )


def test_nothing_but_a_page_is_replaced_and_that_only_where_it_is_said(tmp_path: Path) -> None:
    other = tmp_path / "notes.html"
    other.write_text("my notes", encoding="utf-8")
    for words in ((), ("--overwrite",)):
        assert run(DEPOT, "--out", str(other), *words)[0] == 5
    assert other.read_text(encoding="utf-8") == "my notes"
    page = tmp_path / "page.html"
    assert run(DEPOT, "--out", str(page))[0] == 0
    code, text = run(DEPOT, "--out", str(page))
    assert (code, "add --overwrite" in text) == (5, True)
    assert run(DEPOT, "--out", str(page), "--overwrite")[0] == 0


def test_a_broken_record_is_told_with_line_and_field(tmp_path: Path, out: Path) -> None:
    broken = tmp_path / "broken.toml"
    broken.write_text(ONE_BUS.replace("address = 1", "address = 999"), encoding="utf-8")
    code, text = run(str(broken), "--out", str(out))
    assert code == 4
    assert "line 14: bus 1, device 1, address:" in text
    assert not out.exists()


def test_sharing_and_shown_secrets_are_told(out: Path) -> None:
    assert "read it before you share it" in run(DEPOT, "--out", str(out), "--for-sharing")[1]
    assert "keep it as you keep keys" in run(DEPOT, "--out", str(out), "--show-secrets", "--overwrite")[1]
