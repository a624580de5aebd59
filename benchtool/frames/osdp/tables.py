"""The payload table of every command and reply that has one.

Facts: sheet 5.5 (read in open protocol stacks); the clauses of SIA OSDP 2.2 stand in `codes`. Layouts marked
"from memory" are not in the sheet. Codes without a row (obsolete, old, makers' own) carry octets without a layout.
"""

from __future__ import annotations

from benchtool.frames.osdp import words
from benchtool.frames.osdp.codes import NAK_TEXT, Command, Reply
from benchtool.frames.osdp.layout import Group, Kind, Layout, Number, Repeat, Span

_MEMORY = "from memory"
_EMPTY = Layout()
_RAW = Layout((Span("data"),), "no layout known")
_SECRET_RAW = Layout((Span("data", secret=True),), "no layout known")
_READER = Number("reader")


def _tenths(name: str, size: int = 1) -> Number:
    return Number(name, size, scale=100, unit="ms")


def _colour(name: str) -> Number:
    return Number(name, words=words.COLOURS)


_BLINK = (_tenths("on_time"), _tenths("off_time"), _colour("on_colour"), _colour("off_colour"))
_LED_TEMPORARY = Group(
    "temporary",
    (Number("control", words=words.LED_TEMPORARY), *_BLINK, _tenths("timer", 2)),
    lambda raw, text: words.led_temporary_text(
        raw["control"], text["on_time"], text["off_time"], text["on_colour"], text["off_colour"], text["timer"]
    ),
)
_LED_PERMANENT = Group(
    "permanent",
    (Number("control", words=words.LED_PERMANENT), *_BLINK),
    lambda raw, text: words.led_permanent_text(
        raw["control"], text["on_time"], text["off_time"], text["on_colour"], text["off_colour"]
    ),
)
_BIO_TYPE = Number("type", hints=words.BIO_TYPES)
_BIO_FORMAT = Number("format", hints=words.BIO_FORMATS)
_EXTENDED_MODE = Number("mode", hints=words.EXTENDED_MODES)
_OUI = Span("oui", 3)
_LINE = Layout((Number("address", most=0x7E), Number("baud", 4, unit="bit/s")))
_FRAGMENT = Layout(
    (
        Number("total_size", 2, unit="octets"),
        Number("offset", 2),
        Number("length", 2),
        Span("data", count="length", secret=True),
    ),
    _MEMORY,
)
_CAPABILITY = Group(
    "capability",
    (Number("function"), Number("compliance"), Number("number")),
    lambda raw, _: words.capability_text(raw["function"], raw["compliance"], raw["number"]),
)

COMMAND_PAYLOADS: dict[int, Layout] = {
    Command.POLL: _EMPTY,
    Command.ID: Layout((Number("reply_type", words=words.ONLY_ZERO),)),
    Command.CAP: Layout((Number("reply_type", words=words.ONLY_ZERO),)),
    Command.LSTAT: _EMPTY,
    Command.ISTAT: _EMPTY,
    Command.OSTAT: _EMPTY,
    Command.RSTAT: _EMPTY,
    Command.OUT: Layout(  # 6.8, Table 14
        (Repeat((Number("output"), Number("code", words=words.OUTPUT_CODES), _tenths("timer", 2))),)
    ),
    Command.LED: Layout((Repeat((_READER, Number("led"), _LED_TEMPORARY, _LED_PERMANENT)),)),  # 6.9, Tables 16-18
    Command.BUZ: Layout(  # 6.10-11, Table 19
        (
            _READER,
            Number("tone", words=words.TONES),
            _tenths("on_time"),
            _tenths("off_time"),
            Number("count", zero="until stopped"),
        )
    ),
    Command.TEXT: Layout(  # 6.12, Tables 21-22
        (
            _READER,
            Number("command", words=words.TEXT_COMMANDS),
            Number("time", unit="s"),
            Number("row", least=1),
            Number("column", least=1),
            Number("length"),
            Span("text", count="length", kind=Kind.CHARACTERS),
        )
    ),
    Command.TDSET: Layout(
        (
            Number("year", 2),
            Number("month", least=1, most=12),
            Number("day", least=1, most=31),
            Number("hour", most=23),
            Number("minute", most=59),
            Number("second", most=59),
        ),
        "sheet 5.7",
    ),
    Command.COMSET: _LINE,
    Command.BIOREAD: Layout((_READER, _BIO_TYPE, _BIO_FORMAT, Number("quality"))),
    Command.BIOMATCH: Layout(
        (
            _READER,
            _BIO_TYPE,
            _BIO_FORMAT,
            Number("quality"),
            Number("length", 2),
            Span("template", count="length", secret=True),
        ),
        _MEMORY,
    ),
    Command.KEYSET: Layout(
        (
            Number("key_type", words=words.KEY_TYPES),
            Number("length", unit="octets"),
            Span("key", count="length", secret=True),
        )
    ),
    Command.CHLNG: Layout((Span("rnd_a", 8),)),
    Command.SCRYPT: Layout((Span("server_cryptogram", 16),)),
    Command.ACURXSIZE: Layout((Number("size", 2, unit="octets"),)),
    Command.FILETRANSFER: Layout(
        (
            Number("type"),
            Number("total_size", 4, unit="octets"),
            Number("offset", 4),
            Number("length", 2),
            Span("data", count="length"),
        )
    ),
    Command.MFG: Layout((_OUI, Span("data", secret=True))),
    Command.XWR: Layout((_EXTENDED_MODE, Number("command"), Span("data", secret=True)), _MEMORY),
    Command.ABORT: _EMPTY,
    Command.PIVDATA: Layout((Span("object", 3), Number("element"), Number("offset", 2)), _MEMORY),
    Command.GENAUTH: _FRAGMENT,
    Command.CRAUTH: _FRAGMENT,
    Command.KEEPACTIVE: Layout((Number("time", 2, unit="ms"),)),  # 6.27
}
"""Payloads of commands by code."""

