"""What the card-line probe does, apart from hardware: line protocol, commands, edge times, planning of what it emits.

Runs unchanged under MicroPython on the board and under CPython in benchtool's tests, so it uses only what both have.
The protocol is documented octet by octet in docs/probe.md. Hardware comes in as an object (main.py: class Board).
"""

from array import array
from binascii import crc32

PROTOCOL = 1
PROGRAM = "1.0"
TICK_NS = 400
"""One pass of the edge program: 10 cycles at 25 MHz (probe_pio.py)."""
COUNT_BITS = 30
SPAN = 1 << COUNT_BITS
"""The edge program's counter starts again after so many ticks: 429 s."""
TICKS_PER_MS = 1000000 // TICK_NS
STEP_CYCLES = 4
"""Cycles of 1 us that the emit program takes for a step beside its count."""
LEVELS = "wxyz"
"""Letter of the two levels: w both low, x only D0 high, y only D1 high, z both high (D0 is the bit of value 1)."""
LONGEST = 240
"""Octets in the longest line, with its end."""

MOST_BITS = 200
WIDTHS = (5, 10000)
"""Shortest and longest pulse emitted, in us."""
SPACINGS = (20, 100000)
"""From the beginning of a pulse to that of the next, in us."""
LEAST_PAUSE = 5
"""Shortest time between two pulses, in us."""

_EDGES_A_LINE = 24
_EDGES_WAIT_MS = 20
_QUIET_MS = 60
_ALIVE_MS = 1000
_LATE_MS = 5
"""How far the board's millisecond clock and the edge counter may disagree."""
_STUCK_MS = 100


def make_line(mark, number, words):
    """One line: mark, sequence number, words, and the CRC-32/ISO-HDLC of all before the last blank."""
    body = f"{mark}{number & 0xFFFF:04X} {words}"
    return f"{body} {crc32(body.encode()):08X}\n".encode()


def parse_line(octets):
    """(number, words) of a line from its mark on, without its end; None where anything about it is wrong."""
    if len(octets) < 16 or octets[-9] != 32 or octets[5] != 32:
        return None
    for octet in octets:
        if not 32 <= octet < 127:
            return None
    body = octets[:-9]
    if f"{crc32(body):08X}".encode() != octets[-8:]:
        return None
    text = body.decode()
    try:
        number = int(text[1:5], 16)
    except ValueError:
        return None
    return (number, text[6:]) if f"{number:04X}" == text[1:5] else None


class LineReader:
    """Finds lines in octets, whatever is lost or damaged: a mark begins a line wherever it stands."""

    def __init__(self, mark):
        self.mark = ord(mark)
        self.damaged = 0
        """Lines that began and were not whole or not right."""
        self.strays = 0
        """Octets outside lines."""
        self._line = bytearray()

    def feed(self, octets):
        """The (number, words) of the lines that are whole now."""
        found = []
        for octet in octets:
            if octet == self.mark:
                if self._line:
                    self.damaged += 1
                self._line = bytearray([octet])
            elif not self._line:
                if octet not in (10, 13):
                    self.strays += 1
            elif octet == 10:
                line = parse_line(bytes(self._line))
                self._line = bytearray()
                if line is None:
                    self.damaged += 1
                else:
                    found.append(line)
            elif len(self._line) >= LONGEST:
                self._line = bytearray()
                self.damaged += 1
            else:
                self._line.append(octet)
        return found


class EdgeClock:
    """Ticks since the start from the 30 bits that an edge word holds, with the millisecond clock to tell the rounds."""

    def __init__(self):
        self.last = 0

    def ticks(self, word, now_ms):
        """When the word was made: the latest time that fits its bits and is not after now."""
        count = ~word & (SPAN - 1)
        limit = (now_ms + _LATE_MS) * TICKS_PER_MS
        ticks = limit - (limit - count) % SPAN
        if ticks < 0:
            ticks = count
        if ticks < self.last:
            ticks = self.last
        self.last = ticks
        return ticks


