"""Invented protocols and their traffic, seeded: what the explorer is measured and calibrated on.

Each is drawn at random: start and end octets, where address, length, command and counter stand, who is told how, which
check value, how many devices, how fast, how the tap delivers, and how much of the traffic is damaged.
"""

from __future__ import annotations

import itertools
import random
from collections.abc import Callable
from dataclasses import dataclass, replace

from benchtool.capture.chunk import Chunk, LineErrors, Mark, TapInfo
from benchtool.capture.settings import CharFormat, LineSettings
from benchtool.frames.check_value import CheckKind, CheckValue
from benchtool.frames.crc_catalogue import CATALOGUE
from benchtool.frames.frame import Role

_BAUDS = (2400, 4800, 9600, 19200, 38400, 57600, 115200)


@dataclass(frozen=True, slots=True)
class Invented:
    """A protocol as it was drawn: the truth that claims are held against."""

    settings: LineSettings
    request_start: bytes
    reply_start: bytes
    end: bytes
    address_at: int
    """Where requests carry the address."""
    reply_address_at: int
    command_at: int
    length_at: int | None
    length_size: int
    length_little: bool
    length_add: int
    """Octets of the whole frame less the field's value."""
    counter_at: int | None
    counter_values: int
    counter_first: int
    counter_each: bool
    role: str
    """`address-bit`, `command-bit`, `start`, `from-to` or `none`."""
    check: CheckValue
    addresses: tuple[int, ...]
    absent: tuple[int, ...]
    """Addresses that never answer."""
    commands: tuple[tuple[int, int, int], ...]
    """(code, octets of payload asked, octets of payload answered)."""


def draw(seed: int, *, check: Callable[[random.Random], CheckValue] | None = None) -> Invented:
    """One protocol."""
    chooser = random.Random(seed)
    role = chooser.choice(("address-bit", "command-bit", "start", "from-to", "none"))
    start = chooser.choice((b"", bytes((chooser.randrange(1, 255),)), chooser.randbytes(2)))
    if role == "start":
        start = bytes((chooser.randrange(1, 255),))
    reply_start = bytes((start[0] ^ chooser.choice((1, 4, 0x2A, 0x80)),)) if role == "start" else start
    end = chooser.choice((b"", b"", b"\x03", b"\x0d"))
    fields = ["address", "command"]
    if role == "from-to":
        fields.insert(1, "from")
    with_length = chooser.random() < 0.75
    if with_length:
        fields.insert(chooser.randrange(len(fields) + 1), "length")
    with_counter = chooser.random() < 0.4
    if with_counter:
        fields.insert(chooser.randrange(1, len(fields) + 1), "counter")
    length_size = chooser.choice((1, 1, 1, 2))
    places: dict[str, int] = {}
    at = len(start)
    for field in fields:
        places[field] = at
        at += length_size if field == "length" else 1
    found = (check or draw_check)(chooser)
    if found.start and not start:
        found = replace(found, start=0)
    found = replace(found, start=min(found.start, len(start)), tail=len(end))
    # What the field counts: everything, all after it, or the payload alone.
    overhead = at + found.size + len(end)
    length_at = places.get("length")
    adds = (0, overhead, (length_at or 0) + length_size)
    devices = chooser.choice((1, 2, 3, 4, 6, 8))
    addresses = tuple(sorted(chooser.sample(range(1, chooser.choice((9, 32, 100))), devices)))
    absent = tuple(chooser.sample(addresses, 1)) if devices > 2 and chooser.random() < 0.3 else ()
    codes = chooser.sample(range(1, 0x70), 3)
    commands = tuple((code, chooser.choice((0, 0, 1, 4)), chooser.choice((1, 2, 4, 8, 12))) for code in codes)
    values = chooser.choice((256, 256, 16, 4))
    return Invented(
        LineSettings(chooser.choice(_BAUDS), CharFormat.parse(chooser.choice(("8N1", "8E1", "8N2")))),
        start,
        reply_start,
        end,
        places["address"],
        places.get("from", places["address"]),
        places["command"],
        length_at,
        length_size,
        chooser.random() < 0.5,
        chooser.choice(adds),
        places.get("counter"),
        values,
        chooser.choice((0, 1)) if values < 256 else 0,
        chooser.random() < 0.4,
        role,
        found,
        addresses,
        absent,
        commands,
    )


