"""`benchtool calculate`: results with their work, limits, errors in one line."""

from __future__ import annotations

import json

import pytest
from click.testing import CliRunner

from benchtool.commands.main import main


def run(*words: str) -> tuple[int, str]:
    result = CliRunner().invoke(main, ["calculate", *words])
    return result.exit_code, result.output


def test_a_drop_shows_formula_figures_and_source() -> None:
    code, text = run("drop", "--metres", "100", "--awg", "22", "--amps", "0.25")
    assert code == 0
    assert text.splitlines()[0] == "drop = 2.648 V"
    for words in ("drop = 2 · L · R' · I", "L = 100 m", "I = 0.25 A", "Source: International Annealed Copper Standard"):
        assert words in text


def test_area_and_gauge_are_the_same_conductor() -> None:
    by_gauge = run("drop", "--metres", "10", "--awg", "18", "--amps", "1", "--json")[1]
    by_area = run("drop", "--metres", "10", "--mm2", "0.8231", "--amps", "1", "--json")[1]
    assert json.loads(by_gauge)["result"]["value"] == pytest.approx(json.loads(by_area)["result"]["value"], rel=1e-4)


@pytest.mark.parametrize("words", [("--awg", "22", "--mm2", "0.3"), ()])
def test_a_conductor_is_given_once(words: tuple[str, ...]) -> None:
    code, text = run("drop", "--metres", "10", "--amps", "1", *words)
    assert (code, text) == (2, "benchtool: give the conductor as --awg or as --mm2, one of them\n")


def test_a_limit_is_told_and_strict_minds_it() -> None:
    bias = ("bias", "--each", "1000", "--terminator", "120", "--terminator", "120")
    code, text = run(*bias)
    assert code == 0
    assert text.splitlines()[:2] == ["idle = 0.1456 V", "MISSES the limit: least = 0.2 V"]
    assert run(*bias, "--strict")[0] == 1
    assert run("bias", "--each", "560", "--terminator", "120", "--terminator", "120", "--strict")[0] == 0


def test_the_greatest_bias() -> None:
    assert run("bias", "--terminator", "120", "--terminator", "120")[1].startswith(
        "R_bias = 720 ohm each, at the most\n"
    )
    code, text = run("bias")
    assert (code, text) == (2, "benchtool: without any load, every bias gives the full voltage\n")


def test_a_reading_through_the_cable() -> None:
    """Sheet 1.8: a far terminator through 300 m of AWG24 reads 70.4 ohm."""
    code, text = run("reading", "--metres", "300", "--awg", "24", "--terminator", "0", "--terminator", "300:120")
    assert code == 0
    assert text.startswith("reading = 70.4")
    assert run("reading", "--metres", "10", "--awg", "24")[1].startswith("reading = open\n")
    assert json.loads(run("reading", "--metres", "10", "--awg", "24", "--json")[1])["result"]["value"] is None


@pytest.mark.parametrize("word", ["x", "1.2.3", ".", "-5", "3:", "1:2:3", "²"])
def test_a_place_that_is_none_is_told(word: str) -> None:
    code, text = run("reading", "--metres", "10", "--awg", "24", f"--terminator={word}")
    assert (code, text) == (2, f"benchtool: --terminator {word}: metres, or metres:ohm, as 300 or 300:120\n")


def test_a_place_off_the_pair_is_told() -> None:
    code, text = run("reading", "--metres", "10", "--awg", "24", "--at", "20")
    assert (code, text) == (2, "benchtool: 20 m is not on a pair of 10 m\n")


def test_loads_of_many_kinds() -> None:
    assert run("loads", "--device", "20:1/8", "--json") == run("loads", "--device", "20:0.125", "--json")
    code, text = run("loads", "--device", "20:0.125", "--device", "2", "--bias", "560")
    assert code == 0
    assert text.startswith("sum = 15.21 unit loads\nKEEPS TO the limit: most = 32 unit loads\n")
    assert run("loads", "--device", "33", "--strict")[0] == 1
    assert run("loads", "--device", "2.5")[0] == 2


def test_the_rest() -> None:
    assert run("length", "--baud", "115200")[1].startswith("length = 868.1 m\n")
    assert run("stub", "--rise-ns", "100", "--velocity", "0.78")[1].startswith("stub = 2.338 m\n")
    assert run("network-power", "--class", "3", "--watts", "13", "--strict")[0] == 1
    assert "class that feeds so much is class 4" in run("network-power", "--class", "3", "--watts", "13")[1]
    assert run("network-power", "--class", "4", "--watts", "13", "--strict")[0] == 0
    assert run("battery", "--ah", "7", "--amps", "0.35", "--hours", "12")[1].startswith("lasts = 16 h\nKEEPS TO")
    # 0.85 of its capacity is left at 0 °C, 0.65 at -15 °C (battery makers' data sheets, from memory).
    cold = ("battery", "--ah", "7", "--amps", "0.35", "--hours", "12", "--strict", "--celsius")
    assert run(*cold, "0")[0] == 0
    assert run(*cold, "0")[1].startswith("lasts = 13.6 h\nKEEPS TO")
    assert run(*cold, "-15")[0] == 1
    assert run(*cold, "-15")[1].startswith("lasts = 10.4 h\nMISSES the limit")


