"""How good the diagnosis is on worked lines of seeds that the tables were never made from, beside a learned classifier.

    python -m benchtool.train draw /tmp/training.jsonl            # the lines that the tables were made from
    python -m benchtool.train draw /tmp/held-out.jsonl --seed 3003 --lines 1500
    python tests/benchmarks/bench_accuracy.py /tmp/training.jsonl /tmp/held-out.jsonl [--picture docs/confusion.png]

Prints figures, decides nothing. The classifier is scikit-learn's histogram gradient boosting, on the same symptoms; a
second one is given all meter readings too, which bounds what is in the evidence.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable
from pathlib import Path

import numpy as np
import numpy.typing as npt

from benchtool.diagnose import measurements, model
from benchtool.diagnose.finding import Cause
from benchtool.diagnose.model import CAUSES
from benchtool.diagnose.priors import PAIRS, PRIORS
from benchtool.diagnose.readings import METER, ByHand, Reading, kind_of
from benchtool.diagnose.symptoms import SYMPTOMS
from benchtool.diagnose.weigh import Belief, believe, levelled
from benchtool.train.__main__ import read
from benchtool.train.gather import shows
from benchtool.train.sample import Sample

Floats = npt.NDArray[np.float64]
SINGLES = (Cause.HEALTHY, *CAUSES)
HIDDEN = frozenset((Cause.STUB_TOO_LONG, Cause.CLOCK_OFF))
"""Causes that mostly leave no mark, or that of a silent device (docs/diagnosis.md)."""
FIXED_ORDER = (
    "ab-idle", "a-idle", "b-idle", "ab-idle@", "supply@", "ground-volts@", "ab-ohms", "ab-ohms-far", "a-ground-ohms",
    "b-ground-ohms",
)  # fmt: skip
"""Quick ones first, then at the device, then those that need the power off: a sensible round (common practice)."""


def places_of(one: Sample) -> dict[Cause, dict[int, float]]:
    """The place as told: the benchmark is of causes, and the readings are of the device at fault."""
    return {cause: {one.address if one.address is not None else 0: 1.0} for cause in CAUSES}


def rate_of(one: Sample) -> int | None:
    """The bus's rate, which nobody knows where the receiver is set to another."""
    return None if Cause.BAUD_WRONG in one.causes else one.baud


def reading_of(one: Sample, kind: str) -> Reading | None:
    """What the meter would read on this line."""
    name = f"{kind}that" if kind.endswith("@") else kind
    value = one.readings.get(name)
    address = (one.address if one.address is not None else 0) if kind.endswith("@") else None
    return None if value is None else Reading(kind, value, address)


def all_readings(one: Sample) -> ByHand:
    """Every meter reading of the line."""
    taken = [reading_of(one, kind.name) for kind in METER]
    return ByHand(tuple(reading for reading in taken if reading is not None))


def scope_of(one: Sample) -> ByHand:
    """The waveform's figures."""
    return ByHand(scope={name: value for name, value in one.readings.items() if name.startswith("scope-")})


def weighed(one: Sample, hand: ByHand) -> Belief:
    """The line's octets and what was measured, as the diagnosis weighs them."""
    return believe(one.symptoms, hand, one.length_m, places_of(one), rate_of(one))


def top(belief: Belief, count: int = 1) -> list[Cause]:
    """The leading causes."""
    present = belief.present()
    return sorted(present, key=lambda cause: -present[cause])[:count]


def single(one: Sample) -> Cause:
    """The cause of a line that has one, or none."""
    return one.causes[0] if one.causes else Cause.HEALTHY


def features(samples: list[Sample]) -> Floats:
    """Symptoms as numbers, NaN where not seen."""
    return np.array(
        [[np.nan if (v := one.symptoms.get(s.name)) is None else float(v) for s in SYMPTOMS] for one in samples]
    )


