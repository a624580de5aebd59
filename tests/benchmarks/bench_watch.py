"""The live screen: its CPU beside a bare list of as many rows, the time from key to paint, and an hour at full load.

Run: `python tests/benchmarks/bench_watch.py` (two minutes); `… soak` (an hour of bus time, four minutes).
The list is prompt_toolkit alone: one control that draws as many rows of the same texts, at the same rate. Each runs in
a process of its own with a terminal that is a buffer. The screen plays a capture of a full line at its own speed. The
list neither listens nor decodes, so the CPU time of the thread that paints is compared; those of the threads that
listen and diagnose, and of the whole process, stand beside it. Targets: the painting thread at most 1.5 times the
list; key to paint at most 50 ms in the median on a full line of 115200 bit/s; flat memory.
"""

from __future__ import annotations

import io
import json
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from statistics import median

sys.path.insert(0, str(Path(__file__).parent.parent.parent))

from prompt_toolkit.application import Application
from prompt_toolkit.data_structures import Size
from prompt_toolkit.input import create_pipe_input
from prompt_toolkit.key_binding import KeyBindings
from prompt_toolkit.layout import Layout, Window
from prompt_toolkit.layout.controls import UIContent, UIControl
from prompt_toolkit.output.vt100 import Vt100_Output

from benchtool.capture.chunk import Chunk, Item, LineErrors, TapInfo
from benchtool.capture.files import Recorder
from benchtool.capture.settings import LineSettings
from benchtool.frames.decoders import UNTOLD
from benchtool.frames.osdp.build import build_frame
from benchtool.frames.osdp.keys import KeyRing
from benchtool.screens.watch_app import RATE_HZ, Canvas, make_app, run_app
from benchtool.screens.watch_desk import Desk
from benchtool.screens.watch_diagnosis import Worker
from benchtool.screens.watch_glyphs import BLOCKS
from benchtool.screens.watch_look import Look
from benchtool.screens.watch_pace import Pace
from benchtool.screens.watch_pump import Pump
from benchtool.screens.watch_source import Source
from benchtool.screens.watch_state import Model
from benchtool.taps.address import open_tap
from benchtool.taps.tap import Tap

SETTINGS = LineSettings(115200)
SIZE = Size(24, 80)
SECONDS = 12.0


def saturated(until_ns: int | None = None) -> Iterator[Chunk]:
    """OSDP polls and answers of 16 devices, two characters apart: a line of 115200 bit/s as full as it can be."""
    pairs = [
        [
            build_frame(address, code, data, sequence=number, crc=True, reply=bool(code == 0x40))
            for code, data in ((0x60, b""), (0x40, b""))
        ]
        for number in (1, 2, 3)
        for address in range(16)
    ]
    now_ns = 0
    while until_ns is None or now_ns < until_ns:
        for pair in pairs:
            for octets in pair:
                end_ns = now_ns + len(octets) * SETTINGS.char_ns
                yield Chunk(now_ns, end_ns, octets)
                now_ns = end_ns + 2 * SETTINGS.char_ns


class FullTap(Tap):
    """The saturated line in real time, like an adapter with exact times."""

    def __init__(self) -> None:
        self._chunks = saturated()
        self._held = next(self._chunks)
        self._origin_ns = 0

    def open(self) -> None:
        self._origin_ns = time.monotonic_ns()

    def close(self) -> None:
        pass

    @property
    def info(self) -> TapInfo:
        return TapInfo("saturated", SETTINGS, LineErrors.MARKED)

    @property
    def ended(self) -> bool:
        return False

    @property
    def now_ns(self) -> int:
        return time.monotonic_ns() - self._origin_ns

    def read(self, timeout_s: float) -> list[Item]:
        until_ns = self.now_ns
        if self._held.end_ns > until_ns:
            time.sleep(0.004)  # as lumps of a USB adapter come
            until_ns = self.now_ns
        items: list[Item] = []
        while self._held.end_ns <= until_ns:
            items.append(self._held)
            self._held = next(self._chunks)
        return items


def output() -> Vt100_Output:
    """A terminal that nobody looks at."""
    return Vt100_Output(io.StringIO(), lambda: SIZE, term="xterm")


