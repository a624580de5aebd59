"""The calculations against published tables and worked examples of the check sheet; the section stands with each."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats  # type: ignore[import-untyped]

from benchtool.install.confidence import listen_for, lower_mean, rate_limit, upper_mean
from benchtool.install.copper import drop, gauge_mm2, ohm_per_km
from benchtool.install.pair_rules import (
    greatest_bias,
    idle_bias,
    longest_at,
    longest_stub,
    parallel,
    reading,
    unit_loads,
)
from benchtool.install.power import CLASSES, battery, least_class, network_power
from benchtool.wire.cable import AWG_OHM_PER_KM


@pytest.mark.parametrize(
    ("awg", "mm2", "cold", "warm", "hot"),
    [
        (14, 2.081, 8.28, 9.26, 10.08),
        (16, 1.309, 13.17, 14.73, 16.02),
        (18, 0.823, 20.95, 23.42, 25.48),
        (22, 0.326, 52.96, 59.21, 64.41),
        (24, 0.205, 84.2, 94.14, 102.42),
        (26, 0.129, 133.9, 149.7, 162.9),
        (28, 0.081, 212.9, 238.0, 258.9),
    ],
)
def test_wire_table(awg: int, mm2: float, cold: float, warm: float, hot: float) -> None:
    """Section 1.6: two published wire tables at 20 °C; 50 and 75 °C computed there."""
    area = gauge_mm2(awg)
    assert area == pytest.approx(mm2, rel=6e-3)
    assert ohm_per_km(area) == pytest.approx(cold, rel=1e-3)
    assert ohm_per_km(area) == pytest.approx(AWG_OHM_PER_KM[awg], rel=1e-3)  # what the simulated bus reckons with
    assert ohm_per_km(area, 50) == pytest.approx(warm, rel=1e-3)
    assert ohm_per_km(area, 75) == pytest.approx(hot, rel=1e-3)


@pytest.mark.parametrize(
    ("metres", "area", "amps", "celsius", "volts", "within"),
    [
        # An electrician's lesson: 16 AWG, 100 ft, 4 A, 75 °C: 4.0 V. Stranded tables differ by 3 %.
        (30.48, gauge_mm2(16), 4.0, 75, 4.0, 0.04),
        # An equipment maker's note: 18 AWG, 350 ft, 1 A: 4.445 V; exact copper 4.470 V.
        (106.68, gauge_mm2(18), 1.0, 20, 4.470, 0.001),
        # A builder's page, resistivity 0.01785: 1.3 mm², 20 m, 1 A: 0.549 V.
        (20, 1.3, 1.0, 20, 0.549, 0.04),
        # Computed there: 22 AWG 100 m 250 mA, 24 AWG 100 m 100 mA, 18 AWG 150 m 250 mA.
        (100, gauge_mm2(22), 0.25, 20, 2.648, 0.001),
        (100, gauge_mm2(24), 0.1, 20, 1.684, 0.001),
        (150, gauge_mm2(18), 0.25, 20, 1.571, 0.001),
    ],
)
def test_voltage_drop(metres: float, area: float, amps: float, celsius: float, volts: float, within: float) -> None:
    assert drop(metres, area, amps, celsius).result.value == pytest.approx(volts, rel=within)


@pytest.mark.parametrize(
    ("volts", "each", "ends", "loads", "millivolts"),
    [
        # Section 1.7, computed table: rows 560, 720, 4700 and others.
        (5, 390, (120, 120), 0, 357.1),
        (5, 470, (120, 120), 32, 260.8),
        (5, 560, (120, 120), 0, 254.2),
        (5, 560, (120, 120), 32, 220.7),
        (5, 560, (120,), 0, 483.9),
        (5, 720, (120, 120), 0, 200.0),
        (5, 4700, (), 32, 191.8),
        # Example 2 of an application note's book: 10 nodes of 4.7 k (470 in all), two 120 ohm, 10 unit loads.
        (5, 470, (120, 120), 10, 286.5),
        # An interface note: 510 ohm.
        (5, 510, (120, 120), 0, 277.8),
        # One too many: three terminators.
        (5, 560, (120, 120, 120), 0, 172.4),
    ],
)
def test_bias(volts: float, each: float, ends: tuple[float, ...], loads: float, millivolts: float) -> None:
    worked = idle_bias(volts, each, ends, loads)
    assert 1000 * worked.result.value == pytest.approx(millivolts, abs=0.06)
    assert worked.fits is (worked.result.value >= 0.2)


def test_greatest_bias() -> None:
    """Section 1.7: 720 ohm at 5 V and 465 ohm at 3.3 V for 200 mV, 470 ohm at 5 V for 300 mV, two 120 ohm."""
    assert greatest_bias(5, (120, 120), 0).result.value == pytest.approx(720)
    assert greatest_bias(3.3, (120, 120), 0).result.value == pytest.approx(465)
    assert greatest_bias(5, (120, 120), 0, 0.3).result.value == pytest.approx(470)


@pytest.mark.parametrize(("volts", "ends", "idle"), [(5, (), 0.2), (5, (120,), 5), (5, (120,), 0)])
def test_no_bias_gives_what_is_wanted(volts: float, ends: tuple[float, ...], idle: float) -> None:
    with pytest.raises(ValueError, match=r"load|between"):
        greatest_bias(volts, ends, 0, idle)


@given(
    st.floats(3, 12),
    st.floats(100, 5000),
    st.lists(st.floats(60, 300), min_size=1, max_size=4),
    st.floats(0, 32),
)
def test_the_greatest_bias_gives_just_the_idle_voltage(
    volts: float, idle_ohm: float, ends: list[float], loads: float
) -> None:
    idle = idle_bias(volts, idle_ohm, ends, loads).result.value
    assert greatest_bias(volts, ends, loads, idle).result.value == pytest.approx(idle_ohm, rel=1e-6)


@pytest.mark.parametrize(
    ("length", "ends", "ohms"),
    [
        # Section 1.8: 60, 120, 40 ohm; a far terminator through 300 and 1000 m of AWG24.
        (0.0, ((0, 120), (0, 120)), 60.0),
        (0.0, ((0, 120),), 120.0),
        (0.0, ((0, 120), (0, 120), (0, 120)), 40.0),
        (300.0, ((0, 120), (300, 120)), 70.4),
        (1000.0, ((0, 120), (1000, 120)), 84.7),
    ],
)
def test_termination_reading(length: float, ends: tuple[tuple[float, float], ...], ohms: float) -> None:
    assert reading(length, 0.1684, ends, 0).result.value == pytest.approx(ohms, abs=0.06)


def test_a_pair_without_terminators_reads_open() -> None:
    assert math.isinf(reading(100, 0.1684, (), 50).result.value)
    with pytest.raises(ValueError, match="120 m is not on a pair of 100 m"):
        reading(100, 0.1684, (), 120)


def test_unit_loads() -> None:
    """Sections 1.1 and 1.2: 32 at the most; a bias of 470 ohm each, 940 in all, is as 12.8 unit loads."""
    assert unit_loads([1.0] * 32).fits
    assert not unit_loads([1.0] * 33).fits
    assert unit_loads([0.125] * 256).result.value == pytest.approx(32)
    assert unit_loads([1.0], [470]).result.value == pytest.approx(1 + 12000 / 940)


@pytest.mark.parametrize(
    ("baud", "metres"),
    [(9600, 1200), (57600, 1200), (115200, 868.06), (250_000, 400), (1_000_000, 100), (10_000_000, 10)],
)
def test_length_against_rate(baud: int, metres: float) -> None:
    """Section 1.3, product rule."""
    assert longest_at(baud).result.value == pytest.approx(metres, abs=0.01)


@pytest.mark.parametrize(
    ("rise", "metres"), [(3, 0.07), (4, 0.094), (10, 0.234), (25, 0.585), (100, 2.338), (120, 2.806)]
)
def test_stubs(rise: float, metres: float) -> None:
    """Section 1.4: a transceiver data sheet's table at 78 % velocity."""
    assert longest_stub(rise, 0.78).result.value == pytest.approx(metres, abs=6e-4)