def octets_only(training: list[Sample], held: list[Sample], picture: Path | None) -> None:
    """Accuracy from octets alone, causes as often as they are drawn (train.gather), beside the classifier."""
    from sklearn.ensemble import HistGradientBoostingClassifier

    alike = np.log([4.0, *(2.0 if cause is Cause.NONE_OF_THESE else 1.0 for cause in CAUSES)])
    tables = model.load()
    ours = [SINGLES[int(np.argmax(tables.scores(one.symptoms)[: len(SINGLES)] + alike))] for one in held]
    truth = [single(one) for one in held]
    mine = float(np.mean([a is b for a, b in zip(ours, truth, strict=True)]))
    classifier = HistGradientBoostingClassifier(max_iter=150, learning_rate=0.06, l2_regularization=1.0, random_state=1)
    classifier.fit(features(training), [single(one).value for one in training])
    theirs = float(classifier.score(features(held), [one.value for one in truth]))
    print(f"octets only, {len(held)} lines, one cause or none: ours {mine:.3f}, boosted trees {theirs:.3f}, "
          f"ratio {mine / theirs:.3f}")  # fmt: skip
    for cause in SINGLES:
        rows = [a for a, b in zip(ours, truth, strict=True) if b is cause]
        if rows:
            common = sorted(set(rows), key=lambda one: -rows.count(one))[:4]
            said = ", ".join(f"{one.value} {rows.count(one) / len(rows):.0%}" for one in common)
            print(f"  {cause.value:26} {len(rows):4}  {said}")
    if picture is not None:
        draw_confusion(truth, ours, picture)


def everything(samples: list[Sample]) -> Floats:
    """Symptoms, all meter readings, length, length times rate, and what a person would work out; NaN where unknown."""
    rows = []
    for one in samples:
        taken = {reading.kind: kind_of(reading.kind).scale(reading.value) for reading in all_readings(one).readings}
        row = [taken.get(kind.name, np.nan) for kind in METER] + [np.log(max(1.0, one.length_m))]
        rate = rate_of(one)
        row.append(np.nan if rate is None else np.log(one.length_m * rate))
        pairs = (("ab-ohms", "ab-ohms-far"), ("a-ground-ohms", "b-ground-ohms"), ("ab-idle", "ab-idle@"))
        rows.append(row + [taken.get(left, np.nan) - taken.get(right, np.nan) for left, right in pairs])
    return np.hstack((features(samples), np.array(rows)))


def bound(training: list[Sample], held: list[Sample]) -> None:
    """What boosted trees that were given all of the evidence reach, trained on lines of the same making.

    For lines with one cause or none: one classifier. For two causes: one for each cause, whether it is at work.
    """
    from sklearn.ensemble import HistGradientBoostingClassifier

    def trees() -> HistGradientBoostingClassifier:
        return HistGradientBoostingClassifier(
            max_iter=80, learning_rate=0.08, max_leaf_nodes=15, l2_regularization=1.0, random_state=1
        )

    ones, twos = ([one for one in held if (len(one.causes) == 2) is both] for both in (False, True))
    alone = [one for one in training if len(one.causes) < 2]
    said = trees().fit(everything(alone), [single(one).value for one in alone]).predict(everything(ones))
    theirs = [told == single(one).value for told, one in zip(said, ones, strict=True)]
    alike = np.log([4.0, *(2.0 if cause is Cause.NONE_OF_THESE else 1.0 for cause in CAUSES)])
    ours = []
    for one in ones:
        logs = weighed(one, all_readings(one)).log_likelihood[: len(SINGLES)]
        ours.append(SINGLES[int(np.argmax(logs + alike))] is single(one))
    marked = np.array([shows(one.causes, one.symptoms) for one in ones])
    for name, rows in (("all lines", np.ones(len(ones), dtype=bool)), ("lines with a mark", marked)):
        mine, other = np.mean(np.array(ours)[rows]), np.mean(np.array(theirs)[rows])
        print(
            f"octets and meter, causes as often as drawn, {name} ({rows.sum()}): ours {mine:.3f}, boosted trees of "
            f"{len(alone)} lines {other:.3f}, ratio {mine / other:.3f}"
        )
    given, asked = everything(training), everything(twos)
    chances = np.zeros((len(twos), len(CAUSES)))
    for column, cause in enumerate(CAUSES):
        present = np.array([cause in one.causes for one in training])
        if present.any():
            chances[:, column] = trees().fit(given, present).predict_proba(asked)[:, 1]
    firsts = [{CAUSES[place] for place in row} for row in np.argsort(-chances, axis=1)[:, :3]]
    theirs = [set(one.causes) <= first for one, first in zip(twos, firsts, strict=True)]
    beliefs = [weighed(one, all_readings(one)) for one in twos]
    ours = [set(one.causes) <= set(top(belief, 3)) for one, belief in zip(twos, beliefs, strict=True)]
    print(
        f"two causes, octets and meter, both in the first three: ours {np.mean(ours):.3f}, boosted trees of "
        f"{len(training)} lines {np.mean(theirs):.3f}, ratio {np.mean(ours) / np.mean(theirs):.3f}"
    )
    lost = []
    for cause in CAUSES:
        rows_of = [top(belief, 3) for one, belief in zip(twos, beliefs, strict=True) if cause in one.causes]
        if rows_of:
            lost.append((sum(cause not in row for row in rows_of), len(rows_of), cause.value))
    lost.sort(key=lambda row: -row[0] / row[1])
    print("  not in the first three: " + ", ".join(f"{name} {count}/{whole}" for count, whole, name in lost[:14]))
    hard = [HIDDEN.isdisjoint(one.causes) for one in twos]
    print(
        f"  of the {sum(hard)} without {', '.join(sorted(cause.value for cause in HIDDEN))}: ours "
        f"{np.mean(np.array(ours)[hard]):.3f}, trees {np.mean(np.array(theirs)[hard]):.3f}"
    )


