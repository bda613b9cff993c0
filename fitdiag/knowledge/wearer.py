"""The rules in the wearer's words, also for somebody who fits herself without help."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from fitdiag.knowledge.model import Alteration, RuleBase, Symptom, WearerText

_LISTS: tuple[WearerText, ...] = ("cloth", "paper", "true_up", "check_next")
_BY_BASTING = (  # nobody can pin her own back or all round; lengths are in the rules' own words
    "Take it off and work on the table. Mark the amount you start with along this line: {cut}.",
    "Baste it with long stitches, widest where the drawing has the amount, to nothing at the hinge. Cut nothing and pin nothing.",
    "Put it on, the waist on its line. Set a phone on its timer at the height of the hip and take back and side; arms down, look"
    " ahead. Judge by the picture, not over your shoulder: turning moves the lines.",
    "Not there yet? Take it off, baste a quarter more or less, and take the pictures again. Stop when {until}.",
    "Walk twenty steps, sit for five minutes, climb a stair. If anything presses, let some of it out.",
)
_ALONE = "In a mirror or a picture taken by timer, arms down. "


def for_wearer(base: RuleBase, *, alone: bool = False) -> RuleBase:
    """The rules as the wearer reads them. `alone`: without a helper; alterations other than in front are basted, not pinned."""
    cautions = base.about.cautions
    if alone:
        texts = ((one, one.alone or one.client) for one in cautions)
        cautions = tuple(one.model_copy(update={"text": text, "client": text}) for one, text in texts)
    return replace(
        base,
        about=base.about.model_copy(update={"cautions": cautions}),
        symptoms={name: _asked(rule, alone=alone) for name, rule in base.symptoms.items()},
        alterations={name: _in_wearers_words(rule, alone=alone) for name, rule in base.alterations.items()},
    )


def _asked(rule: Symptom, *, alone: bool) -> Symptom:
    ask = (rule.wearer and rule.wearer.ask) or rule.ask
    look = (rule.wearer and rule.wearer.look) or (_ALONE if alone and rule.by == "looking" else "") + rule.look
    if rule.measure is None or rule.wearer is None or not rule.wearer.how:
        return rule.model_copy(update={"ask": ask, "look": look})
    measure = rule.measure.model_copy(update={"how": rule.wearer.how})
    return rule.model_copy(update={"ask": ask, "look": look, "measure": measure})


def _in_wearers_words(rule: Alteration, *, alone: bool) -> Alteration:
    update: dict[str, object] = {key: text for key, text in rule.wearer.items() if isinstance(text, str)}
    for key in _LISTS:
        steps, others = list(getattr(rule, key)), rule.wearer.get(key)
        for number, text in others.items() if isinstance(others, Mapping) else ():
            if 0 < int(number) <= len(steps):  # a string if cached; `rules check` reports numbers that are no step
                steps[int(number) - 1] = text
        update[key] = tuple(steps)
    if alone and rule.operation.piece != "front" and rule.operation.moves:
        cut = rule.operation.cut[:1].lower() + rule.operation.cut[1:]
        update["cloth"] = tuple(step.format(cut=cut, until=rule.amount.until) for step in _BY_BASTING)
    return rule.model_copy(update=update)