def why_not(width, spacing, bits):
    """Why this cannot be emitted, in one word; None where it can."""
    if not 1 <= len(bits) <= MOST_BITS or bits.replace("0", "").replace("1", ""):
        return "bits"
    if not WIDTHS[0] <= width <= WIDTHS[1]:
        return "width"
    if not SPACINGS[0] <= spacing <= SPACINGS[1] or spacing < width + LEAST_PAUSE:
        return "spacing"
    return None


def plan(width, spacing, bits):
    """Words for the emit program: the two low bits say which line to pull low, the others for how long."""
    words = array("I")
    for bit in bits:
        words.append((width - STEP_CYCLES) << 2 | (2 if bit == "1" else 1))
        words.append((spacing - width - STEP_CYCLES) << 2)
    return words


def plan_ms(width, spacing, bits):
    """How long a plan takes, rounded up."""
    return (spacing * len(bits) + 999) // 1000


def judge(words):
    """What is wrong with the self-test's words, in one word; None where all is right.

    The emit program pulled lines 1, 2 of the spare pins for 50 us, 1000 us apart; the edge program timed it. Both count
    cycles of one clock, so times are right to one tick.
    """
    want = ((0, 0), (1, None), (0, 125), (2, 2375), (0, 125))
    if len(words) != len(want):
        return f"edges={len(words)}"
    before = 0
    for word, (level, ticks) in zip(words, want):  # noqa: B905  # MicroPython's zip knows no strict
        count = ~word & (SPAN - 1)
        if word >> COUNT_BITS != level:
            return "levels"
        if ticks is not None and not -1 <= count - before - ticks <= 1:
            return "ticks=%X" % (count - before)
        before = count
    return None


def _pairs(words):
    found = {}
    for word in words:
        key, _, value = word.partition("=")
        found[key] = value
    return found


