"""What the live screen says of a typed line repeats no card, key or PIN; the numbers are invented."""

from __future__ import annotations

import pytest

from benchtool.screens.watch_look import Ask
from benchtool.screens.watch_typed import without_secrets
from tests.screens.watching import watching

TYPED = [
    ("m", "-12345678", "Nothing is given for ***"),
    ("m", "12345678 -", "Nothing is given for ***"),
    ("m", "-PIN-4711", "Nothing is given for"),
    ("m", "ab-ohms=12345678901", "***"),
    ("m", "ab-ohms 12345678901", "ab-ohms=***"),
    ("m", "idle@4711 0.2", "no such reading"),
    ("m", "supply@4711 0.2", "***"),
    ("m", "swap-clip 4711", "better"),
    ("d", "fault 4711", "no fault '***'"),
    ("d", "fault pin=4711", "no fault"),
    ("d", "card 26-bit 12345678", "write: card FORMAT [SITE] NUMBER, as: card 26-bit"),
    ("d", "4711", "no such thing to do"),
    ("b", "9600 4711x", "***"),
    ("b", "12345678901", "***"),
    ("s", "12345678", "No line with “***”"),
]


@pytest.mark.parametrize(("key", "typed", "said"), TYPED)
def test_what_is_typed_is_not_repeated(key: str, typed: str, said: str) -> None:
    screen = watching()
    screen.run(1)
    screen.type(key, typed)
    told = f"{screen.look.refused} {screen.look.message}"
    assert said in told
    assert not any(number in told for number in ("4711", "12345678"))
    screen.pump.finish()


def test_with_secrets_shown_it_is() -> None:
    screen = watching()
    screen.pump.show_secrets = True
    screen.type("d", "fault 4711")
    assert "'4711'" in screen.look.refused
    screen.type("m", "-12345678")
    assert "12345678" in screen.look.message
    screen.pump.finish()


def test_what_is_no_secret_is_repeated() -> None:
    assert without_secrets("no fault 'nonsense'", Ask.DO, "fault nonsense") == "no fault 'nonsense'"
    assert without_secrets("x9: not a rate", Ask.LINE, "x9") == "x9: not a rate"
    name = "watch-20260302-101500.pcapng"
    assert without_secrets(f"{name} exists", Ask.RECORD, name) == f"{name} exists"