class TimedPump(Pump):
    """Keeps the CPU time of its thread, which is gone once it has ended."""

    cpu_s = 0.0

    def _run(self) -> None:
        super()._run()
        self.cpu_s = time.thread_time()


def desk_at(tap: Tap) -> Desk:
    """A screen's inside at that tap."""
    look, model, pace = Look(), Model(UNTOLD, KeyRing()), Pace()
    source = Source("saturated", None, pace, lambda *_: tap)
    return Desk(model, look, TimedPump(model, source, pace, Worker(model.take_found), tell=look.tell))


def write_capture(path: str) -> None:
    """Somewhat more of the full line than is played."""
    recorder = Recorder(path, TapInfo("saturated", SETTINGS, LineErrors.MARKED))
    recorder.open()
    for chunk in saturated(round((SECONDS + 3) * 1e9)):
        recorder.write(chunk)
    recorder.close()


def watched() -> dict[str, float]:
    """Run the screen on a saturated line; press a key ten times a second, and measure until the picture is out."""
    desk = desk_at(FullTap())
    delays: list[float] = []
    pressed: list[float] = []
    paint = Canvas.paint
    with create_pipe_input() as pipe:
        app = make_app(desk, BLOCKS, input=pipe, output=output())
        app.after_render += lambda _: delays.append(time.perf_counter() - pressed.pop()) if pressed else None
        cpu: dict[str, float] = {}

        def keys() -> None:
            end = time.perf_counter() + SECONDS
            while time.perf_counter() < end:
                time.sleep(0.1)
                if not pressed:
                    pressed.append(time.perf_counter())
                    pipe.send_text("\x1b[A")
            pipe.send_text("q")

        desk.pump.open()
        desk.pump.worker.start()
        desk.pump.start()
        typist = threading.Thread(target=keys)
        typist.start()
        begun = time.thread_time(), time.process_time()
        run_app(app)
        cpu["painting"] = time.thread_time() - begun[0]
        cpu["process"] = time.process_time() - begun[1]
        typist.join()
        desk.pump.finish()
    assert Canvas.paint is paint
    figures = desk.model.figures()
    return cpu | {
        "keys": len(delays),
        "median_ms": median(delays) * 1e3,
        "p95_ms": sorted(delays)[int(len(delays) * 0.95)] * 1e3,
        "octets_per_s": figures.octets / (figures.elapsed_ns / 1e9),
        "load": figures.bus_load,
        "diagnosis_ms": median(desk.pump.worker.costs_ns or [0]) / 1e6,
    }


def idle_screen(make: Callable[[], Application[None]], feed: Desk | None) -> dict[str, float]:
    """CPU of painting at the fixed rate with nobody typing."""
    app = make()
    timer = threading.Timer(SECONDS, lambda: app.loop and app.loop.call_soon_threadsafe(app.exit))
    if feed is not None:
        feed.pump.open()
        feed.pump.worker.start()
        feed.pump.start()
    timer.start()
    begun = time.thread_time(), time.process_time()
    run_app(app)
    used = {"painting": time.thread_time() - begun[0], "process": time.process_time() - begun[1]}
    if feed is not None:
        feed.pump.finish()
        assert isinstance(feed.pump, TimedPump)
        first, *later = feed.pump.worker.costs_ns
        used |= {"listening": feed.pump.cpu_s, "diagnosis": sum(later) / 1e9, "first diagnosis": first / 1e9}
    return used


class BareList(UIControl):
    """As many rows as the screen, every one new at each paint, as traffic is."""

    def __init__(self) -> None:
        self.number = 0

    def create_content(self, width: int, height: int) -> UIContent:
        self.number += height
        first = self.number
        return UIContent(
            lambda row: [
                ("", f"  {(first + row) / 1e3:9.4f}    40.0 -> {row:<3} ok        POLL poll: sequence 1".ljust(width))
            ],
            height,
            show_cursor=False,
        )


def bare() -> Application[None]:
    """prompt_toolkit alone."""
    return Application(
        Layout(Window(BareList(), always_hide_cursor=True)),
        key_bindings=KeyBindings(),
        full_screen=True,
        output=output(),
    )


