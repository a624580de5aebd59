"""The page that is kept of a hunt: what was done in words, how it ended or where it stands; for a file or for paper."""

from __future__ import annotations

import html

from benchtool.diagnose.card_readings import CARD_METER
from benchtool.diagnose.hunt import Hunt
from benchtool.diagnose.hunt_card import CardHunt
from benchtool.diagnose.hunt_choose import LENGTH, place_words, without_tap
from benchtool.diagnose.hunt_question import Answer
from benchtool.diagnose.hunt_set_to import SET_TO
from benchtool.diagnose.hunt_which import ADDRESS
from benchtool.diagnose.readings import ACTIONS, METER
from benchtool.diagnose.sights_card import CARD_SIGHTS
from benchtool.diagnose.sights_known import SIGHTS
from benchtool.reports.hunt_ask import WIDTH, wrap
from benchtool.reports.hunt_text import Section, answer_words, result

_UNFINISHED = "Unfinished: the hunt was left before its end. What follows is how it stood then."
_ASKED = {
    ADDRESS.name: ADDRESS.text,
    LENGTH.name: LENGTH.text,
    **{kind.name: f"{kind.how}." for kind in (*METER, *CARD_METER)},
    **{action.name: f"{action.how}." for action in ACTIONS},
    **{sight.name: sight.ask for sight in SIGHTS},
    **{sight.name: sight.ask for sight in CARD_SIGHTS},
    SET_TO: "To which address is {place} set?",
}
_STYLE = (
    "body{font:16px/1.4 sans-serif;max-width:46em;margin:2em auto;padding:0 1em;color-scheme:light dark}"
    "h1{font-size:1.5em}h2{font-size:1.1em;margin:1.2em 0 .3em}"
    "@page{margin:12mm}"
    "@media print{body{font-size:9pt;line-height:1.25;max-width:none;margin:0;padding:0;color-scheme:light}"
    "body.long{font-size:7.8pt;line-height:1.18}"
    "h1{margin:0 0 .3em}h2{margin:.6em 0 .1em;break-after:avoid}div{break-inside:avoid}"
    "section{break-inside:avoid}section.done{break-inside:auto}section.list{column-count:2}"
    "section.list h2{column-span:all}}"
)
"""On paper: small and without margins of its own, so that a hunt fits on one page of A4 or Letter. One that does not
breaks between its parts; a long list of what was done breaks between two things done.
"""
_LONG, _IN_A_LINE, _OF_A_TITLE = 52.0, 118, 1.8
"""Lines of a page from which on it is set smaller, about so many characters in each; a title takes so many lines."""
_DONE = "WHAT WAS DONE"
_MOST_SHORT = 56
"""A list of lines no longer than that stands in two columns on paper."""
_WHOLE = 100_000
"""Columns of lines that a browser breaks."""


def page(hunt: Hunt | CardHunt, made: str, width: int = WIDTH) -> str:
    """One page of what was done, in Markdown."""
    told = [one for one in hunt.answers if one.text]
    untold = [one.name for one in hunt.answers if not one.text]
    done = [
        line
        for number, one in enumerate(told, 1)
        for line in wrap(done_words(one, clipped=bool(hunt.tap)), f"{number}. ", width=width)
    ]
    if untold:
        done += wrap(f"Asked, and could not be told: {', '.join(untold)}.", width=width)
    where = hunt.tap or "no adapter: by eye and meter alone"
    head = ["# Hunt for a dead reader", ""]
    head += [*wrap(f"{made}; {where}; about {round(hunt.minutes)} min of work", width=width), ""]
    if hunt.next_question() is not None:
        head += [*wrap(_UNFINISHED, width=width), ""]
    parts = [Section(_DONE, done or ["nothing yet"]), *result(hunt, width)]
    return "\n".join([*head, *(line for part in parts for line in (f"## {part.title}", "", *part.lines, ""))])


def done_words(answer: Answer, *, clipped: bool) -> str:
    """What was asked, and what was answered. `clipped`: whether an adapter is clipped on."""
    kind, at, place = answer.name.partition("@")
    asked = _ASKED.get(f"{kind}{at}")
    if asked is None:
        return answer_words(answer)
    asked = asked.format(place=place_words(place)).replace("the reader at the reader", "the reader")
    said = answer_words(answer).removeprefix(f"{answer.name}: ")
    return f"{asked if clipped else without_tap(asked)} {said} ({answer.name})"


def page_html(hunt: Hunt | CardHunt, made: str) -> str:
    """The same page for a browser, self-contained."""
    whole = page(hunt, made, _WHOLE)
    first, *parts = whole.split("\n## ")
    title, *top = filter(None, first.splitlines())
    body = [f"<h1>{html.escape(title.lstrip('# '))}</h1>", *(f"<div>{html.escape(line)}</div>" for line in top)]
    for part in parts:
        name, *lines = filter(None, part.splitlines())
        short = len(lines) > 1 and all(line.startswith("- ") and len(line) <= _MOST_SHORT for line in lines)
        kind = "done" if name == _DONE else "list" if short else "part"
        told = "".join(f"<div>{html.escape(line)}</div>" for line in lines)
        body.append(f'<section class="{kind}"><h2>{html.escape(name)}</h2>{told}</section>')
    height = sum(-(-len(line) // _IN_A_LINE) for line in whole.splitlines()) + _OF_A_TITLE * len(parts)
    long = ' class="long"' if height > _LONG else ""
    head = f'<!doctype html><html lang="en"><meta charset="utf-8"><title>Hunt</title><style>{_STYLE}</style>'
    return f"{head}<body{long}>{''.join(body)}</body></html>\n"
