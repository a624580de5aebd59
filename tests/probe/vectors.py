# mypy: ignore-errors
# MicroPython has no typing module, and this runs there too.
"""What probe_logic.py does with given input, printed line by line: run under CPython and MicroPython, and compared.

Plain words of both languages only. `main` prints; nothing else is imported but the file under test.
"""

import probe_logic


class Dice:
    """Numbers that are the same everywhere."""

    def __init__(self, seed):
        self.state = seed

    def below(self, limit):
        self.state = (self.state * 1103515245 + 12345) % 2147483648
        return (self.state >> 8) % limit


class Board:
    """A board by script: time is set, words are given."""

    def __init__(self):
        self.ms = 0
        self.words = []
        self.lost = 0
        self.commands = b""
        self.said = b""
        self.lamp = []
        self.plans = []

    def now_ms(self):
        return self.ms

    def heard(self):
        octets = self.commands[:64]
        self.commands = self.commands[64:]
        return octets

    def say(self, octets):
        self.said += octets

    def edges(self):
        words = self.words
        lost = self.lost
        self.words = []
        self.lost = 0
        return words, lost

    def levels(self):
        return 3

    def emit(self, words):
        self.plans.append(list(words))

    def emitting(self):
        return False

    def stop(self):
        self.plans.append("stop")

    def test(self):
        return [word(0, 0), word(20, 1), word(145, 0), word(2520, 2), word(2645, 0)]

    def about(self):
        return "clock=7735940 ring=1000 micropython=0"

    def led(self, on):
        self.lamp.append(1 if on else 0)


def word(ticks, levels):
    """What the edge program pushes."""
    return levels << 30 | (~ticks & 0x3FFFFFFF)


def lines():
    """Lines made and read, whole and damaged in every way."""
    dice = Dice(1)
    reader = probe_logic.LineReader("?")
    for number in range(300):
        words = "".join(chr(48 + dice.below(40)).replace("?", "x") for _ in range(1 + dice.below(60)))
        line = bytearray(probe_logic.make_line("?", number * 977, words))
        for _ in range(dice.below(3)):
            kind = dice.below(4)
            place = dice.below(len(line))
            if kind == 0:
                line[place] = dice.below(256)
            elif kind == 1:
                line = line[:place] + line[place + 1 :]
            elif kind == 2:
                line = line[:place]
                line = line or bytearray(b"x")
            else:
                line = line[:place] + bytearray([dice.below(256)]) + line[place:]
        print("line", number, reader.feed(bytes(line)), reader.damaged, reader.strays)


def clock():
    """Ticks over many rounds of the counter."""
    dice = Dice(2)
    edge_clock = probe_logic.EdgeClock()
    ms = 0
    for _ in range(200):
        ms += dice.below(400000)
        ticks = ms * 2500 - dice.below(2500 * 300) if ms > 400 else ms * 2500
        got = edge_clock.ticks(word(ticks, dice.below(4)), ms)
        print("clock", ms, got, got - ticks)


def plans():
    """What is planned, and what is refused."""
    for width, spacing, bits in ((50, 1000, "01"), (5, 20, "1"), (100, 20000, "0011"), (10000, 100000, "10")):
        print("plan", list(probe_logic.plan(width, spacing, bits)), probe_logic.plan_ms(width, spacing, bits))
    for case in ((4, 100, "1"), (50, 54, "1"), (50, 100, ""), (50, 100, "2"), (50, 200000, "1"), (50, 100, "1" * 201)):
        print("refused", probe_logic.why_not(*case))


def talk():
    """A whole session: start, reads, noise, a loss, commands of every kind, whole and damaged."""
    board = Board()
    probe = probe_logic.Probe(board)
    probe.hello()
    dice = Dice(3)
    board.words = [word(0, 3)]
    commands = (
        "hello",
        "levels",
        "counters",
        "test",
        "send 32 3E8 00110010100001111111111111",
        "send 64 4E20 00110010100001111111111111",
        "send 1 3E8 01",
        "send",
        "send x y z",
        "stop",
        "what is that",
        "",
    )
    number = 0
    for turn in range(600):
        board.ms += 1 + dice.below(40)
        ticks = board.ms * 2500 - 2000
        if dice.below(10) == 0:
            for _ in range(dice.below(60)):
                ticks += 3
                board.words.append(word(ticks, dice.below(4)))
        if dice.below(60) == 0:
            board.lost = 1 + dice.below(9)
        if dice.below(8) == 0:
            line = probe_logic.make_line("?", number, commands[dice.below(len(commands))])
            number += dice.below(2)
            if dice.below(5) == 0:
                line = line[: dice.below(len(line))]
            board.commands += line
        probe.step()
        if board.said:
            print("said", turn, board.said)
            board.said = b""
    print("lamp", board.lamp)
    print("plans", board.plans)


def main():
    """Everything."""
    lines()
    clock()
    plans()
    talk()
