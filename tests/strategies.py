"""Hypothesis strategies that several test files share."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any, NamedTuple

from fastcrc.crc16 import modbus as modbus_crc
from hypothesis import strategies as st

from benchtool.capture.chunk import Chunk, Direction, Gap, Item, LineCounts, LineErrors, TapInfo
from benchtool.capture.settings import CharFormat, LineSettings, Parity
from benchtool.frames.card.formats import CardFormat
from benchtool.frames.frame import Role
from benchtool.frames.modbus.ascii import to_ascii
from benchtool.frames.modbus.build import build_exception, build_reply, build_request, encode
from benchtool.frames.modbus.functions import EXCEPTIONS, FUNCTIONS, IDENTIFICATION, Function, layout_of
from benchtool.frames.modbus.layout import Kind, Layout, Number, Records, Run
from benchtool.frames.osdp.build import build_frame
from benchtool.frames.osdp.codes import Command, Reply


def osdp_octets() -> st.SearchStrategy[bytes]:
    """Anything that might reach the OSDP reader: noise, noise that begins like a frame, and whole frames of any code.

    Whole frames have a right length and check value over any payload, so that the payload tables are reached.
    """
    noise = st.binary(max_size=64)
    like_a_frame = st.binary(max_size=64).map(lambda tail: b"\x53" + tail)
    return st.one_of(noise, like_a_frame, osdp_frames())


def osdp_frames() -> st.SearchStrategy[bytes]:
    """Frames with a right length and check value, over any code, payload and security block."""
    blocks = st.one_of(
        st.none(),
        st.tuples(st.integers(0x11, 0x18), st.binary(max_size=1)).map(lambda b: bytes((2 + len(b[1]), b[0])) + b[1]),
        st.binary(min_size=1, max_size=4).map(lambda b: bytes((1 + len(b),)) + b),
    )

    def build(
        address: int, code: int, data: bytes, sequence: int, crc: bool, reply: bool, block: bytes | None
    ) -> bytes:
        mac = b"\xa5" * 4 if block is not None and 0x15 <= block[1] <= 0x18 else b""
        return build_frame(address, code, data, sequence=sequence, crc=crc, reply=reply, security_block=block, mac=mac)

    codes = st.one_of(st.sampled_from([*Command, *Reply]).map(int), st.integers(0, 255))
    return st.builds(
        build,
        st.integers(0, 127),
        codes,
        st.binary(max_size=48),
        st.integers(0, 3),
        st.booleans(),
        st.booleans(),
        blocks,
    )


def card_bits(longest: int = 128) -> st.SearchStrategy[str]:
    """Bits of any length, those that card formats and key bursts have more often than the rest."""
    lengths = st.one_of(st.integers(0, longest), st.sampled_from([4, 6, 8, 26, 30, 32, 34, 37, 52, 68, 74]))
    return lengths.flatmap(lambda n: st.integers(0, (1 << n) - 1).map(lambda value: f"{value:0{n}b}" if n else ""))


def card_frames(rows: tuple[CardFormat, ...]) -> st.SearchStrategy[tuple[CardFormat, int | None, int]]:
    """A format with a site code (None where it has none) and a card number that it can carry."""

    def numbers(row: CardFormat) -> st.SearchStrategy[tuple[CardFormat, int | None, int]]:
        site = st.integers(0, row.site.largest) if row.site else st.none()
        return st.tuples(st.just(row), site, st.integers(0, row.number.largest))

    return st.sampled_from(rows).flatmap(numbers)


def capture_items(largest_mark: int = 15) -> st.SearchStrategy[Item]:
    """Anything a capture can hold, with times in no order, ends before beginnings, empty chunks, marks of all sorts."""
    times = st.one_of(st.integers(-(10**6), 10**6), st.integers(0, 10**13), st.just(0), st.integers(-(2**61), 2**61))
    directions = st.sampled_from(Direction)

    def chunk(t_ns: int, end_ns: int, pair: tuple[bytes, bytes], direction: Direction) -> Chunk:
        return Chunk(t_ns, end_ns, *pair, direction)

    def marked(octets: bytes) -> st.SearchStrategy[tuple[bytes, bytes]]:
        marks = st.lists(st.integers(0, largest_mark), min_size=len(octets), max_size=len(octets)).map(bytes)
        return st.tuples(st.just(octets), st.one_of(st.just(b""), marks))

    pairs = st.binary(max_size=40).flatmap(marked)
    chunks = st.builds(chunk, times, times, pairs, directions)
    counts = st.integers(0, 2**64 - 1)
    return st.one_of(
        chunks,
        st.builds(Gap, times, times, st.text(max_size=40)),
        st.builds(LineCounts, times, counts, counts, counts, counts),
    )


def tap_infos() -> st.SearchStrategy[TapInfo]:
    """Descriptions of a tap, as a capture keeps them."""
    formats = st.builds(
        CharFormat, st.sampled_from([5, 6, 7, 8]), st.sampled_from(Parity), st.sampled_from([1.0, 1.5, 2.0])
    )
    return st.builds(
        TapInfo,
        st.text(max_size=40),
        st.builds(LineSettings, st.integers(50, 20_000_000), formats),
        st.sampled_from(LineErrors),
        st.integers(0, 10**10),
        st.one_of(st.just(0), st.integers(1, 2 * 10**18)),
    )


def modbus_frames() -> st.SearchStrategy[bytes]:
    """Modbus RTU messages of the frequent functions, as octets: sizes and limits sheet 3.3 and 3.4, CRC sheet 3.2.

    Put together here, not by the code under test; the CRC comes from the catalogue library.
    """
    word = st.integers(0, 0xFFFF).map(lambda value: value.to_bytes(2, "big"))
    registers = st.lists(word, min_size=1, max_size=20).map(b"".join)
    bodies = st.one_of(
        st.builds(
            lambda f, at, n: bytes((f,)) + at + n.to_bytes(2, "big"), st.integers(1, 4), word, st.integers(1, 125)
        ),
        st.builds(lambda f, data: bytes((f, len(data))) + data, st.integers(3, 4), registers),
        st.builds(lambda f, data: bytes((f, len(data))) + data, st.integers(1, 2), st.binary(min_size=1, max_size=20)),
        st.builds(lambda at, on: b"\x05" + at + on, word, st.sampled_from([b"\x00\x00", b"\xff\x00"])),
        st.builds(lambda at, value: b"\x06" + at + value, word, word),
        st.builds(
            lambda at, data: b"\x10" + at + (len(data) // 2).to_bytes(2, "big") + bytes((len(data),)) + data,
            word,
            registers,
        ),
        st.builds(lambda at, n: b"\x10" + at + n.to_bytes(2, "big"), word, st.integers(1, 123)),
        st.builds(lambda f, code: bytes((f | 0x80, code)), st.integers(1, 6), st.integers(1, 6)),
    )

    def build(address: int, body: bytes) -> bytes:
        octets = bytes((address,)) + body
        return octets + modbus_crc(octets).to_bytes(2, "little")

    return st.builds(build, st.integers(1, 247), bodies)


def line_bursts() -> st.SearchStrategy[list[tuple[int, bytes]]]:
    """What a line may carry: bursts of octets without a pause, each after so many characters of silence.

    A burst holds good frames, damaged ones and noise; the silences are those at which decisions change.
    """
    good = st.one_of(osdp_frames(), modbus_frames(), osdp_frames().map(lambda frame: b"\xff" + frame))

    def cut(frame: bytes, at: int) -> bytes:
        return frame[: max(1, at % len(frame))]

    def flip(frame: bytes, at: int, mask: int) -> bytes:
        place = at % len(frame)
        return frame[:place] + bytes((frame[place] ^ mask,)) + frame[place + 1 :]

    def put(frame: bytes, at: int, octet: int) -> bytes:
        place = at % len(frame)
        return frame[:place] + bytes((octet,)) + frame[place:]

    at = st.integers(0, 300)
    damaged = st.one_of(
        st.builds(cut, good, at),
        st.builds(flip, good, at, st.sampled_from([1, 2, 4, 8, 16, 32, 64, 128, 255])),
        st.builds(flip, good, st.integers(0, 5), st.integers(1, 255)),
        st.builds(put, good, at, st.integers(0, 255)),
    )
    pieces = st.one_of(
        good, good, damaged, st.binary(max_size=12), st.sampled_from([b"\xff" * 3, b"\x53", b"\x53\x53"])
    )
    burst = st.lists(pieces, min_size=1, max_size=4).map(b"".join)
    silences = st.sampled_from([0, 0, 1, 3, 4, 5, 12, 19, 20, 23, 24, 30, 40, 50, 200])
    return st.lists(st.tuples(silences, burst), max_size=8)


def every_modbus_frame() -> st.SearchStrategy[bytes]:
    """Sound Modbus frames of every public function, requests, replies and exceptions, from the builder's tables."""
    word, bit = st.integers(0, 0xFFFF), st.integers(0, 1)

    def values(layout: Layout) -> st.SearchStrategy[dict[str, Any]]:
        parts: dict[str, st.SearchStrategy[Any]] = {}
        counted = {item.counted_by for item in layout if isinstance(item, Run)}
        for item in layout:
            if item.name in counted:
                continue
            if isinstance(item, Number):
                if item.words is not None and item.closed:
                    parts[item.name] = st.sampled_from(sorted(item.words))
                else:
                    parts[item.name] = st.integers(item.least, min(item.most, (1 << 8 * item.size) - 1))
            elif isinstance(item, Run):
                parts[item.name] = {
                    Kind.BITS: st.lists(bit, min_size=1, max_size=40),
                    Kind.REGISTERS: st.lists(word, min_size=1, max_size=12),
                    Kind.OCTETS: st.binary(min_size=2, max_size=2),
                    Kind.CHARACTERS: st.text("AB 12", max_size=5),
                }[item.kind]
        return st.fixed_dictionaries(parts)

    plain = [row for row in FUNCTIONS.values() if not any(isinstance(i, Records) for i in (*row.request, *row.reply))]
    address = st.integers(0, 247)

    def of_row(row: Function) -> st.SearchStrategy[bytes]:
        return st.one_of(
            st.builds(lambda a, v: build_request(a, row.code, **v), address, values(row.request)),
            st.builds(lambda a, v: build_reply(a, row.code, **v), address, values(row.reply)),
            st.builds(lambda a, code: build_exception(a, row.code, code), address, st.sampled_from(sorted(EXCEPTIONS))),
        )

    return st.sampled_from(plain).flatmap(of_row)


