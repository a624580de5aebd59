"""A hunt in words: its questions, what each answer taught, how it ended, and the page that is kept of it."""

from __future__ import annotations

import html
import textwrap
from collections.abc import Mapping, Sequence

from benchtool.diagnose.finding import Proof
from benchtool.diagnose.hunt import Hunt
from benchtool.diagnose.hunt_card import CardHunt
from benchtool.diagnose.hunt_end import FOUND, ending, learned
from benchtool.diagnose.hunt_question import Answer, Ask, Question
from benchtool.diagnose.readings import action_of, kind_of
from benchtool.diagnose.sights_known import sight_of
from benchtool.reports.diagnosis_text import proof_words, sure

_WIDTH = 79
_MOST_PROOFS = 4
_TELLING = 0.3
KEYS = "? explains   < back   . leave (it can be resumed)   = where we stand"


def wrap(text: str, first: str = "", rest: str | None = None) -> list[str]:
    """Lines of at most 79 columns."""
    later = " " * len(first) if rest is None else rest
    return textwrap.wrap(text, _WIDTH, initial_indent=first, subsequent_indent=later, break_on_hyphens=False)


def question_lines(number: int, question: Question) -> list[str]:
    """A question as it is asked."""
    lines = ["", *wrap(question.text, f"{number}. ", "   ")]
    if question.caution:
        lines += wrap(f"Caution: {question.caution}", "   ! ", "     ")
    lines += [line for place, (_, says) in enumerate(question.choices, 1) for line in wrap(says, f"   {place}  ")]
    return lines


def prompt_of(question: Question) -> str:
    """What stands before the cursor."""
    if question.ask is Ask.LISTEN:
        return "   Enter: listen now; s: cannot > "
    if question.ask is Ask.CHOICE:
        return f"   1-{len(question.choices)}, Enter: cannot tell > "
    return f"   {question.unit or 'number'}, Enter: cannot tell > "


def explained(question: Question) -> list[str]:
    """What `?` tells."""
    lines = wrap(question.how, "   ") if question.how else []
    if question.expect:
        lines += ["   What results would mean:"]
        lines += [line for one in question.expect for line in wrap(one, "   - ")]
    if question.gain_bits:
        told = f"Asked now because it is expected to settle {question.gain_bits:.2f} bits in about "
        lines += wrap(f"{told}{max(1, round(question.minutes))} min.", "   ")
    return [*lines, f"   {KEYS}"]


def learned_lines(before: Mapping[str, float], after: Mapping[str, float]) -> list[str]:
    """What an answer changed."""
    moves = learned(before, after)
    if not moves:
        return ["   That changes little."]
    told = ", ".join(f"{cause} {was:.0%} to {now:.0%}" for cause, was, now in moves)
    return wrap(f"Learned: {told}.", "   ")


def standing(hunt: Hunt | CardHunt) -> list[str]:
    """Where it stands: the likeliest causes."""
    ranked = sorted(hunt.shares().items(), key=lambda item: -item[1])[:5]
    return [f"   {share:4.0%}  {cause} ({sure(share)})" for cause, share in ranked]


def result_lines(hunt: Hunt | CardHunt) -> list[str]:
    """How it ended: the cause or what is left, the evidence, the mend, what is ruled out, whom to call."""
    lines = ["", "RESULT"]
    diagnosis = hunt.diagnosis()
    leader = diagnosis.findings[0]
    group = () if diagnosis.group is None else tuple(one.value for one in diagnosis.group.causes)
    name = leader.cause.value
    place = getattr(leader, "place", "bus")
    at = "" if place in ("bus", "tap") else f" at {place}"
    if group:
        lines += wrap(f"What was found cannot tell these apart: {', '.join(group)}. First of them: {name}{at}.")
    elif leader.probability >= FOUND:
        lines += wrap(f"{name}{at}: {leader.probability:.0%} ({sure(leader.probability)}).")
    else:
        lines += wrap(
            f"Not settled. The likeliest is {name}{at}: {leader.probability:.0%} ({sure(leader.probability)})."
        )
    lines += wrap(leader.summary)
    proofs: Sequence[Proof] = leader.evidence
    told = [one for one in proofs if one.weight >= _TELLING][:_MOST_PROOFS]
    if told:
        lines += ["", "WHY"]
        lines += [line for one in told for line in wrap(proof_words(one), "- ")]
    if group or leader.probability < FOUND:
        others = [one for one in standing(hunt) if name not in one][:3]
        lines += ["", "STILL POSSIBLE", *others]
    lines += ["", "DO"]
    lines += [line for todo in leader.todo for line in wrap(todo, "> ")]
    if isinstance(hunt, Hunt):
        end = ending(hunt.state)
        if end.ruled_out:
            lines += ["", "RULED OUT", *wrap(", ".join(cause.value for cause in end.ruled_out))]
        lines += [
            "",
            "WHOM TO CALL where you cannot mend it",
            *(line for call in end.call for line in wrap(call, "- ")),
        ]
    else:
        lines += [
            "",
            "WHOM TO CALL where you cannot mend it",
            *wrap("whoever fitted the reader's cable and controller", "- "),
        ]
    return lines


def answer_words(answer: Answer) -> str:
    """An answer as the record tells it."""
    base, at, _ = answer.name.partition("@")
    name = f"{base}{at}"
    if not answer.text:
        return f"{answer.name}: could not be told"
    if answer.name == "listen":
        return "listened"
    for known in (kind_of, action_of):
        try:
            known(name)
        except KeyError:
            continue
        unit = getattr(known(name), "unit", "")
        plain = answer.text == "open" or answer.text[-1:].isalpha() or not unit
        return f"{answer.name}: {answer.text}{'' if plain else f' {unit}'}"
    try:
        return f"{answer.name}: {sight_of(name).says(answer.text)}"
    except KeyError:
        return f"{answer.name}: {answer.text}"


def page(hunt: Hunt | CardHunt, made: str) -> str:
    """One page of what was done, in Markdown."""
    rows = [f"{number}. {answer_words(one)}" for number, one in enumerate(hunt.answers, 1)]
    done = rows or ["nothing yet"]
    result = [
        f"## {line}" if line and line == line.upper() and line[:2].isalpha() else line for line in result_lines(hunt)
    ]
    result = ["## WHOM TO CALL where you cannot mend it" if one.startswith("WHOM") else one for one in result]
    where = hunt.tap or "no adapter: by eye and meter alone"
    head = ["# Hunt for a dead reader", "", f"{made}; {where}; about {round(hunt.minutes)} min of work", ""]
    return "\n".join([*head, "## WHAT WAS DONE", "", *done, *result, ""])


def page_html(text: str) -> str:
    """The same page for a browser, self-contained."""
    body = []
    for line in text.splitlines():
        safe = html.escape(line.lstrip("#").strip())
        depth = len(line) - len(line.lstrip("#"))
        body.append(f"<h{depth}>{safe}</h{depth}>" if depth else f"<div>{html.escape(line) or '&nbsp;'}</div>")
    style = "body{font:16px/1.4 sans-serif;max-width:46em;margin:2em auto;padding:0 1em;color-scheme:light dark}"
    head = f'<!doctype html><html lang="en"><meta charset="utf-8"><title>Hunt</title><style>{style}</style>'
    return f"{head}<body>{''.join(body)}</body></html>\n"
