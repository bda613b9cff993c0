"""Put figures of speech into the plain words that the search knows: room for two in there is loose cloth, a hand-me-down is no hand.

Both what is typed and the phrases of the rules are read this way, so that a saying fits a sign however it is worded. The sayings
are in `words.yaml`.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from functools import cache
from pathlib import Path

from fitdiag.knowledge.strict_yaml import read_yaml

_FIRST_WORDS = re.compile(r"\(\?:([^()]+)\)|([\w']+)")  # what a saying begins with: one word, or one of several


@cache
def _sayings() -> tuple[re.Pattern[str], tuple[str, ...], frozenset[str]]:
    """One pattern of all sayings with a group for each meaning, the meanings in that order, and the first words of all."""
    said: Mapping[str, Sequence[str]] = read_yaml(Path(__file__).with_name("words.yaml")).data["sayings"]
    groups = "|".join(f"({'|'.join(forms)})" for forms in said.values())
    begins = [_FIRST_WORDS.match(form) for forms in said.values() for form in forms]
    firsts = frozenset(one.split()[0] for found in begins if found for one in (found[1] or found[2]).split("|"))
    return re.compile(rf"\b(?:{groups})(?![\w'])"), tuple(said), firsts


def plainly(text: str) -> str:
    """A text in small letters, without hyphens, with its sayings put in plain words.

    >>> plainly("you could fit two of me in the seat"), plainly("no room at the hip"), plainly("a hand me down")
    ('you loose spare in the seat', 'tight at the hip', 'a ')
    """
    pattern, meanings, firsts = _sayings()
    if firsts.isdisjoint(text.split()):  # ten times faster than the pattern, and most texts hold none
        return text
    return pattern.sub(lambda found: meanings[(found.lastindex or 1) - 1].removeprefix("nothing"), text)
