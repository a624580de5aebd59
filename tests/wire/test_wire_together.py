"""Several talkers at once, drivers held too long, and noise that goes with the mains."""

from __future__ import annotations

import numpy as np
import pytest

from benchtool.capture.chunk import Mark
from benchtool.capture.settings import LineSettings
from benchtool.wire.cable import Cable
from benchtool.wire.link import Heard, Link, Sent
from benchtool.wire.pair import Bias, Driver, Node, Noise, Pair, Terminator
from benchtool.wire.uart import encode

LINE = LineSettings(9600)
FRAME = bytes.fromhex("1103006B00037687")
OTHER = bytes.fromhex("53000700026044")
BIT_S = 1 / 9600


def pair(metres: float = 100.0, *, strong_ohm: float = 54.0, noise: Noise | None = None, far: bool = True) -> Pair:
    return Pair(
        Cable(),
        metres,
        (
            Node("controller", 0.0),
            Node("one", metres / 2, Driver(output_ohm=strong_ohm)),
            Node("two", metres / 2),
            Node("tap", metres / 2),
            Node("off", 0.0, connected=False),
        ),
        (Terminator(0.0), *((Terminator(metres),) if far else ())),
        (Bias(0.0, 560.0),),
        noise or Noise(),
    )


def together(over: Pair, *sent: Sent, clock_error: float = 0.0) -> Heard:
    return Link(over, 1).carry_together(sent, "tap", LINE, listener_clock_error=clock_error)


def sound(heard: Heard) -> bytes:
    return bytes(octet.value for octet in heard.octets if not octet.marks)


@pytest.mark.parametrize("far", [True, False])
@pytest.mark.parametrize("start_s", [-0.3, 0.0, 2.5])
def test_one_alone_is_as_carried_alone(far: bool, start_s: float) -> None:
    over = pair(1000.0, far=far)
    alone = Link(over, 1).carry("one", "tap", FRAME, LINE, LINE)
    heard = together(over, Sent("one", start_s, FRAME, LINE))
    assert sound(heard) == sound(alone) == FRAME
    assert heard.end_s == pytest.approx(start_s + alone.end_s)
    tick = BIT_S / 16
    for octet, expected in zip(heard.octets, alone.octets, strict=True):
        assert octet.start_s == pytest.approx(start_s + expected.start_s, abs=1.01 * tick)


def test_two_one_after_the_other_are_both_whole() -> None:
    later = 80 * BIT_S + 3e-3
    heard = together(pair(), Sent("controller", 0.0, FRAME, LINE), Sent("one", later, OTHER, LINE))
    assert sound(heard) == FRAME + OTHER
    assert heard.end_s == pytest.approx(later + 70 * BIT_S, abs=1e-6)
    # The order in which they are told does not matter.
    turned = together(pair(), Sent("one", later, OTHER, LINE), Sent("controller", 0.0, FRAME, LINE))
    assert sound(turned) == FRAME + OTHER


def test_equal_talkers_in_step_and_alike_sound_as_one() -> None:
    heard = together(pair(), Sent("one", 0.0, FRAME, LINE), Sent("two", 0.0, FRAME, LINE))
    assert sound(heard) == FRAME
    assert len(heard.octets) == 8


def test_equal_drivers_opposed_are_mark_to_a_failsafe_receiver() -> None:
    """About 0 V is mark to it: what arrives is the two octets' bits, or'ed."""
    heard = together(pair(), Sent("one", 0.0, b"\x0f", LINE), Sent("two", 0.0, b"\x35", LINE))
    assert sound(heard) == b"\x3f"


def test_the_stronger_driver_is_heard() -> None:
    heard = together(pair(strong_ohm=15.0), Sent("one", 0.0, FRAME, LINE), Sent("two", 0.0, bytes(8), LINE))
    assert sound(heard) == FRAME


def test_an_overlap_damages_only_what_overlaps() -> None:
    heard = together(pair(), Sent("one", 0.0, FRAME, LINE), Sent("two", 64.5 * BIT_S, OTHER, LINE))
    assert sound(heard)[:6] == FRAME[:6]
    assert sound(heard)[-5:] == OTHER[-5:]
    assert sound(heard) != FRAME + OTHER


def test_a_driver_held_too_long_takes_the_first_octets_of_the_next() -> None:
    """The held driver is as near to the tap as the next talker: about 0 V is mark until it lets go."""
    held = Sent("one", -80 * BIT_S, FRAME, LINE, hold_s=15.5 * BIT_S)
    heard = together(pair(), held, Sent("two", 0.0, OTHER, LINE))
    assert sound(heard)[:8] == FRAME
    assert sound(heard)[8:] != OTHER
    assert sound(heard)[-4:] == OTHER[-4:]
    # A weaker one, or one further off, is overruled.
    assert sound(together(pair(strong_ohm=500.0), held, Sent("two", 0.0, OTHER, LINE))) == FRAME + OTHER
    released = held._replace(hold_s=1e-6)
    assert sound(together(pair(), released, Sent("two", 0.0, OTHER, LINE))) == FRAME + OTHER


def test_holding_without_saying_anything() -> None:
    hold = Sent("one", -0.01, b"", LINE, hold_s=0.01 + 15.5 * BIT_S)
    heard = together(pair(), hold, Sent("two", 0.0, OTHER, LINE))
    assert sound(heard)[-4:] == OTHER[-4:]
    assert sound(heard) != OTHER
    assert together(pair(), hold).octets == ()


