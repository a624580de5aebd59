"""libosdp's controller and device in a secure session, over a pseudo-terminal, listened to as it happens."""

from __future__ import annotations

import pytest

pytest.importorskip("osdp", reason="libosdp, the peer, is not installed")

from benchtool.frames.osdp.events import KINDS, Kind, Level
from benchtool.frames.osdp.keys import KeyRing, KeySource
from tests.osdp_talk import Talk
from tests.peer_libosdp_secure import FILE, KEY, record, trimmed

pytestmark = pytest.mark.peer


def heard(name: str, keys: KeyRing | None = None) -> Talk:
    talk = Talk(keys=keys)
    for _, _, octets in trimmed(record(name)):
        talk.say(octets)
    return talk.end()


def faults(talk: Talk) -> list[Kind]:
    return [kind for kind in talk.kinds if KINDS[kind].level is not Level.NOTE]


def test_a_session_with_a_set_key() -> None:
    talk = heard("set-key", KeyRing.parse(f"5 {KEY.hex()}"))
    assert set(talk.standings[4:]) == {"verified"}
    assert faults(talk) == []


def test_the_default_key_and_two_key_changes_without_any_key_given() -> None:
    talk = heard("key-change")
    assert faults(talk) == [Kind.KEYS_DIFFER, Kind.DEFAULT_KEY, Kind.KEY_UNDER_DEFAULT]
    assert talk.standings[-1] == "verified"
    assert talk.watch.figures().channels[0].key is KeySource.LEARNED


def test_a_file() -> None:
    talk = heard("file", KeyRing.parse(KEY.hex()))
    assert b"".join(data[11:] for data in talk.data() if len(data) > 20) == FILE
    assert faults(talk) == []