class Heard(NamedTuple):
    """One octet as a receiver hears it, for tests that cut the same octets into chunks in several ways."""

    octet: int
    t_ns: int
    mark: int = 0
    direction: Direction = Direction.UNKNOWN


def as_chunks(heard: Sequence[Heard], octet_ns: int, cuts: Callable[[int], bool]) -> list[Chunk]:
    """Chunks of octets that follow each other at once; cut before octet `i`, besides, where `cuts(i)`."""
    chunks: list[Chunk] = []
    start = 0
    for index in range(1, len(heard) + 1):
        if index < len(heard):
            now, before = heard[index], heard[index - 1]
            goes_on = now.t_ns == before.t_ns + octet_ns and now.direction is before.direction
            if goes_on and not cuts(index):
                continue
        part = heard[start:index]
        start = index
        marks = bytes(h.mark for h in part)
        if part:
            octets = bytes(h.octet for h in part)
            end_ns = part[-1].t_ns + octet_ns
            chunks.append(Chunk(part[0].t_ns, end_ns, octets, marks if any(marks) else b"", part[0].direction))
    return chunks


def bus_traffic(octet_ns: int) -> st.SearchStrategy[list[Heard]]:
    """A bus with sound and damaged frames of one or both protocols, noise, silences of every length, line errors."""
    osdp_sound = st.tuples(st.integers(0, 3).map(lambda n: b"\xff" * (n // 2)), osdp_frames()).map(b"".join)
    damage = st.tuples(st.sampled_from(["none", "none", "none", "flip", "cut", "noise", "tail"]), st.integers(0, 10**6))
    silences = st.sampled_from([0, 0, 0, 2, 3, 4, 6, 15, 20, 25, 45, 60])
    directions = st.sampled_from([Direction.UNKNOWN] * 6 + [Direction.SENT, Direction.RECEIVED])

    def spoil(octets: bytes, how: str, where: int) -> bytes:
        if how == "flip":
            at, bit = where % len(octets), where // len(octets) % 8
            return octets[:at] + bytes((octets[at] ^ 1 << bit,)) + octets[at + 1 :]
        if how == "cut":
            return octets[: 1 + where % len(octets)]
        if how == "tail":
            return octets[where % len(octets) :]
        return octets

    def place(
        parts: list[tuple[bytes, tuple[str, int], bytes, int, int, Direction]], errors: dict[int, int]
    ) -> list[Heard]:
        heard: list[Heard] = []
        t_ns = 0
        for sound, (how, where), noise, silence, inner, direction in parts:
            octets = noise if how == "noise" else spoil(sound, how, where)
            hole = where % len(octets) if inner and octets else -1
            for index, octet in enumerate(octets):
                t_ns += inner * octet_ns if index == hole else 0
                heard.append(Heard(octet, t_ns, errors.get(len(heard), 0), direction))
                t_ns += octet_ns
            t_ns += silence * octet_ns
        return heard

    def of(frames: st.SearchStrategy[bytes]) -> st.SearchStrategy[list[Heard]]:
        inner = st.sampled_from([0] * 10 + [2, 4, 25, 45])
        part = st.tuples(frames, damage, st.binary(max_size=12), silences, inner, directions)
        errors = st.dictionaries(st.integers(0, 60), st.sampled_from([1, 2, 4, 8]), max_size=2)
        # A frame that was heard is often heard again: polls, and replies that echo.
        again = st.lists(part, min_size=1, max_size=5).flatmap(lambda p: st.lists(st.sampled_from(p), max_size=12))
        return st.builds(place, again, errors)

    return st.one_of(of(osdp_sound), of(every_modbus_frame()), of(st.one_of(osdp_sound, every_modbus_frame())))


def modbus_octets() -> st.SearchStrategy[bytes]:
    """Anything that might be called a Modbus frame: noise; any data after any function, with a right CRC or none."""
    functions = st.one_of(st.sampled_from(sorted(FUNCTIONS)), st.integers(0, 255))
    heads = st.tuples(st.one_of(st.integers(0, 2), st.integers(0, 255)), functions).map(bytes)
    small = st.lists(st.one_of(st.integers(0, 16), st.integers(0, 255)), max_size=40).map(bytes)
    data = st.one_of(st.binary(max_size=40), small, st.binary(min_size=240, max_size=260))
    bodies = st.builds(bytes.__add__, heads, data)
    whole = bodies.map(lambda octets: octets + modbus_crc(octets).to_bytes(2, "little"))
    return st.one_of(st.binary(max_size=64), bodies, whole)


def modbus_values(layout: Layout) -> st.SearchStrategy[dict[str, Any]]:
    """Values that fit a layout, records and all; what counts something else is left out."""
    kinds: dict[Kind, st.SearchStrategy[Any]] = {
        Kind.BITS: st.lists(st.integers(0, 1), min_size=1, max_size=90),
        Kind.REGISTERS: st.lists(st.integers(0, 0xFFFF), min_size=1, max_size=20),
        Kind.OCTETS: st.binary(min_size=1, max_size=40).map(lambda octets: octets.hex().upper()),
        Kind.CHARACTERS: st.text(st.characters(max_codepoint=255), min_size=1, max_size=12),
    }

    def fixed(items: Sequence[Any]) -> st.SearchStrategy[dict[str, Any]]:
        counted = {item.counted_by for item in items if isinstance(item, (Run, Records))}
        parts: dict[str, st.SearchStrategy[Any]] = {}
        for item in items:
            if isinstance(item, Run):
                parts[item.name] = kinds[item.kind]
            elif isinstance(item, Number) and item.name not in counted:
                if item.words is not None and item.closed:
                    parts[item.name] = st.sampled_from(sorted(item.words))
                else:
                    parts[item.name] = st.integers(item.least, min(item.most, (1 << 8 * item.size) - 1))
        return st.fixed_dictionaries(parts)

    values = fixed(layout)
    for item in layout:
        if isinstance(item, Records):
            records = st.lists(fixed(item.items), min_size=1, max_size=3)
            values = st.builds(_with_records, values, st.just(item.name), records)
    return values


def _with_records(values: dict[str, Any], name: str, records: list[dict[str, Any]]) -> dict[str, Any]:
    return values | {f"{name}_{at + 1}" if at else name: record for at, record in enumerate(records)}


def modbus_almost_sound() -> st.SearchStrategy[tuple[Role, bytes]]:
    """A public function's request or reply with one octet of its data changed, more or less, or none; the CRC right."""

    def of(function: int, role: Role) -> st.SearchStrategy[tuple[Role, bytes]]:
        layout = layout_of(FUNCTIONS[function], role, IDENTIFICATION)
        more = {"mei_type": IDENTIFICATION} if function == 0x2B else {}
        data = modbus_values(layout or ()).map(lambda values: encode(function, role, values | more))
        return st.builds(_change, st.just(function), st.just(role), data, st.integers(0, 300), st.integers(-3, 255))

    return st.tuples(st.sampled_from(sorted(FUNCTIONS)), st.sampled_from([Role.REQUEST, Role.REPLY])).flatmap(
        lambda pair: of(*pair)
    )


def _change(function: int, role: Role, data: bytes, place: int, octet: int) -> tuple[Role, bytes]:
    at = place % (len(data) + 1)
    if octet >= 0:
        data = data[:at] + bytes((octet,)) + data[at + (place < 200) :]
    elif octet == -1:
        data = data[:at]
    body = bytes((1, function)) + data
    return role, body + modbus_crc(body).to_bytes(2, "little")


def modbus_ascii_traffic() -> st.SearchStrategy[tuple[list[bytes], list[bytes]]]:
    """Pieces of a line in ASCII mode, and those of them that are sound frames: also cut, changed, and noise between.

    Noise holds neither start nor end characters, so that no other frame can come about.
    """
    units = st.one_of(
        st.binary(min_size=2, max_size=20), st.binary(min_size=254, max_size=254), modbus_octets().map(lambda o: o[:-2])
    ).filter(lambda unit: 2 <= len(unit) <= 254)
    sound = units.map(to_ascii)
    allowed = [octet for octet in range(256) if octet & 0x7F not in b":\r\n"]
    noise = st.lists(st.sampled_from(allowed), min_size=1, max_size=20).map(bytes)

    def cut(frame: bytes, at: int) -> bytes:
        return frame[: 1 + at % (len(frame) - 2)]

    def changed(frame: bytes, at: int) -> bytes:
        place = 1 + at % (len(frame) - 3)
        other = b"1" if frame[place : place + 1] == b"0" else b"0"
        return frame[:place] + other + frame[place + 1 :]

    places = st.integers(0, 10**4)
    pieces = st.one_of(
        st.tuples(sound, st.just(True)),
        st.tuples(sound, st.just(True)),
        st.tuples(st.builds(cut, sound, places), st.just(False)),
        st.tuples(st.builds(changed, sound, places), st.just(False)),
        st.tuples(noise, st.just(False)),
    )
    return st.lists(pieces, max_size=8).map(
        lambda made: ([octets for octets, _ in made], [octets for octets, good in made if good])
    )
