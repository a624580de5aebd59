"""Loads scenarios: reads the TOML, checks every field against the schema in `specs`, then the whole.

Every mistake is a ScenarioError: one line that names the table, the key, and what would be right.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import MISSING, fields
from importlib import resources
from pathlib import Path
from types import NoneType
from typing import Annotated, Any, TypeVar, get_args, get_origin, get_type_hints

from benchtool.capture.settings import CharFormat
from benchtool.frames.card.build import build_bits
from benchtool.frames.card.keypad import KEYS
from benchtool.simulate.specs import (
    PROTOCOLS,
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
    ScenarioError,
    ShortSpec,
    TapSpec,
    TerminatorSpec,
    meant,
)

__all__ = [
    "BiasSpec",
    "BreakSpec",
    "CardEvent",
    "ControllerSpec",
    "DeviceSpec",
    "InputEvent",
    "KeyEvent",
    "LeakSpec",
    "LineSpec",
    "Scenario",
    "ScenarioError",
    "ShortSpec",
    "TapSpec",
    "TerminatorSpec",
    "check",
    "load",
    "make_spec",
    "names",
    "parse",
]

_T = TypeVar("_T")

TAP = "the tap"
"""The tap's node name on the pair; no device can be called that."""

_FOLDER = resources.files("benchtool.simulate") / "scenarios"
_LISTS = {
    "device": "devices",
    "terminator": "terminators",
    "bias": "biases",
    "break": "breaks",
    "short": "shorts",
    "leak": "leaks",
}
"""A scenario's arrays of tables: the table's name in the file, and the field."""
_SECRET = {CardEvent: ("card_number", "site_code"), KeyEvent: ("keys",)}
"""What an error does not repeat."""
_LONGEST_SHOWN = 10**40
_KINDS: dict[type, str] = {
    dict: "a table",
    list: "a list",
    str: "text",
    bool: "true or false",
    int: "a whole number",
    float: "a number",
}


def names() -> list[str]:
    """The scenarios that come with benchtool."""
    return sorted(entry.name[:-5] for entry in _FOLDER.iterdir() if entry.name.endswith(".toml"))


def load(name: str) -> Scenario:
    """Load a scenario by its name, or a `.toml` file by its path; ScenarioError says what is wrong."""
    try:
        if name.endswith(".toml"):
            text = Path(name).read_text(encoding="utf-8")
        elif name in names():
            text = (_FOLDER / f"{name}.toml").read_text(encoding="utf-8")
        else:
            if name == "card":
                raise ScenarioError("this is a reader on two data lines, no bus: reads and hunt listen at it")
            mend = meant(name, names(), "there are:")
            path = "" if mend.endswith("?") else " (or give a path ending in .toml)"
            raise ScenarioError(f"no scenario {_shown(name)}; {mend}{path}")
        return parse(tomllib.loads(text))
    except OSError as error:
        raise ScenarioError(f"cannot read scenario {name}: {error.strerror or error}") from None
    except tomllib.TOMLDecodeError as error:
        raise ScenarioError(f"scenario {name} is not TOML: {error}") from None
    except RecursionError:
        raise ScenarioError(f"scenario {name} is not TOML that can be read: it nests too deep") from None
    except UnicodeDecodeError:
        raise ScenarioError(f"cannot read scenario {name}: it is not UTF-8 text") from None
    except ValueError as error:
        if isinstance(error, ScenarioError):
            raise
        raise ScenarioError(f"cannot read scenario {_shown(name)}: {error}") from None


def parse(data: Mapping[str, Any]) -> Scenario:
    """Make a scenario of the parsed TOML; ScenarioError names the table and key that is wrong."""
    row = {key: value for key, value in data.items() if key not in _LISTS and key != "fault"}
    for table, key in _LISTS.items():
        if key in row:
            raise ScenarioError(f"unknown key '{key}'; write [[{table}]]")
        row[key] = data.get(table, [])
    row.setdefault("about", "")
    scenario = _make(Scenario, row | _fault(data.get("fault")), "")
    check(scenario)
    return scenario


def _fault(table: Any) -> dict[str, Any]:
    if table is None:
        return {}
    if not isinstance(table, dict):
        raise ScenarioError(f"[fault] is a table, not {_kind(table)}")
    options: dict[str, str] = {}
    for key, value in table.items():
        if isinstance(value, bool) or not isinstance(value, str | int | float):
            raise ScenarioError(f"[fault] {_shown(key)} is text or a number, not {_kind(value)}")
        options[key] = str(value)
    if "kind" not in options:
        raise ScenarioError("[fault] lacks 'kind'")
    return {"fault": options.pop("kind"), "fault_options": options}


