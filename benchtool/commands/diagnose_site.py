"""`diagnose --site`: the record of the installation as prior knowledge, and findings in its names."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

from benchtool.commands.site_compare import on_bus
from benchtool.commands.site_leans import leans_found, leans_of
from benchtool.diagnose.finding import Diagnosis
from benchtool.diagnose.observed import Observed
from benchtool.install.checks import RULES, check
from benchtool.install.compare import Compared, compare
from benchtool.install.compare_found import AsFound
from benchtool.install.compare_segment import addresses_in_order
from benchtool.install.rule import Severity
from benchtool.install.view import Trunk, View
from benchtool.reports.folded import wrap
from benchtool.reports.site_compare_text import device_names
from benchtool.reports.site_names import addresses_in, named, names_of

_OF_THE_SIGNALS = frozenset(
    {
        "pair-joined",
        "ends-terminated",
        "terminator-suits",
        "no-ring",
        "no-star",
        "stub-short",
        "length-for-rate",
        "bias-once",
        "bias-enough",
        "loads-at-most",
    }
)
"""Rules on what a diagnosis looks for."""


@dataclass(frozen=True)
class OnSite:
    """The bus of a record that a diagnosis is about."""

    view: View
    trunk: Trunk

    @cached_property
    def names(self) -> Mapping[int, str]:
        """Devices by address."""
        return names_of(self.view, self.trunk)

    @property
    def title(self) -> str:
        """Which record and bus, in words."""
        return f"{self.view.record.site.name}, bus {self.view.called(self.trunk.bus.id)}"

    @property
    def length_m(self) -> float | None:
        """Length of the pair; None where the record does not say it whole."""
        if self.trunk.unclear is not None or self.trunk.metres is None:
            return None
        return self.trunk.head_m + self.trunk.metres or None

    def known(self, observed: Observed, compared: Compared | None) -> Observed:
        """What was observed, with what the record and its comparison with the wire say; its length and order only where
        nobody gave others.
        """
        found = () if compared is None else leans_found(compared)
        return replace(
            observed,
            leans=(*(one for one in observed.leans if one.heard), *leans_of(self.view, self.trunk), *found),
            length_m=observed.length_m or self.length_m,
            order=observed.order or addresses_in_order(self.trunk),
        )

    def against(self, found: AsFound) -> Compared:
        """The record against what was heard."""
        return compare(self.view, self.trunk, found)

    def named(self, diagnosis: Diagnosis) -> Diagnosis:
        """The diagnosis in the record's names."""
        return named(diagnosis, self.names)

    def said(self) -> list[str]:
        """What the record itself says is amiss with the pair."""
        told = check(self.view.loaded, [rule for rule in RULES if rule.id in _OF_THE_SIGNALS])
        return [
            f"{one.rule.id}: {one.said.sentence}"
            for one in told.findings
            if one.said.path[: len(self.trunk.path)] == self.trunk.path
        ]

    def lines(self, compared: Compared | None) -> list[str]:
        """What is told below the figures: who is who, what differs, what the record says of the pair."""
        lines = ["", f"BY THE RECORD of {self.title}"]
        for _, device in self.trunk.answerers:
            address = "address not noted" if device.address is None else f"address {device.address}"
            lines.append(f"  {address}: {self.view.called(device.id)}")
        for one in [] if compared is None else _told(compared):
            lines += _wrap(f"{one.severity.value.upper()} {one.id}: {one.sentence}")
        lines += [line for text in self.said() for line in _wrap(f"in the record itself, {text}")]
        if compared is not None and compared.differences:
            lines.append("  benchtool site compare tells more, and what to change in the record")
        return lines

    def put_into(self, made: dict[str, Any], plain: Diagnosis, shown: Diagnosis, compared: Compared | None) -> None:
        """Names beside addresses in the object of `--json`; its places stay as they are without a record."""
        devices = {device.address: device for _, device in self.trunk.answerers if device.address is not None}
        for finding, before, after in zip(made["findings"], plain.findings, shown.findings, strict=True):
            finding["place"] = before.place
            finding["site"] = {
                "place": after.place,
                "devices": [
                    device_names(self.view, devices[one]) for one in addresses_in(before.place) if one in devices
                ],
            }
        made["site"] = {
            "name": self.view.record.site.name,
            "bus": self.trunk.bus.id,
            "length": self.length_m,
            "order": list(addresses_in_order(self.trunk)),
            "devices": [device_names(self.view, device) for _, device in self.trunk.answerers],
            "differences": [
                {"id": one.id, "severity": one.severity.value, "sentence": one.sentence}
                for one in ([] if compared is None else compared.differences)
            ],
            "pair": self.said(),
        }


def _told(compared: Compared) -> list[Any]:
    return [
        one for one in compared.differences if one.severity is not Severity.NOTE and not one.id.startswith("nothing-")
    ]


def _wrap(text: str) -> list[str]:
    return wrap(text, "  ", "    ")


def on_site(path: str, bus_id: str | None) -> OnSite:
    """The record in a file; CommandError where it cannot be read, or the bus is not clear."""
    return OnSite(*on_bus(path, bus_id))
