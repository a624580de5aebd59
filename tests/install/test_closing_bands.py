"""Bands of the list before closing: published values within them, and every pair as recorded reads within its band."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchtool.install.closing_bands import SUPPLY, Band, Unknown, output_band, reading_of, supply_band
from benchtool.install.closing_pair import COPPER, RESISTOR, pair_bands
from benchtool.install.copper import gauge_mm2, ohm_per_km
from benchtool.install.load import Loaded
from benchtool.install.record import SCHEMA, Bus, CableKind, Controller, Device, Reader, Record, Site, Supply
from benchtool.install.view import View, view_of

AWG = 24


def site(devices: Sequence[Device], **site_fields: float) -> View:
    record = Record(
        schema=SCHEMA,
        site=Site(name="x", coldest_c=site_fields.get("cold", 20), warmest_c=site_fields.get("warm", 20)),
        cable=(CableKind(id="pair", awg=AWG),),
        bus=(Bus(id="yard", cable="pair", device=tuple(devices)),),
    )
    return view_of(Loaded(record, {}))


def place(number: int, metres: float = 1, **more: object) -> Device:
    base = Device(
        id=f"d{number}",
        kind="interface" if number else "controller",
        metres=metres if number else 0,
        terminator=False,
        bias_ohm=0,
        bias_volts=5,
        unit_load=0,
        stub_m=0,
    )
    return replace(base, **more)  # type: ignore[arg-type]


def ohms(view: View, name: str = "d0") -> Band:
    bands = pair_bands(view, view.trunks[0]).ohms
    assert not isinstance(bands, Unknown), bands
    return bands[name]


def idle(view: View, name: str = "d0") -> Band:
    bands = pair_bands(view, view.trunks[0]).idle
    assert not isinstance(bands, Unknown), bands
    return bands[name]


@pytest.mark.parametrize(
    ("terminators", "reads"),
    [(1, 120.0), (2, 60.0), (3, 40.0), (4, 30.0)],  # sheet 1.8: resistance by number of terminators, ideal
)
def test_the_published_resistance_lies_in_the_band(terminators: int, reads: float) -> None:
    band = ohms(site([place(n, 0.1, terminator=n < terminators) for n in range(5)]))
    assert band.holds(reads)
    assert band.high - band.low < 0.2 * reads


def test_one_resistor_too_many_or_too_few_lies_outside() -> None:
    band = ohms(site([place(0, terminator=True), place(1), place(2, terminator=True)]))
    for wrong in (120.0, 40.0, math.inf, 0.3):
        assert not band.holds(wrong)


def test_a_manuals_band_holds_ours() -> None:
    # A controller's system manual, in sheet 1.8: 52 to 70 ohm with two terminators on a cable of about 120 ohm.
    band = ohms(site([place(0, terminator=True), place(1, terminator=True)]))
    assert band.low >= 52
    assert band.high <= 70


def test_no_resistor_reads_open() -> None:
    band = ohms(site([place(0), place(1)]))
    assert band.holds(math.inf)
    assert not band.holds(120)


@pytest.mark.parametrize(
    ("terminators", "reads"),
    [(2, 0.254), (1, 0.484), (3, 0.1724)],  # sheet 1.8: bias of 560 ohm each on 5 V
)
def test_the_published_idle_voltage_lies_in_the_band(terminators: int, reads: float) -> None:
    devices = [place(n, 0.1, terminator=n < terminators, bias_ohm=0 if n else 560) for n in range(4)]
    view = site(devices)
    assert idle(view).holds(reads)
    for other in (0.254, 0.484, 0.1724):
        assert other == reads or not idle(view).holds(other)


def test_what_is_not_recorded_gives_no_band_but_the_reason() -> None:
    good = [place(0, terminator=True, bias_ohm=560), place(1, 50, terminator=True)]
    for change, why in (
        ({"terminator": None}, "end-of-line resistor is on is not noted at d1"),
        ({"metres": None}, "length of the cable to d1"),
    ):
        view = site([good[0], replace(good[1], **change)])  # type: ignore[arg-type]
        bands = pair_bands(view, view.trunks[0])
        assert isinstance(bands.ohms, Unknown)
        assert why in bands.ohms.why
    view = site([good[0], replace(good[1], bias_ohm=None)])
    bands = pair_bands(view, view.trunks[0])
    assert isinstance(bands.idle, Unknown)
    assert not isinstance(bands.ohms, Unknown)
    view = site([replace(good[0], kind="interface"), good[1]])
    bands = pair_bands(view, view.trunks[0])
    assert isinstance(bands.ohms, Unknown)
    assert "where the controller lies" in bands.ohms.why


def ladder(across: Sequence[float], joins: Sequence[float], at: int) -> float:
    """Resistance at a place of a chain, folded from both ends: independent of the matrix under test."""

    def side(order: Sequence[int], steps: Sequence[float]) -> float:
        siemens = 0.0
        for node, step in zip(order, steps, strict=True):
            siemens += across[node]
            siemens = 0.0 if not siemens else 1 / (1 / siemens + step)
        return siemens

    left = side(range(at), joins[:at])
    right = side(range(len(across) - 1, at, -1), list(reversed(joins[at:])))
    total = left + right + across[at]
    return 1 / total if total else math.inf


def levels(across: Sequence[float], joins: Sequence[float], at: int, ohm: float, volts: float) -> list[float]:
    """Voltage at every place of a chain that is biased at one: folded outward from there."""
    found = [0.0] * len(across)
    load = ladder(across, joins, at)
    found[at] = volts if math.isinf(load) else volts * load / (ohm + load)
    for order in (range(at, -1, -1), range(at, len(across))):
        for here, after in pairwise(order):
            step = joins[min(here, after)]
            beside = range(after, len(across)) if after > here else range(after + 1)
            rest = [value if n in beside else 0.0 for n, value in enumerate(across)]
            beyond = ladder(rest, joins, after)
            found[after] = found[here] if math.isinf(beyond) else found[here] * beyond / (step + beyond)
    return found


TENTHS = st.floats(-1, 1)


@given(
    st.lists(
        st.tuples(st.floats(0, 300), st.booleans(), TENTHS, st.floats(0, 1), st.floats(0, 1), TENTHS),
        min_size=2,
        max_size=6,
    ),
    st.integers(0, 5),
    st.floats(300, 5000),
    st.floats(-20, 60),
    TENTHS,
    TENTHS,
)
def test_every_pair_as_recorded_reads_within_its_band(
    drawn: list[tuple[float, bool, float, float, float, float]],
    biased: int,
    bias_ohm: float,
    celsius: float,
    bias_off: float,
    volts_off: float,
) -> None:
    biased %= len(drawn)
    devices = [
        place(n, metres, terminator=on, unit_load=load, bias_ohm=bias_ohm if n == biased else 0)
        for n, (metres, on, _, load, _, _) in enumerate(drawn)
    ]
    view = site(devices, cold=-20, warm=60)
    per_m = 2 * ohm_per_km(gauge_mm2(AWG), celsius) / 1000
    joins = [per_m * (1 + COPPER * off) * metres for metres, _, _, _, _, off in drawn[1:]]
    across = [
        (1 / (120 * (1 + RESISTOR * off)) if on else 0.0) + load * share / 12_000
        for _, on, off, load, share, _ in drawn
    ]
    ohm = 2 * bias_ohm * (1 + RESISTOR * bias_off)
    volts = levels(across, joins, biased, ohm, 5 * (1 + SUPPLY * volts_off))
    for n in range(len(drawn)):
        assert ohms(view, f"d{n}").holds(ladder(across, joins, n))
        dead = [value + (1 / ohm if m == biased else 0.0) for m, value in enumerate(across)]
        assert ohms(view, f"d{n}").holds(ladder(dead, joins, n))
        assert idle(view, f"d{n}").holds(volts[n])


def test_a_stub_and_a_branch_are_counted() -> None:
    # 24 AWG, both conductors: 0.1684 ohm/m at 20 °C (sheet 1.6: 84.2 ohm/km).
    near = ohms(site([place(0, terminator=True), place(1, stub_m=0), place(2, terminator=True)]), "d1")
    far = ohms(site([place(0, terminator=True), place(1, stub_m=100), place(2, terminator=True)]), "d1")
    assert far.low - near.low == pytest.approx(16.84 * (1 - COPPER) * 0.99, rel=0.01)


def test_a_devices_supply_lies_between_the_worst_load_and_none() -> None:
    record = Record(
        schema=SCHEMA,
        site=Site(name="x", warmest_c=20),
        supply=(Supply(id="psu", kind="mains", volts=13.8, lowest_volts=11.4),),
        cable=(CableKind(id="power", area_mm2=1.5),),
        controller=(Controller(id="head", fed_by="psu", feed_m=0, idle_ma=100, worst_ma=200, least_volts=9),),
        reader=(
            Reader(id="r", device="head", fed_by="psu", feed_cable="power", feed_m=100, worst_ma=500, idle_ma=100),
        ),
    )
    view = view_of(Loaded(record, {}))
    band = supply_band(view.fed["r"], 20)
    assert isinstance(band, Band)
    # 17.241 ohm/km of 1 mm² at 20 °C (copper standard): 2 · 0.1 km · 11.494 ohm/km · 0.5 A = 1.149 V.
    assert band.low == pytest.approx((11.4 - 1.149) * 0.99, abs=0.01)
    assert band.high == pytest.approx(13.8 * 1.05)
    bare = view_of(Loaded(replace(record, reader=(replace(record.reader[0], worst_ma=None),)), {}))
    unknown = supply_band(bare.fed["r"], 20)
    assert isinstance(unknown, Unknown)
    assert "largest current of r" in unknown.why
    assert output_band(record.supply[0]) == Band(11.4, 13.8 * 1.05, "V", output_band(record.supply[0]).basis)  # type: ignore[union-attr]
    assert isinstance(output_band(Supply(id="s")), Unknown)


@pytest.mark.parametrize(
    ("typed", "unit", "value"),
    [
        ("61", "ohm", 61.0),
        ("61.5 ohm", "ohm", 61.5),
        ("1,2k", "ohm", 1200.0),
        ("1.2 kΩ", "ohm", 1200.0),
        ("OL", "ohm", math.inf),
        ("254 mV", "V", 0.254),
        ("-0.25", "V", -0.25),
        ("12.6V", "V", 12.6),
        ("12.6 A", "V", None),
        ("61 V", "ohm", None),
        ("open", "V", None),
        ("good", "V", None),
        ("", "ohm", None),
    ],
)
def test_readings_are_taken_with_their_unit(typed: str, unit: str, value: float | None) -> None:
    assert reading_of(typed, unit) == value


@given(st.text(max_size=12), st.sampled_from(["ohm", "V"]))
def test_any_text_is_a_reading_or_none(typed: str, unit: str) -> None:
    found = reading_of(typed, unit)
    assert found is None or not math.isnan(found)


@given(st.floats(-1e6, 1e6, allow_nan=False).map(lambda value: round(value, 3)), st.sampled_from(["ohm", "V"]))
def test_a_number_is_the_reading_that_it_says(value: float, unit: str) -> None:
    written = f"{value:.3f}"
    assert reading_of(written, unit) == value
    assert reading_of(f"{written.replace('.', ',')} {unit}", unit) == value
    assert reading_of(f"{written} m{unit}", unit) == pytest.approx(value / 1000)
    assert reading_of(f"{written} {'V' if unit == 'ohm' else 'ohm'}", unit) is None
