"""The card-line probe's hardware: pins, state machines, DMA, USB serial, LED. All else is in probe_logic.py.

Copy main.py, probe_logic.py and probe_pio.py onto an RP2040 or RP2350 board with MicroPython 1.22 or newer.
Wiring, cautions and the line protocol: docs/probe.md. NOT RUN ON HARDWARE where it was written.
Register addresses: RP2040 data sheet, FROM MEMORY (PIO0 at 0x50200000, FDEBUG +8, TXF0 +0x10, RXF0 +0x20; requests of
a PIO block to the DMA: 0 to 3 send, 4 to 7 receive); RP2350 has them at the same places.
"""

import select
import sys
import time

import machine
import probe_logic
import rp2
import uctypes
from machine import Pin
from probe_pio import EDGE_HZ, EMIT_HZ, edge_program, emit_program

D0_IN = 2
"""D1 must be the next pin, here and below."""
D0_OUT = 4
"""To the gate of the transistor that pulls D0 low; high is pulse."""
SPARE = 6
"""Two pins with nothing connected: the self-test's own lines."""

_EDGES, _EMIT, _TEST_EDGES, _TEST_EMIT = 0, 1, 2, 3
_PIO0 = 0x50200000
_FDEBUG = _PIO0 + 0x08
_TXF = _PIO0 + 0x10
_RXF = _PIO0 + 0x20
_RING_BITS = 14
_RING_WORDS = 1 << (_RING_BITS - 2)
_AT_ONCE = 512
"""Words taken in one turn, so that a full ring does not fill the heap."""
_MOST_MOVES = 0x0FFFFFFF
"""What the RP2350's DMA can count; the RP2040's could more."""


def _led():
    try:
        return Pin("LED", Pin.OUT)
    except (TypeError, ValueError):
        return Pin(25, Pin.OUT)


