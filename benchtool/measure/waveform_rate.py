"""What a waveform's bit rate says in plain words: beside the rate that is set, and of one talker beside another.

A receiver must accept 2 % (sheet 3.1, Modbus guide). Clocks of devices that are off are off by some per cent, not by a
factor: further away it is another rate.
"""

from __future__ import annotations

from benchtool.measure.waveform_baud import CLOCK_WITHIN, nearest_baud
from benchtool.measure.waveform_figures import WaveformFigures
from benchtool.measure.waveform_limits import BAUD_SHARE


def rate_words(figures: WaveformFigures, set_to: int | None) -> tuple[str, ...]:
    """Sentences; none where all is as it should be. `set_to`: what --baud says, or the tap is set to, if anything."""
    rates = [talker.baud for talker in figures.talkers if talker.baud is not None]
    if figures.baud is None or not rates:
        return ()
    said = []
    # The talker that keeps to the rate tells which rate it is.
    best = min(rates, key=lambda rate: abs(rate / (set_to or nearest_baud(rate)) - 1))
    wanted = set_to or nearest_baud(best)
    off = best / wanted - 1
    if abs(off) > CLOCK_WITHIN:
        usual = nearest_baud(best)
        shown = usual if abs(best / usual - 1) <= BAUD_SHARE else round(best)
        said.append(
            f"The waveform runs at {shown} bit/s, but {wanted} is set: either it is a record of another bus or another "
            f"time, or the bus is to be listened to with --baud {shown}."
        )
    elif abs(off) > BAUD_SHARE:
        than = "what is set" if set_to is not None else "the nearest usual rate"
        side = "above" if off > 0 else "below"
        said.append(
            f"The waveform runs at {best:.0f} bit/s, {abs(off):.1%} {side} {than}, {wanted}: "
            "the sender's clock is off, or its rate is no usual one. A receiver need not bear more than 2 %."
        )
    apart = max(rates) / min(rates) - 1
    if apart > BAUD_SHARE:
        said.append(
            f"The talkers do not agree: {min(rates):.0f} and {max(rates):.0f} bit/s, {apart:.1%} apart. The clock of "
            "one is off."
        )
    return tuple(said)
