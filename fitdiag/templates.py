"""Page templates: all text put into one is escaped and freed of invisible characters.

`page.html` is shared by the printed pages, `head.html` is the head of every page: nothing is fetched, and styles and scripts
are allowed by hash only.
"""

from __future__ import annotations

import hashlib
from base64 import b64encode
from functools import cache
from pathlib import Path
from typing import Any

from fitdiag.units import NO_BREAK


@cache
def template(name: str) -> Any:
    """Load a template by package and name, like `reports/client_page.html`.

    Filters: `digest` hashes a style or script as a content security policy writes it, `n` formats a coordinate.
    """
    from jinja2 import Environment, FileSystemLoader, StrictUndefined  # noqa: PLC0415 (loaded only where a page is written)

    pages = Environment(
        loader=FileSystemLoader(Path(__file__).parent), autoescape=True, undefined=StrictUndefined, trim_blocks=True,
        lstrip_blocks=True, finalize=_printable,
    )  # fmt: skip
    pages.policies["json.dumps_kwargs"] = {}  # keys stay in their order
    pages.filters["digest"] = lambda part: "sha256-" + b64encode(hashlib.sha256(part.encode()).digest()).decode()
    pages.filters["n"] = lambda number: f"{number:.2f}".rstrip("0").rstrip(".")
    return pages.get_template(name)


def _printable(value: Any) -> Any:
    """Replace invisible characters in outside text; the template's own text is left alone."""
    if type(value) is not str or value.isprintable():
        return value
    return "".join(char if char.isprintable() or char == NO_BREAK else " " for char in value)
