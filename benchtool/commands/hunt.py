"""`benchtool hunt`: a guided conversation that finds why a reader is dead, or what it is not and whom to call."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from benchtool.capture.settings import CharFormat
from benchtool.commands.errors import CommandError, Exit
from benchtool.commands.options import listening_line_options, time_option
from benchtool.commands.outputs import overwrite_option

if TYPE_CHECKING:
    from benchtool.diagnose.hunt import Hunt
    from benchtool.diagnose.hunt_card import CardHunt

_MOST_OCTETS = 4_000_000
_SAFETY = (
    "Before you begin: test only what you are allowed to. Tell the users: doors may unlock or stay locked. Keep escape "
    "routes open. Leave mains to licensed people. benchtool listens; it sends nothing."
)


@click.command("hunt")
@click.argument("tap", required=False)
@listening_line_options
@time_option("How long to listen each time (20s on an adapter, 60s at a probe; a simulated bus is taken whole).")
@click.option("--resume", metavar="FILE", help="Go on with a hunt that was left.")
@click.option("--save", metavar="FILE", help="Where to save it after each answer; hunt.json if not told.")
@click.option("--page", metavar="FILE", help="Write one page of what was done: .md, .txt or .html.")
@overwrite_option("a page or a hunt that is")
@click.option("--lines", "lines", type=click.Choice(("bus", "data")), help="How the reader is wired, if it is known.")
def command(
    tap: str | None,
    baud: int | None,
    char_format: CharFormat | None,
    seconds: float | None,
    resume: str | None,
    save: str | None,
    page: str | None,
    overwrite: bool,
    lines: str | None,
) -> None:
    """Find why a reader is dead, question by question.

    Asks what you see, hear and measure, listens at TAP when that is worth most, tells what it learned, and ends with
    the cause, or with what is ruled out and whom to call. Without TAP it goes by eye and meter alone. Never transmits.

    \b
    Answers: a number of the list, or a value (61, 1.2k, open, -0.2); Enter alone where it cannot be told.
    ? explains how to find out, < goes back, = tells where it stands, . leaves: --resume goes on from there.

    \b
    Examples:
      benchtool hunt /dev/ttyUSB0 --baud 9600
      benchtool hunt "sim:demo?fault=device-silent&at=4" --page visit.md
      benchtool hunt probe:/dev/ttyACM0
      benchtool hunt --resume hunt.json
    """
    from benchtool.commands.hunt_keep import Keeper
    from benchtool.commands.hunt_talk import say, taken_back, talk, tell, width, wired
    from benchtool.commands.outputs import check_output, write_text
    from benchtool.commands.site_ask import make_asker
    from benchtool.reports import hunt_page, hunt_text
    from benchtool.reports.hunt_ask import wrap

    for path, option, endings in ((save, "--save", (".json",)), (page, "--page", (".md", ".txt", ".html"))):
        # A hunt gone on with is saved over itself.
        read = [one for one in (tap, None if path == resume else resume) if one]
        ours = _is_hunt if option == "--save" else _is_page
        check_output(path, option, endings, overwrite=overwrite or path == resume, reads=read, ours=ours)
    asker = make_asker()
    hunt: Hunt | CardHunt | None = None
    if resume is not None:
        hunt = _resumed(resume, tap)
    elif lines or tap is not None:
        hunt = _new(lines or _wired(tap), tap or "")
    trouble = "" if hunt is None else _trouble(hunt, baud, char_format)
    say(wrap(_SAFETY, width=width()))
    if hunt is None:
        kind = wired(asker)
        if kind is None:
            say(["", "Left before the first question: there is nothing to save."])
            return
        hunt = _new(kind, "")
    elif resume is not None:
        save = save or resume
        taken = f"Taken up again: {len(hunt.answers)} questions are done, about {round(hunt.minutes)} min of work."
        say(["", *wrap(taken, width=width()), *hunt_text.standing(hunt)])
    if trouble:
        tell(trouble)
    keeper = Keeper(hunt, save, page)
    listener = _listener(hunt, baud, char_format, seconds)
    with keeper.minding_ends():
        while ended := talk(hunt, asker, listener, keeper.keep):
            say(hunt_text.result_lines(hunt, width()))
            if not taken_back(hunt, asker):
                break
            keeper.keep()
    if not ended:
        say(["", "Left. Where it stands:", *hunt_text.standing(hunt)])
    keeper.close(ended=ended)
    if page is not None:
        made = datetime.now().astimezone().strftime("%Y-%m-%d %H:%M %Z")
        paged = hunt_page.page_html if page.lower().endswith(".html") else hunt_page.page
        write_text(page, paged(hunt, made))
        click.echo(f"page: {page}", err=True)


def _is_hunt(begins: bytes) -> bool:
    """Whether a file begins as a saved hunt does, or is empty."""
    return not begins or b'"benchtool-hunt"' in begins or b'"benchtool-card-hunt"' in begins


def _is_page(begins: bytes) -> bool:
    """Whether a file begins as the page of a hunt does, or is empty."""
    return not begins or begins.startswith(b"# Hunt for a dead reader") or b"<title>Hunt</title>" in begins


def _new(kind: str, tap: str) -> Hunt | CardHunt:
    from benchtool.diagnose.hunt import Hunt
    from benchtool.diagnose.hunt_card import CardHunt

    return (
        CardHunt(tap, listens=bool(tap), looks=True)
        if kind == "data"
        else Hunt(tap, listens=bool(tap), retunes=_retunes(tap))
    )


def _retunes(tap: str) -> bool:
    """Whether it can be listened at with another setting: a recording cannot."""
    from benchtool.commands.options import is_live

    return bool(tap) and (tap.startswith("sim:") or is_live(tap))


def _wired(tap: str | None) -> str:
    """How the reader is wired, as the TAP says."""
    from benchtool.taps.card_address import is_simulated_reader

    data = tap is not None and (is_simulated_reader(tap) or tap.startswith("probe:"))
    return "data" if data else "bus"


def _resumed(path: str, tap: str | None) -> Hunt | CardHunt:
    from benchtool.diagnose import hunt_card
    from benchtool.diagnose.hunt import Hunt
    from benchtool.diagnose.hunt_question import HuntError

    try:
        with Path(path).open("rb") as file:
            text = file.read(_MOST_OCTETS).decode("utf-8", errors="replace")
    except OSError as error:
        raise CommandError(f"--resume {path}: {error.strerror or error}", Exit.INPUT) from None
    try:
        found: Hunt | CardHunt
        found = hunt_card.CardHunt.from_json(text) if hunt_card.KEY in text[:200] else Hunt.from_json(text)
    except HuntError as error:
        told = f"this is no hunt to go on with: {error} (hunt --save FILE makes one)"
        raise CommandError(f"--resume {path}: {told}", Exit.INPUT) from None
    if tap is not None:
        if (_wired(tap) == "data") != isinstance(found, hunt_card.CardHunt):
            raise CommandError(f"{tap}: the hunt in {path} is at another kind of line", Exit.USAGE)
        found.tap, found.listens = tap, True
    if isinstance(found, hunt_card.CardHunt):
        found.looks = True
    else:
        found.retunes = _retunes(found.tap)
    return found


def _listener(hunt: Hunt | CardHunt, baud: int | None, char_format: CharFormat | None, seconds: float | None) -> Any:
    """What listens for this hunt; None without a tap."""
    from benchtool.diagnose.hunt_card import CardHunt

    if not hunt.tap:
        return None
    from benchtool.commands import hunt_listen

    if isinstance(hunt, CardHunt):
        return hunt_listen.card_listener(hunt.tap, seconds)
    return hunt_listen.bus_listener(hunt.tap, baud, char_format, seconds)


def _trouble(hunt: Hunt | CardHunt, baud: int | None, char_format: CharFormat | None) -> str:
    """What is wrong with the tap before it is listened at; CommandError where nobody on site can mend it."""
    from benchtool.commands.options import AUTO, tap_failed, tap_for
    from benchtool.diagnose.hunt_card import CardHunt
    from benchtool.taps.card_address import open_card_source
    from benchtool.taps.tap import TapError

    if not hunt.tap:
        return ""
    try:
        wanted = None if baud == AUTO else baud
        tap = open_card_source(hunt.tap) if isinstance(hunt, CardHunt) else tap_for(hunt.tap, wanted, char_format, None)
        if hunt.tap.startswith("sim:"):
            tap.open()
            tap.close()
    except (TapError, CommandError) as error:
        wrong = error if isinstance(error, CommandError) else tap_failed(error)
        if wrong.exit_code != Exit.TAP or hunt.tap.startswith("sim:"):
            raise wrong from None
        return f"{wrong.format_message()} (there is time to mend it until listening is asked for)"
    return ""
