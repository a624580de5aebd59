"""The two state-machine programs of the card-line probe: one times edges of D0 and D1, one emits pulses.

Written for the PIO blocks of RP2040 and RP2350 under MicroPython's rp2 module (reference sheet 9: one instruction is
one cycle plus its delay; 32 instructions a block). The names inside the functions are PIO instructions, which
rp2.asm_pio supplies. benchtool's tests run both through a model of the instructions and hold every cycle counted here.
"""

import rp2

EDGE_HZ = 25000000
"""125, 150 and 200 MHz divide by it without a remainder, so no cycle is longer than another."""
EMIT_HZ = 1000000


@rp2.asm_pio(in_shiftdir=rp2.PIO.SHIFT_LEFT, fifo_join=rp2.PIO.JOIN_RX)
def edge_program():
    """Sample both lines every 10 cycles (400 ns); on a change push the levels (2 bits) and the counter (30 bits).

    Y holds the levels last pushed, OSR the counter, which goes down by one each pass. Both ways through the loop take
    10 cycles: 4 to sample and compare, 3 to push or to wait, 3 to count.
    """
    set(y, 31)  # noqa: F821  # no levels at all: so the first pass always pushes what the lines are
    mov(osr, invert(null))  # noqa: F821
    wrap_target()  # noqa: F821
    mov(isr, null)  # noqa: F821
    in_(pins, 2)  # noqa: F821
    mov(x, isr)  # noqa: F821
    jmp(x_not_y, "changed")  # noqa: F821
    jmp("count")[2]  # noqa: F821
    label("changed")  # noqa: F821
    mov(y, x)  # noqa: F821
    in_(osr, 30)  # noqa: F821
    push(noblock)  # noqa: F821
    label("count")  # noqa: F821
    mov(x, osr)  # noqa: F821
    jmp(x_dec, "counted")  # noqa: F821
    label("counted")  # noqa: F821
    mov(osr, x)  # noqa: F821
    wrap()  # noqa: F821


@rp2.asm_pio(
    out_init=(rp2.PIO.OUT_LOW, rp2.PIO.OUT_LOW),
    set_init=(rp2.PIO.OUT_LOW, rp2.PIO.OUT_LOW),
    out_shiftdir=rp2.PIO.SHIFT_RIGHT,
    fifo_join=rp2.PIO.JOIN_TX,
)
def emit_program():
    """Take a word: put its two low bits on the pins, then wait as many cycles as the other 30 say.

    From one step to the next: pull, out, out, and the loop's count + 1: count + 4 cycles of 1 us.
    """
    wrap_target()  # noqa: F821
    pull(block)  # noqa: F821
    out(pins, 2)  # noqa: F821
    out(x, 30)  # noqa: F821
    label("wait")  # noqa: F821
    jmp(x_dec, "wait")  # noqa: F821
    wrap()  # noqa: F821
