"""Octets over a pair: clean, reversed, noisy, unterminated. Value sets of sheet section 11 come out of the voltages."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from benchtool.capture.chunk import Mark
from benchtool.capture.settings import CharFormat, LineSettings
from benchtool.wire import link as link_module
from benchtool.wire.link import Heard, Link, compare
from benchtool.wire.pair import FAILSAFE, Bias, Cable, Driver, Node, Noise, Pair, Receiver, Terminator
from benchtool.wire.uart import GridDecoder

FRAME = bytes.fromhex("1103006B00037687")
LINE = LineSettings(9600)


def pair(
    metres: float = 100.0,
    ends: tuple[bool, bool] = (True, True),
    *,
    noise: Noise | None = None,
    bias_ohm: float | None = 560.0,
    reversed_listener: bool = False,
    receiver: Receiver = FAILSAFE,
    driver: Driver | None = None,
    cable: Cable | None = None,
) -> Pair:
    driver = driver or Driver()
    places = [place for place, fitted in zip((0.0, metres), ends, strict=True) if fitted]
    return Pair(
        cable or Cable(),
        metres,
        (Node("controller", 0.0, driver), Node("reader", metres, driver, receiver, reversed_listener)),
        tuple(Terminator(place) for place in places),
        (Bias(0.0, bias_ohm),) if bias_ohm else (),
        noise or Noise(),
    )


def carry(
    over: Pair, octets: bytes = FRAME, sent: LineSettings = LINE, heard: LineSettings = LINE, seed: int = 1
) -> Heard:
    return Link(over, seed).carry("controller", "reader", octets, sent, heard)


def values(heard: Heard) -> bytes:
    return bytes(octet.value for octet in heard.octets)


def arrives(over: Pair, baud: int, frames: int = 12, seed: int = 1) -> bool:
    """Whether random frames of 8 octets all arrive, each at another phase of the receiver's clock."""
    rng = np.random.default_rng(seed)
    line = LineSettings(baud)
    for _ in range(frames):
        octets = rng.bytes(8)
        heard = carry(over, octets, line, line, seed)
        if values(heard) != octets or any(octet.marks for octet in heard.octets):
            return False
    return True


@pytest.mark.parametrize("baud", [9600, 38400, 115200, 1_000_000])
def test_clean_pair(baud: int) -> None:
    assert arrives(pair(), baud)


@pytest.mark.parametrize("form", ["8N1", "8E1", "7O2", "5N1.5"])
def test_other_formats(form: str) -> None:
    line = LineSettings(19200, CharFormat.parse(form))
    mask = (1 << line.format.data_bits) - 1
    heard = carry(pair(), FRAME, line, line)
    assert values(heard) == bytes(value & mask for value in FRAME)


def test_times_hold_the_cable_delay() -> None:
    over = pair(1200.0)
    heard = carry(over)
    delay = over.delay_s("controller", "reader")
    tick = 1 / 9600 / 16
    assert 0 <= heard.octets[0].start_s - delay <= 1.2 * tick
    assert heard.end_s == pytest.approx(80 / 9600 + delay)
    assert heard.octets[-1].end_s == pytest.approx(heard.end_s, abs=1.2 * tick)


@pytest.mark.parametrize(
    ("octets", "received"),
    [
        ("53", "56"),
        ("55", "55"),
        ("AA", "15"),
        ("00", "00"),
        ("FF", "00"),
        ("53000700026044", "56F1FFFB3F7700"),
        ("1103006B00037687", "777E29FFF913F1"),
    ],
)
@pytest.mark.parametrize("seed", range(3))
def test_reversed_listener(octets: str, received: str, seed: int) -> None:
    # sheet section 11, inverted streams (COMPUTED): here because the voltage is negative, idle included
    heard = carry(pair(reversed_listener=True), bytes.fromhex(octets), seed=seed)
    assert values(heard) == bytes.fromhex(received)
    assert [bool(octet.marks & Mark.FRAMING) for octet in heard.octets] == [False] * (len(heard.octets) - 1) + [True]


def test_reversed_sender_is_the_same_without_the_idle_level() -> None:
    over = pair()
    over = replace(over, nodes=(replace(over.nodes[0], reversed_pair=True), over.nodes[1]))
    heard = carry(over)
    assert values(heard) != FRAME
    assert Link(over, 1).idle_state("reader") is True


def test_reversed_failsafe_without_bias_still_idles_at_mark() -> None:
    # 0 V is above the failsafe threshold whichever way round the leads are.
    assert Link(pair(bias_ohm=None, reversed_listener=True), 1).idle_state("reader") is True
    assert Link(pair(reversed_listener=True), 1).idle_state("reader") is False


