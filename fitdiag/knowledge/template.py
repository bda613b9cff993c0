"""Begins new rules from `rules/common/new/*.txt`: complete enough to pass the checks, marked as drafts until they are filled in.

A draft is read and checked but believed by nobody: draft causes take no part in a diagnosis.
"""

from __future__ import annotations

from pathlib import Path
from string import Template

from fitdiag.knowledge.folders import shipped
from fitdiag.knowledge.model import RuleBase

VIEWS = ("front", "side", "back", "worn", "paper")


def template(base: RuleBase, kind: str, rule_id: str, area: str) -> tuple[Path, str]:
    """The file (relative to the rule folder) and the text of a new rule of `kind`: cause, symptom or alteration."""
    words, source = base.words, next(iter(base.sources))
    values = {
        "id": rule_id,
        "source": next((rule.id for rule in base.sources.values() if rule.grade == "judgement"), source),
        "base_rate": min(words.base_rate.words, key=lambda word: words.base_rate.words[word]),
        "alteration": next(iter(base.alterations)),
        "view": area if area in VIEWS else "back",
        "by": next(iter(words.cost.words)),
        "seen_anyway": next(iter(words.seen_anyway.words)),
        "seam": base.about.seams[0],
        "stage": base.about.stages[-1],
        **_free_profile(base),
    }
    file = Path("symptoms", f"{area}.yaml") if kind == "symptom" else Path(f"{kind}s", area, f"{rule_id}.yaml")
    text = (shipped("rules") / "common" / "new" / f"{kind}.txt").read_text(encoding="utf-8")
    return file, Template(text).substitute(values)


def _free_profile(base: RuleBase) -> dict[str, str]:
    """A symptom and a strength that no cause shows alone, so that the draft is not taken for another cause."""
    single = [cause.shows[0] for cause in base.causes.values() if len(cause.shows) == 1]
    taken = {(link.symptom, link.how_often) for link in single}
    for symptom in base.symptoms:
        for word in base.words.how_often.words:
            if (symptom, word) not in taken:
                return {"symptom": symptom, "how_often": word}
    raise ValueError("every symptom is shown alone in every strength; no room for another cause")
