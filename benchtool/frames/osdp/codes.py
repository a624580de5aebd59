"""Command, reply and NAK codes of OSDP, by the standard's names, with plain words beside them.

Facts: sheet 5.3 and 5.4 (read in open protocol stacks). `clause` is the clause of SIA OSDP 2.2 that those stacks
cite; it is empty where none was cited. Word tables for single octets (colours, capabilities …) are in `words`.
"""

from __future__ import annotations

from enum import Enum, IntEnum
from typing import NamedTuple


class Command(IntEnum):
    """Codes sent by a controller (control panel)."""

    POLL = 0x60
    ID = 0x61
    CAP = 0x62
    DIAG = 0x63
    LSTAT = 0x64
    ISTAT = 0x65
    OSTAT = 0x66
    RSTAT = 0x67
    OUT = 0x68
    LED = 0x69
    BUZ = 0x6A
    TEXT = 0x6B
    RMODE = 0x6C
    TDSET = 0x6D
    COMSET = 0x6E
    DATA = 0x6F
    XMIT = 0x70
    PROMPT = 0x71
    SPE = 0x72
    BIOREAD = 0x73
    BIOMATCH = 0x74
    KEYSET = 0x75
    CHLNG = 0x76
    SCRYPT = 0x77
    CONT = 0x79
    ABORT_OLD = 0x7A
    """Called ABORT in old drafts; the code in force is `ABORT`."""
    ACURXSIZE = 0x7B
    FILETRANSFER = 0x7C
    MFG = 0x80
    SCDONE = 0xA0
    XWR = 0xA1
    ABORT = 0xA2
    PIVDATA = 0xA3
    GENAUTH = 0xA4
    CRAUTH = 0xA5
    KEEPACTIVE = 0xA7


class Reply(IntEnum):
    """Codes sent by a device (peripheral)."""

    ACK = 0x40
    NAK = 0x41
    PDID = 0x45
    PDCAP = 0x46
    LSTATR = 0x48
    ISTATR = 0x49
    OSTATR = 0x4A
    RSTATR = 0x4B
    RAW = 0x50
    FMT = 0x51
    PRES = 0x52
    KEYPAD = 0x53
    COM = 0x54
    SCREP = 0x55
    SPER = 0x56
    BIOREADR = 0x57
    BIOMATCHR = 0x58
    CCRYPT = 0x76
    RMAC_I = 0x78
    BUSY = 0x79
    FTSTAT = 0x7A
    PIVDATAR = 0x80
    GENAUTHR = 0x81
    CRAUTHR = 0x82
    MFGSTATR = 0x83
    MFGERRR = 0x84
    MFGREP = 0x90
    XRD = 0xB1


class Status(Enum):
    """Whether a code is in force."""

    CURRENT = "current"
    DEPRECATED = "deprecated"
    """Still defined; new devices should not use it."""
    OBSOLETE = "obsolete"
    """No longer defined."""
    OLD = "old drafts"
    """Only in drafts or early versions."""


class CodeInfo(NamedTuple):
    """One row of the code tables."""

    code: int
    name: str
    """The standard's name: `POLL`."""
    title: str
    """The same in plain words: "poll"."""
    status: Status = Status.CURRENT
    clause: str = ""
    """Clause of SIA OSDP 2.2 as cited by the stacks read; empty where none was cited."""


def _table(*rows: CodeInfo) -> dict[int, CodeInfo]:
    return {row.code: row for row in rows}


_OBSOLETE, _OLD = Status.OBSOLETE, Status.OLD

COMMANDS: dict[int, CodeInfo] = _table(
    CodeInfo(Command.POLL, "POLL", "poll"),
    CodeInfo(Command.ID, "ID", "ask for identity"),
    CodeInfo(Command.CAP, "CAP", "ask for capabilities"),
    CodeInfo(Command.DIAG, "DIAG", "diagnostics", _OBSOLETE),
    CodeInfo(Command.LSTAT, "LSTAT", "ask for tamper and power"),
    CodeInfo(Command.ISTAT, "ISTAT", "ask for inputs"),
    CodeInfo(Command.OSTAT, "OSTAT", "ask for outputs"),
    CodeInfo(Command.RSTAT, "RSTAT", "ask for reader tamper"),
    CodeInfo(Command.OUT, "OUT", "set outputs", clause="6.8, T14"),
    CodeInfo(Command.LED, "LED", "set lights", clause="6.9, T16-18"),
    CodeInfo(Command.BUZ, "BUZ", "sound the buzzer", clause="6.10-11, T19"),
    CodeInfo(Command.TEXT, "TEXT", "show text", clause="6.12, T21-22"),
    CodeInfo(Command.RMODE, "RMODE", "set reader mode", _OBSOLETE),
    CodeInfo(Command.TDSET, "TDSET", "set date and time", _OBSOLETE),
    CodeInfo(Command.COMSET, "COMSET", "set address and bit rate"),
    CodeInfo(Command.DATA, "DATA", "data for the reader", _OBSOLETE),
    CodeInfo(Command.XMIT, "XMIT", "transmit to the reader", _OBSOLETE),
    CodeInfo(Command.PROMPT, "PROMPT", "set prompt text", _OBSOLETE),
    CodeInfo(Command.SPE, "SPE", "secure PIN entry", _OBSOLETE),
    CodeInfo(Command.BIOREAD, "BIOREAD", "scan biometric data"),
    CodeInfo(Command.BIOMATCH, "BIOMATCH", "match biometric data"),
    CodeInfo(Command.KEYSET, "KEYSET", "set the secure channel key"),
    CodeInfo(Command.CHLNG, "CHLNG", "start secure channel: challenge", clause="Annex D"),
    CodeInfo(Command.SCRYPT, "SCRYPT", "secure channel: server cryptogram", clause="Annex D"),
    CodeInfo(Command.CONT, "CONT", "continue", _OLD),
    CodeInfo(Command.ABORT_OLD, "ABORT", "abort (old code)", _OLD),
    CodeInfo(Command.ACURXSIZE, "ACURXSIZE", "tell the controller's receive buffer"),
    CodeInfo(Command.FILETRANSFER, "FILETRANSFER", "file fragment"),
    CodeInfo(Command.MFG, "MFG", "manufacturer's command"),
    CodeInfo(Command.SCDONE, "SCDONE", "smart card done", _OLD),
    CodeInfo(Command.XWR, "XWR", "extended write"),
    CodeInfo(Command.ABORT, "ABORT", "abort the current operation"),
    CodeInfo(Command.PIVDATA, "PIVDATA", "ask for PIV data"),
    CodeInfo(Command.GENAUTH, "GENAUTH", "general authenticate fragment"),
    CodeInfo(Command.CRAUTH, "CRAUTH", "challenge to authenticate fragment"),
    CodeInfo(Command.KEEPACTIVE, "KEEPACTIVE", "keep the smart card active", clause="6.27"),
)
"""Every command by code."""

