"""What an answer in practice is worth: the cause, its place, and above all how far the learner's evidence proves it.

A name alone earns little: what tells a proven answer from a guess is the probability that benchtool itself gives the
true cause by what the learner has heard, measured, seen and tried. All weights are judgements of this project.
"""

from __future__ import annotations

from dataclasses import dataclass

CAUSE, PLACE, PROOF = 30, 10, 60
"""Points of a right answer. Where a fault has no place to be named, the proof counts for it."""
HINT, WRONG = 10, 15
FREE_MINUTES = 10.0
"""Work within so many minutes, or within the minutes of benchtool's own hunt, costs nothing."""
MINUTES_A_POINT = 2.0
MOST_WORK = 30
LEAST = 5
_SURE = 0.95
"""Proven is proven: more than this is not asked for."""
_ROOM = 0.05
"""Where benchtool's own hunt makes the cause hardly likelier than it is unheard, evidence is not judged by it."""


@dataclass(frozen=True, slots=True)
class Work:
    """What was known, and in how many minutes."""

    probability: float
    """Of the true cause, 0 to 1."""
    minutes: float


@dataclass(frozen=True, slots=True)
class Score:
    """The points of a right answer."""

    proof: int
    most_proof: int
    place: int | None
    """None where the fault has no place to be named."""
    work: int
    """Taken off for long work; so `hints` and `wrong`."""
    hints: int
    wrong: int
    mine: Work
    hunted: Work

    @property
    def total(self) -> int:
        """5 to 100."""
        got = CAUSE + self.proof + (self.place or 0)
        return max(LEAST, got - self.work - self.hints - self.wrong)

    def lines(self) -> list[str]:
        """How it came about."""
        found = [f"{CAUSE:3} of {CAUSE}  the cause"]
        if self.place is not None:
            found.append(f"{self.place:3} of {PLACE}  the place")
        found.append(
            f"{self.proof:3} of {self.most_proof}  the proof: what you gathered makes it {self.mine.probability:.0%} "
            f"probable, benchtool's own hunt {self.hunted.probability:.0%}"
        )
        if self.work:
            found.append(f"{-self.work:<3}        the work: {self._work_words()}")
        if self.hints:
            found.append(f"{-self.hints:<3}        hints")
        if self.wrong:
            found.append(f"{-self.wrong:<3}        wrong names")
        return found

    def _work_words(self) -> str:
        """So that the points can be worked out again from what is said."""
        hunt = f"{self.hunted.minutes:g}"
        free = f"{_free(self.hunted):g} of them free (benchtool's own hunt took {hunt})"
        late = self.mine.minutes - _free(self.hunted)
        capped = f", {MOST_WORK} at most" if late / MINUTES_A_POINT > MOST_WORK else ""
        return f"{self.mine.minutes:g} min, {free}; half a point for each of the other {late:g}{capped}"

    def as_object(self) -> dict[str, int | None]:
        """For `--json`."""
        return {
            "cause": CAUSE,
            "place": self.place,
            "proof": self.proof,
            "work": -self.work,
            "hints": -self.hints,
            "wrong": -self.wrong,
        }


def score(
    mine: Work, hunted: Work, *, before: float, place: bool | None, hints: int, wrong: int, gathered: bool
) -> Score:
    """The points of a right answer.

    `before`: probability of the cause while nothing is known; `hunted`: what benchtool's own hunt came to; `place`:
    whether the place was named rightly, None where there is none; `gathered`: whether anything is known at all.
    """
    share = _proven(mine, hunted, before) if gathered else 0.0
    most = PROOF if place is not None else PROOF + PLACE
    late = max(0.0, mine.minutes - _free(hunted)) / MINUTES_A_POINT
    return Score(
        round(most * share),
        most,
        None if place is None else PLACE * place,
        min(MOST_WORK, round(late)),
        HINT * hints,
        WRONG * wrong,
        mine,
        hunted,
    )


def _free(hunted: Work) -> float:
    """Minutes that cost nothing."""
    return max(FREE_MINUTES, hunted.minutes)


def _proven(mine: Work, hunted: Work, before: float) -> float:
    """0 to 1: how far on the way from nothing known to what the hunt came to."""
    goal = min(_SURE, hunted.probability)
    if goal - before < _ROOM:
        # The hunt does not find it either: then nobody can do more than as much work, and be as right.
        return min(1.0, mine.minutes / max(1.0, hunted.minutes))
    return min(1.0, max(0.0, (mine.probability - before) / (goal - before)))
