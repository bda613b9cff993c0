"""The marking page: one HTML file with the picture inside, which asks nothing of the network and runs only its own script."""

from __future__ import annotations

import base64
import hashlib
import json
import re
from pathlib import Path

from jinja2 import Environment, StrictUndefined

from fitdiag.photos.marks import Marks, as_json
from fitdiag.problems import one_line
from fitdiag.units import Units

_TEMPLATE = Path(__file__).with_name("mark_page.html")
_BLOCK = r"<{tag}>{{% raw %}}(.*?){{% endraw %}}</{tag}>"
_PNG = b"\x89PNG\r\n\x1a\n"


def mark_page(jpeg: bytes, marks: Marks, units: Units = "cm") -> str:
    """The page on which a fitter marks this cleaned picture (a PNG will do too), starting with the marks given, in these units.

    The text holds a private picture: write it so that only its owner can read it.
    """
    source = _TEMPLATE.read_text(encoding="utf-8")
    page = Environment(autoescape=True, undefined=StrictUndefined, keep_trailing_newline=True).from_string(source)
    return page.render(
        style_hash=_hash(source, "style"),
        script_hash=_hash(source, "script"),
        file=one_line(marks.file) or "a picture",
        given=_inert_json(marks),
        kind="png" if jpeg.startswith(_PNG) else "jpeg",
        picture=base64.b64encode(jpeg).decode("ascii"),
        width=marks.width,
        height=marks.height,
        inches=units == "in",
    )


def _hash(source: str, tag: str) -> str:
    """The hash by which the content policy knows the one block of this kind."""
    (block,) = re.findall(_BLOCK.format(tag=tag), source, re.DOTALL)
    return "sha256-" + base64.b64encode(hashlib.sha256(block.encode()).digest()).decode("ascii")


def _inert_json(marks: Marks) -> str:
    """The marks as JSON in plain ASCII in which nothing can end a script element or begin a comment."""
    text = json.dumps(json.loads(as_json(marks)))
    return text.replace("<", "\\u003c").replace(">", "\\u003e").replace("&", "\\u0026")