class Probe:
    """The probe's program. `step` is called again and again; it never waits."""

    def __init__(self, board):
        self._board = board
        self._reader = LineReader("?")
        self._clock = EdgeClock()
        self._number = 0
        self._levels = None
        """None: not known, until the first word after the start or after a loss."""
        self._blind_ms = 0
        self._edges = 0
        self._overruns = 0
        self._pending = []
        self._pending_ms = 0
        self._from = 0
        self._before = 0
        self._told_ms = 0
        self._quiet_told = True
        self._edge_ms = -1000000
        self._done_ms = None
        self._sending = 0
        self._last_command = None
        self._last_answer = ""
        self._lamp = None

    def hello(self):
        """The first line."""
        self._say("H " + self._about())

    def step(self):
        """Take what has come, say what is to be said."""
        board = self._board
        now = board.now_ms()
        for number, words in self._reader.feed(board.heard()):
            self._obey(number, words)
        # Asked before the edges are taken: then the last of them is told before "sent" is said.
        sent = self._done_ms is not None and now >= self._done_ms and not board.emitting()
        words, lost = board.edges()
        if lost:
            self._flush()
            self._overruns += 1
            self._levels = None
            self._blind_ms = now
            self._say(f"O {lost:X}")
        if len(words):
            read = board.now_ms()
            for word in words:
                self._edge(word, read)
            self._blind_ms = read
        elif self._levels is None and now - self._blind_ms >= 4 * _LATE_MS:
            # No word for so long: the lines have not changed meanwhile, so they were then as they are now.
            self._levels = board.levels()
            self._clock.last = max(self._clock.last, (now - 2 * _LATE_MS) * TICKS_PER_MS)
            self._say(f"B {self._clock.last:X} {LEVELS[self._levels]}")
        if self._pending and now - self._pending_ms >= _EDGES_WAIT_MS:
            self._flush()
        self._alive(now)
        if sent:
            self._done_ms = None
            self._flush()
            self._say(f"S {self._sending:04X}")
        self._show(now)

    def _edge(self, word, now):
        ticks = self._clock.ticks(word, now)
        level = word >> COUNT_BITS
        if self._levels is None:
            self._say(f"B {ticks:X} {LEVELS[level]}")
        elif level != self._levels:
            if not self._pending:
                self._from = ticks
                self._before = self._levels
                self._pending_ms = now
            self._pending.append((ticks, level))
            self._edges += 1
            self._edge_ms = now
            self._quiet_told = False
            if len(self._pending) >= _EDGES_A_LINE:
                self._flush()
        self._levels = level

    def _flush(self):
        if not self._pending:
            return
        at = self._from
        before = self._before
        items = ""
        room = LONGEST - 40
        for ticks, level in self._pending:
            item = f"{LEVELS[level]}{ticks - at:X}"
            if len(items) + len(item) > room:
                self._say(f"E {self._from:X} {LEVELS[self._before]} {items}")
                self._from = at = ticks
                self._before = before
                items = ""
                item = f"{LEVELS[level]}0"
            items += item
            at = ticks
            before = level
        self._say(f"E {self._from:X} {LEVELS[self._before]} {items}")
        self._pending = []

    def _alive(self, now):
        quiet = not self._quiet_told and now - self._edge_ms >= _QUIET_MS
        if self._pending or self._levels is None or not (quiet or now - self._told_ms >= _ALIVE_MS):
            return
        self._quiet_told = True
        self._told_ms = now
        ticks = max(self._clock.last, (now - _LATE_MS) * TICKS_PER_MS)
        self._say(f"I {ticks:X} {LEVELS[self._levels]} {self._counters()}")

    def _counters(self):
        return f"edges={self._edges:X} overruns={self._overruns:X} damaged={self._reader.damaged:X}"

    def _about(self):
        return f"protocol={PROTOCOL:X} program={PROGRAM} tick={TICK_NS:X} {self._board.about()}"

    def _obey(self, number, words):
        if (number, words) == self._last_command:
            # Our answer was lost: it is said again, and nothing is done twice.
            self._say(self._last_answer)
            return
        refused, told = self._do(number, words.split(" "))
        if refused:
            self._last_answer = f"N {number:04X} {refused}"
        else:
            self._last_answer = f"A {number:04X} {told}"
        self._last_command = (number, words)
        self._say(self._last_answer)

    def _do(self, number, words):
        """(why not, what to answer): one of them is empty."""
        command = words[0]
        if command == "hello":
            return "", self._about()
        if command == "levels":
            return "", LEVELS[self._board.levels()]
        if command == "counters":
            return "", self._counters()
        if command == "test":
            return self._test()
        if command == "send":
            return self._send(number, words)
        if command == "stop":
            self._board.stop()
            self._done_ms = None
            return "", "stopped"
        return "unknown", ""

    def _test(self):
        if crc32(b"123456789") != 0xCBF43926:
            return "crc", ""
        wrong = judge(self._board.test())
        return ("", "sound") if wrong is None else (wrong, "")

    def _send(self, number, words):
        if self._done_ms is not None:
            return "busy", ""
        try:
            width = int(words[1], 16)
            spacing = int(words[2], 16)
            bits = words[3]
        except (IndexError, ValueError):
            return "words", ""
        wrong = why_not(width, spacing, bits) or ("words" if len(words) != 4 else None)
        if wrong:
            return wrong, ""
        self._board.emit(plan(width, spacing, bits))
        self._sending = number
        # Two milliseconds more, since the clock tells whole ones.
        self._done_ms = self._board.now_ms() + plan_ms(width, spacing, bits) + 2
        return "", "sending"

    def _show(self, now):
        """The LED: on while pulses come, quick blinking while a line stays low, else a short flash every 2 s."""
        if self._levels not in (None, 3) and now - self._edge_ms > _STUCK_MS:
            on = now % 200 < 100
        else:
            on = now - self._edge_ms < 200 or now % 2000 < 50
        if on != self._lamp:
            self._lamp = on
            self._board.led(on)

    def _say(self, words):
        self._board.say(make_line("!", self._number, words))
        self._number = (self._number + 1) & 0xFFFF
