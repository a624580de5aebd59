"""Files that commands write: what is there is kept unless --overwrite is given, in the same words in every command."""

from __future__ import annotations

from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from benchtool.commands.errors import CommandError
from benchtool.commands.main import main
from benchtool.commands.outputs import check_output, check_page

ROOT = Path(__file__).parents[2]
EDGES = str(ROOT / "fixtures/card-lines/edges.csv")
PAGE = "<!doctype html>\n<p>yesterday's visit</p>\n"


def run(*words: str) -> Result:
    return CliRunner().invoke(main, words)


@pytest.mark.parametrize(
    ("words", "option", "name", "there"),
    [
        (("diagnose", "sim:bench", "--for", "1s"), "--report", "page.html", PAGE),
        (("diagnose", "sim:bench", "--for", "1s"), "--save", "state.json", '{"benchtool-diagnosis": 1}'),
        (("diagnose", "sim:bench", "--for", "1s"), "--record", "visit.log", "0 53\n"),
        (("listen", "sim:bench", "--for", "1s"), "--record", "visit.pcapng", ""),
        (("reads", EDGES), "--report", "page.html", PAGE),
        (("reads", EDGES), "--plot", "pulses.png", "a picture"),
        (("reads", EDGES), "--record", "edges.csv", "time_us,line,level\n"),
        (("explore", "sim:demo?for=8"), "--save", "bus.toml", 'name = "gate"\n'),
        (("formats", "infer", str(ROOT / "fixtures/card/unknown-35.txt")), "--save", "door.toml", "# mine\n"),
        (("site", "report", str(ROOT / "fixtures/sites/depot.toml")), "--out", "page.html", PAGE),
    ],
    ids=lambda value: value if isinstance(value, str) and value.startswith("--") else "",
)
def test_what_is_there_is_kept_unless_overwrite_is_given(
    words: tuple[str, ...], option: str, name: str, there: str, tmp_path: Path
) -> None:
    target = tmp_path / name
    target.write_text(there)
    refused = run(*words, option, str(target))
    assert refused.exit_code == 5
    assert f"{option} {target} is there already; add --overwrite to write over it\n" in refused.stderr
    assert target.read_text() == there
    assert run(*words, option, str(target), "--overwrite").exit_code == 0
    assert target.read_bytes() != there.encode()


def test_the_second_picture_is_kept_too(tmp_path: Path) -> None:
    second = tmp_path / "pulses-lines.png"
    second.write_text("mine")
    words = ("reads", EDGES, "--plot", str(tmp_path / "pulses.png"))
    assert run(*words).exit_code == 0, "nothing is drawn there unless cards are shown"
    (tmp_path / "pulses.png").unlink()
    refused = run(*words, "--show-cards")
    assert (refused.exit_code, f"{second} is there already" in refused.stderr) == (5, True)


def test_a_diagnosis_gone_on_with_is_saved_over_itself_alone(tmp_path: Path) -> None:
    state, other = str(tmp_path / "visit.json"), str(tmp_path / "other.json")
    assert run("diagnose", "sim:bench", "--for", "1s", "--save", state).exit_code == 0
    assert run("diagnose", state, "--meter", "ab-ohms=61", "--save", state).exit_code == 0
    assert run("diagnose", state, "--save", other).exit_code == 0
    assert run("diagnose", state, "--save", other).exit_code == 5


def test_nothing_that_is_read_and_no_other_kind_of_file_is_replaced(tmp_path: Path) -> None:
    page = tmp_path / "a.html"
    page.write_text(PAGE)
    (tmp_path / "link.html").symlink_to(page)
    with pytest.raises(CommandError, match="being read"):
        check_page(str(tmp_path / "link.html"), "--report", overwrite=True, reads=(str(page),))
    page.write_text("my notes")
    with pytest.raises(CommandError, match="another file"):
        check_page(str(page), "--report", overwrite=True)
    page.write_text("")
    check_page(str(page), "--report", overwrite=True)


def test_a_folder_and_a_missing_folder_are_told_before_anything_is_done(tmp_path: Path) -> None:
    (tmp_path / "a.html").mkdir()
    with pytest.raises(CommandError, match="is a folder; give the name of a file in it"):
        check_page(str(tmp_path / "a.html"), "--report", overwrite=True)
    with pytest.raises(CommandError, match=r"there is no folder .*none; make it first"):
        check_output(str(tmp_path / "none" / "a.toml"), "--save", (".toml",), overwrite=False)
