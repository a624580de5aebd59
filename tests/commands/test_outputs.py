"""Files that commands write: what is there is kept unless --overwrite is given, in the same words in every command."""

from __future__ import annotations

import errno
import importlib
import json
from io import FileIO
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from benchtool.commands.errors import CommandError
from benchtool.commands.main import main
from benchtool.commands.outputs import check_output, check_page, write_results

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


@pytest.fixture
def full(monkeypatch: pytest.MonkeyPatch) -> None:
    """A disk without room: files can be made, nothing can be written into them."""

    def refuse(self: FileIO, octets: object) -> int:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr("benchtool.capture.private.FileIO", type("Full", (FileIO,), {"write": refuse}))


@pytest.mark.usefixtures("full")
@pytest.mark.parametrize(
    ("words", "option", "name"),
    [
        (("diagnose", "sim:bench", "--for", "1s", "--json"), "--save", "state.json"),
        (("diagnose", "sim:bench", "--for", "1s", "--json"), "--report", "page.html"),
        (("explore", "sim:demo?for=8", "--json"), "--save", "bus.toml"),
        (("formats", "infer", str(ROOT / "fixtures/card/unknown-35.txt"), "--json"), "--save", "door.toml"),
    ],
    ids=lambda value: value if isinstance(value, str) and value.startswith("--") else "",
)
def test_a_full_disk_takes_nothing_of_the_result(
    words: tuple[str, ...], option: str, name: str, tmp_path: Path
) -> None:
    result = run(*words, option, str(tmp_path / name))
    assert result.exit_code == 5
    assert json.loads(result.stdout)
    mend = "cannot be written: the disk is full; make room, or give a name elsewhere\n"
    assert result.stderr.endswith(f"benchtool: {tmp_path / name} {mend}")
    assert list(tmp_path.iterdir()) == []


@pytest.mark.usefixtures("full")
@pytest.mark.parametrize(
    ("words", "name"),
    [(("listen", "sim:bench", "--for", "1s"), "a.pcapng"), (("reads", "sim:card"), "a.csv")],
    ids=["listen", "reads"],
)
def test_a_recording_of_nothing_leaves_its_name_free(words: tuple[str, ...], name: str, tmp_path: Path) -> None:
    result = run(*words, "--record", str(tmp_path / name))
    assert result.exit_code == 5
    assert "the disk is full; make room" in result.stderr
    assert list(tmp_path.iterdir()) == []


def test_what_can_be_written_is_written_and_the_first_failure_told(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "there").mkdir()
    good, bad = str(tmp_path / "good"), str(tmp_path / "there")
    with pytest.raises(CommandError, match="there cannot be written: "):
        write_results([(bad, "x", "bad"), (good, "text", "page")])
    assert Path(good).read_text() == "text"
    assert capsys.readouterr().err == f"page: {good}\n"


def test_a_record_that_is_not_there_is_told_with_how_to_begin_one(tmp_path: Path) -> None:
    missing = tmp_path / "depot.toml"
    result = run("site", "check", str(missing))
    assert result.exit_code == 4
    assert f"there is no such file; benchtool site new {missing} begins a record" in result.stderr


def test_nobody_is_asked_in_a_file(tmp_path: Path) -> None:
    (tmp_path / "a.pcapng").write_text("x")
    for place, what in ((tmp_path / "a.pcapng", "a file"), (tmp_path, "a folder")):
        result = run("survey", str(place))
        assert (result.exit_code, f"is {what}: nobody answers there" in result.stderr) == (3, True)


def test_a_file_that_failed_is_not_taken_for_the_output(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    for filename, code, told in (
        ("reads.txt", 4, "benchtool: reads.txt: Permission denied\n"),
        (None, 5, "benchtool: the output cannot be written: Permission denied\n"),
    ):

        def fail(filename: str | None = filename, **_: object) -> None:
            raise PermissionError(errno.EACCES, "Permission denied", filename)

        entry = importlib.import_module("benchtool.commands.main")
        monkeypatch.setattr(entry, "main", fail)
        monkeypatch.setattr(entry, "_drop_output", lambda: None)
        with pytest.raises(SystemExit) as ended:
            entry.run()
        assert (ended.value.code, capsys.readouterr().err) == (code, told)