def test_confidence_both_ways() -> None:
    """Sheet section 8: 312.1 s at 9600 for one in a million; 300 frames without error: below 0.999 %."""
    assert run("confidence", "--rate", "1e-6", "--baud", "9600")[1].startswith("listen = 312.1 s\n")
    assert run("confidence", "--rate", "1e-6", "--baud", "9600", "--load", "0.1")[1].startswith("listen = 3121 s\n")
    assert run("confidence", "--counted", "300")[1].startswith("rate at most = 0.009986\n")
    assert run("confidence")[0] == 2
    assert run("confidence", "--rate", "1e-6", "--counted", "3")[0] == 2


@pytest.mark.parametrize(
    "words",
    [
        "drop --metres nan --awg 22 --amps 0.5",
        "drop --metres inf --awg 22 --amps 0.5",
        "drop --metres 80 --awg nan --amps 0.5",
        "drop --metres 80 --mm2 inf --amps 0.5",
        "drop --metres 80 --mm2 1e-320 --amps 0.5",
        "drop --metres 1e300 --awg 22 --amps 1e300",
        "drop --metres 80 --awg 22 --amps nan",
        "drop --metres 80 --awg 22 --amps 1 --celsius nan",
        "bias --volts nan",
        "bias --each inf",
        "bias --terminator nan",
        "bias --loads inf",
        "reading --metres nan --awg 24",
        "reading --metres 30 --awg 24 --at nan",
        "loads --device 2 --bias nan",
        "stub --rise-ns nan",
        "stub --rise-ns 10 --velocity nan",
        "network-power --class 4 --watts nan",
        "battery --ah nan --amps 1",
        "battery --ah 7 --amps inf",
        "battery --ah 7 --amps 1 --hours nan",
        "battery --ah 7 --amps 1 --usable nan",
        "battery --ah 7 --amps 1 --celsius nan",
        "battery --ah 7 --amps 1 --celsius=-16",
        "confidence --rate nan",
        "confidence --rate 2",
        "confidence --rate 1e-6 --load nan",
        "confidence --counted inf",
        "confidence --counted 3 --sure nan",
        "confidence --counted 3 --errors 5",
    ],
)
def test_what_is_no_figure_is_refused(words: str) -> None:
    code, told = run(*words.split())
    assert code == 2, told
    assert " = " not in told


def test_places_too_great_to_be_meant_are_refused() -> None:
    assert run("reading", "--metres", "30", "--awg", "24", "--terminator", "9" * 400)[0] == 2
    assert run("loads", "--device", f"2:{'9' * 400}")[0] == 2


SITE = """schema = 1
[site]
name = "Depot"
warmest_c = 20
[[cable]]
id = "pair"
awg = 22
[[supply]]
id = "psu"
volts = 12
[[bus]]
id = "bus"
[[bus.device]]
id = "far"
kind = "interface"
fed_by = "psu"
feed_cable = "pair"
feed_m = 100
worst_ma = 250
idle_ma = 50
[[lock]]
id = "strike"
fed_by = "far"
"""


def test_feeds_of_a_site(tmp_path_factory: pytest.TempPathFactory) -> None:
    path = tmp_path_factory.mktemp("site") / "depot.toml"
    path.write_text(SITE.replace('fed_by = "far"', 'fed_by = "far"\nworst_ma = 0\nmetres = 0'), encoding="utf-8")
    code, text = run("feeds", str(path))
    assert code == 0
    assert "  9.35 V" in text
    assert json.loads(run("feeds", str(path), "--json")[1])["consumers"][0]["volts"] == pytest.approx(9.352, abs=1e-3)
    path.write_text(SITE, encoding="utf-8")
    code, text = run("feeds", str(path))
    assert "far     not known: the largest current of strike is not recorded" in text
    assert "supply psu: load not known: the largest current of strike is not recorded" in text


def test_a_broken_record_is_told_line_by_line(tmp_path_factory: pytest.TempPathFactory) -> None:
    path = tmp_path_factory.mktemp("site") / "depot.toml"
    path.write_text(SITE.replace("awg = 22", "awg = 222\nngauge = 3"), encoding="utf-8")
    code, text = run("feeds", str(path))
    assert code == 4
    assert f"{path}: line 7: cable 1, awg: 4 to 36 AWG is possible, not 222" in text
    assert f"{path}: line 8: cable 1, ngauge: nothing is called so here" in text
    path.write_bytes(b"\xff\xfe")
    assert "UTF-16: save it as UTF-8" in run("feeds", str(path))[1]
    assert run("feeds", str(path.with_name("no.toml")))[1].endswith("begins a record\n")
