"""Measures the explorer on invented protocols, and makes its calibration.

python -m benchtool.train.explorer measure --count 300 --seed 1
python -m benchtool.train.explorer checks --count 300 --seed 1
python -m benchtool.train.explorer calibrate --count 600 --seed 1001
"""

from __future__ import annotations

import argparse
import random
import time
from collections import defaultdict
from pathlib import Path

from benchtool.explore.check_search import search
from benchtool.explore.claims import What, confidence
from benchtool.explore.explore import explore
from benchtool.explore.invented import draw, draw_check, traffic
from benchtool.explore.judge import Verdict, missing, same_check, verdicts
from benchtool.frames.check_value import CheckKind, CheckValue
from benchtool.frames.crc_catalogue import CATALOGUE

_LUMPS = (0, 0, 1_000_000, 16_000_000)
_DAMAGE = (0.0, 0.001, 0.003)
_BINS = 5
_LEAST = 12


def main() -> None:
    """Run one of the three."""
    parser = argparse.ArgumentParser(prog="python -m benchtool.train.explorer")
    parser.add_argument("job", choices=("measure", "checks", "calibrate"))
    parser.add_argument("--count", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--verbose", action="store_true")
    given = parser.parse_args()
    if given.job == "checks":
        checks(given.count, given.seed, given.verbose)
        return
    every = run(given.count, given.seed, given.verbose)
    if given.job == "calibrate":
        calibrate(every)


def run(count: int, seed: int, verbose: bool) -> list[Verdict]:
    """Explore so many invented buses; prints what was right, and whether confidences say so."""
    every: list[Verdict] = []
    absent: dict[What, int] = defaultdict(int)
    longest = 0.0
    for one in range(seed, seed + count):
        made = draw(one)
        chooser = random.Random(one)
        heard = traffic(
            made,
            one,
            frames=chooser.choice((60, 120, 240)),
            damage=chooser.choice(_DAMAGE),
            lump_ns=chooser.choice(_LUMPS),
            marks=chooser.random() < 0.5,
        )
        began = time.process_time()
        found = explore(heard.chunks, heard.info)
        longest = max(longest, time.process_time() - began)
        judged = verdicts(found, made, heard)
        every += judged
        for what in missing(found, made):
            absent[what] += 1
        if verbose:
            wrong = [verdict.what.value for verdict in judged if not verdict.right]
            lacks = [what.value for what in missing(found, made)]
            if wrong or lacks:
                print(one, "lump", heard.info.resolution_ns // 1_000_000, "wrong", wrong, "lacks", lacks)
    print(f"{count} invented buses, seeds {seed} to {seed + count - 1}; longest {longest:.1f} s")
    print("claim             made  right  listed  missing   mean confidence  share right")
    for what in What:
        rows = [verdict for verdict in every if verdict.what is what]
        if not rows:
            continue
        right = sum(verdict.right for verdict in rows)
        listed = sum(verdict.listed for verdict in rows)
        said = sum(confidence(what, verdict.score) for verdict in rows) / len(rows)
        counts = f"{len(rows):>5} {right:>6} {listed:>7} {absent[what]:>8}"
        print(f"{what.value:<16} {counts} {said:>17.3f} {right / len(rows):>12.3f}")
    said_all = [(confidence(verdict.what, verdict.score), verdict.right) for verdict in every]
    print("confidence said   claims  share right")
    for low, high in ((0, 0.5), (0.5, 0.7), (0.7, 0.85), (0.85, 0.95), (0.95, 1.01)):
        part = [right for value, right in said_all if low <= value < high]
        if part:
            print(f"{low:.2f} to {min(high, 1):.2f} {len(part):>11} {sum(part) / len(part):>12.3f}")
    return every


def calibrate(every: list[Verdict]) -> None:
    """Write the calibration from what was right: for each claim, scores in bins of like size."""
    lines = [
        "# Made by `python -m benchtool.train.explorer calibrate`: for each claim, rows [score up to, right, all].",
    ]
    for what in What:
        rows = sorted((verdict.score, verdict.right) for verdict in every if verdict.what is what)
        if not rows:
            continue
        size = max(20, len(rows) // _BINS)
        same: dict[float, list[int]] = {}
        for score, right in rows:
            counts = same.setdefault(score, [0, 0])
            counts[0] += right
            counts[1] += 1
        edges: list[list[float]] = []
        for score, (good, total) in same.items():
            full = edges and (edges[-1][2] >= size or (total >= size and edges[-1][2] >= _LEAST))
            if not edges or full:
                edges.append([score, good, total])
            else:
                edges[-1] = [score, edges[-1][1] + good, edges[-1][2] + total]
        if len(edges) > 1 and edges[-1][2] < _LEAST:
            last = edges.pop()
            edges[-1] = [last[0], edges[-1][1] + last[1], edges[-1][2] + last[2]]
        edges[-1][0] = 1e9
        shown = ", ".join(f"[{round(upto, 6)}, {int(right)}, {int(total)}]" for upto, right, total in edges)
        lines.append(f"{what.value} = [{shown}]")
    path = Path(__file__).parent.parent / "explore" / "calibration.toml"
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    print(f"written: {path}")


def checks(count: int, seed: int, verbose: bool) -> None:
    """The search alone: 40 frames, 1 % of the octets damaged, the catalogue in turn, with sums and others."""
    right = first = listed = 0
    longest = 0.0
    rows = [row for row in CATALOGUE if row.width >= 8]
    for one in range(count):

        def chosen(chooser: random.Random, one: int = one) -> CheckValue:
            if one % 4 == 3:
                return draw_check(chooser)
            row = rows[one % len(rows)]
            start, little = chooser.choice((0, 0, 1)), chooser.random() < 0.5
            parameters = (row.poly, row.init, row.refin, row.refout, row.xorout)
            return CheckValue(CheckKind.CRC, row.width, start, 0, 0, little, False, False, *parameters, name=row.name)

        made = draw(seed + one, check=chosen)
        heard = traffic(made, seed + one, frames=40, damage=0.01)
        began = time.process_time()
        result = search([chunk.octets for chunk in heard.chunks])
        longest = max(longest, time.process_time() - began)
        flags = [same_check(explanation.check, made) for explanation in result.explanations]
        first += flags[:1] == [True]
        listed += any(flags)
        right += bool(flags) and all(flags)
        if verbose and not any(flags):
            print(seed + one, made.check, [e.check for e in result.explanations], result.distinct, result.notes)
    print(
        f"{count} protocols, 40 frames, 1 % of octets damaged: first {first / count:.1%}, listed {listed / count:.1%}, "
        f"alone {right / count:.1%}; longest {longest:.2f} s"
    )


if __name__ == "__main__":
    main()