def draw_confusion(truth: list[Cause], said: list[Cause], path: Path) -> None:
    """The confusion matrix as a picture: rows true, columns said, share of each row."""
    from matplotlib.figure import Figure

    table = np.zeros((len(SINGLES), len(SINGLES)))
    for true, one in zip(truth, said, strict=True):
        table[SINGLES.index(true), SINGLES.index(one)] += 1
    shares = table / np.maximum(1, table.sum(axis=1, keepdims=True))
    figure = Figure(figsize=(11, 10), layout="constrained")
    axes = figure.subplots()
    axes.imshow(shares, cmap="Greys", vmin=0, vmax=1)
    names = [cause.value for cause in SINGLES]
    axes.set_xticks(range(len(names)), names, rotation=90, fontsize=7)
    axes.set_yticks(range(len(names)), names, fontsize=7)
    axes.set_xlabel("said, from octets alone")
    axes.set_ylabel("true")
    for row, column in zip(*np.nonzero(shares >= 0.1), strict=True):
        share = shares[row, column]
        axes.text(
            column, row, f"{100 * share:.0f}", ha="center", va="center", fontsize=6, color="w" if share > 0.5 else "k"
        )
    figure.savefig(path, dpi=110)


def with_readings(held: list[Sample], take: Callable[[Sample], ByHand], name: str) -> None:
    """Accuracy with meter readings, or with a waveform too."""
    right, each = 0, {cause: [0, 0] for cause in SINGLES}
    seen, named_rightly = [], 0
    for one in held:
        belief = weighed(one, take(one))
        shown, group = levelled(belief, belief.present())
        said = max(shown, key=lambda cause: shown[cause])
        right += said is single(one)
        named_rightly += said is single(one) or single(one) in group
        each[single(one)][0] += said is single(one)
        each[single(one)][1] += 1
        if shows(one.causes, one.symptoms):
            seen.append(said is single(one))
    print(
        f"octets and {name}: {right / len(held):.3f} of {len(held)}; named or in the group named "
        f"{named_rightly / len(held):.3f}; {np.mean(seen):.3f} of the {len(seen)} whose cause left a mark anywhere"
    )
    worst = sorted((c for c in SINGLES if each[c][1]), key=lambda c: each[c][0] / each[c][1])[:8]
    print("  lowest: " + ", ".join(f"{c.value} {each[c][0]}/{each[c][1]}" for c in worst), flush=True)


def calibration(held: list[Sample], take: Callable[[Sample], ByHand], name: str) -> None:
    """Expected calibration error and false alarms, on lines weighted to the priors that the diagnosis assumes."""
    counts: dict[frozenset[Cause], int] = {}
    for one in held:
        key = frozenset(one.causes) if len(one.causes) < 2 else frozenset((Cause.HEALTHY, Cause.NONE_OF_THESE))
        counts[key] = counts.get(key, 0) + 1
    rows, answers = [], []
    alarms = heard = 0.0
    for one in held:
        belief = weighed(one, take(one))
        shown, group = levelled(belief, belief.present())
        leader = max(shown, key=lambda cause: shown[cause])
        if len(one.causes) == 2:
            weight = PAIRS / counts[frozenset((Cause.HEALTHY, Cause.NONE_OF_THESE))]
        else:
            weight = (1 - PAIRS) * PRIORS[single(one)] / sum(PRIORS.values()) / counts[frozenset(one.causes)]
        true = one.causes or (Cause.HEALTHY,)
        rows.append((shown[leader], float(leader in true), weight))
        answer = group or (leader,)
        answers.append((min(1.0, sum(shown[cause] for cause in answer)), float(bool(set(answer) & set(true))), weight))
        if not one.causes:
            heard += 1
            alarms += leader is not Cause.HEALTHY
    error, line = expected_error(rows)
    of_answers, _ = expected_error(answers)
    print(
        f"calibration, {name}: error {error:.3f} of the leading cause, {of_answers:.3f} of the answer (the group, "
        f"where one is named); healthy called faulty {alarms / max(1, heard):.3f} of {heard:.0f}"
    )
    print("  said → true: " + ", ".join(line))


