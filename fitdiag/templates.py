"""Templates of pages and texts. What is put into a page is escaped and freed of invisible characters.

`page.html` is shared by the printed pages, `head.html` is the head of every page: nothing is fetched, and styles and scripts
are allowed by hash only.
"""

from __future__ import annotations

import hashlib
from base64 import b64encode
from functools import cache
from pathlib import Path
from typing import Any

from fitdiag.units import NO_BREAK, trimmed


def render(name: str, /, **values: Any) -> str:
    """A page or text: a template, by package and name like `reports/client_page.html`, filled with these values."""
    return str(template(name).render(values))


@cache
def template(name: str) -> Any:
    """Load a template.

    Filters: `digest` hashes a style or script as a content security policy writes it, `n` formats a coordinate, `base64`
    encodes a picture.
    """
    from jinja2 import Environment, FileSystemLoader, StrictUndefined  # noqa: PLC0415 (loaded only where a page is written)

    plain = name.endswith(".txt")
    pages = Environment(
        loader=FileSystemLoader(Path(__file__).parent), autoescape=not plain, undefined=StrictUndefined, trim_blocks=True,
        lstrip_blocks=True, finalize=_on_one_line if plain else _printable,
    )  # fmt: skip
    pages.policies["json.dumps_kwargs"] = {}  # keys stay in their order
    pages.filters["digest"] = lambda part: "sha256-" + b64encode(hashlib.sha256(part.encode()).digest()).decode()
    pages.filters["base64"] = lambda content: b64encode(content).decode()
    pages.filters["n"] = lambda number: trimmed(number, 2)
    return pages.get_template(name)


def _printable(value: Any) -> Any:
    """Replace invisible characters in outside text; the template's own text is left alone."""
    if type(value) is not str or value.isprintable():
        return value
    return "".join(char if char.isprintable() or char == NO_BREAK else " " for char in value)


def _on_one_line(value: Any) -> Any:
    """Put a text of the rules on one line; the output of a template's macros already ends its lines."""
    return value.replace("\n", " ") if isinstance(value, str) and not value.endswith("\n") else value
