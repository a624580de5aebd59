"""No card, key or PIN typed in a command gets into the history file or the log."""

from __future__ import annotations

import tempfile
from datetime import datetime
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from benchtool.commands.main import main
from benchtool.commands.shell import _also
from benchtool.screens.shell import Shell
from benchtool.screens.shell_history import VisitHistory
from benchtool.screens.shell_log import VisitLog
from benchtool.screens.shell_secrets import Scrubber, judge
from benchtool.screens.shell_tree import meaning_of
from benchtool.screens.shell_words import split, texts

SECRET_LINES = (
    "card {number}",
    "card 213,{number}",
    "card {number} --explain",
    "card {hex}/26 --json",
    "card --site {number} --number {number}",
    "card --number={number} --format 26-bit",
    "card --printed {number}",
    "card --keys {number}#",
    "card --as keys {bits}",
    "card {bits} --no-such-option",
    "card --nothing {number}",
    "crad {number}",
    "crad {number} explain this",
    "lisen sim:demo badge {number}",
    "site chek {number}",
    "watch sim:demo --still {number}",
    "note card {number} opens",
    "{number}",
    "{key}",
    "benchtool card {number}",
    "reads sim:card?cards=2 --printed {number}",
    "reads sim:card?cards=1&keys={number}",
    "reads sim:card --presented {number}x",
    "simulate reader --port nowhere --transmit --do 'card 26-bit 57 {number}'",
    "simulate reader --port nowhere --transmit --do='2s keys {number}#'",
    "simulate card {bits} --port probe:nowhere --transmit",
    "simulate card --site 57 --number {number} --port probe:nowhere --transmit",
    "listen sim:demo --for 1s --osdp-key {key}",
    "listen {number}",
    "listen sim:demo --for {number}x",
    "listen sim:demo --for 1s --baud {number}{number}",
    "listen sim:demo --for 1s {number}",
    "use {number}",
    "set osdp-key {key}",
    "help {number}",
    "site set {number}",
    "notes card {number} opens",
    "notes the key is {key}",
    "notes held {bits}, twice",
)


def numbers() -> st.SearchStrategy[dict[str, str]]:
    """A card's number (4 to 10 digits, as printed), its bits, its hex, and a key of 16 octets."""
    return st.fixed_dictionaries(
        {
            "number": st.integers(1000, 4_294_967_295).map(str),
            "bits": st.lists(st.sampled_from("01"), min_size=26, max_size=37).map("".join),
            "hex": st.integers(0x1000000, 0x3FFFFFF)
            .map(lambda value: f"{value:07X}")
            .filter(lambda text: sum(letter.isdigit() for letter in text) >= 4),
            "key": st.binary(min_size=16, max_size=16)
            .map(bytes.hex)
            .filter(lambda text: sum(letter.isdigit() for letter in text) >= 4),
        }
    )


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(template=st.sampled_from(SECRET_LINES), typed=numbers())
def test_no_secret_that_was_typed_gets_into_history_or_log(
    template: str, typed: dict[str, str], capsys: pytest.CaptureFixture[str]
) -> None:
    line = template.format(**typed)
    with tempfile.TemporaryDirectory() as folder:
        history_file, log_file = Path(folder, "history"), Path(folder, "visit.log")
        shell = Shell(main, VisitLog(lambda: datetime(2026, 3, 2)), also=_also(), interactive=False)
        history = VisitHistory(history_file, shell.harmless)
        shell.log.start(log_file)
        history.append_string(line)
        shell.run(line)
        shell.run("again")
        shell.close()
        kept = log_file.read_text(encoding="utf-8").lower()
        assert not history_file.exists()
    for name, secret in typed.items():
        if f"{{{name}}}" in template:
            assert secret.lower() not in kept
    capsys.readouterr()