def _schema(kind: type) -> dict[str, tuple[Any, bool]]:
    """Field name: (its type with its range, whether it must be given)."""
    hints = get_type_hints(kind, include_extras=True)
    return {
        entry.name: (hints[entry.name], entry.default is MISSING and entry.default_factory is MISSING)
        for entry in fields(kind)
    }


def make_spec(kind: type[_T], row: Any, where: str) -> _T:
    """A dataclass of a TOML table, each value checked by the type and range of its field; ScenarioError names it."""
    return _make(kind, row, where)


def _make(kind: type[_T], row: Any, where: str) -> _T:
    """A dataclass of a TOML table, each value checked."""
    if not isinstance(row, dict):
        raise ScenarioError(f"{where} is a table, not {_name_of(row)}")
    schema = _schema(kind)
    for key in row:
        if key not in schema:
            known = sorted(_file_names(schema)) if kind is Scenario else sorted(schema)
            raise ScenarioError(
                f"{where or 'the scenario'} has an unknown key {_shown(key)}; known are {', '.join(known)}"
            )
    values: dict[str, Any] = {}
    for key, (hint, needed) in schema.items():
        if key in row:
            try:
                values[key] = _value(hint, row[key], _label(kind, key, where))
            except ScenarioError as error:
                if key not in _SECRET.get(kind, ()):
                    raise
                raise ScenarioError(str(error).partition(", not ")[0]) from None
        elif needed:
            raise ScenarioError(f"{where or 'the scenario'} lacks {_label(kind, key, '')}")
    return kind(**values)


def _file_names(schema: Mapping[str, Any]) -> set[str]:
    back = {field: table for table, field in _LISTS.items()}
    return {back.get(key, key) for key in schema} - {"fault_options"}


def _label(kind: type, key: str, where: str) -> str:
    if kind is not Scenario:
        return f"{where} '{key}'".strip()
    back = {field: table for table, field in _LISTS.items()}
    if key in back:
        return f"[[{back[key]}]]"
    return f"[{key}]" if key in ("controller", "second_controller", "line", "tap") else f"'{key}'"


def _value(hint: Any, value: Any, where: str) -> Any:
    """`value` as the schema's type wants it; `where` names it in errors."""
    limit: Range | OneOf | None = None
    if type(None) in get_args(hint):
        hint = next(part for part in get_args(hint) if part is not NoneType)
    if get_origin(hint) is Annotated:
        hint, limit = get_args(hint)
    if get_origin(hint) is tuple:
        if not isinstance(value, list | tuple):
            raise ScenarioError(f"{where} is a list, not {_name_of(value)}")
        made: Any = tuple(_value(get_args(hint)[0], entry, where) for entry in value)
        _in_range(len(made), limit, f"{where}: the number of entries")
        return made
    if get_origin(hint) is not None:
        return value
    if hint not in _KINDS:
        return _make(hint, value, where)
    right = isinstance(value, int | float) if hint is float else isinstance(value, hint)
    if not right or (isinstance(value, bool) and hint is not bool):
        raise ScenarioError(f"{where} is {_KINDS[hint]}, not {_kind(value)}")
    if isinstance(value, str):
        return _text(value, limit, where)
    if hint is not bool:
        _in_range(value, limit, where)
    return float(value) if hint is float else value


def _text(value: str, limit: Range | OneOf | None, where: str) -> str:
    if not value.isprintable():
        raise ScenarioError(f"{where} is one line of printable text, not {_shown(value)}")
    if isinstance(limit, OneOf):
        if value not in limit.words:
            raise ScenarioError(f"{where} is {' or '.join(limit.words)}, not {_shown(value)}")
    else:
        _in_range(len(value), limit, f"{where}: the number of characters")
    return value


def _in_range(value: float, limit: Range | OneOf | None, where: str) -> None:
    if isinstance(limit, Range) and not limit.least <= value <= limit.most:
        raise ScenarioError(f"{where} is {limit.least:.15g} to {limit.most:.15g}, not {_shown(value)}")


def _name_of(value: Any) -> str:
    """What kind of value it is; the value itself, which may be keys or a card, is not told."""
    return next((words for kind, words in _KINDS.items() if type(value) is kind), f"a {type(value).__name__}")


