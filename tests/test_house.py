"""The house holds together: import directions, layout, and that the documentation tells the truth."""

from __future__ import annotations

import ast
import re
import shlex
import shutil
import subprocess
import sys
from pathlib import Path

import click
import pytest
from click.testing import CliRunner

from benchtool.commands.main import COMMANDS, main
from benchtool.diagnose.finding import Cause
from benchtool.simulate.faults import FAULTS

ROOT = Path(__file__).parent.parent
PACKAGE = ROOT / "benchtool"
DOCS = sorted([*(ROOT / "docs").rglob("*.md"), ROOT / "README.md"])
FAULT_PAGES = ROOT / "docs" / "faults"

MAY_IMPORT = {
    "capture": set(),
    "wire": {"capture"},
    "frames": {"capture"},
    "measure": {"frames", "capture", "wire"},
    "diagnose": {"measure", "frames", "capture", "wire"},
    "simulate": {"frames", "wire", "capture"},
    "explore": {"frames", "capture", "measure"},
    "taps": {"capture", "wire", "simulate", "frames", "measure"},
    "install": {"capture", "wire", "frames", "measure"},
    "reports": {"capture", "wire", "frames", "measure", "diagnose", "simulate", "taps", "explore", "install"},
    "train": {"capture", "wire", "frames", "measure", "diagnose", "simulate", "taps", "explore"},
    "screens": {
        "capture",
        "wire",
        "frames",
        "measure",
        "diagnose",
        "simulate",
        "taps",
        "reports",
        "explore",
        "install",
    },
    "commands": {
        "capture",
        "wire",
        "frames",
        "measure",
        "diagnose",
        "simulate",
        "taps",
        "reports",
        "explore",
        "install",
        "screens",
    },
}
PURE = ("frames", "wire", "measure", "diagnose", "simulate", "explore", "install")
NOT_IN_PURE = {"serial", "time", "threading", "asyncio", "select", "socket", "termios", "prompt_toolkit", "curses"}


def imports(path: Path) -> set[str]:
    """Every module that a file imports, wherever in the file."""
    found: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module:
            found.add(node.module)
    return found


@pytest.mark.parametrize("room", MAY_IMPORT)
def test_import_directions(room: str) -> None:
    for path in (PACKAGE / room).rglob("*.py"):
        rooms = {name.split(".")[1] for name in imports(path) if name.startswith("benchtool.")}
        assert rooms - {room} <= MAY_IMPORT[room], path


@pytest.mark.parametrize("room", PURE)
def test_pure_rooms_touch_no_port_clock_thread_or_terminal(room: str) -> None:
    for path in (PACKAGE / room).rglob("*.py"):
        assert not {name.split(".")[0] for name in imports(path)} & NOT_IN_PURE, path


def test_every_room_is_in_the_table() -> None:
    rooms = {path.name for path in PACKAGE.iterdir() if path.is_dir() and path.name != "__pycache__"}
    assert rooms == set(MAY_IMPORT)


def test_no_module_is_too_long() -> None:
    for path in PACKAGE.rglob("*.py"):
        assert len(path.read_text(encoding="utf-8").splitlines()) <= 400, path


