"""Every cause, simulated fault, meter reading and option of a reader's lines stands in docs/card-faults.md."""

from __future__ import annotations

import re
from pathlib import Path

from benchtool.diagnose.card_finding import CardCause
from benchtool.diagnose.card_readings import CARD_METER
from benchtool.simulate.card_address import OPTIONS
from benchtool.simulate.card_faults import CARD_FAULTS

PAGE = (Path(__file__).parents[2] / "docs" / "card-faults.md").read_text(encoding="utf-8")


def test_every_cause_has_a_section_with_how_it_looks_how_to_mend_it_and_what_it_is_confused_with() -> None:
    sections = dict(re.findall(r"^### ([a-z0-9-]+)\n(.*?)(?=^### |\Z)", PAGE, re.MULTILINE | re.DOTALL))
    assert set(sections) == {cause.value for cause in CardCause}
    for name, text in sections.items():
        for part in ("**Looks like:**", "**Mend:**", "**Confused with:**", "Meter:"):
            assert part in text, (name, part)


def test_every_fault_can_be_simulated_and_every_reading_and_option_is_named() -> None:
    assert set(CARD_FAULTS) == {cause.value for cause in CardCause} - {"none-of-these"}
    for name in (*OPTIONS, *(kind.name for kind in CARD_METER)):
        assert f"`{name}" in PAGE, name