def draw_check(chooser: random.Random) -> CheckValue:
    """Any row of the catalogue, a CRC of no catalogue, or a sum."""
    start = chooser.choice((0, 0, 1))
    little = chooser.random() < 0.5
    kind = chooser.random()
    if kind < 0.5:
        row = chooser.choice([row for row in CATALOGUE if row.width >= 8])
        if chooser.random() < 0.5:
            row = chooser.choice([row for row in CATALOGUE if row.width in (8, 16)])
        return CheckValue(
            CheckKind.CRC,
            row.width,
            start,
            little=little,
            poly=row.poly,
            init=row.init,
            refin=row.refin,
            refout=row.refout,
            xorout=row.xorout,
            name=row.name,
        )
    if kind < 0.6:
        width = chooser.choice((8, 16, 16))
        turned = chooser.random() < 0.5
        first = chooser.choice((0, (1 << width) - 1, chooser.randrange(1 << width)))
        poly = chooser.randrange(3, 1 << width, 2)
        return CheckValue(CheckKind.CRC, width, start, 0, 0, little, False, False, poly, first, turned, turned)
    return draw_sum(chooser, start, little)


def draw_sum(chooser: random.Random, start: int, little: bool) -> CheckValue:
    """A sum or exclusive or."""
    kind = chooser.choice((CheckKind.SUM, CheckKind.SUM, CheckKind.XOR, CheckKind.XOR, *CheckKind))
    if kind is CheckKind.CRC:
        kind = CheckKind.XOR
    wide = kind in (CheckKind.FLETCHER_255, CheckKind.FLETCHER_256, CheckKind.WORDS_END_AROUND)
    width = 16 if wide or (kind is CheckKind.SUM and chooser.random() < 0.3) else 8
    xorout = chooser.choice((0, 0, (1 << width) - 1)) if not wide else 0
    negate = kind is CheckKind.SUM and xorout == 0 and chooser.random() < 0.4
    return CheckValue(
        kind, width, start, little=little and width > 8, text=chooser.random() < 0.15, negate=negate, xorout=xorout
    )


def build(made: Invented, address: int, command: int, counter: int, payload: bytes, role: Role) -> bytes:
    """One frame with all its fields and its check value."""
    reply = role is Role.REPLY
    head = bytearray(made.reply_start if reply else made.request_start)
    places = [made.address_at, made.reply_address_at, made.command_at]
    places += [place for place in (made.length_at, made.counter_at) if place is not None]
    size = max(places) + 1
    if made.length_at is not None and made.length_at + made.length_size > size:
        size = made.length_at + made.length_size
    head += bytes(size - len(head))
    head[made.address_at] = address
    if made.role == "from-to":
        head[made.address_at], head[made.reply_address_at] = (0, address) if reply else (address, 0)
    elif made.role == "address-bit" and reply:
        head[made.address_at] |= 0x80
    head[made.command_at] = command | (0x80 if made.role == "command-bit" and reply else 0)
    if made.counter_at is not None:
        head[made.counter_at] = counter
    frame = bytes(head) + payload + bytes(made.check.size) + made.end
    if made.length_at is not None:
        value = (len(frame) - made.length_add).to_bytes(made.length_size, "little" if made.length_little else "big")
        frame = frame[: made.length_at] + value + frame[made.length_at + made.length_size :]
    return made.check.completed(frame)


