"""Sound frames of any content, secured or not, at both machines and the survey: never an exception, never stuck."""

from __future__ import annotations

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from benchtool.frames.osdp import check
from benchtool.frames.osdp.secure import DEFAULT, INSTALLED
from benchtool.simulate.osdp_device_session import DeviceSession
from benchtool.simulate.osdp_panel_session import PanelSession
from benchtool.simulate.osdp_survey import Surveyor
from benchtool.simulate.panel import Panel
from benchtool.simulate.peripheral import Peripheral
from tests.simulate.lockstep import MS, SETTINGS, S, heard


@st.composite
def frames(draw: st.DrawFn) -> bytes:
    """A frame with a right check value and anything in it."""
    reply = draw(st.booleans())
    address = draw(st.sampled_from((5, 127))) | (0x80 if reply else 0)
    control = draw(st.integers(0, 15))
    block = b""
    if control & 8:
        size = draw(st.integers(2, 5))
        kind = draw(st.one_of(st.integers(0x11, 0x18), st.integers(0, 255)))
        block = bytes((size, kind)) + draw(st.binary(min_size=size - 2, max_size=size - 2))
    code = draw(st.one_of(st.integers(0x40, 0x84), st.integers(0, 255)))
    body = block + bytes((code,)) + draw(st.binary(max_size=40))
    length = 5 + len(body) + (2 if control & 4 else 1)
    octets = bytes((0x53, address)) + length.to_bytes(2, "little") + bytes((control,)) + body
    if control & 4:
        return octets + check.crc(octets).to_bytes(2, "little")
    return octets + bytes((check.checksum(octets),))


@settings(max_examples=120)
@given(said=st.lists(frames(), min_size=1, max_size=12), secure=st.booleans())
def test_no_frame_raises_and_the_device_answers_what_is_for_it(said: list[bytes], secure: bool) -> None:
    random = np.random.default_rng(1).bytes
    own = DeviceSession(bytes(12), random=random, required=True) if secure else None
    device = Peripheral(
        "device",
        5,
        SETTINGS,
        identity=bytes(12),
        capabilities=b"",
        reply_ns=3 * MS,
        rng=np.random.default_rng(1),
        session=own,
    )
    for number, frame in enumerate(said):
        address = device.address
        device.hear(heard(frame, number * S))
        due_ns = device.wake_ns()
        told = None if due_ns is None else device.act(due_ns)
        wanted = not frame[1] & 0x80 and frame[1] in (address, 127)
        assert (told is not None) == wanted
        if told is not None:
            assert check.check_ok(told)
            # A repeat gets the last reply as it was, whomever the repeat was for.
            assert told[1] in (address | 0x80, 0xFF)


@settings(max_examples=120)
@given(said=st.lists(frames(), min_size=1, max_size=12), secure=st.booleans())
def test_no_reply_raises_and_the_controller_goes_on(said: list[bytes], secure: bool) -> None:
    random = np.random.default_rng(1).bytes
    sessions = {5: PanelSession(lambda _: [bytes(16)], random=random, kinds=(INSTALLED, DEFAULT))} if secure else None
    panel = Panel("panel", [5], SETTINGS, poll_gap_ns=20 * MS, sessions=sessions)
    surveyor = Surveyor([5], SETTINGS, random=random)
    for station in (panel, surveyor):
        now_ns = 0
        for frame in said:
            now_ns = max(now_ns + 100 * MS, station.wake_ns() or 0)
            station.act(now_ns)
            station.hear(heard(frame, now_ns + 12 * MS))
    assert panel.wake_ns() is not None
    asked = 0
    for _ in range(40):
        now_ns = max(now_ns, panel.wake_ns() or 0)
        asked += panel.act(now_ns) is not None
    assert asked > 10
    for _ in range(60):
        wake_ns = surveyor.wake_ns()
        if wake_ns is not None:
            surveyor.act(max(now_ns, wake_ns))
            now_ns = max(now_ns, wake_ns)
    assert surveyor.done
