"""A question whose answer is a secret, such as a card's number: not shown, echoed or kept for the arrow keys."""

from __future__ import annotations

import sys

import click

_KEYS = ("", "?", "<", "=", ".", "s", "skip")
"""What is typed at every question of a hunt is no secret."""


def ask_hidden(prompt: str) -> str:
    """What is typed: stars at a terminal, `***` where a pipe is echoed. EOFError where nobody answers any more."""
    if sys.stdin.isatty() and sys.stdout.isatty():
        from prompt_toolkit import prompt as ask

        return ask(prompt, is_password=True)
    click.echo(prompt, nl=False)
    line = sys.stdin.readline()
    if not line:
        click.echo()
        raise EOFError
    text = line.strip()
    click.echo(text if text.lower() in _KEYS else "***")
    return text
