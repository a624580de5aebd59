"""Keys as text: what is taken, what is refused, and that nothing of a key shows."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchtool.frames.osdp.keys import Key, KeyRing, KeySource, KeyText
from benchtool.frames.osdp.secure import DEFAULT_KEY, derived_key

ONE = "00112233445566778899aabbccddeeff"
OTHER = "ffeeddccbbaa99887766554433221100"
CUID = bytes(range(8))


def test_keys_by_address_for_all_and_from_a_master_key() -> None:
    ring = KeyRing.parse(f"# invented keys\n5 {ONE}\n* {OTHER.upper()}  # all others\nmaster = {ONE}\n\n")
    assert ring.given == 3
    assert ring.for_address(5, CUID) == [
        Key(bytes.fromhex(ONE), KeySource.GIVEN),
        Key(derived_key(bytes.fromhex(ONE), CUID), KeySource.MASTER),
        Key(bytes.fromhex(OTHER), KeySource.GIVEN),
        Key(DEFAULT_KEY, KeySource.DEFAULT),
    ]
    assert [key.source for key in ring.for_address(6)] == [KeySource.GIVEN, KeySource.DEFAULT]


@pytest.mark.parametrize(
    "text",
    [
        ONE,
        " ".join(ONE[at : at + 2] for at in range(0, 32, 2)),
        ":".join(ONE[at : at + 2] for at in range(0, 32, 2)),
        "\ufeff" + ONE + "\r\n",
        f"*: {ONE};",
    ],
)
def test_one_key_in_many_spellings(text: str) -> None:
    assert KeyRing.parse(text).for_address(0)[0] == Key(bytes.fromhex(ONE), KeySource.GIVEN)


def test_spaced_octets_after_an_address() -> None:
    spaced = " ".join(ONE[at : at + 2] for at in range(0, 32, 2))
    ring = KeyRing.parse(f"12 {spaced}; 0 {OTHER}")
    assert ring.for_address(12)[0].octets == bytes.fromhex(ONE)
    assert ring.for_address(0)[0].octets == bytes.fromhex(OTHER)
    assert ring.for_address(1)[0].source is KeySource.DEFAULT


@pytest.mark.parametrize(
    "text", ["", "# nothing", "secret", ONE[:-1], ONE + "00", f"127 {ONE}", f"x {ONE}", f"5 {ONE}\n6 {ONE}z"]
)
def test_what_is_not_a_key_is_refused_without_showing_it(text: str) -> None:
    with pytest.raises(KeyText) as caught:
        KeyRing.parse(text)
    assert ONE[2:12] not in str(caught.value)


def test_the_default_key_is_called_so_however_it_came() -> None:
    ring = KeyRing.parse(DEFAULT_KEY.hex())
    assert ring.for_address(3)[0] == Key(DEFAULT_KEY, KeySource.DEFAULT)


def test_learned_keys_newest_first_and_bounded() -> None:
    ring = KeyRing()
    for number in range(9):
        ring.learn(bytes((number,)) * 16, 4)
    ring.learn(bytes((6,)) * 16, 4)
    learned = [key.octets[0] for key in ring.for_address(4) if key.source is KeySource.LEARNED]
    assert learned == [6, 8, 7, 5]
    assert ring.for_address(5) == [Key(DEFAULT_KEY, KeySource.DEFAULT)]


def test_no_key_in_a_repr() -> None:
    ring = KeyRing.parse(f"5 {ONE}")
    for shown in (repr(ring), repr(ring.for_address(5))):
        assert ONE[:8] not in shown.lower()


@given(st.text(max_size=80))
def test_any_text_is_taken_or_refused(text: str) -> None:
    try:
        ring = KeyRing.parse(text)
    except KeyText:
        return
    assert ring.given
