"""`benchtool site`: new, walk, set, show, export, import, close, as a person and as a script call them."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result
from prompt_toolkit.input import create_pipe_input
from prompt_toolkit.output import DummyOutput

from benchtool.commands import site_close, site_walk
from benchtool.commands.main import main
from benchtool.commands.site_ask import TerminalAsker
from benchtool.commands.site_walk import Walker
from benchtool.install.load import load
from benchtool.install.record import Record
from benchtool.install.walk import Answered

DEPOT = (Path(__file__).parents[2] / "fixtures" / "sites" / "depot.toml").read_text(encoding="utf-8")
EMPTY = 'schema = 1\n\n[site]\nname = "Depot"  # ours\n'


def call(*words: str, typed: str = "") -> Result:
    return CliRunner().invoke(main, ["site", *words], input=typed)


def record(path: Path) -> Record:
    return load(path.read_text(encoding="utf-8")).record


@pytest.fixture
def site(tmp_path: Path) -> Path:
    path = tmp_path / "depot.toml"
    path.write_text(EMPTY, encoding="utf-8")
    return path


def test_new_asks_and_writes_a_commented_beginning(tmp_path: Path) -> None:
    path = tmp_path / "new.toml"
    result = call("new", str(path), typed="\nDepot north\n\nhot\n-5\n45\n")
    assert result.exit_code == 0, result.output
    assert "not taken: it is empty" in result.output
    assert "not taken: a number is wanted" in result.output
    made = record(path).site
    assert (made.name, made.coldest_c, made.warmest_c) == ("Depot north", -5.0, 45.0)
    assert "# [[bus.device]]" in path.read_text(encoding="utf-8")
    again = call("new", str(path), "--name", "x")
    assert again.exit_code == 5
    assert "there already" in again.output


def test_new_without_anybody_who_answers_writes_nothing(tmp_path: Path) -> None:
    result = call("new", str(tmp_path / "new.toml"))
    assert result.exit_code == 2
    assert not list(tmp_path.iterdir())


def test_walk_writes_each_answer_at_once(site: Path) -> None:
    seen = []

    class Watching:
        def __init__(self) -> None:
            self.lines = iter(["yard", "", "osdp", "9600", "", "interface", "if-1", "Store", "", "SN1"])

        def ask(self, prompt: str, choices: Any = (), kept: str = "") -> str:
            seen.append(site.read_text(encoding="utf-8"))
            try:
                return next(self.lines)
            except StopIteration:
                raise KeyboardInterrupt from None

    Walker(site, Watching(), Answered()).run()
    assert '"yard"' in seen[1]
    assert "9600" in seen[4]
    assert '"SN1"' in seen[-1]
    assert "# ours" in seen[-1]
    assert [path.name for path in site.parent.iterdir()] == ["depot.toml"]


def test_walk_explains_goes_back_and_goes_on_another_day(site: Path) -> None:
    first = call("walk", str(site), typed="yard\n>\ninterface\nif-1\n\n\nSN1\n<\nSN2\n300\n7\n?\n.\n")
    assert first.exit_code == 0, first.output
    assert "not taken: 0 to 255 is possible, not 300" in first.output
    assert "wanted: yes | no" in first.output
    device = record(site).bus[0].device[0]
    assert (device.serial, device.address) == ("SN2", 7)
    second = call("walk", str(site), "--bus", "yard", typed=">\n\n\nyes\n")
    assert record(site).bus[0].device[0].terminator is True, second.output


def test_walk_begins_where_it_is_told_and_names_what_is_not_there(site: Path) -> None:
    site.write_text(DEPOT, encoding="utf-8")
    output = call("walk", str(site), "--from", "if-ramp", typed=">\n").output
    assert "if-ramp" in output
    assert "if-store" not in output
    for words in (("--from", "nobody"), ("--bus", "nobody")):
        result = call("walk", str(site), *words)
        assert result.exit_code == 2
        assert "nobody" in result.output


def test_what_another_program_wrote_meanwhile_is_kept(site: Path) -> None:
    class Other:
        def __init__(self) -> None:
            self.count = 0

        def ask(self, prompt: str, choices: Any = (), kept: str = "") -> str:
            self.count += 1
            if self.count == 2:
                text = site.read_text(encoding="utf-8")
                site.write_text(text + '\n[[door]]\nid = "a"\nname = "A"\n', encoding="utf-8")
                return "+head"
            if self.count == 3:
                site.write_text("no record", encoding="utf-8")
                return "osdp"
            if self.count == 4:
                assert kept == "osdp"
                raise EOFError
            return "yard"

    Walker(site, Other(), Answered()).run()
    assert site.read_text(encoding="utf-8") == "no record"


def in_terminal(site: Path, *keys: str) -> Record:
    with create_pipe_input() as pipe:
        pipe.send_text("".join(keys))
        Walker(site, TerminalAsker(pipe, DummyOutput()), Answered()).run()
    return record(site)


def test_in_a_terminal_an_answer_after_a_refused_one_stands_alone(site: Path) -> None:
    bus = in_terminal(site, "yard\r\rosdp\r9600x\r", "19200\r", "\x03").bus[0]
    assert (bus.protocol, bus.baud) == ("osdp", 19200)


@pytest.mark.parametrize("keys", ["\r", ".\r", "<\r", "?\r"])
def test_in_a_terminal_the_keys_go_after_a_refusal_too(site: Path, keys: str) -> None:
    with create_pipe_input() as pipe:
        pipe.send_text(f"yard\r\rosdp\r9600x\r{keys}\x03")
        walker = Walker(site, TerminalAsker(pipe, DummyOutput()), Answered())
        walker.run()
    assert record(site).bus[0].baud is None
    passed = {key[-1] for key in walker.answered.passed}
    assert ("baud" in passed) is (keys == "\r")
    assert ("protocol" in passed) is (keys != "<\r")


def test_a_scanner_that_ends_with_two_marks_answers_once(site: Path) -> None:
    """CR and LF: the second must not leave the next question open. LF alone ends an answer."""
    made = in_terminal(site, "yard\r\n\rosdp\r\n9600\n", "pair\r\n\x03").bus[0]
    assert (made.protocol, made.baud, made.cable) == ("osdp", 9600, "pair")


def test_a_kept_answer_is_taken_by_enter_and_replaced_by_the_next_key() -> None:
    with create_pipe_input() as pipe:
        asker = TerminalAsker(pipe, DummyOutput())
        pipe.send_text("\r<\r")
        assert asker.ask("x: ", kept="osdp") == "osdp"
        assert asker.ask("x: ", kept="osdp") == "<"


def test_an_answer_does_not_get_into_another_question_when_the_file_was_changed(site: Path) -> None:
    class Other:
        def __init__(self) -> None:
            self.kept: list[str] = []

        def ask(self, prompt: str, choices: Any = (), kept: str = "") -> str:
            self.kept.append(kept)
            if len(self.kept) == 2:
                site.write_text(EMPTY + '\n[[bus]]\nid = "other"\n', encoding="utf-8")
                return "+head"
            if len(self.kept) == 3:
                raise EOFError
            return "yard"

    Walker(site, Other(), Answered()).run()
    assert Other().kept == []
    assert "head" not in site.read_text(encoding="utf-8")


@pytest.mark.parametrize("width", [60, 80])
def test_no_word_is_broken_at_the_terminals_edge(site: Path, width: int, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", str(width))
    site.write_text(DEPOT, encoding="utf-8")
    walk = call("walk", str(site), "--from", "if-ramp", "--more", typed="?\n\n" * 30).output
    close = call("close", str(site), typed="?\n\n" * 30).output
    for line in (walk + close).splitlines():
        assert len(line) <= width or str(site) in line, line


def test_walk_from_a_device_goes_back_to_what_was_noted_before(site: Path) -> None:
    site.write_text(DEPOT, encoding="utf-8")
    before = record(site).bus[0].device
    place = next(at for at, device in enumerate(before) if device.id == "if-ramp")
    # The name is left open; then come questions after the door, which is known and not asked.
    output = " ".join(call("walk", str(site), "--from", "if-ramp", typed="\n" + "<\n" * 60 + ".\n").output.split())
    assert "door: the door that it belongs to [ramp]" in output
    assert "there is nothing before this" in output
    assert record(site).bus[0].device[place] == before[place]


def test_a_mistyped_bus_goes_out_again(site: Path) -> None:
    output = call("walk", str(site), typed="yrad\n<\nyard\n.\n").output
    assert "(mistyped? < takes it out again)" in output
    assert [bus.id for bus in record(site).bus] == ["yard"]


def test_what_was_refused_does_not_get_into_another_point(site: Path) -> None:
    site.write_text(DEPOT, encoding="utf-8")
    with create_pipe_input() as pipe:
        pipe.send_text("y\rnonsense\r<\ry; again\r.\r")
        site_close.Closing(site, TerminalAsker(pipe, DummyOutput()), None, False).run()
    assert [(tick.item, tick.note) for tick in record(site).tick] == [("mains:main", None), ("mains:main", "again")]


def test_a_file_that_cannot_be_read_is_told_in_a_line(tmp_path: Path) -> None:
    for words in (("walk",), ("show",), ("close",)):
        result = call(*words, str(tmp_path / "none.toml"))
        assert result.exit_code == 4
        assert len(result.output.strip().splitlines()) == 1


def test_line_ends_and_permissions_stay(site: Path) -> None:
    site.write_bytes(EMPTY.replace("\n", "\r\n").encode())
    site.chmod(0o640)
    assert call("set", str(site), "site", "warmest_c", "40").exit_code == 0
    octets = site.read_bytes()
    assert octets.count(b"\r\n") == octets.count(b"\n") > 4
    assert site.stat().st_mode & 0o777 == 0o640


def test_a_mark_of_utf8_is_read_over_and_stays(site: Path) -> None:
    site.write_bytes(b"\xef\xbb\xbf" + EMPTY.encode())
    assert call("set", str(site), "site", "warmest_c", "40").exit_code == 0
    assert site.read_bytes().startswith(b"\xef\xbb\xbfschema = 1\n")
    assert b"warmest_c = 40" in site.read_bytes()
    assert call("walk", str(site), typed="yard\n.\n").exit_code == 0
    assert site.read_bytes().count(b"\xef\xbb\xbf") == 1


def test_another_encoding_is_named_with_its_line(site: Path) -> None:
    site.write_bytes(EMPTY.replace("Depot", "Dépôt").replace("\n", "\r\n").encode("cp1252"))
    result = call("show", str(site))
    assert result.exit_code == 4
    assert "line 4: octet E9 is not UTF-8; in cp1252 (Windows, Western Europe) it is 'é'" in result.output
    site.write_bytes(EMPTY.encode("utf-16"))
    assert "UTF-16: save it as UTF-8" in call("show", str(site)).output
    site.write_bytes(b"\xd4\xc3\xb2\xa1\x00\x01")
    assert "no text" in call("show", str(site)).output


def test_set_sets_one_field_and_says_what_is_wrong(site: Path) -> None:
    site.write_text(DEPOT, encoding="utf-8")
    result = call("set", str(site), "if-store", "address", "9")
    assert "-> 9" in result.output
    assert "note: the address" not in result.output
    assert call("set", str(site), "if-store", "address", "-").exit_code == 0
    assert next(one for one in record(site).bus[0].device if one.id == "if-store").address is None
    for words, why in (
        (("if-store", "adress", "9"), "no field"),
        (("nobody", "address", "9"), "nothing has the id"),
        (("if-store", "address", "900"), "0 to 255"),
        (("if-store", "id", "-"), "must stay"),
    ):
        result = call("set", str(site), *words)
        assert result.exit_code == 2
        assert why in result.output


def test_remove_takes_out_what_nothing_names(site: Path) -> None:
    site.write_text(f'{EMPTY}[[cable]]\nid = "8n1"\n[[cable]]\nid = "pair"\n[[bus]]\nid = "b"\ncable = "pair"\n')
    result = call("remove", str(site), "pair")
    assert result.exit_code == 2
    assert "pair is named by bus 1, cable" in result.output
    assert call("remove", str(site), "8n1").output == "cable 8n1 is taken out\n"
    assert [one.id for one in record(site).cable] == ["pair"]
    assert call("remove", str(site), "none").exit_code == 2
    assert call("remove", str(site), "b").exit_code == 0
    site.write_text(DEPOT, encoding="utf-8")
    assert "devices: take them out first" in call("remove", str(site), record(site).bus[0].id).output


TICKS = """
[[tick]]
item = "serial:{0}"
at = "2026-03-14 09:00"