@pytest.mark.parametrize(
    "line",
    [
        "listen sim:demo --for 30s --only errors --baud 115200",
        "listen /dev/ttyUSB0 --record visit-20260302.pcapng --only 5",
        'diagnose "sim:demo?fault=noise-broadband" --meter ab-ohms=61 --meter ab-idle@5=0.24 --order 1,2,5',
        "diagnose visit.pcapng --site depot.toml --bus yard --report visit.html --strict",
        "survey sim:demo --addresses 1-5 --bauds 9600,115200",
        "site compare depot.toml sim:demo",
        "site check depot.toml --strict-from warning",
        "calculate drop --metres 80 --awg 22 --amps 0.5",
        "calculate reading --metres 300 --awg 24 --terminator 300:120",
        "formats show '37-bit 16+19'",
        "reads visit.csv --expect 26-bit --same-card",
        "card --exercise flipped --count 3 --seed 7",
        "simulate controller demo --port /dev/ttyUSB0 --transmit --address 5",
        "explore sim:demo --for 10s --save unknown.toml",
        "ports --all",
        "help listen",
        "use socket://10.0.0.5:4001",
        "log start visit.log",
        "again",
        "watch sim:demo --still 60x20",
        "hunt sim:demo --page visit.html",
        "practice --progress mine.toml",
        "site set depot.toml reader-3 location 'lobby, left of the door'",
        "site close depot.toml --by Kim",
    ],
)
def test_lines_without_secrets_are_kept_and_shown_whole(line: str) -> None:
    shell = Shell(main, VisitLog(datetime.now), also=_also(), interactive=False)
    assert shell.harmless(line)
    assert texts(split(shell.shown(line))) == texts(split(line))


@pytest.mark.parametrize(
    ("line", "shown"),
    [
        ("reader 3 has a loose lid, reads 9.1 V", "reader 3 has a loose lid, reads 9.1 V"),
        ("lisen sim:demo --for 30s", "lisen sim:demo --for 30s"),
        ("site chek depot.toml", "site chek depot.toml"),
        ("PIN 47 works, card 213 201 too", "PIN *** works, card *** too"),
        ("crad 57 201", "crad ***"),
    ],
)
def test_of_a_mistyped_line_the_log_keeps_what_is_no_secret_and_the_history_nothing(line: str, shown: str) -> None:
    shell = Shell(main, VisitLog(datetime.now), also=_also(), interactive=False)
    assert shell.shown(line) == shown
    assert not shell.harmless(line)


def test_output_that_may_show_cards_is_left_out_unless_asked_for(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    shell = Shell(main, VisitLog(lambda: datetime(2026, 3, 2)), also=_also(), interactive=False)
    shell.run(f"log start {tmp_path / 'a.log'}")
    for line in ("card 213,02000", "listen sim:demo --for 1s --show-cards", "listen sim:demo --for 1s --json"):
        shell.run(line)
    shell.run("log stop")
    hidden = (tmp_path / "a.log").read_text(encoding="utf-8")
    assert hidden.count("left out") == 3
    assert "POLL" not in hidden
    shell.run(f"log start {tmp_path / 'b.log'} --show-cards")
    shell.run("card 213,02000")
    shell.close()
    assert "> card 213,02000" in (shown := (tmp_path / "b.log").read_text(encoding="utf-8"))
    assert "site code 213" in shown
    capsys.readouterr()


def test_a_parameter_that_nobody_has_judged_is_hidden() -> None:
    import click

    @click.group()
    def root() -> None:
        pass

    @root.command("newcomer")
    @click.option("--token")
    @click.argument("words")
    def newcomer(token: str, words: str) -> None:
        pass

    words = ["newcomer", "--token", "abc", "def"]
    assert judge(words, meaning_of(root, words)).line == "newcomer --token *** ***"


@given(st.text("0123456789ABCDEF,:-", min_size=4, max_size=20), st.text(max_size=20), st.text(max_size=20))
def test_scrubber_leaves_no_piece_of_four_digits(secret: str, before: str, after: str) -> None:
    line = Scrubber([secret])(before + secret + after)
    assert secret not in line
