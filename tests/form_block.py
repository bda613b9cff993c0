"""The block of a filled form, made as its page makes it; `test_client_form.py` holds the two together."""

from __future__ import annotations

import base64
import json
import zlib
from collections.abc import Mapping
from typing import Any

from fitdiag.reports.form import BEGIN


def packed(content: Mapping[str, Any]) -> str:
    """The block a page makes of its answers."""
    raw = json.dumps(content, ensure_ascii=False, separators=(",", ":")).encode("utf-8", "replace")
    text = base64.b64encode(raw).decode().rstrip("=")
    lines = [text[n : n + 60] for n in range(0, len(text), 60)]
    return "\n".join([BEGIN, *lines, f"[end {zlib.crc32(raw):08x}]"])