[[tick]]
item = "ohms:{0}"
at = "2026-03-14 09:01"
reading = "61 ohm"

[[tick]]
item = "serial:if-2"
at = "2026-03-14 09:02"
"""


def test_ticks_before_closing_go_with_their_entry(site: Path) -> None:
    bus = '[[bus]]\nid = "b"\n[[bus.device]]\nid = "if-{}"\nkind = "interface"\n'
    device = '[[bus.device]]\nid = "if-2"\nkind = "interface"\n'
    site.write_text(EMPTY + bus.format(1) + device + TICKS.format("if-1"))
    assert call("set", str(site), "if-1", "id", "if-9").exit_code == 0
    assert site.read_text() == EMPTY + bus.format(9) + device + TICKS.format("if-9")
    told = "device if-9 is taken out, with its 2 ticks and notes of the list before closing"
    assert told in call("remove", str(site), "if-9").output
    assert [one.item for one in record(site).tick] == ["serial:if-2"]


def test_show_lists_in_order_and_one_entry_with_its_line(site: Path) -> None:
    site.write_text(DEPOT, encoding="utf-8")
    output = call("show", str(site)).output
    assert output.index("head-rs485") < output.index("if-store") < output.index("rd-gate")
    assert "serial I2-10021" in output
    one = call("show", str(site), "if-store").output
    line = int(one.split("line ")[1].split()[0])
    assert DEPOT.splitlines()[line - 1].strip() == "[[bus.device]]"
    assert call("show", str(site), "nobody").exit_code == 2


def test_lists_go_out_and_come_in_again_without_a_change(site: Path, tmp_path: Path) -> None:
    site.write_text(DEPOT, encoding="utf-8")
    assert call("export", str(site), "--csv", str(tmp_path / "lists")).exit_code == 0
    names = sorted(path.stem for path in (tmp_path / "lists").iterdir())
    assert names == ["bus", "cable", "controller", "device", "door", "lock", "reader", "sensor", "supply"]
    for name in names:
        result = call("import", str(site), str(tmp_path / "lists" / f"{name}.csv"), "--kind", name, "--write")
        assert result.exit_code == 0, result.output
        assert "0 to add, 0 to change" in result.output
    assert site.read_text(encoding="utf-8") == DEPOT
    assert call("export", str(site), "--csv", str(tmp_path / "lists")).exit_code == 5
    assert call("export", str(site), "--csv", str(tmp_path / "x.csv")).exit_code == 2


def test_import_shows_the_mapping_and_writes_only_when_told(site: Path, tmp_path: Path) -> None:
    site.write_text(DEPOT, encoding="utf-8")
    (tmp_path / "new.csv").write_bytes("Tag;Länge (m);Serial no.\nif-9;80,5;N9\n".encode("cp1252"))
    words = ["import", str(site), str(tmp_path / "new.csv"), "--kind", "device", "--fill", "kind=interface"]
    words += ["--fill", "bus=yard", "--map", "Länge (m)=metres"]
    shown = call(*words)
    assert shown.exit_code == 0, shown.output
    assert "Tag         ->  id  (guessed)" in shown.output
    assert "Länge (m)   ->  metres  (as said)" in shown.output
    assert "nothing is written yet" in shown.output
    assert site.read_text(encoding="utf-8") == DEPOT
    assert call(*words, "--write").exit_code == 0
    device = record(site).bus[0].device[-1]
    assert (device.id, device.metres, device.serial) == ("if-9", 80.5, "N9")
    assert "# The record of an invented depot" in site.read_text(encoding="utf-8")


def test_one_wrong_row_and_nothing_is_written(site: Path, tmp_path: Path) -> None:
    site.write_text(DEPOT, encoding="utf-8")
    (tmp_path / "new.csv").write_text("id,metres\nif-store,5\nif-ramp,far\n", encoding="utf-8")
    result = call("import", str(site), str(tmp_path / "new.csv"), "--kind", "device", "--write")
    assert result.exit_code == 4
    assert "row 3, metres: a number is wanted, in m, not 'far'" in result.output
    assert site.read_text(encoding="utf-8") == DEPOT


def test_close_ticks_with_time_and_reading_and_goes_on(site: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    site.write_text(DEPOT, encoding="utf-8")
    monkeypatch.setattr(site_close, "now", lambda: "2026-03-14 10:20")
    first = call("close", str(site), "--by", "K", typed="y\ny; tight\n\n13.7\ny\ny\ny\ny\ny\n121 ohm\n.\n")
    assert first.exit_code == 0, first.output
    assert "CAUTION: Mains kills." in first.output
    assert "121 ohm is outside" in first.output
    ticks = {tick.item: tick for tick in record(site).tick}
    assert ticks["earth:main"].note == "tight"
    assert (ticks["output:main"].reading, ticks["output:main"].at, ticks["output:main"].by) == (
        *("13.7 V", "2026-03-14 10:20"),
        "K",
    )
    assert "outside" in str(ticks["ohms:head-rs485"].note)
    assert "battery:main" not in ticks
    second = call("close", str(site), typed="\n61\n.\n")
    assert "back-up battery" in second.output.split("CAUTION")[1]
    assert "mains terminals are covered" not in second.output
    assert [tick.reading for tick in record(site).tick if tick.item == "ohms:head-rs485"] == ["121 ohm", "61 ohm"]


def test_close_lists_as_text_and_json_and_strict_says_what_is_open(site: Path) -> None:
    site.write_text(DEPOT, encoding="utf-8")
    result = call("close", str(site), "--list", "--strict")
    assert result.exit_code == 1
    assert "should read" in result.output
    values = json.loads(call("close", str(site), "--json").output)
    ohms = next(point for point in values["points"] if point["item"] == "ohms:if-store")
    assert ohms["state"] == "open"
    assert 50 < ohms["band"]["low"] < 62 < ohms["band"]["high"] < 75
    assert site.read_text(encoding="utf-8") == DEPOT


def test_close_refuses_what_is_no_reading(site: Path) -> None:
    site.write_text(DEPOT, encoding="utf-8")
    result = call("close", str(site), typed="perhaps\ny\ny\ny\ngood\n<\n.\n")
    assert "not taken: y for done" in result.output
    assert "not taken: a reading in V is wanted" in result.output
    assert len(record(site).tick) == 3


def test_a_note_alone_is_kept_and_its_point_stays_open(site: Path) -> None:
    site.write_text(DEPOT, encoding="utf-8")
    first = call("close", str(site), typed="; glue missing\ny; tight\n; old one\n; no meter here\n.\n")
    assert first.exit_code == 0, first.output
    notes = [(tick.item, tick.note, tick.done) for tick in record(site).tick]
    assert notes == [
        ("mains:main", "glue missing", False),
        ("earth:main", "tight", None),
        ("battery:main", "old one", False),
        ("output:main", "no meter here", False),
    ]
    points = {one["item"]: one for one in json.loads(call("close", str(site), "--json").output)["points"]}
    assert [points[item]["state"] for item, _, _ in notes] == ["open", "done", "open", "open"]
    assert "glue missing" in call("close", str(site), "--list").output
    second = call("close", str(site), typed="; still missing\n<\ny; glued\n.\n")
    assert "glue missing; still missing" in second.output
    again = call("close", str(site), "--again", typed="; looked at again\n.\n")
    assert "glued; looked at again" not in again.output
    points = {one["item"]: one for one in json.loads(call("close", str(site), "--json").output)["points"]}
    assert points["mains:main"]["state"] == "done"
    assert points["mains:main"]["tick"]["note"] == "glued; looked at again"


def test_close_tells_what_it_could_not_take_when_it_is_left(site: Path) -> None:
    site.write_text(DEPOT, encoding="utf-8")
    assert "not 'perhaps; loose'" in " ".join(call("close", str(site), typed="perhaps; loose\n").output.split())


def test_keys_are_told_at_the_start(site: Path) -> None:
    output = call("walk", str(site)).output
    assert all(key in output for key in site_walk.KEYS)