class Board:
    """What probe_logic.Probe asks of the hardware."""

    def __init__(self):
        self._lamp = _led()
        self._pins = (Pin(D0_IN, Pin.IN, None), Pin(D0_IN + 1, Pin.IN, None))
        self._heard = select.poll()
        self._heard.register(sys.stdin, select.POLLIN)
        # The DMA wraps its address at a multiple of the ring's size: take twice as much and use the aligned part.
        self._memory = bytearray(2 << _RING_BITS)
        address = uctypes.addressof(self._memory)
        self._ring = (address + (1 << _RING_BITS) - 1) & ~((1 << _RING_BITS) - 1)
        self._emitter = rp2.StateMachine(_EMIT, emit_program, freq=EMIT_HZ, out_base=Pin(D0_OUT), set_base=Pin(D0_OUT))
        self._emitter.active(1)
        self._sender = rp2.DMA()
        self._plan = None
        self._edger = rp2.StateMachine(_EDGES, edge_program, freq=EDGE_HZ, in_base=self._pins[0])
        self._mover = rp2.DMA()
        self._move()
        machine.mem32[_FDEBUG] = 1 << _EDGES
        self._ms = 0
        self._ticks = time.ticks_ms()
        self._edger.active(1)

    def _move(self):
        """Let the DMA move every word of the edge program into the ring, from its beginning."""
        self._read = 0
        self._mover.config(
            read=_RXF + 4 * _EDGES,
            write=self._ring,
            count=_MOST_MOVES,
            ctrl=self._mover.pack_ctrl(
                size=2, inc_read=False, inc_write=True, ring_size=_RING_BITS, ring_sel=True, treq_sel=4 + _EDGES
            ),
            trigger=True,
        )

    def now_ms(self):
        """Milliseconds since the edge program began; never wraps as long as it is asked every few days."""
        ticks = time.ticks_ms()
        self._ms += time.ticks_diff(ticks, self._ticks)
        self._ticks = ticks
        return self._ms

    def edges(self):
        """(words, how many were lost): what the edge program has pushed since the last call."""
        # The order matters: a word pushed after this count is read next time, and with it the mark of what went before.
        written = _MOST_MOVES - self._mover.count
        new = written - self._read
        lost = 0
        if machine.mem32[_FDEBUG] & (1 << _EDGES):
            # The DMA did not come in time: a word went nowhere, and which of these came after it is not known.
            machine.mem32[_FDEBUG] = 1 << _EDGES
            lost = new + 1
        words = [] if lost else self._words(min(new, _AT_ONCE))
        now_written = _MOST_MOVES - self._mover.count
        if not lost and now_written - self._read > _RING_WORDS:
            # The DMA has come round and may have written over what was just read.
            lost = now_written - self._read
            written = now_written
            words = []
        self._read = written if lost else self._read + len(words)
        if now_written > _MOST_MOVES // 2 and self._read == written:
            self._restart(words)
        return words, lost

    def _words(self, count):
        return [
            machine.mem32[self._ring + 4 * (index % _RING_WORDS)] for index in range(self._read, self._read + count)
        ]

    def _restart(self, words):
        """Give the DMA a new count long before its own is used up; what comes meanwhile waits in the FIFO."""
        self._mover.active(0)
        words += self._words(_MOST_MOVES - self._mover.count - self._read)
        self._move()

    def levels(self):
        """The pins as they are now: D0 is the bit of value 1, D1 of value 2."""
        return self._pins[0].value() | self._pins[1].value() << 1

    def emit(self, words):
        """Begin to emit: the whole plan is in memory before the first pulse, and its last step lets the lines go."""
        self._plan = words
        self._sender.config(
            read=words,
            write=_TXF + 4 * _EMIT,
            count=len(words),
            ctrl=self._sender.pack_ctrl(size=2, inc_read=True, inc_write=False, treq_sel=_EMIT),
            trigger=True,
        )

    def emitting(self):
        """Whether words are still on their way to the pins."""
        return self._sender.active() or self._emitter.tx_fifo() > 0

    def stop(self):
        """Let the lines go at once."""
        self._sender.active(0)
        self._emitter.active(0)
        self._emitter.init(emit_program, freq=EMIT_HZ, out_base=Pin(D0_OUT), set_base=Pin(D0_OUT))
        self._emitter.exec("set(pins, 0)")
        self._emitter.active(1)

    def test(self):
        """Emit two pulses on the spare pins, time them, and answer the words; the card lines are not touched."""
        sender = rp2.StateMachine(_TEST_EMIT, emit_program, freq=EMIT_HZ, out_base=Pin(SPARE), set_base=Pin(SPARE))
        timer = rp2.StateMachine(_TEST_EDGES, edge_program, freq=EDGE_HZ, in_base=Pin(SPARE))
        timer.active(1)
        sender.active(1)
        # Whoever pushes beyond the FIFO's 8 words waits; these are 4.
        for word in probe_logic.plan(50, 1000, "01"):
            sender.put(word)
        time.sleep_ms(5)
        words = [timer.get() for _ in range(timer.rx_fifo())]
        timer.active(0)
        sender.active(0)
        return words

    def about(self):
        """What the hardware says about itself."""
        release = ".".join(str(part) for part in sys.implementation[1][:3])
        return f"clock={machine.freq():X} ring={_RING_WORDS:X} micropython={release}"

    def heard(self):
        """Octets that the computer sent, up to 64."""
        octets = bytearray()
        while len(octets) < 64 and self._heard.poll(0):
            octets += sys.stdin.buffer.read(1)
        return octets

    def say(self, octets):
        """Send octets to the computer."""
        sys.stdout.buffer.write(octets)

    def led(self, on):
        """The lamp."""
        self._lamp.value(on)


def main():
    """Run until Ctrl-C, then let the lines go: the MicroPython prompt is there again for copying files."""
    if not hasattr(rp2, "DMA"):
        print("benchtool probe: this MicroPython has no rp2.DMA; install 1.22 or newer")
        return
    board = Board()
    probe = probe_logic.Probe(board)
    probe.hello()
    try:
        while True:
            probe.step()
    except KeyboardInterrupt:
        board.stop()


if __name__ == "__main__":
    main()
