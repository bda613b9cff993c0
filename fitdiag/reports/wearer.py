"""What is asked in the wearer's own words, and how the wearer takes a measure without a fitter beside.

A symptom whose rule has words for the wearer is asked in these; any other one in those for the fitter.
Lengths in these texts are turned into the client's units.
"""

from __future__ import annotations

from dataclasses import dataclass

from fitdiag.knowledge.model import RuleBase, Symptom
from fitdiag.units import Units, in_units


@dataclass(frozen=True)
class Asked:
    """A question as it stands on the page. `graded`: can be there a little, clearly or a lot; else it is yes or no."""

    symptom: str
    ask: str
    how: str
    graded: bool
    felt: bool


_TESTS = ("loosening", "unpicking", "undressing", "paper")


def asked(base: RuleBase, symptom_id: str, units: Units) -> Asked:
    """The question for a symptom as the wearer reads it."""
    symptom = base.symptoms[symptom_id]
    words = symptom.wearer
    text, how = (words and words.ask) or symptom.ask, words.how if words else ""
    graded = symptom.by not in _TESTS and (words is None or words.graded)
    how = in_units(how, units) if symptom.measure else ""
    return Asked(symptom_id, in_units(text, units), how, graded, symptom.felt or is_used(symptom))


def is_used(symptom: Symptom) -> bool:
    """Found out by wearing, without a look in the mirror."""
    return symptom.by in ("sitting", "stairs", "bending", "asking")
