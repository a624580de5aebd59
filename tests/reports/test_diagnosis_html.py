"""The HTML report: complete, in order, self-contained, safe with hostile names, and honest where nothing was seen."""

from __future__ import annotations

import re
from collections import Counter
from dataclasses import replace
from html.parser import HTMLParser

import pytest

from benchtool.capture.chunk import LineErrors
from benchtool.diagnose.evidence import Evidence
from benchtool.diagnose.finding import Cause, Diagnosis, Finding, Group, Proof, Step
from benchtool.diagnose.readings import ByHand, Reading, Tried
from benchtool.frames.frame import Protocol, Reason
from benchtool.measure.bit_errors import BitErrors
from benchtool.measure.clustering import Timeline
from benchtool.measure.spread import SpreadFigures
from benchtool.measure.tally import AddressFigures, Figures
from benchtool.measure.waveform_limits import Check, Verdict
from benchtool.reports.diagnosis_html import Plot, WaveformPart, diagnosis_html, percent
from benchtool.reports.diagnosis_plots import MOST_ADDRESSES, latency_svg, most_troubled
from benchtool.reports.svg import embedded

VOID = {"meta", "br", "hr", "img", "input", "link"}
NONE_SEEN = SpreadFigures(0, None, None, None, None)


class Page(HTMLParser):
    """Text, ids and what is left open of a page."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.open: list[str] = []
        self.ids: Counter[str] = Counter()
        self.links: list[str] = []
        self.tags: Counter[str] = Counter()
        self.words: list[str] = []
        self.feed(text)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags[tag] += 1
        if tag not in VOID:
            self.open.append(tag)
        for name, value in attrs:
            if name == "id":
                self.ids[value or ""] += 1
            if name in ("href", "src", "xlink:href", "data", "action") or name.startswith("on"):
                self.links.append(value or "")

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.handle_starttag(tag, attrs)
        if tag not in VOID:
            self.open.pop()

    def handle_endtag(self, tag: str) -> None:
        assert self.open, tag
        assert tag == self.open.pop()

    def handle_data(self, data: str) -> None:
        if self.open and self.open[-1] != "style":
            self.words.append(data)

    @property
    def text(self) -> str:
        return " ".join(" ".join(self.words).split())


def spread(least: float, median: float, high: float, greatest: float) -> SpreadFigures:
    return SpreadFigures(50, round(least * 1e6), round(median * 1e6), round(high * 1e6), round(greatest * 1e6))


def address(number: int, requests: int = 50, answered: int = 50, damaged: int = 0) -> AddressFigures:
    latency = spread(2.5, 3.1, 3.9, 4.4) if answered else NONE_SEEN
    return AddressFigures(
        Protocol.OSDP, number, requests, answered, requests - answered - damaged, damaged, 0, 0, latency
    )


def figures(*addresses: AddressFigures, line_errors: LineErrors = LineErrors.MARKED) -> Figures:
    return Figures(
        elapsed_ns=12_000_000_000,
        octets=4321,
        frames_ok={Protocol.OSDP: 430},
        frames_bad={Reason.CHECK_FAILED: 7},
        unknown_octets=17,
        resynchronisations=5,
        line_errors=line_errors,
        marks={"framing": 11, "parity": 0, "break": 0, "overrun": 0},
        gaps=0,
        deaf_ns=0,
        bus_load=0.41,
        silence=spread(0.1, 0.6, 5.1, 7),
        turnaround=spread(2.5, 3.1, 3.9, 4.4),
        resolution_ns=1000,
        addresses=addresses or (address(1), address(4, answered=38, damaged=7)),
        decoder_counters={"skipped_octets": 3},
    )


FINDINGS = (
    Finding(
        Cause.DEVICE_SILENT,
        "address 4",
        0.81,
        "The device at address 4 does not answer.",
        (Proof("address 4 was asked 50 times", 3.2, {"requests": 50}), Proof("7 damaged spans", -0.7, {"spans": 7})),
        ("its two data wires reversed",),
        ("Check the supply at its terminals.", "Only then swap the device."),
    ),
    Finding(Cause.NOISE_IMPULSIVE, "bus", 0.15, "Bursts of noise.", (), ("a loose joint",), ("Find the coil.",)),
    Finding(Cause.CLOCK_OFF, "address 1", 0.03, "The bit clock is off.", (), (), ("Try a lower rate.",)),
)
STEP = Step(
    "Measure the supply at address 4.",
    ("10.8 to 13.8 V: power is not it", "lower: the supply or its cable"),
    "A released lock opens a door.",
    "supply@4",
    0.83,
    5.0,
    "--meter supply@4=VOLTS",
)


def diagnosis(given: Figures | None = None) -> Diagnosis:
    return Diagnosis(FINDINGS, (STEP,), ("A missing terminator cannot be seen this way.",), given or figures())


def evidence(given: Figures) -> Evidence:
    return Evidence(given, (), {}, (), 0, 0, 0, 12_000_000_000)


def page(found: Diagnosis, **more: object) -> Page:
    heard = None if found.figures is None else evidence(found.figures)
    return Page(diagnosis_html(found, heard, title="Demo", tap="tap sim:demo, 9600 8N1", **more))  # type: ignore[arg-type]


def test_findings_come_first_then_steps_then_limits_and_raw_figures_last() -> None:
    text = page(diagnosis(), made="25 November, 16:50").text
    order = [
        "Demo",
        "tap sim:demo, 9600 8N1",
        "25 November, 16:50",
        "device-silent, address 4: very likely, 81 %",
        "First: Measure the supply at address 4.",
        "Findings, most probable first",
        "1. device-silent, address 4",
        "address 4 was asked 50 times",
        "1,585 times likelier",  # 10 ** 3.2
        "+3.20",
        "5.0 times less likely",  # 10 ** 0.7
        "-0.70",
        "+2.50",
        "its two data wires reversed",
        "Check the supply at its terminals.",
        "2. noise-impulsive",
        "Less probable",
        "clock-off, address 1",
        "Next, what settles most for its time",
        "Caution A released lock opens a door.",
        "10.8 to 13.8 V power is not it",
        "--meter supply@4=VOLTS",
        "about half of what is still possible, in about 5 min",  # 1 - 2 ** -0.83 = 0.44
        "What could not be seen",
        "A missing terminator cannot be seen this way.",
        "Answers by address.",
        "Reply time by address.",
        "Raw figures",
        "4321",
        "7 check-failed",
        "11 framing",
    ]
    at = -1
    for words in order:
        found = text.find(words, at + 1)
        assert found > at, words
        at = found


def test_page_is_whole_and_needs_nothing_from_outside() -> None:
    html = diagnosis_html(diagnosis(), evidence(figures()), title="Demo", tap="tap", made="now")
    read = Page(html)
    assert read.open == []
    assert [name for name, count in read.ids.items() if count > 1] == []
    assert read.tags["script"] + read.tags["link"] + read.tags["iframe"] == 0
    assert all(link.startswith("#") for link in read.links), read.links
    for link in read.links:
        assert read.ids[link[1:]] == 1, link
    for link in re.findall(r"url\((.*?)\)", html):
        assert read.ids[link.strip("'\"#")] == 1, link
    # Addresses of name spaces are names; nothing is fetched from them.
    assert set(re.findall(r'([\w:]+)="https?://', html)) <= {"xmlns", "xmlns:xlink"}
    assert "@import" not in html


def test_same_diagnosis_gives_the_same_page() -> None:
    made = [diagnosis_html(diagnosis(), evidence(figures()), title="Demo", tap="tap") for _ in range(2)]
    assert made[0] == made[1]


def test_hostile_names_stay_text() -> None:
    nasty = '<script>alert("1")</script>'
    hostile = replace(FINDINGS[0], place=nasty, summary=nasty, evidence=(Proof(nasty, 1.0, {}),), todo=(nasty,))
    found = replace(diagnosis(), findings=(hostile,), limits=(nasty,), next=(replace(STEP, do=nasty, back=nasty),))
    html = diagnosis_html(found, None, title=nasty, tap=nasty, made=nasty)
    assert "<script" not in html
    assert Page(html).tags["script"] == 0
    assert html.count("&lt;script&gt;") >= 8


def test_blind_tap_is_not_shown_as_free_of_errors() -> None:
    text = page(diagnosis(figures(line_errors=LineErrors.UNAVAILABLE))).text
    assert "cannot be seen at this tap: none shown proves nothing" in text
    assert "11 framing" not in text


def test_coarse_tap_says_so_beside_reply_times() -> None:
    coarse = replace(figures(), resolution_ns=16_000_000)
    assert "Times are no finer than 16 ms at this tap." in page(diagnosis(coarse)).text


def test_diagnosis_taken_up_again_has_no_figures_and_no_pictures() -> None:
    found = replace(diagnosis(), figures=None)
    text = page(found).text
    assert "Raw figures" not in text
    assert "as pictures" not in text
    assert "device-silent" in text


def test_gaps_are_counted_as_not_heard() -> None:
    gone = replace(figures(), gaps=2, deaf_ns=1_500_000_000)
    assert "1.5 s in 2 gaps" in page(diagnosis(gone)).text
    assert "not heard" not in page(diagnosis()).text


def test_what_was_measured_by_hand_is_listed() -> None:
    hand = ByHand(
        (Reading("ab-ohms", 61.0), Reading("ab-idle@", 0.24, 4)),
        (Tried("swap-clip", better=False),),
        {"scope-swing-least-v": 2.31, "scope-overshoot": 4e-16, "scope-of-no-kind": 1.0},
    )
    text = page(replace(diagnosis(), by_hand=hand)).text
    for words in ("ab-ohms 61 ohm", "ab-idle@4 0.24 V", "swap-clip: it got no better"):
        assert words in text, words
    # Figures of a waveform are raw figures: last, rounded, and with their names in words.
    last = text[text.index("Raw figures") :]
    assert "smallest swing of any talker 2.31 V" in last
    assert "overshoot 0 %" in last
    assert "of-no-kind" not in text


def test_group_and_two_causes_are_said_at_the_top() -> None:
    found = replace(diagnosis(), group=Group((Cause.DEVICE_SILENT, Cause.REVERSED_AT_DEVICE), 0.9), two_causes=0.34)
    text = page(found).text
    top = text[: text.index("Findings, most probable first")]
    assert "cannot tell these apart: device-silent, pair-reversed-at-device (90% in all)" in top
    assert "Two causes at once: 34 %." in top
    assert "Two causes" not in page(replace(diagnosis(), two_causes=0.1)).text


def test_healthy_weighs_against_all_faults() -> None:
    sound = Finding(Cause.HEALTHY, "bus", 0.97, "Nothing wrong.", (Proof("430 sound frames", 2.0, {}),), (), ())
    text = page(replace(diagnosis(), findings=(sound,))).text
    assert "on a sound bus than with a fault" in text
    assert "100 times likelier" in text


def test_timeline_and_places_are_drawn_where_they_were_gathered() -> None:
    heard = replace(
        evidence(figures()),
        timeline=Timeline(0, 250_000_000, (4, 5, 6), (0, 2, 0)),
        bits=BitErrors(places=(0, 3, 0, 9), by_bit=(0, 0, 0, 0, 0, 1, 2, 9)),
    )
    drawn = Page(diagnosis_html(diagnosis(), heard, title="t", tap="t"))
    assert "a bar is 250 ms" in drawn.text
    assert "bit of the octet, as sent" in drawn.text
    stray = Page(diagnosis_html(diagnosis(), replace(heard, strays=31), title="t", tap="t"))
    assert "Not drawn: 31 stray octets" in stray.text
    clean = replace(heard, timeline=Timeline(0, 2_000_000_000, (4, 5, 6), (0, 0, 0)), bits=BitErrors())
    drawn = Page(diagnosis_html(diagnosis(), clean, title="t", tap="t"))
    assert "No damage was seen. " in drawn.text
    assert "stray" not in drawn.text
    assert "a bar is 2 s" in drawn.text
    assert "bit of the octet" not in drawn.text


def test_waveform_figures_stand_beside_their_limits() -> None:
    part = WaveformPart(
        (Plot("Eye", "All bits on top of each other.", "<svg><text>drawn</text></svg>"),),
        (
            Check("mark", 0.31, "V", "1.5 to 5 V", Verdict.FAIL, "TIA-485"),
            Check("overshoot", None, "%", "", Verdict.UNKNOWN),
        ),
    )
    text = page(diagnosis(), waveform=part).text
    assert "All bits on top of each other. drawn" in text
    assert "mark 310 mV 1.5 to 5 V FAIL TIA-485" in text
    assert "Not to be seen in this record: overshoot." in text


@pytest.mark.parametrize(
    ("probability", "words"),
    [(0.0, "0 %"), (0.004, "under 1 %"), (0.02, "2 %"), (0.994, "99 %"), (0.9996, "over 99 %"), (1.0, "100 %")],
)
def test_percent_never_rounds_to_certainty(probability: float, words: str) -> None:
    assert words == percent(probability)


def test_many_addresses_are_cut_to_those_with_most_trouble() -> None:
    rows = [address(number) for number in range(1, 100)]
    rows[70] = address(71, answered=1)
    rows.append(AddressFigures(Protocol.OSDP, 120, 0, 0, 0, 0, 0, 0, NONE_SEEN))
    kept = most_troubled(rows)
    assert len(kept) == MOST_ADDRESSES
    assert 71 in {row.address for row in kept}
    assert [row.address for row in kept] == sorted(row.address for row in kept)
    text = page(diagnosis(figures(*rows))).text
    assert f"The {MOST_ADDRESSES} of 99 addresses with most trouble." in text


def test_reply_limit_is_drawn_where_replies_come_near_it() -> None:
    slow = replace(address(2), latency=spread(180, 240, 260, 270))
    assert "200 ms, the latest that an OSDP device may answer" in latency_svg([address(1), slow])
    assert "logarithmic" in latency_svg([address(1), slow])
    usual = latency_svg([address(1)])
    assert "200 ms" not in usual
    assert "logarithmic" not in usual
    modbus = replace(slow, protocol=Protocol.MODBUS_RTU)
    assert "200 ms, the latest" not in latency_svg([modbus])


def test_both_protocols_are_named_in_plots() -> None:
    drawn = latency_svg([replace(address(7), protocol=Protocol.MODBUS_RTU), address(7)])
    assert "osdp 7" in drawn
    assert "modbus-rtu 7" in drawn


def test_embedded_svg_has_ids_of_its_own_and_says_what_it_is() -> None:
    document = (
        '<?xml version="1.0"?>\n<!DOCTYPE svg>\n<svg height="10pt" width="20pt" viewBox="0 0 20 10">'
        "<metadata>x</metadata>"
        '<g id="a"><use href="#a"/><path clip-path="url(#a)"/></g></svg>\n'
    )
    expected = (
        '<svg viewBox="0 0 20 10" role="img" aria-label="A &amp; B &quot;&lt;" style="max-width: 20pt">'
        '<g id="n-a"><use href="#n-a"/><path clip-path="url(#n-a)"/></g></svg>'
    )
    assert expected == embedded(document, "n", 'A & B "<')


def test_times_are_no_finer_than_the_tap_and_osdp_traffic_is_told() -> None:
    coarse = replace(figures(), resolution_ns=16_000_000)
    found = replace(diagnosis(), figures=coarse)
    html = diagnosis_html(found, None, title="t", tap="t", noticed=("", "secure channels:", "  address 1: <none> now"))
    assert "&lt;16 ms" in html
    assert "3.1" not in html.split("By address")[1]
    assert "<pre>secure channels:\n  address 1: &lt;none&gt; now</pre>" in html
    assert "<pre>" not in diagnosis_html(found, None, title="t", tap="t")
