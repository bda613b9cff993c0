"""The page templates of this room: every text put into one is escaped."""

from __future__ import annotations

import hashlib
from base64 import b64encode
from functools import cache
from pathlib import Path

from jinja2 import Environment, FileSystemLoader, StrictUndefined, Template


@cache
def template(name: str) -> Template:
    """A page template. In it `digest` gives the hash of a style or script as a content policy names it."""
    loader = FileSystemLoader(Path(__file__).parent)
    pages = Environment(loader=loader, autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True)
    pages.policies["json.dumps_kwargs"] = {}  # keys stay in their order
    pages.filters["digest"] = lambda part: "sha256-" + b64encode(hashlib.sha256(part.encode()).digest()).decode()
    return pages.get_template(name)