def test_top_level_layout() -> None:
    if not (ROOT / ".git").exists() or shutil.which("git") is None:
        pytest.skip("not a git checkout")
    names = subprocess.run(["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=True).stdout.split()
    tops = {name.split("/")[0] for name in names}
    allowed = {"README.md", "DEVELOPERS.md", "pyproject.toml", "benchtool", "fixtures", "tests", "docs"}
    assert {top for top in tops if not top.startswith(".")} <= allowed


def commands_in(page: Path) -> list[str]:
    """Lines `$ benchtool …` in fenced blocks, in order."""
    return re.findall(r"^\s*\$ (benchtool .*)$", page.read_text(encoding="utf-8"), re.MULTILINE)


@pytest.mark.parametrize(
    "page", [page for page in DOCS if commands_in(page)], ids=lambda page: page.relative_to(ROOT).as_posix()
)
def test_every_command_in_the_documentation_works(page: Path, monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    # In order, in one folder of their own, since later lines use files of earlier ones.
    shutil.copytree(ROOT / "fixtures", tmp_path / "fixtures")
    monkeypatch.chdir(tmp_path)
    for line in commands_in(page):
        words = shlex.split(line, comments=True)
        result = CliRunner().invoke(main, words[1:])
        assert result.exit_code == 0, (line, result.output)
        assert result.output.strip(), line


def test_links_between_pages_lead_somewhere() -> None:
    for page in DOCS:
        for target in re.findall(r"\]\(([^)#]+?)(?:#[^)]*)?\)", page.read_text(encoding="utf-8")):
            if "://" not in target:
                assert (page.parent / target).exists(), (page.name, target)


def test_every_page_is_in_the_index() -> None:
    index = (ROOT / "docs" / "index.md").read_text(encoding="utf-8")
    for page in (ROOT / "docs").glob("*.md"):
        assert page.name == "index.md" or f"({page.name})" in index, page.name


def test_every_cause_has_a_page_and_a_row_in_the_index() -> None:
    causes = {cause.value for cause in Cause}
    assert causes == {page.stem for page in FAULT_PAGES.glob("*.md")}
    rows = re.findall(
        r"^\| \[([a-z-]+)\]\(faults/([a-z-]+)\.md\) \|", (ROOT / "docs" / "faults.md").read_text(), re.MULTILINE
    )
    assert sorted(causes) == sorted(shown for shown, _ in rows)
    assert all(shown == page for shown, page in rows)


@pytest.mark.parametrize("cause", sorted({cause.value for cause in Cause}))
def test_page_of_a_cause_says_how_it_looks_why_how_to_mend_it_and_what_splits_it_from_others(cause: str) -> None:
    text = (FAULT_PAGES / f"{cause}.md").read_text(encoding="utf-8")
    assert text.startswith(f"# {cause}\n")
    heads = re.findall(r"^## (.*)$", text, re.MULTILINE)
    assert [head for head in heads if head != "Safety"] == [
        "How it looks",
        "Why",
        "How to mend it",
        "Confused with",
        "See it",
    ]
    looks = text.split("## How it looks")[1].split("## ")[0]
    for kind in ("octets", "meter", "oscilloscope"):
        assert re.search(rf"^\| .*{kind}", looks, re.MULTILINE), kind
    confused = text.split("## Confused with")[1].split("## ")[0]
    assert len(re.findall(r"^\| ", confused, re.MULTILINE)) >= 4, "two others at least, and what splits them"
    assert f"({cause}.md)" not in confused


def test_what_a_page_is_confused_with_is_confused_with_it() -> None:
    confused = {
        page.stem: set(re.findall(r"\(([a-z-]+)\.md\)", page.read_text(encoding="utf-8").split("## Confused with")[1]))
        for page in FAULT_PAGES.glob("*.md")
    }
    for cause, others in confused.items():
        for other in others:
            assert cause in confused[other] or cause in ("healthy", "none-of-these"), (cause, other)


def test_every_fault_of_the_simulator_has_a_page_with_a_command_that_shows_it() -> None:
    for fault in FAULTS:
        shown = "".join(commands_in(FAULT_PAGES / f"{fault}.md"))
        assert re.search(rf"fault={fault}\b(?!-)", shown), fault


def options_of(command: click.Command) -> set[str]:
    """Its long options and those of all its sub-commands, but for hidden ones."""
    own = {
        name
        for option in command.params
        if isinstance(option, click.Option) and not option.hidden
        for name in option.opts
        if name.startswith("--")
    }
    if not isinstance(command, click.Group):
        return own
    context = click.Context(command)
    subs = (command.get_command(context, name) for name in command.list_commands(context))
    return own.union(*(options_of(sub) for sub in subs if sub is not None))


@pytest.mark.parametrize("name", COMMANDS)
def test_every_command_is_documented_with_its_options(name: str) -> None:
    text = (ROOT / "docs" / "commands.md").read_text(encoding="utf-8")
    section = re.search(rf"^## benchtool {name}\b.*?(?=^## )", text, re.MULTILINE | re.DOTALL)
    assert section is not None
    # In its part of the page, or on the pages that this names.
    pages = re.findall(r"\(([a-z-]+\.md)", section[0])
    told = "\n".join([section[0], *((ROOT / "docs" / page).read_text(encoding="utf-8") for page in pages)])
    command = main.get_command(click.Context(main), name)
    assert command is not None
    missing = {option for option in options_of(command) if not re.search(rf"{option}(?![\w-])", told)}
    assert missing <= {"--baud", "--format"}, "these two stand at the head of the page"


def test_every_option_of_the_page_of_commands_is_one() -> None:
    text = (ROOT / "docs" / "commands.md").read_text(encoding="utf-8")
    context = click.Context(main)
    known = options_of(main).union(
        *(options_of(command) for name in COMMANDS if (command := main.get_command(context, name)))
    )
    assert set(re.findall(r"`(--[a-z0-9-]+)", text)) <= known


def test_the_files_that_the_architecture_names_are_there() -> None:
    text = (ROOT / "docs" / "architecture.md").read_text(encoding="utf-8")
    for line in re.findall(r"^\|.*", text, re.MULTILINE):
        folder = ""
        for name in re.findall(r"`([\w/*-]+(?:\.py|\.html|\.toml|/))`", line):
            # After a file with its folder, others of the same folder go without.
            for place in (name, f"{folder}/{name}"):
                if any((ROOT if place.startswith(("docs", "tests")) else PACKAGE).glob(place.rstrip("/"))):
                    folder = place.rpartition("/")[0]
                    break
            else:
                raise AssertionError((name, line))


def test_help_loads_no_heavy_library() -> None:
    code = (
        "import sys; from click.testing import CliRunner; from benchtool.commands.main import main; "
        "assert CliRunner().invoke(main, ['--help']).exit_code == 0; "
        "print([m for m in ('numpy', 'serial', 'construct', 'bitstring', 'matplotlib', 'prompt_toolkit', 'fastcrc', "
        "'cryptography', 'jinja2') if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
