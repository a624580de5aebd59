"""The page that is kept of a hunt, on paper."""

from __future__ import annotations

from benchtool.diagnose.hunt import Hunt
from benchtool.diagnose.hunt_question import Answer
from benchtool.diagnose.readings import METER
from benchtool.diagnose.sights_known import SIGHTS
from benchtool.reports.hunt_page import page_html


def test_a_long_hunt_is_set_smaller_and_breaks_between_its_parts() -> None:
    short, long = Hunt(listens=False), Hunt(listens=False)
    seen = [Answer(sight.name, sight.words()[0]) for sight in SIGHTS if not sight.at_device]
    short.also(seen[:2])
    long.also([*seen, *(Answer(kind.name, "0.3") for kind in METER if not kind.at_device)])
    assert "<body>" in page_html(short, "")
    text = page_html(long, "")
    assert '<body class="long">' in text
    assert text.count('<section class="done"><h2>WHAT WAS DONE</h2>') == 1
    # Each part is one block that no page is broken in; only what was done may go over two pages.
    assert text.count("<section") == text.count("<h2>") == text.count("</section>")
    assert "section{break-inside:avoid}section.done{break-inside:auto}" in text
