"""benchtool's own hunt on a practice installation, told answer by answer for somebody who learns the words."""

from __future__ import annotations

import re
from collections.abc import Mapping

from benchtool.commands.practice_game import Replayed
from benchtool.commands.practice_score import Work
from benchtool.diagnose.card_advice import CARD_ADVICE
from benchtool.diagnose.card_finding import CardCause
from benchtool.diagnose.finding import Cause
from benchtool.diagnose.hunt import Hunt
from benchtool.diagnose.hunt_card import CardHunt
from benchtool.diagnose.hunt_end import learned, weighed
from benchtool.diagnose.hunt_question import Answer
from benchtool.reports.folded import UNFOLDED
from benchtool.reports.hunt_text import answer_words, learned_lines, result_lines
from benchtool.reports.practice_text import cause_words
from benchtool.reports.practice_words import short


class Replay:
    """Collects the steps of a hunt."""

    def __init__(self) -> None:
        self._lines = ["benchtool's own hunt:"]
        self._steps = 0
        self._causes: dict[str, None] = {}

    def took(
        self, typed: str, answer: Answer, before: Mapping[str, float], after: Mapping[str, float], unit: str
    ) -> None:
        """One answer: the line that a learner would have typed for it, what it said, and what that changed."""
        if not answer.text and answer.name == "address":
            return  # nobody seems dead: there is no address to tell
        self._steps += 1
        said = answer_words(answer).removeprefix(f"{answer.name}: ")
        if said == answer.text and unit and re.fullmatch(r"-?[0-9.]+k?", said):
            said = f"{said.removesuffix('k')} {'k' if said.endswith('k') else ''}{unit}"
        words = short(answer.name)
        done = f"{typed}{f' ({words})' if words else ''}: {said}" if answer.name != "listen" else typed
        self._lines += [f"{self._steps}. {done}", *learned_lines(before, after, UNFOLDED)]
        self._causes |= dict.fromkeys(cause for cause, _, _ in learned(before, after))

    def ended(self, hunt: Hunt | CardHunt, truth: str, probability: float) -> Replayed:
        """The whole, with how it ended."""
        others = [cause for cause in self._causes if cause != truth]
        named = [f"{cause:24} {_in_words(cause, hunt)}" for cause in others]
        words = ["", "IN WORDS", *named] if named else []
        end = [*result_lines(hunt, UNFOLDED), f"about {hunt.minutes:.0f} min of work"]
        told = tuple(one.answer.name for one in weighed(hunt, [truth])[truth])
        return Replayed((*self._lines, *words, *end), Work(probability, hunt.minutes), told)


def _in_words(cause: str, hunt: Hunt | CardHunt) -> str:
    return cause_words(Cause(cause)) if isinstance(hunt, Hunt) else CARD_ADVICE[CardCause(cause)].summary
