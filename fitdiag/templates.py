"""Page templates: every text put into one is escaped, and shows no sign that no reader sees.

`page.html` is what our printed pages share, `head.html` the head of every page: nothing is fetched, a style and a script count
by their hash only.
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
    """A template by its room and name, like `reports/client_page.html`.

    In it `digest` gives the hash of a style or script as a content policy names it, `n` a coordinate.
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
    """Text from outside without what no reader sees; what the template itself holds stays as it is."""
    if type(value) is not str or value.isprintable():
        return value
    return "".join(char if char.isprintable() or char == NO_BREAK else " " for char in value)
