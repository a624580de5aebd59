"""Whatever the octets, describing raises nothing and leaves out no octet; reading and building undo each other."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchtool.capture.chunk import Chunk
from benchtool.frames.decoder import BusDecoder
from benchtool.frames.frame import Frame, Protocol, Reason, Role
from benchtool.frames.meaning import Meaning
from benchtool.frames.modbus.build import MAX_DATA, build_exception, build_frame, encode
from benchtool.frames.modbus.describe import describe
from benchtool.frames.modbus.functions import EXCEPTIONS, FUNCTIONS, IDENTIFICATION, layout_of
from tests.modbus_session import LINE
from tests.strategies import modbus_almost_sound, modbus_octets, modbus_values

SIDES = [Role.REQUEST, Role.REPLY]


def says(octets: bytes, role: Role, reason: Reason = Reason.OK) -> Meaning:
    return describe(Frame(Protocol.MODBUS_RTU, 0, 0, octets, reason, role))


def sent(meaning: Meaning) -> dict[str, Any]:
    """Values of the fields that lie in the frame, not derived from others."""
    return {field.name: field.value for field in meaning.fields if field.length}


@given(
    st.one_of(modbus_octets(), modbus_almost_sound().map(lambda said: said[1])),
    st.sampled_from(Role),
    st.sampled_from(Reason),
)
def test_fields_lie_end_to_end_over_all_data(octets: bytes, role: Role, reason: Reason) -> None:
    meaning = says(octets, role, reason)
    assert meaning.text()
    assert len({field.name for field in meaning.fields}) == len(meaning.fields)
    at = 2
    for field in meaning.fields:
        if field.length:
            assert at == field.start
            at += field.length
    data_end = len(octets) if reason is Reason.TRUNCATED or len(octets) < 4 else len(octets) - 2
    assert at == max(2, data_end)


@given(st.one_of(st.tuples(st.sampled_from(SIDES), modbus_octets()), modbus_almost_sound()))
def test_what_is_read_without_a_problem_is_rebuilt_and_the_rest_is_not(said: tuple[Role, bytes]) -> None:
    role, octets = said
    meaning = says(octets, role)
    if meaning.name is None or octets[1] & 0x80:
        return
    about_addresses = ("is reserved", "broadcast address 0", "last address 65535")
    problems = [problem for problem in meaning.problems if not problem.endswith(about_addresses)]
    try:
        rebuilt = build_frame(octets[0], octets[1], encode(octets[1], role, sent(meaning)))
    except ValueError:
        assert problems
        return
    # What is built is always right: where the octets had a problem, it is another frame.
    assert (rebuilt == octets) == (not problems)


@given(st.data(), st.sampled_from(sorted(FUNCTIONS)), st.sampled_from(SIDES), st.integers(1, 247))
def test_what_is_built_is_read_as_given(data: st.DataObject, function: int, role: Role, address: int) -> None:
    mei_type = IDENTIFICATION if function == 0x2B else None
    layout = layout_of(FUNCTIONS[function], role, mei_type)
    assert layout is not None
    values = data.draw(modbus_values(layout))
    if function == 0x2B:
        values["mei_type"] = mei_type
    octets = build_frame(address, function, encode(function, role, values))
    meaning = says(octets, role)
    past_the_end = [problem for problem in meaning.problems if "run past" in problem]
    assert past_the_end == list(meaning.problems)
    found = sent(meaning)
    if isinstance(values.get("bits"), list) and "quantity" not in found:
        # A reply does not say how many bits were asked for: those that fill the last octet are read too.
        padding = found["bits"][len(values["bits"]) :]
        assert padding == [0] * (-len(values["bits"]) % 8)
        found["bits"] = found["bits"][: len(values["bits"])]
    for name, value in values.items():
        assert (value.items() <= found[name].items()) if isinstance(value, dict) else (value == found[name])


@given(st.data(), st.sampled_from(sorted(set(FUNCTIONS) - {0x08, 0x14, 0x15})), st.sampled_from(SIDES))
def test_what_is_built_is_found_on_a_bus(data: st.DataObject, function: int, role: Role) -> None:
    # 08 with other data than 2 octets ends with a silence only; files of chance lengths pass the limits of the finder
    layout = layout_of(FUNCTIONS[function], role, IDENTIFICATION)
    assert layout is not None
    values = data.draw(modbus_values(layout)) | ({"mei_type": IDENTIFICATION} if function == 0x2B else {})
    octets = build_frame(9, function, encode(function, role, values))
    decoder = BusDecoder(LINE)
    (frame,) = decoder.feed(Chunk(0, len(octets) * LINE.char_ns, octets)) + decoder.close()
    assert (octets, Protocol.MODBUS_RTU, Reason.OK) == (frame.octets, frame.protocol, frame.reason)


@given(st.integers(0, 255), st.integers(0, 255), st.binary(max_size=MAX_DATA))
def test_any_frame_can_be_built(address: int, function: int, data: bytes) -> None:
    octets = build_frame(address, function, data)
    assert bytes((address, function)) + data == octets[:-2]
    assert not any("CRC" in problem for problem in says(octets, Role.UNKNOWN).problems)


@pytest.mark.parametrize("function", [*FUNCTIONS, 0x41, 0x7F])
@pytest.mark.parametrize("code", EXCEPTIONS)
def test_every_exception_is_read_as_built(function: int, code: int) -> None:
    meaning = says(build_exception(3, function, code), Role.REPLY)
    assert meaning.values() == {"exception": code}
    assert meaning.problems == ()
    assert meaning.text().endswith(f"exception {code:02X} {EXCEPTIONS[code].lower()}")
    assert meaning.name == (FUNCTIONS[function].name if function in FUNCTIONS else None)
