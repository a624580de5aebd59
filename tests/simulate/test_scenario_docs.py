"""docs/scenarios.md says what the schema, the faults and the options of `sim:` are: each field, with its range."""

from __future__ import annotations

import re
import tomllib
from dataclasses import MISSING, fields
from pathlib import Path
from types import NoneType
from typing import Annotated, Any, get_args, get_origin, get_type_hints

import pytest

from benchtool.simulate.faults import FAULTS
from benchtool.simulate.scenario import load, names, parse
from benchtool.simulate.specs import (
    BiasSpec,
    BreakSpec,
    CardEvent,
    ControllerSpec,
    DeviceSpec,
    InputEvent,
    KeyEvent,
    LeakSpec,
    LineSpec,
    OneOf,
    Range,
    Scenario,
    ShortSpec,
    TapSpec,
    TerminatorSpec,
)
from benchtool.taps.simulated import OPTIONS

PAGE = (Path(__file__).parents[2] / "docs" / "scenarios.md").read_text(encoding="utf-8")
SECTIONS: dict[str, type] = {
    "The file": Scenario,
    "[controller]": ControllerSpec,
    "[line]": LineSpec,
    "[tap]": TapSpec,
    "[[terminator]]": TerminatorSpec,
    "[[bias]]": BiasSpec,
    "[[break]]": BreakSpec,
    "[[short]]": ShortSpec,
    "[[leak]]": LeakSpec,
    "[[device]]": DeviceSpec,
    "cards": CardEvent,
    "keys": KeyEvent,
    "inputs": InputEvent,
}
IN_THEIR_OWN_SECTION = {
    "controller",
    "second_controller",
    "line",
    "tap",
    "terminators",
    "biases",
    "breaks",
    "shorts",
    "leaks",
    "devices",
    "fault",
    "fault_options",
}
WORDS = {str: "text", int: "whole number", float: "number", bool: "`true` or `false`"}


def section(title: str) -> str:
    found = re.search(rf"^## `?{re.escape(title)}`?$(.*?)(?=^## |\Z)", PAGE, re.DOTALL | re.MULTILINE)
    assert found is not None, title
    return found[1]


def rows(text: str) -> dict[str, tuple[str, ...]]:
    """The table's rows by their first cell."""
    lines = [line for line in text.splitlines() if line.startswith("| `")]
    cells = [tuple(cell.strip() for cell in line.strip("|").split("|")) for line in lines]
    return {row[0].strip("`"): row[1:] for row in cells}


def kind_of(hint: Any) -> str:
    """A field's type and range in the page's words."""
    limit = None
    if NoneType in get_args(hint):
        hint = next(part for part in get_args(hint) if part is not NoneType)
    if get_origin(hint) is Annotated:
        hint, limit = get_args(hint)
    if get_origin(hint) is tuple:
        inner = get_args(hint)[0]
        word = "list of whole numbers" if inner is int else "list of tables"
    else:
        word = WORDS[hint]
    if isinstance(limit, OneOf):
        return " or ".join(f"`{one}`" for one in limit.words)
    if isinstance(limit, Range):
        of = " characters" if word == "text" else " entries" if word.startswith("list") else ""
        return f"{word}, {limit.least:.15g} to {limit.most:.15g}{of}"
    return word


def default_of(kind: type, name: str) -> str:
    entry = next(one for one in fields(kind) if one.name == name)
    if entry.default is MISSING:
        return "" if kind is Scenario and name == "about" else "must be given"
    value = entry.default
    if value is None or value == ():
        return ""
    if isinstance(value, bool):
        return f"`{str(value).lower()}`"
    return f"`{value}`" if isinstance(value, str) else f"{value:g}"


@pytest.mark.parametrize("title", SECTIONS)
def test_every_field_has_its_row_with_type_range_and_default(title: str) -> None:
    kind = SECTIONS[title]
    hints = get_type_hints(kind, include_extras=True)
    wanted = {
        entry.name: (kind_of(hints[entry.name]), default_of(kind, entry.name))
        for entry in fields(kind)
        if not (kind is Scenario and entry.name in IN_THEIR_OWN_SECTION)
    }
    found = rows(section(title))
    assert {name: cells[:2] for name, cells in found.items()} == wanted
    assert all(len(cells) == 3 and cells[2] for cells in found.values())


def test_every_table_of_the_file_has_a_section() -> None:
    assert {entry.name for entry in fields(Scenario)} >= IN_THEIR_OWN_SECTION
    assert section("[fault]")
    assert section("[second_controller]")


def test_every_option_of_an_address_has_its_row() -> None:
    assert set(rows(section("Options of a sim: address"))) == set(OPTIONS)


def test_every_fault_has_its_row_with_what_it_takes() -> None:
    found = rows(section("Faults"))
    assert set(found) == set(FAULTS)
    for name, (takes, _) in found.items():
        assert tuple(re.findall(r"`(\w+)=", takes)) == FAULTS[name].takes


def test_every_shipped_scenario_has_its_row() -> None:
    found = rows(section("Scenarios that come with benchtool"))
    assert list(found) == names()
    for name, (title, _, fault) in found.items():
        assert title == load(name).title
        assert fault.strip("`") == (load(name).fault or "none")


def test_the_example_of_the_page_loads() -> None:
    (example,) = re.findall(r"```toml\n(.*?)```", PAGE, re.DOTALL)
    told = parse(tomllib.loads(example))
    assert told.fault == "device-silent"
    assert {device.kind for device in told.devices} == {"reader", "interface"}


def test_the_python_of_the_page_runs() -> None:
    (example,) = re.findall(r"```python\n(.*?)```", PAGE, re.DOTALL)
    names_of: dict[str, Any] = {}
    exec(example, names_of)
    assert names_of["told"].devices[2].ground_v == 9.0
    assert names_of["told"].line.mains_v == 3.5
    assert sum(len(chunk.octets) for chunk in names_of["chunks"]) > 100