def one(kind: str) -> dict[str, float]:
    """One measurement, in this process."""
    if kind == "keys":
        return watched()
    with create_pipe_input() as pipe:
        if kind == "list":
            return idle_screen(lambda: _with_input(bare(), pipe), None)
        with tempfile.TemporaryDirectory() as folder:
            path = str(Path(folder) / "full.pcapng")
            write_capture(path)
            desk = desk_at(open_tap(path))
            return idle_screen(lambda: make_app(desk, BLOCKS, input=pipe, output=output()), desk)


def _with_input(app: Application[None], pipe: object) -> Application[None]:
    app.input = pipe  # type: ignore[assignment]  # a bare list takes no keys
    return app


def measure() -> None:
    """All in processes of their own, in turn."""
    found: dict[str, list[dict[str, float]]] = {"list": [], "screen": [], "keys": []}
    for _ in range(3):
        for kind, rows in found.items():
            done = subprocess.run([sys.executable, __file__, kind], capture_output=True, text=True, check=True)
            rows.append(json.loads(done.stdout))
    middle = {kind: {name: median(row[name] for row in rows) for name in rows[0]} for kind, rows in found.items()}
    base = middle["list"]["painting"]
    print(f"{SIZE.columns}x{SIZE.rows}, {RATE_HZ:g} pictures/s, {SECONDS:g} s, medians of 3 runs")
    print(f"bare list:           painting {base / SECONDS:6.2%} of a core")
    for kind in ("screen", "keys"):
        row = middle[kind]
        print(
            f"{kind:20} painting {row['painting'] / SECONDS:6.2%} of a core "
            f"({row['painting'] / base:.2f} times the list), whole process {row['process'] / SECONDS:6.2%}"
        )
    row = middle["screen"]
    print(
        f"  of the screen's process: listening, decoding and counting {row['listening'] / SECONDS:.2%}, "
        f"diagnosis {row['diagnosis'] / SECONDS:.2%}, "
        f"and {row['first diagnosis']:.2f} s once, in which its tables are loaded; "
        f"the whole is {row['process'] / base:.1f} times the list, which does none of these"
    )
    row = middle["keys"]
    print(
        f"key to paint: median {row['median_ms']:.1f} ms, 95 % {row['p95_ms']:.1f} ms over "
        f"{row['keys']:.0f} keys; line at {row['octets_per_s']:.0f} octets/s, load {row['load']:.0%}; "
        f"a diagnosis costs {row['diagnosis_ms']:.0f} ms"
    )


def resident_mib() -> float:
    """What this process holds now."""
    text = Path("/proc/self/status").read_text()
    return int(next(line for line in text.splitlines() if line.startswith("VmRSS")).split()[1]) / 1024


def soak(minutes: int = 60) -> None:
    """An hour of a full line in bus time, as fast as it goes, painted once a second of bus time."""
    desk = desk_at(FullTap())
    model = desk.model
    model.begin(TapInfo("saturated", SETTINGS, LineErrors.MARKED), 0)
    canvas = Canvas(desk, BLOCKS)
    second, marks = 0, []
    begun = time.perf_counter()
    for chunk in saturated(minutes * 60_000_000_000):
        with model.lock:
            model.hear(chunk)
        if chunk.end_ns // 1_000_000_000 > second:
            second = chunk.end_ns // 1_000_000_000
            canvas.paint(80, 24)
            if second % 30 == 0:
                desk.pump.worker.work(model.work())
            if second in (60, 300) or second % 900 == 0:
                marks.append(resident_mib())
                print(f"{second // 60:3} min of bus time: {marks[-1]:.1f} MiB, {model.octets} octets", flush=True)
    print(f"{time.perf_counter() - begun:.0f} s here; grew by {marks[-1] - marks[0]:.1f} MiB after the first minute")


if __name__ == "__main__":
    if "soak" in sys.argv[1:]:
        soak()
    elif len(sys.argv) > 1:
        print(json.dumps(one(sys.argv[1])))
    else:
        measure()