REPLIES: dict[int, CodeInfo] = _table(
    CodeInfo(Reply.ACK, "ACK", "acknowledge"),
    CodeInfo(Reply.NAK, "NAK", "refused", clause="7.3, T47"),
    CodeInfo(Reply.PDID, "PDID", "identity", clause="7.4"),
    CodeInfo(Reply.PDCAP, "PDCAP", "capabilities", clause="Annex B"),
    CodeInfo(Reply.LSTATR, "LSTATR", "tamper and power"),
    CodeInfo(Reply.ISTATR, "ISTATR", "inputs", clause="7.7"),
    CodeInfo(Reply.OSTATR, "OSTATR", "outputs"),
    CodeInfo(Reply.RSTATR, "RSTATR", "reader tamper"),
    CodeInfo(Reply.RAW, "RAW", "card read", clause="7.10"),
    CodeInfo(Reply.FMT, "FMT", "card read as characters", Status.DEPRECATED, "7.11"),
    CodeInfo(Reply.PRES, "PRES", "card present", _OBSOLETE),
    CodeInfo(Reply.KEYPAD, "KEYPAD", "keys pressed", clause="7.12"),
    CodeInfo(Reply.COM, "COM", "new address and bit rate"),
    CodeInfo(Reply.SCREP, "SCREP", "smart card reply"),
    CodeInfo(Reply.SPER, "SPER", "secure PIN entry reply"),
    CodeInfo(Reply.BIOREADR, "BIOREADR", "biometric data"),
    CodeInfo(Reply.BIOMATCHR, "BIOMATCHR", "biometric match result"),
    CodeInfo(Reply.CCRYPT, "CCRYPT", "secure channel: client cryptogram", clause="Annex D"),
    CodeInfo(Reply.RMAC_I, "RMAC_I", "secure channel: first MAC", clause="Annex D"),
    CodeInfo(Reply.BUSY, "BUSY", "busy, ask again"),
    CodeInfo(Reply.FTSTAT, "FTSTAT", "file transfer status"),
    CodeInfo(Reply.PIVDATAR, "PIVDATAR", "PIV data fragment"),
    CodeInfo(Reply.GENAUTHR, "GENAUTHR", "general authenticate reply fragment"),
    CodeInfo(Reply.CRAUTHR, "CRAUTHR", "challenge response fragment"),
    CodeInfo(Reply.MFGSTATR, "MFGSTATR", "manufacturer's status"),
    CodeInfo(Reply.MFGERRR, "MFGERRR", "manufacturer's error"),
    CodeInfo(Reply.MFGREP, "MFGREP", "manufacturer's reply"),
    CodeInfo(Reply.XRD, "XRD", "extended read"),
)
"""Every reply by code."""


def code_info(code: int, reply: bool) -> CodeInfo | None:
    """The row of a code, or None where it is not defined. Commands and replies have tables of their own."""
    return (REPLIES if reply else COMMANDS).get(code)


class NakCode(IntEnum):
    """Why a device refused a command (clause 7.3, Table 47)."""

    NONE = 0x00
    CHECK = 0x01
    LENGTH = 0x02
    UNKNOWN_COMMAND = 0x03
    SEQUENCE = 0x04
    SECURITY_UNSUPPORTED = 0x05
    SECURITY_REQUIRED = 0x06
    BIO_TYPE = 0x07
    BIO_FORMAT = 0x08
    RECORD = 0x09
    GENERIC = 0xFF
    """Not in the standard's list; one open stack sends it."""

    @property
    def text(self) -> str:
        """The reason in plain words."""
        return NAK_TEXT[self]


NAK_TEXT: dict[int, str] = {
    NakCode.NONE: "no error",
    NakCode.CHECK: "bad check value",
    NakCode.LENGTH: "wrong command length",
    NakCode.UNKNOWN_COMMAND: "unknown command",
    NakCode.SEQUENCE: "wrong sequence number",
    NakCode.SECURITY_UNSUPPORTED: "security block or secure channel not supported",
    NakCode.SECURITY_REQUIRED: "encryption required, or security conditions not met",
    NakCode.BIO_TYPE: "biometric type not supported",
    NakCode.BIO_FORMAT: "biometric format not supported",
    NakCode.RECORD: "cannot process a command record",
    NakCode.GENERIC: "unspecified error",
}
"""NAK reasons in plain words."""
