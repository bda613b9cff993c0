"""Templates for new rules: complete enough to pass the checks, marked as drafts until they are filled in.

A draft is read and checked but believed by nobody: draft causes take no part in a diagnosis.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path

from fitdiag.knowledge.model import RuleBase

_CAUSE = """id: {id}
title: TO WRITE what the pattern does, in a fitter's words
status: draft
base_rate: {base_rate}
why: >-
  TO WRITE one to four sentences, as an experienced cutter would explain it to an apprentice.
source: {source}
shows:
  - {{symptom: {symptom}, how_often: {how_often}, source: {source}}}
cured_by: {{{alteration}: partly}}
not_when: [TO WRITE when the same sign means something else.]
"""
_SYMPTOM = """- id: {id}
  title: TO WRITE the sign as a statement
  draft: yes
  ask: TO WRITE the question, as a fitter would ask it?
  look: >-
    TO WRITE how to look, stance, view, and what to compare with.
  views: [{view}]
  by: {by}
  seen_anyway: {seen_anyway}
  source: {source}
  search: [write, words, a, fitter, types]
"""
_ALTERATION = """id: {id}
title: TO WRITE what is done
draft: yes
stage: {stage}
operation:
  does: none
  piece: back
  cut: "TO WRITE where"
  hinge: "TO WRITE which end stays"
  moves: []  # what is done to the paper: kinds and places in fitdiag/knowledge/garment.py, examples in the files beside this one
seams: [{seam}]
amount:
  start: 1/4 in
  until: TO WRITE when to stop
  source: {source}
most_a_round: {{amount: 1/2 in, source: {source}}}
sides: as-seen
why: TO WRITE what it does, in a fitter's words.
cloth: [TO WRITE the steps on the muslin.]
paper: [TO WRITE the steps on the pattern.]
true_up: [TO WRITE what to true afterwards.]
effects: [TO WRITE what it does to the other seams.]
effects_on: {{}}  # change of each measure of the pattern per amount altered, like  hip girth: +4
check_next: [TO WRITE what to look at when it is tried on.]
source: {source}
"""


def template(base: RuleBase, kind: str, rule_id: str, area: str) -> tuple[Path, str]:
    """The file (relative to the rule folder) and the text of a new rule of `kind`: cause, symptom or alteration."""
    words = base.words
    common = {"id": rule_id, "source": _honest_source(base)}
    makers: Mapping[str, Callable[[], tuple[Path, str]]] = {
        "cause": lambda: (
            Path("causes", area, f"{rule_id}.yaml"),
            _CAUSE.format(
                **common,
                base_rate=min(words.base_rate.words, key=lambda word: words.base_rate.words[word]),
                alteration=next(iter(base.alterations)),
                **_free_profile(base),
            ),
        ),
        "symptom": lambda: (
            Path("symptoms", f"{area}.yaml"),
            _SYMPTOM.format(
                **common,
                view=area if area in ("front", "side", "back", "worn", "paper") else "back",
                by=next(iter(words.cost.words)),
                seen_anyway=next(iter(words.seen_anyway.words)),
            ),
        ),
        "alteration": lambda: (
            Path("alterations", area, f"{rule_id}.yaml"),
            _ALTERATION.format(**common, seam=base.about.seams[0], stage=base.about.stages[-1]),
        ),
    }
    return makers[kind]()


def _honest_source(base: RuleBase) -> str:
    return next(
        (source.id for source in base.sources.values() if source.grade == "judgement"), next(iter(base.sources))
    )


def _free_profile(base: RuleBase) -> dict[str, str]:
    """A symptom and a strength that no cause shows alone, so that the draft is not taken for another cause."""
    taken = {
        (cause.shows[0].symptom, cause.shows[0].how_often) for cause in base.causes.values() if len(cause.shows) == 1
    }
    for symptom in base.symptoms:
        for word in base.words.how_often.words:
            if (symptom, word) not in taken:
                return {"symptom": symptom, "how_often": word}
    raise ValueError("every symptom is shown alone in every strength; no room for another cause")
