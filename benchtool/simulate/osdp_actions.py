"""What a person has a stand-in do, in words: present a card, press keys, open the tamper, switch a light.

One line each, `3s @5 card 26-bit 57 20118`: when (in a script; nothing: now), which device (nothing: the first), what.
Payloads by the tables of `frames.osdp` (sheet 5.5).
"""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

from benchtool.frames.card.build import build_bits
from benchtool.frames.card.formats import FORMATS, SEEN
from benchtool.frames.card.keypad import KEYS
from benchtool.frames.meaning import Value
from benchtool.frames.osdp.codes import Command, Reply
from benchtool.frames.osdp.payloads import encode_payload
from benchtool.frames.osdp.words import COLOURS
from benchtool.simulate.action_head import take_head
from benchtool.simulate.osdp_functions import Functions

_ON_OFF = {"on": True, "off": False, "open": True, "closed": False, "fail": True, "ok": False, "1": True, "0": False}


class ActionError(ValueError):
    """A line says nothing that can be done; the text says what would be right. It repeats no card number or key."""


class Action(NamedTuple):
    """One line, taken apart."""

    at_ns: int
    """When, from the beginning; 0: at once."""
    address: int | None
    verb: str
    words: tuple[str, ...]

    def __repr__(self) -> str:
        return f"Action({self.verb})"


def parse_action(text: str) -> Action:
    """Take a line apart; ActionError where it has no verb that is known."""
    at_ns, address, words = take_head(text)
    if not words or words[0].lower() not in VERBS:
        raise ActionError(f"say one of: {', '.join(VERBS)}")
    return Action(at_ns, address, words[0].lower(), tuple(words[1:]))


def perform(action: Action, device: Functions) -> None:
    """Have a device do what a person at it would do; ActionError where it cannot."""
    deed = _DEVICE.get(action.verb)
    if deed is None:
        raise ActionError(f"a device does: {', '.join(_DEVICE)}; {action.verb} is a controller's")
    try:
        deed[0](device, action.words)
    except (ValueError, IndexError, OverflowError) as error:
        raise _usage(action, deed[1], error) from None


def command_of(action: Action) -> tuple[int, bytes]:
    """The command (code, data) that a controller sends; ActionError where there is none."""
    deed = _CONTROLLER.get(action.verb)
    if deed is None:
        raise ActionError(f"a controller does: {', '.join(_CONTROLLER)}; {action.verb} is a device's")
    try:
        return deed[0](action.words)
    except (ValueError, IndexError, OverflowError) as error:
        raise _usage(action, deed[1], error) from None


def _usage(action: Action, usage: str, error: Exception) -> ActionError:
    # What was typed may be a card number or a PIN: only our own words are repeated.
    why = f" ({error})" if isinstance(error, ActionError) else ""
    return ActionError(f"write: {action.verb} {usage}{why}".replace("  ", " "))


def raw_payload(name: str, site_code: int | None, card_number: int, reader: int = 0) -> bytes:
    """RAW data of a card; ValueError where the format cannot carry it."""
    bits = build_bits(name, site_code, card_number)
    return bytes((reader, 1)) + bits.length.to_bytes(2, "little") + bits.octets


def _card(device: Functions, words: tuple[str, ...]) -> None:
    text = " ".join(words)
    # A format's name may have a space and a number in it, so the longest name that fits is taken.
    fitting = [row.name for row in FORMATS + SEEN if text.lower().startswith(f"{row.name} ")]
    if not fitting:
        raise ActionError("a format of docs/card-formats.md first")
    name = max(fitting, key=len)
    numbers = [int(word) for word in text[len(name) :].split()]
    if not 1 <= len(numbers) <= 2:
        raise ActionError("one number, or site code and number")
    try:
        data = raw_payload(name, numbers[0] if len(numbers) == 2 else None, numbers[-1])
    except ValueError:
        raise ActionError(f"a number that {name} does not carry, or a site code too many or too few") from None
    device.report(Reply.RAW, data)


def _bits(device: Functions, words: tuple[str, ...]) -> None:
    text = "".join(words)
    if not text or text.strip("01"):
        raise ActionError("0 and 1 only")
    values: dict[str, Value] = {"reader": 0, "format": 0, "bit_count": len(text), "bits": text}
    device.report(Reply.RAW, encode_payload(Reply.RAW, True, values))


def _keys(device: Functions, words: tuple[str, ...]) -> None:
    if "".join(words).strip(KEYS):
        raise ActionError("a keypad has 0 to 9, * and # alone")
    digits = "".join(words).replace("#", "\r").replace("*", "\x7f").encode("ascii")
    if not 1 <= len(digits) <= 40:
        raise ActionError("1 to 40 keys")
    device.report(Reply.KEYPAD, bytes((0, len(digits))) + digits)


