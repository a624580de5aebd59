"""`benchtool site check`: an installation's record against the rules of the trade."""

from __future__ import annotations

import difflib
import json
import sys
from pathlib import Path

import click

from benchtool.commands.errors import CommandError, Exit
from benchtool.commands.site_file import read_site
from benchtool.install.checks import RULES, Checked, check
from benchtool.install.rule import Rule, Severity
from benchtool.reports.site_check_text import check_text, check_values

_UNCHECKED = "unchecked"
_FROM = (*(severity.value for severity in Severity), _UNCHECKED)


@click.command("check", context_settings={"help_option_names": ["-h", "--help"]})
@click.argument("site", type=click.Path(path_type=Path))
@click.option("--only", multiple=True, metavar="RULE", help="Hold only this rule against it; again for each.")
@click.option("--all", "in_full", is_flag=True, help="Tell every place, not the first few of each rule.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object (docs/site-checks.md).")
@click.option("--strict", is_flag=True, help="Exit code 1 on an error.")
@click.option(
    "--strict-from",
    type=click.Choice(_FROM),
    help="Exit code 1 from this severity on; unchecked: also on what cannot be checked.",
)
def command(
    site: Path, only: tuple[str, ...], in_full: bool, as_json: bool, strict: bool, strict_from: str | None
) -> None:
    """Hold the record SITE against the rules of the trade: what is wrong, with the line, the limit and the mend.

    What is not noted is never taken for right: such rules are told apart, with what is missing. Rules:
    docs/site-checks.md.

    \b
    Examples:
      benchtool site check fixtures/sites/depot.toml
      benchtool site check my-site.toml --only ends-terminated --only voltage-enough
      benchtool site check my-site.toml --strict-from warning --json
    """
    checked = check(loaded := read_site(site), _rules(only))
    if as_json:
        click.echo(json.dumps(check_values(loaded.record, checked), ensure_ascii=False))
    else:
        click.echo("\n".join(check_text(loaded.record, checked, in_full=in_full or bool(only))))
    least = strict_from or (Severity.ERROR.value if strict else None)
    if least is not None and _faulty(checked, least):
        sys.exit(int(Exit.FAULT))


def _rules(only: tuple[str, ...]) -> tuple[Rule, ...]:
    by_id = {rule.id: rule for rule in RULES}
    for name in only:
        if name not in by_id:
            near = difflib.get_close_matches(name, by_id, 1)
            mend = f"did you mean {near[0]}?" if near else f"there are: {', '.join(by_id)}"
            raise CommandError(f"no rule is called {name}; {mend}", Exit.USAGE)
    return tuple(rule for rule in RULES if not only or rule.id in only)


def _faulty(checked: Checked, least: str) -> bool:
    if least == _UNCHECKED:
        return bool(checked.findings or checked.unchecked)
    severities = list(Severity)
    counted = severities[: severities.index(Severity(least)) + 1]
    return any(checked.count(severity) for severity in counted)