@pytest.mark.parametrize(
    ("octets", "times", "received"), [("53", 2, "1E E6"), ("AA", 4, "80 78 F8"), ("55", 12, "00 00 00 00 00")]
)
def test_wrong_baud(octets: str, times: int, received: str) -> None:
    # sheet section 11 (COMPUTED)
    heard = carry(pair(), bytes.fromhex(octets), LINE, LineSettings(9600 * times))
    assert values(heard) == bytes.fromhex(received)


def test_clock_errors_add() -> None:
    link = Link(pair(), 1)

    def clean(sender: float, listener: float) -> bool:
        heard = link.carry(
            "controller", "reader", FRAME, LINE, LINE, sender_clock_error=sender, listener_clock_error=listener
        )
        return values(heard) == FRAME and not any(octet.marks for octet in heard.octets)

    assert clean(0.02, -0.02)
    assert clean(0.05, 0.05)
    assert not clean(0.04, -0.04)


def test_gap_between_characters() -> None:
    heard = Link(pair(), 1).carry("controller", "reader", b"\x00\x00", LINE, LINE, gap_bits=5)
    assert heard.octets[1].start_s - heard.octets[0].start_s == pytest.approx(15 / 9600, abs=1e-5)


# ---- a plain receiver's undefined window


def test_idle_inside_the_hysteresis_keeps_the_last_state() -> None:
    plain = pair(bias_ohm=None, receiver=Receiver())
    assert Link(plain, 1).idle_state("reader") is True
    assert (
        Link(replace(plain, nodes=(plain.nodes[0], replace(plain.nodes[1], reversed_pair=True))), 1).idle_state(
            "reader"
        )
        is False
    )
    assert values(carry(plain)) == FRAME


def test_comparator_hysteresis() -> None:
    receiver = Receiver(threshold_v=0.0, hysteresis_v=0.1)
    volts = np.array([0.04, 0.06, 0.0, -0.04, -0.06, 0.04, 0.06])
    assert compare(volts, receiver, False).tolist() == [False, True, True, True, False, False, True]
    assert compare(volts[:1], receiver, True).tolist() == [True]
    assert compare(np.array([1.0, -1.0]), receiver, False).tolist() == [True, False]


# ---- noise


def test_no_noise_is_drawn_where_it_cannot_matter() -> None:
    rng = np.random.default_rng(1)
    state = rng.bit_generator.state
    link = Link(pair(noise=Noise(rms_v=0.02)), 1)
    first = link.carry("controller", "reader", FRAME, LINE, LINE, rng=rng)
    assert rng.bit_generator.state == state
    assert link.carry("controller", "reader", FRAME, LINE, LINE, rng=rng) is first


def share_wrong(rms_v: float, frames: int = 60) -> float:
    link = Link(pair(noise=Noise(rms_v=rms_v)), 1)
    rng = np.random.default_rng(5)
    wrong = sum(values(link.carry("controller", "reader", FRAME, LINE, LINE, rng=rng)) != FRAME for _ in range(frames))
    return wrong / frames


def test_more_noise_more_errors() -> None:
    shares = [share_wrong(rms) for rms in (0.05, 0.7, 1.2, 3.0)]
    assert shares == sorted(shares)
    assert shares[0] == 0.0
    assert shares[-1] > 0.95


def test_noise_is_repeatable_and_needs_a_generator() -> None:
    def run(seed: int) -> list[Heard]:
        link = Link(pair(noise=Noise(rms_v=1.0)), 1)
        rng = np.random.default_rng(seed)
        return [link.carry("controller", "reader", FRAME, LINE, LINE, rng=rng) for _ in range(10)]

    assert run(1) == run(1)
    assert run(1) != run(2)
    assert values(carry(pair(noise=Noise(rms_v=5.0)))) == FRAME


def test_bursts_damage_octets_and_rare_ones_seldom_do() -> None:
    def wrong(rate: float) -> int:
        noise = Noise(impulse_rate_hz=rate, impulse_v=8.0, impulse_s=300e-6)
        link = Link(pair(noise=noise), 1)
        rng = np.random.default_rng(2)
        return sum(values(link.carry("controller", "reader", FRAME, LINE, LINE, rng=rng)) != FRAME for _ in range(100))

    assert wrong(0.5) <= 5
    assert wrong(300.0) > 50
    assert not Noise(impulse_rate_hz=5).has_impulses


# ---- strays in a silence


def test_a_quiet_idle_line_costs_nothing() -> None:
    rng = np.random.default_rng(1)
    state = rng.bit_generator.state
    assert Link(pair(), 1).idle_strays("reader", LINE, 3600.0, rng) == []
    assert rng.bit_generator.state == state


