"""The hand-over page: it needs nothing else, says what is missing, escapes what was typed, tells no secret."""

from __future__ import annotations

import re
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchtool.capture.chunk import LineErrors, TapInfo
from benchtool.frames.frame import Protocol, Reason
from benchtool.install.checks import RULES, check
from benchtool.install.closing import DEAD, points_of
from benchtool.install.closing_bands import Band
from benchtool.install.load import load
from benchtool.install.record import Bus, Device, Door, Lock, Photo, Reader, Record, Sensor, Site, Supply, Tick, Visit
from benchtool.install.save import to_text
from benchtool.install.view import view_of
from benchtool.measure.spread import SpreadFigures
from benchtool.measure.tally import AddressFigures, Figures
from benchtool.reports.site_heard import Heard
from benchtool.reports.site_html import Wanted, site_html
from benchtool.reports.site_measured import measured_table
from benchtool.reports.site_tables import doors_table
from benchtool.reports.site_words import HIDDEN, at_most, hushed, taken_out, visible
from tests.record_values import instances

FIXTURES = Path(__file__).parent.parent.parent / "fixtures" / "sites"
WANTED = Wanted("2026-03-14", "depot.toml")
EMPTY = Record(schema=1, site=Site(name="Nothing yet"))


def page_of(record: Record, *heard: Heard, **more: Any) -> str:
    loaded = load(to_text(record))
    return site_html(view_of(loaded), check(loaded), heard, replace(WANTED, **more))