@dataclass(frozen=True, slots=True)
class Traffic:
    """What a tap delivers of an invented bus."""

    chunks: tuple[Chunk, ...]
    info: TapInfo
    frames: int
    """Frames sent."""
    damaged: int
    """Of those, the ones with a damaged octet."""
    period_ns: int
    """From request to request, the middle value."""


def traffic(
    made: Invented, seed: int, *, frames: int = 120, damage: float = 0.001, lump_ns: int = 0, marks: bool = True
) -> Traffic:
    """The traffic of about so many frames. `damage`: share of octets with a flipped bit. `lump_ns`: the tap hands
    octets over at such intervals, as adapters do, counting the beginning back from then."""
    chooser = random.Random(seed * 7919 + 13)
    char = made.settings.char_ns
    wait_ns = chooser.randrange(4, 40) * 1_000_000 + round(4 * char)
    turn = {address: chooser.randrange(5, 80) * 100_000 + round(4 * char) for address in made.addresses}
    counters: dict[int, int] = {}
    sent: list[tuple[int, bytes, bytes]] = []
    asked: list[int] = []
    t_ns = 1_000_000
    damaged = count = 0

    def put(octets: bytes, at: int) -> int:
        nonlocal damaged, count
        flipped = bytearray(octets)
        errors = bytearray(len(octets))
        for place in range(len(octets)):
            if chooser.random() < damage:
                flipped[place] ^= 1 << chooser.randrange(8)
                errors[place] = Mark.FRAMING if chooser.random() < 0.1 else 0
        damaged += bytes(flipped) != octets
        count += 1
        sent.append((at, bytes(flipped), bytes(errors) if any(errors) else b""))
        return at + len(octets) * char

    turn_at = 0
    reading = 0
    while count < frames:
        address = made.addresses[turn_at % len(made.addresses)]
        turn_at += 1
        key = address if made.counter_each else -1
        counter = counters.get(key, made.counter_first)
        after = counter + 1
        counters[key] = after if after < made.counter_values else made.counter_first
        code, asks, answers = made.commands[0] if chooser.random() < 0.7 else chooser.choice(made.commands)
        reading = (reading + chooser.randrange(3)) & 0xFFFF
        payload = chooser.randbytes(asks)
        asked.append(t_ns)
        ended = put(build(made, address, code, counter, payload, Role.REQUEST), t_ns)
        if address not in made.absent and chooser.random() > 0.01:
            begins = ended + turn[address] + chooser.randrange(300_000)
            data = (reading.to_bytes(2, "big") + chooser.randbytes(answers))[:answers]
            ended = put(build(made, address, code, counter, data, Role.REPLY), begins)
        else:
            ended += 2 * max(turn.values())
        t_ns = ended + wait_ns + chooser.randrange(500_000)
    steps = sorted(after - before for before, after in itertools.pairwise(asked))
    errors = LineErrors.MARKED if marks else LineErrors.UNAVAILABLE
    info = TapInfo("invented", made.settings, errors, lump_ns)
    whole = [Chunk(at, at + len(octets) * char, octets, error) for at, octets, error in sent]
    chunks = _lumped(whole, lump_ns, char) if lump_ns else whole
    return Traffic(tuple(chunks), info, count, damaged, steps[len(steps) // 2])


def _lumped(chunks: list[Chunk], lump_ns: int, char_ns: int) -> list[Chunk]:
    made: list[Chunk] = []
    held = bytearray()
    tick = last = 0
    for chunk in chunks:
        for index, octet in enumerate(chunk.octets):
            arrived = chunk.t_ns + (index + 1) * char_ns
            if held and arrived > tick:
                made.append(Chunk(max(last, tick - len(held) * char_ns), tick, bytes(held)))
                last = tick
                held.clear()
            tick = -(-arrived // lump_ns) * lump_ns
            held.append(octet)
    if held:
        made.append(Chunk(max(last, tick - len(held) * char_ns), tick, bytes(held)))
    return made