def _kind(value: Any) -> str:
    name = _name_of(value)
    return f"{name} ({_shown(value)})" if isinstance(value, str | int | float) else name


def _shown(value: Any) -> str:
    if isinstance(value, int) and abs(value) >= _LONGEST_SHOWN:
        return f"a number of {value.bit_length()} bits"
    text = repr(value)
    return text if len(text) <= 60 else text[:57] + "..."


def check(scenario: Scenario) -> None:
    """What holds between the fields; ScenarioError if it does not. For a scenario that code has made, too."""
    devices = scenario.devices
    if not devices:
        raise ScenarioError("the scenario lacks a [[device]]")
    _check_places(scenario)
    _check_controllers(scenario)
    seen = {TAP, *(controller.name for controller in _controllers(scenario))}
    for device in devices:
        if device.name in seen:
            raise ScenarioError(f"two parts are called {_shown(device.name)}; give each its own name")
        seen.add(device.name)
        limit = PROTOCOLS[scenario.controller.protocol]
        _in_range(device.address, limit, f"{device.name}: the {scenario.controller.protocol} address")
        _check_events(scenario, device)
    for where, text in (
        ("[line]", scenario.line.format),
        ("[tap]", scenario.tap.format),
        *((device.name, device.format) for device in devices),
    ):
        try:
            _ = CharFormat.parse(text) if text is not None else None
        except ValueError as error:
            raise ScenarioError(f"{where} 'format': {error}") from None
    if CharFormat.parse(scenario.line.format).data_bits != 8:
        raise ScenarioError(f"[line] 'format' has 8 data bits, as both protocols need, not {scenario.line.format}")


def _controllers(scenario: Scenario) -> list[ControllerSpec]:
    second = scenario.second_controller
    return [scenario.controller, *([] if second is None else [second])]


def _check_controllers(scenario: Scenario) -> None:
    names = [controller.name for controller in _controllers(scenario)]
    if TAP in names:
        raise ScenarioError(f"the controller cannot be called {_shown(TAP)}; give it another name")
    for controller in _controllers(scenario):
        if controller.protocol != "osdp" and controller.sequence != "sound":
            raise ScenarioError(f'{controller.name}: sequence needs protocol = "osdp"')
    second = scenario.second_controller
    if second is None:
        return
    if names[0] == names[1]:
        raise ScenarioError(f"two parts are called {_shown(names[0])}; give each its own name")
    if second.protocol != scenario.controller.protocol:
        raise ScenarioError(f"[second_controller] speaks {scenario.controller.protocol} too, not {second.protocol}")


def _check_places(scenario: Scenario) -> None:
    length = scenario.line.length_m
    places = [
        *((controller.name, controller.position_m) for controller in _controllers(scenario)),
        (TAP, scenario.tap.position_m),
        *((device.name, device.position_m) for device in scenario.devices),
        *(("a terminator", row.position_m) for row in scenario.terminators),
        *(("a bias", row.position_m) for row in scenario.biases),
        *(("a break", row.position_m) for row in scenario.breaks),
        *(("a short", row.position_m) for row in scenario.shorts),
        *(("a leak", row.position_m) for row in scenario.leaks),
    ]
    for name, position in places:
        if position > length:
            raise ScenarioError(f"{name} lies at {position:g} m, but the pair is {length:g} m long")


def _check_events(scenario: Scenario, device: DeviceSpec) -> None:
    if scenario.controller.protocol != "osdp":
        if device.cards or device.keys:
            raise ScenarioError(f'{device.name}: cards and keys need a controller with protocol = "osdp"')
        if device.sequence != "sound" or device.reset_by_load or device.secure:
            what = "sequence, reset_by_load and secure"
            raise ScenarioError(f'{device.name}: {what} need a controller with protocol = "osdp"')
    for card in device.cards:
        try:
            build_bits(card.format, card.site_code, card.card_number)
        except ValueError as error:
            raise ScenarioError(f"{device.name}: a card at {card.at_s:g} s: {error}") from None
    for typed in device.keys:
        if typed.keys.strip(KEYS):
            raise ScenarioError(f"{device.name}: keys at {typed.at_s:g} s: a keypad has 0 to 9, * and # alone")
    for change in device.inputs:
        if any(value not in (0, 1) for value in change.inputs):
            raise ScenarioError(f"{device.name}: inputs are 0 or 1, not {_shown(list(change.inputs))}")