class _Words(HTMLParser):
    """What a browser would show, and which elements there are."""

    def __init__(self) -> None:
        super().__init__()
        self.shown: list[str] = []
        self.tags: set[str] = set()
        self.open: list[str] = []
        self.unclosed: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.add(tag)
        assert not any(name.startswith("on") for name, _ in attrs)
        if tag not in ("meta", "br", "col", "path", "rect", "circle"):
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.add(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        if "style" not in self.open:
            self.shown.append(data)


def read(page: str) -> tuple[str, set[str]]:
    """The words shown, and the elements; fails where elements are not well nested."""
    parser = _Words()
    parser.feed(page)
    parser.close()
    assert parser.open == []
    return " ".join(" ".join(parser.shown).split()), parser.tags


def fixture(name: str) -> Record:
    return load((FIXTURES / name).read_text(encoding="utf-8")).record


HOSTILE = "</style></title></script><script>alert(1)</script><img src=x onerror=alert(2)>{{ 7*7 }}\"'&\\"


def test_hostile_names_are_shown_as_they_are_and_do_nothing() -> None:
    record = Record(
        schema=1,
        site=Site(name=HOSTILE, note=HOSTILE),
        door=(Door(id="d", name=HOSTILE, note=HOSTILE),),
        bus=(
            Bus(
                id=f"b{HOSTILE}",
                name=HOSTILE,
                device=(
                    Device(id=HOSTILE, kind="interface", door="d", name=HOSTILE, cable=HOSTILE, serial=HOSTILE),
                    Device(id="x", kind="reader", after=f"no{HOSTILE}", cores={HOSTILE: HOSTILE}),
                ),
            ),
        ),
        visit=(Visit(date=HOSTILE, by=HOSTILE, done=HOSTILE, measured={HOSTILE: HOSTILE}, open=(HOSTILE,)),),
        tick=(Tick(item=HOSTILE, at=HOSTILE, note=HOSTILE),),
    )
    page = page_of(record, source=HOSTILE)
    words, tags = read(page)
    assert not tags & {"script", "img", "iframe", "link", "object", "b<"}
    assert words.count("alert(1)") > 10
    assert "{{ 7*7 }}" in words
    assert page.count("</style>") == 1


def test_page_fetches_nothing_and_runs_nothing() -> None:
    page = page_of(fixture("depot.toml"))
    assert not re.search(r"<(script|link|iframe|img|object)|@import|url\(|https?://", page)


@given(instances(Record))
@settings(max_examples=25, deadline=None)
def test_any_record_gives_a_well_formed_page_without_control_characters(record: Record) -> None:
    page = page_of(record)
    read(page)
    assert not re.search(r"[\x00-\x08\x0b-\x1f\x7f\u202a-\u202e\u2066-\u2069]", page)


@pytest.mark.parametrize("name", ["depot.toml", "depot-mistakes.toml"])
def test_everything_of_the_record_is_on_the_page(name: str) -> None:
    record = fixture(name)
    words, _ = read(page_of(record))
    words = words.replace("\N{NO-BREAK SPACE}", " ")
    for bus in record.bus:
        for device in bus.device:
            assert device.id in words
            assert device.serial is None or device.serial in words
            assert device.address is None or f"address {device.address}" in words
    for controller in record.controller:
        assert controller.serial is None or controller.serial in words
        assert controller.network_address is None or controller.network_address in words
    tied: list[Reader | Lock | Sensor] = [*record.reader, *record.lock, *record.sensor]
    for one in tied:
        assert one.id in words
        assert one.connector is None or one.connector in words
        for terminal, colour in (one.cores or {}).items():
            assert f"{terminal}: {colour}" in words
    for door in record.door:
        assert door.name in words
    for visit in record.visit:
        assert visit.date in words
        for item in visit.open:
            assert item in words


def test_findings_have_figure_limit_source_and_mend_and_what_could_not_be_checked_is_no_pass() -> None:
    loaded = load((FIXTURES / "depot-mistakes.toml").read_text(encoding="utf-8"))
    checked = check(loaded)
    words, _ = read(site_html(view_of(loaded), checked, (), WANTED))
    assert "Not ready" in words
    assert checked.findings
    for finding in checked.findings:
        said = finding.said
        assert " ".join(said.sentence.split()) in words
        assert " ".join(finding.rule.mend.split()) in words
        assert " ".join(finding.rule.source.split()) in words
        for figure in (said.figure, said.limit):
            assert figure is None or str(figure) in words
    unchecked = words.split("Could not be checked")[1].split("Checked and kept")[0]
    kept = words.split("Checked and kept")[1]
    for finding in checked.unchecked:
        assert finding.rule.title in unchecked
        assert finding.rule.title not in kept


def test_an_empty_record_says_what_is_missing_and_claims_nothing() -> None:
    words, _ = read(page_of(EMPTY))
    for part in (
        "No bus is recorded.",
        "No door is recorded.",
        "No controller is recorded.",
        "No supply is recorded.",
        "No visit is noted.",
        "No capture of the bus was given",
        "No point of the list is ticked",
        "Signature",
    ):
        assert part in words
    assert "all could be checked" not in words
    assert "Nothing is recorded yet" in words


def test_cautions_name_what_is_here() -> None:
    record = replace(
        EMPTY,
        door=(Door(id="e", name="Yard exit", escape=True, fire_release=False), Door(id="o", name="Office")),
        supply=(Supply(id="psu", kind="mains", battery_ah=7, name="Cellar"),),
    )
    words, _ = read(page_of(record))
    cautions = words.split("Cautions")[1].split("The buses")[0]
    assert "Here: Cellar." in cautions
    assert "fire release here: Yard exit" in cautions
    assert "Not noted whether it is one: Office" in cautions
    assert "Batteries" in cautions


def test_no_caution_of_escape_where_every_door_is_noted_as_none() -> None:
    door = Door(id="o", name="Office", escape=False, fire_release=False)
    lock = Lock(id="l", door="o")
    assert "Escape routes" not in read(page_of(replace(EMPTY, door=(door,), lock=(lock,))))[0]
    assert "Escape routes" in read(page_of(replace(EMPTY, door=(door,), lock=(replace(lock, door=None),))))[0]
    assert "Escape routes" in read(page_of(replace(EMPTY, door=(replace(door, escape=None),), lock=(lock,))))[0]


def test_voltages_are_those_of_ohms_law() -> None:
    record = load(
        """schema = 1
[site]
name = "Invented"
warmest_c = 20
[[cable]]
id = "c"
area_mm2 = 1.7241
[[supply]]
id = "s"
volts = 12
[[lock]]
id = "near"
fed_by = "s"
cable = "c"
metres = 100
worst_ma = 1000
least_volts = 9
[[lock]]
id = "far"
fed_by = "s"
cable = "c"
metres = 200
worst_ma = 1000
least_volts = 9
"""
    ).record
    # 17.241 Ω·mm²/km at 20 °C: 10 Ω/km of each conductor, 2 V lost in 100 m at 1 A, 4 V in 200 m.
    words, _ = read(page_of(record))
    assert "1 A 10.00 V 9 V enough" in words
    assert "1 A 8.00 V 9 V TOO LITTLE" in words


KEY = "0F1E2D3C 4B5A6978 8796A5B4 C3D2E1F0"


@pytest.mark.parametrize(
    "secret",
    [KEY, KEY.replace(" ", ""), "0x" + KEY.replace(" ", ""), ":".join(re.findall("..", KEY.replace(" ", "")))],
)
@pytest.mark.parametrize("show", [False, True])
def test_what_looks_like_a_key_is_never_shown(secret: str, show: bool) -> None:
    record = replace(EMPTY, visit=(Visit(date="2026-03-14", done=f"set {secret} at all", open=(secret,)),))
    page = page_of(record, secrets=show)
    assert secret not in page
    assert page.count(HIDDEN) >= 2


@pytest.mark.parametrize(
    "text",
    [
        "card number 4095", "Card no. 4095", "badge: 4095", "PIN 4095", "the code is 4095", "site code 101 4095",
        "Kartennummer 334095", "tag 0CA4095F", "UID: 4095AFFE", "facility 101 number 4095",
        "facility 101, card no. 4095", "pass word 4095", "password: x4095", "pass phrase is x-4095!",
        "facility 12 number 4095", "facility: 12, number: 4095", "FC 12 number 4095",
        "pass=x4095", "pwd: x4095", "password x4095",
    ],
)  # fmt: skip
def test_what_looks_like_a_card_number_or_code_is_hidden_unless_asked_for(text: str) -> None:
    record = replace(EMPTY, site=Site(name="Invented", note=text), tick=(Tick(item="x", at="now", reading=text),))
    assert "4095" not in page_of(record)
    shown = page_of(record, secrets=True)
    assert "4095" in shown
    assert "Keep this page as you keep keys" in shown


@pytest.mark.parametrize(
    ("name", "value", "said"),
    [
        ("ab-ohms yard", "62", "within"),
        ("ab-ohms yard", "121 ohm", "OUTSIDE"),
        ("ab-ohms", "62", "not compared"),
        ("A to B, yard off", "62 ohm", "within"),
        ("A to B, yard at rest", "250 mV", "within"),
        ("between the wires at if-store", "250 mV", "within"),
        ("A to ground, yard", "62 ohm", "no band for this"),
        ("ab-ohms Yard bus", "open", "OUTSIDE"),
        ("ab-idle if-store", "254 mV", "within"),
        ("ab-idle@1 yard", "0.01", "OUTSIDE"),
        ("ohms:if-store", "62", "within"),
        ("supply main", "13.7 V", "within"),
        ("output:main", "9 V", "OUTSIDE"),
        ("supply if-store", "1 V", "OUTSIDE"),
        ("ab-ohms yard", "sixty", "not compared: no figure in ohm"),
        ("ab-ohms nowhere", "62", "not compared"),
        ("temperature", "20", "no band for this"),
    ],
)
def test_readings_of_visits_stand_beside_their_bands(name: str, value: str, said: str) -> None:
    view = view_of(load((FIXTURES / "depot.toml").read_text(encoding="utf-8")))
    visit = Visit(date="2026-03-14", measured={name: value})
    view = view_of(load(to_text(replace(view.record, visit=(visit,)))))
    points = points_of(view)
    (part,) = measured_table(view).parts
    ((day, what, reading, band, state),) = part.rows
    assert (day, what, reading, state) == ("2026-03-14", name, value, said)
    if said in ("within", "OUTSIDE") and ":" in name:
        assert band == str(next(point.band for point in points if point.item == name))


def test_a_reading_without_a_band_says_why() -> None:
    text = (FIXTURES / "depot.toml").read_text(encoding="utf-8").replace("terminator = ", "# terminator = ")
    view = view_of(load(text))
    (part,) = measured_table(view).parts
    assert {row[-1] for row in part.rows} == {"not compared"}
    assert "end-of-line resistor is on is not noted" in str(part.rows[0][3])


def test_a_reader_on_the_bus_is_named_at_its_door() -> None:
    device = Device(id="rd-1", kind="reader", door="d1")
    record = replace(EMPTY, door=(Door(id="d1", name="Gate"),), bus=(Bus(id="yard", device=(device,)),))
    (part,) = doors_table(view_of(load(to_text(record)))).parts
    assert part.rows[0][3] == ("rd-1 (reader on the bus)",)


def test_a_door_with_many_devices_is_told_in_rows_that_fit_on_a_page() -> None:
    devices = tuple(Device(id=f"if-{n}", kind="interface", door="d1") for n in range(30))
    record = replace(EMPTY, door=(Door(id="d1", name="Gate"),), bus=(Bus(id="yard", device=devices),))
    (part,) = doors_table(view_of(load(to_text(record)))).parts
    assert [name for row in part.rows for name in row[2]] == [device.id for device in devices]
    assert max(len(row[2]) for row in part.rows) <= 8
    assert all(row[0][0] == "Gate" for row in part.rows)


def test_a_number_that_nothing_announces_is_hidden_in_notes_and_stays_elsewhere() -> None:
    device = Device(id="if-1", kind="interface", serial="204095", note="took 304095")
    record = replace(
        EMPTY,
        site=Site(name="Depot", note="tried 404095"),
        bus=(Bus(id="yard", device=(device,)),),
        visit=(Visit(date="2026-03-14", done="read 504095", open=("604095 is refused",)),),
        tick=(Tick(item="x", at="now", note="704095"),),
        photo=(Photo(file="a.jpg", shows="804095"),),
    )
    page = page_of(record)
    assert "204095" in page
    for number in range(304095, 900000, 100000):
        assert str(number) not in page
        assert str(number) in page_of(record, secrets=True)


@pytest.mark.parametrize(
    "text",
    [
        "4095 ohm",
        "26-bit",
        "bus-1 at 9600",
        "visit 2026-03-14",
        "card reader 12 V",
        "12",
        "tag of fabric",
        "a card facade",
    ],
)
def test_plain_figures_are_not_hidden(text: str) -> None:
    assert hushed(text) == text


def test_no_rule_is_taken_for_a_secret() -> None:
    for rule in RULES:
        for text in (rule.title, rule.mend, rule.source):
            assert hushed(visible(text)) == text


def test_sharing_hides_serials_addresses_and_names_wherever_they_stand() -> None:
    record = fixture("depot-mistakes.toml")
    private = {one.serial for one in record.controller} | {reader.serial for reader in record.reader}
    private |= {device.serial for bus in record.bus for device in bus.device}
    private |= {one.network_address for one in record.controller} | {visit.by for visit in record.visit}
    private -= {None}
    assert len(private) > 6
    plain, shared = page_of(record), page_of(record, sharing=True)
    for one in private:
        assert one is not None
        assert one in plain
        assert one not in shared


@given(st.text(alphabet="aAbİ1-", max_size=30), st.lists(st.text(alphabet="abİ1-", min_size=1, max_size=4), max_size=4))
def test_words_taken_out_stand_nowhere_any_more(text: str, words: list[str]) -> None:
    left = taken_out(words)(text)
    assert not any(word.lower() in part.lower() for part in left.split(HIDDEN) for word in words)
    if not any(word.lower() in text.lower() for word in words):
        assert left == text


def test_the_page_is_the_same_each_time_and_for_both_papers_but_for_the_size() -> None:
    record = fixture("depot.toml")
    assert page_of(record) == page_of(record)
    assert page_of(record).replace("size: A4", "size: Letter") == page_of(record, paper="letter")


def test_the_list_before_closing_tells_what_is_ticked_what_is_outside_its_band_and_what_is_left() -> None:
    record = fixture("depot.toml")
    view = view_of(load(to_text(record)))
    points = points_of(view)
    read_here = next(point for point in points if point.item.startswith("ohms:") and isinstance(point.band, Band))
    ticks = (
        Tick(item=read_here.item, at="2026-03-14 10:00", by="R. Example", reading="5 ohm"),
        Tick(item="strain:if-store", at="2026-03-14 10:05", note="two clamps"),
        Tick(item="own point", at="2026-03-14 10:06"),
    )
    words, _ = read(page_of(replace(record, tick=ticks)))
    part = words.split("List before closing")[1].split("Handed over")[0]
    assert f"{read_here.item} 5 ohm {read_here.band} OUTSIDE ITS BAND 2026-03-14 10:00 R. Example" in part
    assert "strain:if-store - two clamps - done" in part
    assert "own point - - no point of this record's list" in part
    left = part.split("Not ticked", 1)[1]
    ticked = {tick.item for tick in ticks}
    assert left.count("□") == len([point for point in points if point.item not in ticked])
    meter = words.split("What a meter should read")[1].split("Visits:")[0]
    assert str(read_here.band) in meter
    assert DEAD in meter


def test_open_items_are_those_of_the_last_visit_and_older_ones_are_not_lost() -> None:
    visits = (
        Visit(date="2026-03-20", open=("label the cabinet",)),
        Visit(date="2026-03-14", open=("label the cabinet", "ask about the exit")),
    )
    words, _ = read(page_of(replace(EMPTY, visit=visits)))
    items = words.split("Open items")[1].split("List before closing")[0]
    last, earlier = items.split("Told open at an earlier visit")
    assert "label the cabinet" in last
    assert "label the cabinet" not in earlier
    assert "ask about the exit (2026-03-14)" in earlier


def spread(*times_ms: float) -> SpreadFigures:
    values: list[int | None] = [round(one * 1e6) for one in times_ms] or [None, None, None, None]
    return SpreadFigures(100 if times_ms else 0, *values)


def heard(*rows: AddressFigures, blind: bool = False) -> Heard:
    errors = LineErrors.UNAVAILABLE if blind else LineErrors.MARKED
    figures = Figures(
        elapsed_ns=60_000_000_000,
        octets=1000,
        frames_ok={Protocol.OSDP: 200},
        frames_bad={Reason.CHECK_FAILED: 2},
        unknown_octets=0,
        resynchronisations=0,
        line_errors=errors,
        marks={"framing": 0},
        gaps=0,
        deaf_ns=0,
        bus_load=0.1,
        silence=spread(),
        turnaround=spread(),
        resolution_ns=0,
        addresses=rows,
        decoder_counters={},
    )
    bus = Bus(
        id="b",
        protocol="osdp",
        device=(
            Device(id="one", kind="interface", address=1, door="d"),
            Device(id="two", kind="interface", address=2),
            Device(id="three", kind="interface", address=3),
        ),
    )
    return Heard("visit.pcapng", bus, TapInfo("visit.pcapng", line_errors=errors), figures)


def test_captures_bear_the_names_of_the_doors_and_limits_that_may_be_claimed() -> None:
    rows = (
        AddressFigures(Protocol.OSDP, 1, 300, 300, 0, 0, 0, 0, spread(2, 3, 4, 5)),
        AddressFigures(Protocol.OSDP, 2, 100, 0, 100, 0, 0, 0, spread()),
        AddressFigures(Protocol.OSDP, 9, 100, 98, 1, 1, 0, 0, spread(2, 3, 4, 5)),
        AddressFigures(Protocol.OSDP, 127, 5, 0, 0, 0, 0, 0, spread()),
    )
    one = heard(*rows)
    assert one.bus is not None
    record = replace(EMPTY, door=(Door(id="d", name="Store door"),), bus=(one.bus,))
    words, _ = read(page_of(record, one))
    part = words.split("visit.pcapng on b")[1].split("Visits:")[0]
    # No error in 300: 3 / 300 (rule of three; chi-squared gives 2.9957), rounded up; 2 in 100: 6.2958 / 100.
    assert "1 Store door (one) 300 300 0 0 1 %" in part
    assert "2 two 100 0 100 0 100 % - -" in part
    assert "9 not in the record 100 98 1 1 6.3 %" in part
    assert "127 to all devices 5 0 0 0 - " in part
    assert "Never answered soundly: two (address 2)" in part
    assert "never asked in this capture, so nothing is said of them: three (address 3)" in part
    assert "Asked, but not in the record: address 9." in part
    assert "listened 60.0 s" in part


def test_a_blind_tap_proves_nothing() -> None:
    one = heard(blind=True)
    words, _ = read(page_of(EMPTY, replace(one, bus=None)))
    assert "cannot be seen at this tap: none shown proves nothing" in words


# Published table of the chi-squared distribution: 0.95 quantile at 2k + 2 degrees of freedom, k failures.
CHI_SQUARED_95 = {0: 5.991, 1: 9.488, 2: 12.592, 3: 15.507, 4: 18.307, 9: 31.410, 14: 43.773}


@given(st.sampled_from(sorted(CHI_SQUARED_95)), st.integers(1, 10**6))
def test_the_limit_is_never_below_that_of_the_chi_squared_table(failed: int, tried: int) -> None:
    tried = max(failed, tried)
    limit = CHI_SQUARED_95[failed] / 2 / tried
    said = at_most(failed, tried)
    if said in ("100 %", "too few to say"):
        assert limit >= 0.9999
        assert (said == "100 %") == bool(failed)
    else:
        shown = float(said.removesuffix(" %")) / 100
        assert limit * 0.9999 <= shown <= limit * 1.11


@pytest.mark.parametrize(
    ("text", "shown"), [("a\u202eb", "a�b"), ("a\x00b", "a�b"), ("a\nb", "a b"), ("Tür 3 Ω 日本", "Tür 3 Ω 日本")]
)
def test_hidden_characters_are_made_visible(text: str, shown: str) -> None:
    assert visible(text) == shown


def test_a_reader_of_a_controller_and_of_its_place_share_one_part() -> None:
    record = load(
        """schema = 1
[site]
name = "Invented"
[[controller]]
id = "c"
[[bus]]
id = "b"
[[bus.device]]
id = "place"
kind = "controller"
controller = "c"
[[reader]]
id = "r1"
device = "c"
connector = "P1"
[[reader]]
id = "r2"
device = "place"
connector = "P2"
"""
    ).record
    assert isinstance(record.reader[0], Reader)
    words, _ = read(page_of(record))
    part = words.split("c, controller")[1]
    assert part.index("P1") < part.index("P2") < part.index("Kinds of cable" if "Kinds of cable" in part else "No kind")


def test_a_lock_that_opens_by_hand_says_so() -> None:
    record = replace(EMPTY, lock=(Lock(id="l", opens_by_hand=True, without_power="locked"),))
    words, _ = read(page_of(record))
    assert "opens from inside by hand: yes" in words