def test_network_power_classes() -> None:
    """Section 7: type maxima 12.95, 25.5, 51 and 71.3 W; 15.4 W less the loss in 20 ohm at 350 mA is 12.95 W."""
    assert [(CLASSES[n].port_w, CLASSES[n].device_w) for n in (3, 4, 6, 8)] == [
        (15.4, 12.95),
        (30, 25.5),
        (60, 51),
        (90, 71.3),
    ]
    assert CLASSES[3].device_w == pytest.approx(44 * 0.35 - 0.35**2 * 20)
    assert CLASSES[4].device_w == pytest.approx(50 * 0.6 - 0.6**2 * 12.5)
    assert network_power(4, 25.5).fits
    assert not network_power(4, 25.5).notes
    assert not network_power(3, 13).fits
    assert network_power(3, 13).notes == ("The lowest class that feeds so much is class 4.",)
    assert network_power(8, 72).notes == ("No class feeds so much.",)
    assert [least_class(watts) for watts in (3.84, 3.85, 12.95, 13, 51, 71.3, 71.4)] == [1, 2, 3, 4, 6, 8, None]


def test_battery() -> None:
    """Charge over current; 0.8 usable is common practice, no published source."""
    assert battery(7, 0.5).result.value == pytest.approx(7 * 0.8 / 0.5)
    assert battery(7, 0.5, usable=1, wanted_h=14).fits
    assert not battery(7, 0.5, wanted_h=12).fits
    with pytest.raises(ValueError, match="above 0 A"):
        battery(7, 0)


