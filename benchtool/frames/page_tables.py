"""Tables made from code, put in their places on a page: between `<!-- table NAME -->` and `<!-- end -->`."""

from __future__ import annotations

from collections.abc import Mapping


def fill(page: str, tables: Mapping[str, str]) -> str:
    """The page with each table written anew; ValueError when one has no place in it."""
    for name, text in tables.items():
        head, begin, rest = page.partition(f"<!-- table {name} -->\n")
        _, end, tail = rest.partition("<!-- end -->")
        if not begin or not end:
            raise ValueError(f"the page has no place for the table '{name}'")
        page = f"{head}{begin}{text}\n{end}{tail}"
    return page
