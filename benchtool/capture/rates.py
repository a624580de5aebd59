"""Bit rates that equipment is set to, in one place: OSDP's from sheet 5.2, all others are common practice.

The lists differ because their uses do; each says why.
"""

from __future__ import annotations

OSDP_RATES = (9600, 19200, 38400, 57600, 115200, 230400)
"""What OSDP allows (sheet 5.2)."""

DEVICE_RATES = tuple(sorted((*OSDP_RATES, 1200, 2400, 4800, 14400, 76800)))
"""What devices of the trade are set to: what `diagnose` holds damaged octets against.

No more than these: every further rate may fit by chance, and the tables of `diagnose` were fitted to them.
"""

TRIED_RATES = (9600, 115200, 38400, 19200, 57600, 4800, 2400, 230400, 1200, 14400, 28800, 76800, 250000, 600, 300)
"""What `--baud auto` listens at, the most usual first, for it ends early: `DEVICE_RATES` and rarer ones.

None above 250000, for each costs time on a live bus (judgement).
"""

MEASURED_RATES = tuple(
    sorted(
        (*DEVICE_RATES, 28800, 125000, 153600, 187500, 250000, 460800, 500000, 921600, 1_000_000, 2_000_000, 3_000_000)
    )
)
"""What a rate measured on a waveform is called after: trying more costs nothing there, so fast buses are among them.

None below 1200, where a scope's record seldom holds enough bits (judgement).
"""