REPLY_PAYLOADS: dict[int, Layout] = {
    Reply.ACK: _EMPTY,
    Reply.NAK: Layout((Number("reason", words=NAK_TEXT), Repeat((Number("record"),), least=0))),  # 7.3, Table 47
    Reply.PDID: Layout(  # 7.4
        (
            _OUI,
            Number("model"),
            Number("version"),
            Number("serial", 4),
            Group(
                "firmware",
                (Number("major"), Number("minor"), Number("build")),
                lambda _, text: f"{text['major']}.{text['minor']}.{text['build']}",
            ),
        )
    ),
    Reply.PDCAP: Layout((Repeat((_CAPABILITY,)),)),  # Annex B
    Reply.LSTATR: Layout((Number("tamper", words=words.TAMPER), Number("power", words=words.POWER))),
    Reply.ISTATR: Layout((Repeat((Number("input", words=words.ACTIVE),), from_zero=True),)),  # 7.7
    Reply.OSTATR: Layout((Repeat((Number("output", words=words.ACTIVE),), from_zero=True),)),
    Reply.RSTATR: Layout((Repeat((Number("reader", words=words.READER_STATES),), from_zero=True),)),
    Reply.RAW: Layout(  # 7.10
        (
            _READER,
            Number("format", words=words.CARD_FORMATS),
            Number("bit_count", 2),
            Span("bits", count="bit_count", kind=Kind.BITS, secret=True),
        )
    ),
    Reply.FMT: Layout(  # 7.11
        (
            _READER,
            Number("direction", hints=words.DIRECTIONS),
            Number("length"),
            Span("characters", count="length", kind=Kind.CHARACTERS, secret=True),
        )
    ),
    Reply.KEYPAD: Layout(  # 7.12
        (_READER, Number("digit_count"), Span("digits", count="digit_count", kind=Kind.KEYS, secret=True))
    ),
    Reply.COM: _LINE,
    Reply.BIOREADR: Layout(
        (
            _READER,
            Number("status", words=words.BIO_STATUS),
            _BIO_TYPE,
            Number("quality"),
            Number("length", 2),
            Span("template", count="length", secret=True),
        )
    ),
    Reply.BIOMATCHR: Layout((_READER, Number("status", words=words.BIO_STATUS), Number("score")), _MEMORY),
    Reply.CCRYPT: Layout((Span("cuid", 8), Span("rnd_b", 8), Span("client_cryptogram", 16))),
    Reply.RMAC_I: Layout((Span("r_mac", 16),)),
    Reply.BUSY: _EMPTY,
    Reply.FTSTAT: Layout(
        (
            Number("control", flags=words.TRANSFER_FLAGS),
            Number("delay", 2, unit="ms"),
            Number("status", 2, words=words.TRANSFER_STATUS, signed=True),
            Number("max_fragment", 2, unit="octets"),
        )
    ),
    Reply.PIVDATAR: _FRAGMENT,
    Reply.GENAUTHR: _FRAGMENT,
    Reply.CRAUTHR: _FRAGMENT,
    Reply.MFGSTATR: _RAW,
    Reply.MFGERRR: _RAW,
    Reply.MFGREP: Layout((_OUI, Span("data", secret=True))),
    Reply.XRD: Layout((_EXTENDED_MODE, Number("reply"), Span("data", secret=True)), _MEMORY),
}
"""Payloads of replies by code."""


def layout_of(code: int, reply: bool) -> Layout:
    """The payload table of a code; octets without a layout (and, to be safe, secret) where there is none."""
    return (REPLY_PAYLOADS if reply else COMMAND_PAYLOADS).get(code, _SECRET_RAW)