def test_limits_of_a_count() -> None:
    """Section 8: printed in a measuring set's manual for 95 %; lower limits with the misprint for 3 put right."""
    upper = [2.996, 4.744, 6.296, 7.754, 9.154, 10.51, 11.84]
    assert [upper_mean(errors) for errors in range(7)] == pytest.approx(upper, abs=5e-3)
    lower = [0.05129, 0.3554, 0.8177, 1.366, 1.970, 2.613, 3.285]
    assert [lower_mean(errors) for errors in range(1, 8)] == pytest.approx(lower, abs=5e-4)
    assert lower_mean(0) == 0
    assert [upper_mean(errors, 0.99) for errors in range(4)] == pytest.approx([4.605, 6.638, 8.406, 10.045], abs=5e-4)


@pytest.mark.parametrize(("baud", "seconds"), [(9600, 312.1), (19200, 156.0), (38400, 78.0), (115200, 26.0)])
def test_how_long_to_listen_for_one_in_a_million(baud: int, seconds: float) -> None:
    """Section 8, every bit of the line counted."""
    assert listen_for(1e-6, baud).result.value == pytest.approx(seconds, abs=0.06)


def test_three_hundred_frames_without_error() -> None:
    """Section 8: then the frame error rate is below 0.99 %."""
    assert rate_limit(0, 300).result.value == pytest.approx(0.00999, abs=1e-5)


@given(st.integers(0, 400), st.floats(0.5, 0.999))
def test_limits_hold_what_they_say(errors: int, confidence: float) -> None:
    """The chance of so few at the upper limit is what is left of the confidence, by summing the terms one by one."""
    mean = upper_mean(errors, confidence)
    term = total = math.exp(-mean) if mean < 700 else 0.0
    for count in range(1, errors + 1):
        term *= mean / count
        total += term
    assert total == pytest.approx(1 - confidence, rel=1e-6, abs=1e-9)
    assert lower_mean(errors, confidence) < mean


@pytest.mark.parametrize("errors", [1, 7, 99, 100, 4321, 1_000_000])
@pytest.mark.parametrize("confidence", [0.05, 0.5, 0.95, 0.999])
def test_limits_of_great_counts(errors: int, confidence: float) -> None:
    """Half the chi-squared quantile of 2k + 2 (and 2k) degrees, by a library of statistics."""
    assert upper_mean(errors, confidence) == pytest.approx(stats.chi2.ppf(confidence, 2 * errors + 2) / 2, rel=1e-9)
    assert lower_mean(errors, confidence) == pytest.approx(stats.chi2.ppf(1 - confidence, 2 * errors) / 2, rel=1e-9)


def test_no_more_errors_than_were_counted() -> None:
    with pytest.raises(ValueError, match="cannot be more errors than were counted"):
        rate_limit(5, 3)
    assert rate_limit(3, 3).notes
    assert not rate_limit(3, 300).notes
    with pytest.raises(ValueError, match="1 at the most, not 2"):
        listen_for(2, 9600)


@pytest.mark.parametrize("confidence", [0, 1, -0.1, 2])
def test_a_confidence_lies_between_nothing_and_certainty(confidence: float) -> None:
    with pytest.raises(ValueError, match="between 0 and 1"):
        upper_mean(0, confidence)


@pytest.mark.parametrize(("rate", "pace"), [(0, 9600), (1e-6, 0)])
def test_nothing_is_claimed_of_nothing(rate: float, pace: float) -> None:
    with pytest.raises(ValueError, match="above 0"):
        listen_for(rate, pace)
    with pytest.raises(ValueError, match="nothing was counted"):
        rate_limit(0, 0)


def test_side_by_side() -> None:
    """Section 1.1: two terminators and 32 unit loads, 51.72 ohm."""
    assert parallel(120, 120, 12000 / 32) == pytest.approx(51.72, abs=0.01)
    assert math.isinf(parallel())