def _on(word: str) -> bool:
    if word.lower() not in _ON_OFF:
        raise ActionError("on or off")
    return _ON_OFF[word.lower()]


def _input(device: Functions, words: tuple[str, ...]) -> None:
    try:
        device.set_input(int(words[0]), _on(words[1]))
    except ValueError as error:
        raise ActionError(str(error) if words[0].isdigit() else "a number from 0") from None


_DEVICE: dict[str, tuple[Callable[[Functions, tuple[str, ...]], None], str]] = {
    "card": (_card, "FORMAT [SITE] NUMBER, as: card 26-bit 57 20118"),
    "bits": (_bits, "BITS, as: bits 0110…"),
    "keys": (_keys, "KEYS, as: keys 1234#"),
    "tamper": (lambda device, words: device.set_tamper(_on(words[0])), "on|off"),
    "power": (lambda device, words: device.set_power(_on(words[0])), "fail|ok"),
    "input": (_input, "NUMBER on|off"),
}


def _seconds(word: str) -> int:
    tenths = round(float(word.removesuffix("s")) * 10)
    if not 1 <= tenths <= 0xFFFF:
        raise ActionError("0.1 to 6553 seconds")
    return tenths


def _led(words: tuple[str, ...]) -> tuple[int, bytes]:
    name = words[0].lower()
    colours = {word: number for number, word in COLOURS.items()} | {"off": 0}
    if name not in colours:
        raise ActionError(f"a colour: {', '.join(colours)}")
    colour = colours[name]
    if len(words) > 1:
        temporary = bytes((2, 1, 0, colour, 0)) + _seconds(words[1]).to_bytes(2, "little")
        return Command.LED, bytes((0, 0)) + temporary + bytes(5)
    return Command.LED, bytes((0, 0)) + bytes(7) + bytes((1, 1, 0, colour, colour))


def _buzz(words: tuple[str, ...]) -> tuple[int, bytes]:
    count = int(words[0]) if words else 1
    return Command.BUZ, bytes((0, 2, 2, 2, count))


def _output(words: tuple[str, ...]) -> tuple[int, bytes]:
    number, how = int(words[0]), words[1].lower()
    if how in ("on", "off"):
        return Command.OUT, bytes((number, 2 if how == "on" else 1, 0, 0))
    return Command.OUT, bytes((number, 5)) + _seconds(how).to_bytes(2, "little")


def _text(words: tuple[str, ...]) -> tuple[int, bytes]:
    text = " ".join(words).encode("ascii")
    return Command.TEXT, bytes((0, 1, 0, 1, 1, len(text))) + text


def _comset(words: tuple[str, ...]) -> tuple[int, bytes]:
    address, baud = int(words[0]), int(words[1])
    if address > 126:
        raise ActionError("an address is 0 to 126")
    return Command.COMSET, bytes((address,)) + baud.to_bytes(4, "little")


def _asks(code: int, data: bytes = b"") -> tuple[Callable[[tuple[str, ...]], tuple[int, bytes]], str]:
    def made(words: tuple[str, ...]) -> tuple[int, bytes]:
        if words:
            raise ActionError("nothing after it")
        return code, data

    return made, ""


def _send(words: tuple[str, ...]) -> tuple[int, bytes]:
    octets = bytes.fromhex("".join(words))
    if not 0x60 <= octets[0] <= 0xFF:
        raise ActionError("command codes are 60 to FF")
    if octets[0] == Command.KEYSET:
        raise ActionError("a key is set with --set-key, never typed")
    return octets[0], octets[1:]


_CONTROLLER: dict[str, tuple[Callable[[tuple[str, ...]], tuple[int, bytes]], str]] = {
    "led": (_led, "COLOUR [SECONDS], as: led green 2"),
    "buzz": (_buzz, "[COUNT]"),
    "output": (_output, "NUMBER on|off|SECONDS"),
    "text": (_text, "WORDS"),
    "comset": (_comset, "ADDRESS BAUD"),
    "id": _asks(Command.ID, b"\0"),
    "cap": _asks(Command.CAP, b"\0"),
    "lstat": _asks(Command.LSTAT),
    "istat": _asks(Command.ISTAT),
    "ostat": _asks(Command.OSTAT),
    "rstat": _asks(Command.RSTAT),
    "send": (_send, "CODE [DATA] in hexadecimal, as: send 6B 00 01 00 01 01 02 48 49"),
}
VERBS = (*_DEVICE, *_CONTROLLER)
"""Every first word that is known: a device's, then a controller's."""


def usage(controller: bool) -> list[str]:
    """What can be written, a line each."""
    if controller:
        return [f"{verb} {text}".strip() for verb, (_, text) in _CONTROLLER.items()]
    return [f"{verb} {text}" for verb, (_, text) in _DEVICE.items()]
