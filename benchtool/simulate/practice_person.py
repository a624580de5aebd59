"""Somebody at a simulated installation who answers what a hunt asks: by meter, by eye, by trying."""

from __future__ import annotations

from collections.abc import Callable

from benchtool.simulate.practice_meter import HALF, KINDS, Answering, look, meter
from benchtool.simulate.practice_tries import TRIES, changed
from benchtool.simulate.specs import Scenario

Better = Callable[[Scenario, int | None], bool]
"""Whether the bus so changed is heard to be better; the address is that of a device taken off, where one was."""


class Person:
    """Answers by the names of a hunt's questions. `answering`: how often each address does.

    `eyes`: whether it looks.
    """

    def __init__(
        self,
        line: Scenario,
        seed: int,
        answering: Answering,
        better: Better,
        *,
        eyes: bool = True,
    ) -> None:
        self._line = line
        self._seed = seed
        self._answering = answering
        self._better = better
        self._eyes = eyes

    def answer(self, name: str) -> str:
        """What is typed for the question; empty where it cannot be told. ScenarioError for a device not there."""
        base, at, place = name.partition("@")
        if place == "here":  # asked where nobody told an address: no reader is known to be dead
            return ""
        kind, address = f"{base}{at}", int(place) if place else None
        if kind == "address":
            return self._dead()
        if kind == "length":
            return f"{self._line.line.length_m:g}"
        if kind in KINDS:
            value = meter(self._line, kind, address, self._seed)
            return "open" if kind.partition("@")[0].endswith(("ohms", "-far")) and value >= 1e6 else f"{value:.3g}"
        if kind in TRIES:
            gone = address if kind == "unplug@" else None
            return "better" if self._better(changed(self._line, kind, address), gone) else "same"
        return look(self._line, kind, address, self._seed, self._answering) if self._eyes else ""

    def _dead(self) -> str:
        """The address of the first device that does not answer, in the order along the pair."""
        often = self._answering()
        devices = sorted(self._line.devices, key=lambda one: one.position_m)
        return next((str(one.address) for one in devices if often.get(one.address, 0.0) < HALF), "")
