"""Faults as options of a scenario. Each changes what is wired, set or fitted; the line model does the rest."""

from __future__ import annotations

from benchtool.simulate.fault_options import Fault, Options
from benchtool.simulate.faults_line import LINE_FAULTS
from benchtool.simulate.faults_stations import STATION_FAULTS
from benchtool.simulate.specs import Scenario, ScenarioError, meant

__all__ = ["FAULTS", "OPTIONS", "Fault", "Options", "apply"]

OPTIONS = ("at", "which", "level", "metres", "ohm", "count", "ms", "us", "hz", "percent", "every")
"""What faults take besides their names."""


def _healthy(scenario: Scenario, options: Options) -> Scenario:
    return scenario


FAULTS: dict[str, Fault] = {"healthy": Fault(_healthy, "nothing wrong"), **LINE_FAULTS, **STATION_FAULTS}
"""By identifier."""


def apply(scenario: Scenario, kinds: str | None, options: Options) -> Scenario:
    """The scenario with the faults in `kinds` (comma-separated; None: the scenario's own) applied in order.

    `options` are those of faults alone, and each fault takes those that it knows. ScenarioError for an unknown fault,
    and for an option that none of them takes. Apply twice to give two faults an option of the same name each.
    """
    if kinds is None:
        kinds = "healthy"
        if scenario.fault is not None:
            kinds, options = scenario.fault, {**scenario.fault_options, **options}
    chosen = [part.strip() for part in kinds.split(",")]
    for kind in chosen:
        if kind not in FAULTS:
            raise ScenarioError(f"no fault {kind!r}; {meant(kind, FAULTS, 'there are:')}")
    for key in options:
        if not any(key in FAULTS[kind].takes for kind in chosen):
            takers = [name for name, fault in FAULTS.items() if key in fault.takes]
            right = f"it goes with fault={' or '.join(takers)}" if takers else f"known are {', '.join(OPTIONS)}"
            raise ScenarioError(f"fault={','.join(chosen)} does not take {key!r}; {right}")
    for kind in chosen:
        taken = {key: value for key, value in options.items() if key in FAULTS[kind].takes}
        scenario = FAULTS[kind].change(scenario, taken)
    return scenario