def test_talkers_may_have_their_own_rates_and_clocks() -> None:
    heard = together(
        pair(), Sent("one", 0.0, FRAME, LINE, clock_error=0.02), Sent("two", 0.02, b"\x53", LineSettings(4800))
    )
    assert sound(heard)[:8] == FRAME
    # sheet section 11 (COMPUTED): an octet read at twice its rate
    assert [octet.value for octet in heard.octets[8:]] == [0x1E, 0xE6]
    slow = together(pair(), Sent("one", 0.0, FRAME, LINE), clock_error=0.09)
    assert sound(slow) != FRAME


def test_who_is_not_connected_disturbs_nobody() -> None:
    heard = together(pair(), Sent("one", 0.0, FRAME, LINE), Sent("off", 0.0, OTHER, LINE))
    assert sound(heard) == FRAME
    assert together(pair(), Sent("off", 0.0, OTHER, LINE)).octets == ()


def test_noise_is_honoured_and_repeatable() -> None:
    link = Link(pair(noise=Noise(rms_v=2.0)), 1)
    sent = [Sent("one", 0.0, FRAME, LINE), Sent("two", 0.02, OTHER, LINE)]

    def run(seed: int) -> list[Heard]:
        rng = np.random.default_rng(seed)
        return [link.carry_together(sent, "tap", LINE, rng=rng) for _ in range(5)]

    assert run(1) == run(1) != run(2)
    assert {sound(one) for one in run(1)} != {FRAME + OTHER}
    assert sound(link.carry_together(sent, "tap", LINE)) == FRAME + OTHER


# ---- the mains

MAINS = Noise(mains_hz=50.0, mains_v=8.0, mains_s=300e-6)


def test_mains_bursts_damage_what_lies_on_a_zero_crossing() -> None:
    link = Link(pair(noise=MAINS), 1)
    rng = np.random.default_rng(4)

    def damaged(t_s: float) -> float:
        """Share of frames damaged; each lasts 0.83 ms, from `t_s` on."""
        heard = [link.carry("one", "tap", b"\x55" * 8, LineSettings(96000), LineSettings(96000), rng=rng, t_s=t_s)]
        heard += [
            link.carry("one", "tap", b"\x55" * 8, LineSettings(96000), LineSettings(96000), rng=rng, t_s=t_s + k * 0.02)
            for k in range(1, 20)
        ]
        return sum(sound(one) != b"\x55" * 8 for one in heard) / len(heard)

    assert damaged(1000.0) == 1.0
    assert damaged(0.0095) == 1.0
    assert damaged(1000.003) == 0.0
    assert damaged(0.0075) == 0.0


def test_a_frame_between_two_crossings_costs_no_noise() -> None:
    link = Link(pair(noise=MAINS), 1)
    rng = np.random.default_rng(4)
    line = LineSettings(96000)
    first = link.carry("one", "tap", FRAME, line, line, rng=rng, t_s=0.003)
    assert link.carry("one", "tap", FRAME, line, line, rng=rng, t_s=7.013) is first


def test_strays_keep_time_with_the_mains() -> None:
    link = Link(pair(noise=MAINS), 1)
    strays = link.idle_strays("tap", LineSettings(19200), 2.0, np.random.default_rng(1), t_s=3.0037)
    # Only half waves of one sign can turn a mark into a space: 50 a second.
    assert len(strays) == pytest.approx(100, abs=1)
    phases = np.array([(3.0037 + octet.start_s) % 0.02 for octet in strays])
    assert np.ptp(phases) < 12e-4
    assert np.mean(phases) == pytest.approx(0.01, abs=3e-4)
    assert any(octet.marks & Mark.FRAMING or octet.value != 0 for octet in strays)
    one_phase = abs(np.mean(np.exp(2j * np.pi * 100 * (3.0037 + np.array([o.start_s for o in strays])))))
    other = abs(np.mean(np.exp(2j * np.pi * 120 * np.array([o.start_s for o in strays]))))
    assert one_phase > 0.95 > 0.2 > other


def test_mains_reach_overlaps_too() -> None:
    link = Link(pair(noise=MAINS), 1)
    rng = np.random.default_rng(1)
    sent = [Sent("one", 0.0, b"\x55" * 3, LINE), Sent("two", 0.004, b"\x55" * 3, LINE)]
    hit = link.carry_together(sent, "tap", LINE, rng=rng, t_s=0.0085)
    missed = link.carry_together(sent, "tap", LINE, rng=rng, t_s=0.0015)
    assert sound(missed) == b"\x55" * 6
    assert sound(hit) != b"\x55" * 6


def test_voltages_of_a_stretch_that_ends_as_the_driver_lets_go() -> None:
    """A driver's letting go begins to show a little before its middle: a last instant there is nothing special."""
    over = pair(1000.0, far=False)
    signal = encode(FRAME, LINE)
    end = signal.duration_s + over.node("one").driver.hold_s
    instants = np.linspace(end - 2e-6, end + over.transfer("one", "tap").release.times_s[0] + 1e-9, 50)
    short = over.volts("one", "tap", signal, instants)
    longer = over.volts("one", "tap", signal, np.append(instants, end + 1e-4))
    assert short == pytest.approx(longer[:-1], abs=0.05)
