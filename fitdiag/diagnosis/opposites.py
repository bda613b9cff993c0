"""What a sign says of its opposite: where the waist binds, it is not loose."""

from __future__ import annotations

from collections.abc import Mapping

from fitdiag.knowledge.findings import LEFT_RIGHT, Findings
from fitdiag.knowledge.model import RuleBase


def excluded_by(base: RuleBase, findings: Findings) -> Mapping[str, set[str]]:
    """Open signs that cannot be there beside one that was seen, each with those that were.

    They speak against their causes as if looked for and not seen; but not against a cause that shows either sign, since it shows
    one at a time, as a worn height is off the line above it or below. Nothing is excluded by a sign on one side alone, as the other
    side may show the opposite, nor where a right block is known to show some of it: a line that dips a little may be one that
    rises on this client.
    """
    excluded: dict[str, set[str]] = {}
    for finding in findings.seen:
        symptom = base.symptoms[finding.symptom]
        if finding.side in LEFT_RIGHT or base.rests_of.get(symptom.axis):
            continue
        for opposite in symptom.opposite:
            if opposite not in findings.symptoms:
                excluded.setdefault(opposite, set()).add(finding.symptom)
    return excluded