def expected_error(rows: list[tuple[float, float, float]]) -> tuple[float, list[str]]:
    """Expected calibration error over ten bins, and each bin in words; rows: said, whether true, weight."""
    sure, right, weights = map(np.array, zip(*rows, strict=True))
    place = np.minimum(9, (sure * 10).astype(int))
    error = 0.0
    line = []
    for bin_ in range(10):
        mask = place == bin_
        if mask.any():
            mean, share = np.average(sure[mask], weights=weights[mask]), np.average(right[mask], weights=weights[mask])
            error += weights[mask].sum() * abs(mean - share)
            line.append(f"{mean:.2f}→{share:.2f} ({mask.sum()})")
    return float(error / weights.sum()), line


def two_at_once(held: list[Sample], take: Callable[[Sample], ByHand], name: str) -> None:
    """Both of two causes among the first three."""
    both = [set(one.causes) <= set(top(weighed(one, take(one)), 3)) for one in held]
    print(f"two causes, {name}: both in the first three {np.mean(both):.3f} of {len(held)}")


def following(held: list[Sample]) -> None:
    """Measurements taken until what is shown is 95 % certain: as suggested, and in a fixed order.

    A line that never gets so far counts with all its readings; how many do, and how often they are right, is said too,
    and the ratio over the lines that need readings and get there in both orders.
    """
    both: list[list[tuple[int, Cause | None]]] = []
    for name, order in (("as suggested", None), ("in a fixed order", FIXED_ORDER)):
        rows = [count_until_sure(one, places_of(one), order) for one in held]
        taken = [count for count, _ in rows]
        both.append(rows)
        sure = [said is single(one) for one, (_, said) in zip(held, rows, strict=True) if said is not None]
        print(
            f"measurements until 95 % certain, {name}: {np.mean(taken):.2f} (lines that need any: "
            f"{np.mean([count for count in taken if count] or [0]):.2f}); {len(sure)} of {len(held)} lines get there, "
            f"right {np.mean(sure) if sure else 0:.3f}"
        )
        if order is None:
            ours = sum(taken)
        else:
            print(f"  ratio {ours / max(1, sum(taken)):.2f}")
    sure_in_both = [(a[0], b[0]) for a, b in zip(*both, strict=True) if a[1] and b[1] and (a[0] or b[0])]
    print(
        f"  ratio over the {len(sure_in_both)} lines that get there in both, and need readings: "
        f"{sum(a for a, _ in sure_in_both) / max(1, sum(b for _, b in sure_in_both)):.2f}"
    )


def count_until_sure(
    one: Sample, at: dict[Cause, dict[int, float]], order: tuple[str, ...] | None
) -> tuple[int, Cause | None]:
    """How many readings it takes, and the cause; all of them and None, if they do not suffice."""
    hand, taken = ByHand(), 0
    while True:
        belief = weighed(one, hand)
        shown, named = levelled(belief, belief.present())
        leader = max(shown, key=lambda cause: shown[cause])
        if shown[leader] >= 0.95:
            return taken, leader
        if order is None:
            names = [
                choice.what.name
                for choice in measurements.choices(belief, hand, one.length_m, at, named)
                if choice.what.name in FIXED_ORDER
            ]
        else:
            names = [name for name in order if name not in {reading.kind for reading in hand.readings}]
        reading = next((found for name in names if (found := reading_of(one, name)) is not None), None)
        if reading is None:
            return taken, None
        hand = hand + ByHand((reading,))
        taken += 1


def main() -> None:
    """Print all figures."""
    parser = argparse.ArgumentParser()
    parser.add_argument("training", type=Path)
    parser.add_argument("held_out", type=Path)
    parser.add_argument("--picture", type=Path)
    options = parser.parse_args()
    training, held = read(options.training), read(options.held_out)
    singles = [one for one in held if len(one.causes) < 2]
    pairs = [one for one in held if len(one.causes) == 2]
    octets_only([one for one in training if len(one.causes) < 2], singles, options.picture)
    nothing: Callable[[Sample], ByHand] = lambda one: ByHand()  # noqa: E731
    with_readings(singles, all_readings, "all meter readings")
    with_readings(singles, lambda one: all_readings(one) + scope_of(one), "meter and scope")
    calibration(held, nothing, "octets")
    calibration(held, all_readings, "octets and meter")
    two_at_once(pairs, nothing, "octets")
    two_at_once(pairs, all_readings, "octets and meter")
    bound(training, held)
    following(singles[:: max(1, len(singles) // 300)])


if __name__ == "__main__":
    main()
