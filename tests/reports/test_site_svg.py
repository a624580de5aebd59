"""The line diagram: every device and cable of a record is in it, what is unknown is shown as that, any record draws."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchtool.install.load import load
from benchtool.install.record import Bus, CableKind, Device, Door, Record, Site
from benchtool.install.save import to_text
from benchtool.install.view import View, view_of
from benchtool.reports.site_chains import drawing_of
from benchtool.reports.site_svg import COLUMNS, WIDTH, text_width, wrapped
from benchtool.reports.site_values import BusPart, bus_part

CABLE = CableKind(id="pair", screened=True, twisted=True)


def site(*devices: Device, **more: Any) -> Record:
    return Record(
        schema=1,
        site=Site(name="Invented"),
        door=(Door(id="d1", name="Store door"),),
        cable=(CABLE, CableKind(id="other")),
        bus=(Bus(id="b", cable="pair", device=devices, **more),),
    )


def seen(record: Record) -> View:
    return view_of(load(to_text(record)))


def drawn(record: Record) -> BusPart:
    view = seen(record)
    return bus_part(view, view.trunks[0])


def pictures(part: BusPart) -> list[ET.Element]:
    return [ET.fromstring(row.svg) for chain in part.chains for row in chain.rows]


def words(part: BusPart) -> list[str]:
    return [one.text or "" for picture in pictures(part) for one in picture.iter("text")]


def row_of(count: int, **more: Any) -> tuple[Device, ...]:
    known: dict[str, Any] = {"stub_m": 0, "terminator": False, "bias_ohm": 0, "shield_through": True}
    return tuple(
        Device(id=f"i{place}", kind="interface", address=place, metres=10.0 + place, **(known | more))
        for place in range(1, count + 1)
    )


@pytest.mark.parametrize("count", [1, 5, 6, 32, 64])
def test_every_device_is_drawn_once_in_order_with_its_length(count: int) -> None:
    part = drawn(site(*row_of(count)))
    said = words(part)
    assert [text for text in said if re.fullmatch(r"address \d+", text)] == [
        f"address {n}" for n in range(1, count + 1)
    ]
    lengths = [text for text in said if re.fullmatch(r"\d+ m", text)]
    # The first device's cable is the one that comes from the controller, which is not recorded here.
    assert lengths == [f"{10 + place} m" for place in range(1, count + 1)]
    assert len(part.chains) == 1
    assert len(part.chains[0].rows) == -(-count // COLUMNS)


def test_a_controller_in_the_midst_draws_each_cable_once() -> None:
    """The controller stands first in the file, and the pair goes on from it to both sides."""
    head = Device(id="p", kind="controller", terminator=False, stub_m=0)
    one = Device(id="r1", kind="reader", address=0, metres=20.0, terminator=True, stub_m=0)
    two = Device(id="r2", kind="reader", address=1, metres=15.0, after="p", terminator=True, stub_m=0)
    part = drawn(site(head, one, two))
    said = words(part)
    assert [text for text in said if re.fullmatch(r"\d+ m", text)] == ["20 m", "15 m"]
    assert not any("from" in text for text in said)
    # Both resistors stand at the outer sides of the wires: left of the first device, right of the last.
    (picture,) = pictures(part)
    across = [float(text.get("x", "")) for text in picture.iter("text") if text.text == "120 Ω"]
    assert across[0] < WIDTH / COLUMNS / 2
    assert across[1] > WIDTH / COLUMNS * 2.5


def test_cable_before_the_first_device_is_drawn_only_where_it_can_come_from_the_controller() -> None:
    first = Device(id="a", kind="interface", metres=20.0)
    others = (Device(id="b", kind="interface", metres=5.0), Device(id="c", kind="interface", metres=6.0, after="a"))
    midst = drawn(site(first, *others))
    assert "20 m" not in words(midst)
    assert midst.notes == ("The record gives a 20 m of cable before it, which is not drawn: it is no end of the pair.",)
    placed = drawn(site(first, others[0], Device(id="p", kind="controller", metres=7.0)))
    assert "20 m" not in words(placed)
    assert placed.notes[0].endswith("nothing stands before it.")
    assert "20 m" in words(drawn(site(first, others[0])))


def test_rows_say_where_they_go_on() -> None:
    said = words(drawn(site(*row_of(11))))
    assert [text for text in said if "row" in text] == ["to row 2", "from row 1", "to row 3", "from row 2"]


def test_unknown_is_shown_as_unknown_and_known_is_not() -> None:
    bare = words(drawn(site(Device(id="a", kind="interface"), Device(id="b", kind="interface"))))
    assert bare.count("address ?") == 2
    assert "? m" in bare
    assert bare.count("stub ? m") == 2
    assert bare.count("?") == 2, "end-of-line resistors"
    assert "not noted: end-of-line," in " ".join(bare)
    known = [
        replace(one, terminator=one.id != "i2", shield_earthed=False, door="d1", metres=0.0 if one.id == "i1" else 5.0)
        for one in row_of(3)
    ]
    said = words(drawn(site(*known)))
    assert not [text for text in said if "?" in text or "not noted" in text]
    assert said.count("120 Ω") == 2


def test_a_resistor_of_another_value_a_bias_and_an_odd_cable_are_written_out() -> None:
    first, last = row_of(2)
    said = words(
        drawn(site(replace(first, terminator=True, terminator_ohm=150, bias_ohm=680), replace(last, cable="other")))
    )
    assert {"150 Ω", "bias 680 Ω each", "0 V", "+", "other"} <= set(said)
    assert "pair" not in said


def test_a_branch_is_a_chain_of_its_own() -> None:
    devices = row_of(5)
    # i4 hangs on i2, with 14 m; the trunk goes on from i3 to i5.
    record = site(*devices[:3], replace(devices[3], after="i2"), replace(devices[4], after="i3"))
    part = drawn(record)
    assert [chain.title for chain in part.chains] == ["Trunk", "Branch 1, from i2"]
    assert "branch 1" in words(part)
    assert "from address 2" in words(part)


def test_what_hangs_on_nothing_a_ring_and_doubled_ids_are_told() -> None:
    devices = row_of(3)
    part = drawn(site(*devices[:2], replace(devices[2], after="gone")))
    assert "gone" in part.chains[1].title
    part = drawn(site(replace(devices[0], after="i3"), *devices[1:]))
    assert len(part.notes) == 1
    assert re.fullmatch(r"The record names a cable from i\d to i\d, 1\d m, which is not drawn\.", part.notes[0])
    part = drawn(site(*devices, loop=("i1", "i3")))
    assert "ring" in part.notes[0]
    part = drawn(site(devices[0], devices[1], replace(devices[2], id="i1")))
    assert "twice: i1" in part.notes[0]
    assert [text for text in words(part) if text.startswith("address")] == ["address 1", "address 2", "address 3"]


NAMES = st.sampled_from(["a", "b", "c", "d", "e", "f", "g", "h"])
DEVICES = st.lists(
    st.builds(
        Device,
        id=NAMES,
        kind=st.sampled_from(["controller", "interface", "junction"]),
        after=st.none() | NAMES,
        metres=st.none() | st.floats(0, 5000),
        terminator=st.none() | st.booleans(),
        bias_ohm=st.none() | st.sampled_from([0.0, 560.0]),
        shield_through=st.none() | st.booleans(),
        name=st.none() | st.text(min_size=1, max_size=60),
    ),
    max_size=9,
)


@given(DEVICES)
@settings(max_examples=60)
def test_however_devices_are_joined_each_is_drawn_once_and_each_cable_is_drawn_or_told(devices: list[Device]) -> None:
    view = seen(site(*devices))
    trunk = view.trunks[0]
    drawing = drawing_of(trunk)
    stops = [stop for chain in drawing.chains for stop in chain.stops]
    assert sorted(stop.place for stop in stops) == list(range(1, len(devices) + 1))
    if not drawing.twice:
        known = {device.id for device in devices}
        told = [stop.segment for stop in stops if stop.segment is not None] + list(drawing.closing)
        assert sorted(one.path for one in told) == sorted(one.path for one in trunk.segments if one.start in known)
    for picture in pictures(bus_part(view, trunk)):
        assert picture.attrib["viewBox"].split()[2] == f"{WIDTH:g}"


@given(st.text(max_size=200), st.integers(1, 4))
def test_wrapped_lines_keep_to_their_width_and_number(text: str, most: int) -> None:
    lines = wrapped(text, 80, most)
    assert len(lines) <= most
    assert all(text_width(line) <= 80 or len(line) == 1 for line in lines)
    if not any(line.endswith("…") for line in lines):
        assert "".join(lines).replace(" ", "") == "".join(text.split())


def test_a_long_id_is_broken_after_its_hyphen() -> None:
    width = text_width("interface-for-kitchen-1")
    assert wrapped("interface-for-kitchen-11", width, 3) == ["interface-for-kitchen-", "11"]
    assert wrapped("interfaceXforXkitchenX11", width, 3) == ["interfaceXforXkitchen", "X11"]


def test_no_text_of_a_box_leaves_it() -> None:
    long = "Goods-in roller shutter and Extraordinarily-long-single-word-without-any-space gate " * 3
    part = drawn(site(*(replace(one, name=long) for one in row_of(5))))
    (picture,) = pictures(part)
    boxes = [(float(one.attrib["x"]), float(one.attrib["width"])) for one in picture.iter("rect")]
    boxes = [one for one in boxes if one[1] > 50]
    assert len(boxes) == 5
    for one in picture.iter("text"):
        x, size = float(one.attrib["x"]), float(one.attrib["font-size"])
        if float(one.attrib["y"]) < 90 or one.attrib["text-anchor"] != "start":
            continue
        left, width = next(box for box in boxes if box[0] <= x <= box[0] + box[1])
        assert x + text_width(one.text or "", size) <= left + width


def test_nothing_is_told_by_colour() -> None:
    part = drawn(site(*row_of(3, terminator=None)))
    found = {
        colour for chain in part.chains for row in chain.rows for colour in re.findall(r"#[0-9a-fA-F]{3,6}\b", row.svg)
    }
    assert found <= {"#111", "#fff"}


def test_where_a_row_goes_on_stands_clear_of_its_last_resistor() -> None:
    """Capitals and figures are less than 0.8 of the size high, and hang less than 0.25 below the line."""
    picture = pictures(drawn(site(*row_of(11, terminator=True))))[0]
    texts = [
        (one.text or "", float(one.get("y") or 0), float(one.get("font-size") or 0)) for one in picture.iter("text")
    ]
    (goes_on,) = [(y, size) for text, y, size in texts if text == "to row 2"]
    resistors = [(y, size) for text, y, size in texts if text.endswith(" Ω")]
    assert len(resistors) == COLUMNS
    for y, size in resistors:
        assert goes_on[0] + 0.25 * goes_on[1] < y - 0.8 * size