def test_noise_above_the_bias_makes_strays() -> None:
    rng = np.random.default_rng(1)
    few = Link(pair(noise=Noise(rms_v=0.15)), 1).idle_strays("reader", LINE, 0.5, rng)
    many = Link(pair(bias_ohm=None, noise=Noise(rms_v=0.5)), 1).idle_strays("reader", LINE, 0.5, rng)
    assert len(few) < len(many)
    assert len(many) > 10
    starts = [octet.start_s for octet in many]
    assert starts == sorted(starts)
    assert starts[0] >= 0
    assert many[-1].end_s <= 0.5


def test_rate_of_strays_matches_the_whole_computation() -> None:
    """Drawing only the first disturbance gives as many strays as noise at every tick does."""
    noise = Noise(rms_v=0.16)
    link = Link(pair(bias_ohm=None, noise=noise), 1)
    seconds = 0.1
    drawn = [len(link.idle_strays("reader", LINE, seconds, np.random.default_rng(seed))) for seed in range(60)]
    whole = []
    for seed in range(60):
        rng = np.random.default_rng(1000 + seed)
        volts = rng.standard_normal(int(seconds * 9600 * 16)) * noise.rms_v
        decoder = GridDecoder(LINE.format)
        whole.append(len(decoder.feed(compare(volts, FAILSAFE, True).tobytes())))
    assert np.mean(drawn) == pytest.approx(np.mean(whole), rel=0.15)


def test_bursts_make_strays_and_work_is_capped() -> None:
    noise = Noise(impulse_rate_hz=20.0, impulse_v=5.0, impulse_s=500e-6)
    link = Link(pair(noise=noise), 1)
    strays = link.idle_strays("reader", LINE, 2.0, np.random.default_rng(3))
    assert 5 < len(strays) < 60
    capped = link.idle_strays("reader", LINE, 10_000.0, np.random.default_rng(3))
    assert len(capped) <= 1500
    assert capped[-1].end_s < 100.0


def test_a_reversed_idle_line_with_noise_gives_breaks() -> None:
    noise = Noise(rms_v=0.2)
    strays = Link(pair(reversed_listener=True, noise=noise), 1).idle_strays(
        "reader", LINE, 0.2, np.random.default_rng(1)
    )
    assert strays
    assert any(octet.marks & Mark.BREAK for octet in strays)


# ---- what is kept


def test_a_rightly_terminated_copper_limit_shows_too() -> None:
    # sheet section 1.3 (READ): 1e8 / rate metres, at most 1200: 100 m at 1 Mbit/s is fine, 1200 m is not
    assert arrives(pair(100.0), 1_000_000)
    assert not arrives(pair(1200.0), 1_000_000)


def test_nothing_to_send_is_nothing_heard() -> None:
    heard = carry(pair(), b"")
    assert heard.octets == ()
    assert heard.end_s == pytest.approx(100 * 5.054e-9, rel=1e-3)


def test_kept_results_are_bounded(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(link_module, "_KEPT_SAMPLES", 20_000)
    link = Link(pair(), 1, whole=True)
    for value in range(40):
        link.carry("controller", "reader", bytes([value]), LINE, LINE)
    assert 1 <= len(link._kept) < 40
    assert link._weight <= 20_000
    assert link._weight == sum(entry.weight for entry in link._kept.values())


# ---- termination


@pytest.mark.parametrize("ends", [(True, True), (True, False), (False, True), (False, False)])
@pytest.mark.parametrize("metres", [15.0, 100.0])
@pytest.mark.parametrize("source", [5.0, 54.0])
def test_a_missing_terminator_cannot_show_at_9600(metres: float, ends: tuple[bool, bool], source: float) -> None:
    # sheet section 1.5 (READ): three round trips are far below half a bit
    over = pair(metres, ends, driver=Driver(output_ohm=source))
    assert arrives(over, 9600)
    # With margin: noise of 20 mV would not be drawn at all.
    link = Link(over, 1, whole=True)
    link.carry("controller", "reader", FRAME, LINE, LINE)
    assert next(iter(link._kept.values())).margin_v > 0.1


THICK = Cable(loop_ohm_per_m=0.0419, db_per_100m_at_1mhz=0.8)


@pytest.mark.parametrize(
    ("baud", "metres", "source", "cable"),
    [(115200, 800.0, 20.0, THICK), (230400, 400.0, 20.0, THICK), (460800, 200.0, 5.0, Cable())],
)
def test_a_missing_far_terminator_shows_on_long_fast_lines(
    baud: int, metres: float, source: float, cable: Cable
) -> None:
    driver = Driver(output_ohm=source, rise_ns=50.0)
    assert arrives(pair(metres, driver=driver, cable=cable), baud)
    assert not arrives(pair(metres, (True, False), driver=driver, cable=cable), baud)
    assert arrives(pair(metres, (True, False), driver=driver, cable=cable), 9600)
