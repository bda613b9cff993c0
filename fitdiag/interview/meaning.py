"""What some words may name: the signs, each with how likely it is, and the rule of another kind that fits best.

Mails are read and typed lines are looked up by the same figures; a line that is likely to name nothing is offered nothing.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from math import exp, log

from fitdiag.interview.clauses import judged, only_praises, says
from fitdiag.interview.search import Heard, Kind, Words
from fitdiag.knowledge.said import names_length, without_amounts

# Logistic regression weights for whether a clause names a sign; fitted by `tests/bench/mail_weights.py`, which names its data.
WEIGHTS: Mapping[str, float] = {
    "always": -3.73,
    "how much of the clause a phrase of the sign holds": 2.12,
    "how many words they share": 1.47,
    "how many words tell of any sign": 0.35,
    "it is of another place": -0.76,
    "an amount, and it has one": 1.66,
    "denied": -1.89,
    "praised": -2.41,
    "how likely it is among all signs, by its words": 1.28,
    "how far it leads the others, by its words": 0.70,
    "no sign is likelier by its words": -0.76,
    "nor does any fit better": 1.02,
    "the place stands in the sentence before": -1.18,
}
_LENIENT, _UNKNOWN, _WHOLE = 0.2, 0.5, 0.35  # as in `Words.heard`, in whole mails
_MANY_SHARED, _MUCH_TELLING, _NEAREST = 4, 5, 3
_WIDEST = 12  # signs ranked lower are never considered
_HARDLY = 0.001  # added to a probability before taking its logarithm
_FEW, _WHOLLY = 2, 0.85  # up to so many words may be a rule's whole phrase; least fit for that
# Least probability of a sign to offer one for typed words; it loses 1 in 350 phrases of signs (those not used to judge), and of
# 225 sentences of mails that name none it offers something for 79, where the fit alone would for 200.
_OFFERED_FROM, _PLAINLY = 0.01, 0.8
SIGN_ELSEWHERE = 0.05  # the same where a sign was not asked for; it loses 10 of 255 phrases
# for body notes and alterations, which have too few phrases for probabilities
_OFFERED_FIT, _OFFERED_EVIDENCE = 0.4, 3.5


def offers(words: Words, kind: Kind, text: str, least: float = _OFFERED_FROM) -> tuple[str, ...]:
    """The rules that typed words may mean, likeliest first; none if they more likely mean nothing of this kind.

    `least`: the least probability that one of the signs is named.
    """
    fit, praise = words.fit(kind, text), only_praises(text)
    plainly = fit >= (_WHOLLY if praise else _PLAINLY) and not words.strange(kind, text)
    if kind == "symptom":
        likely = signs_in(words, text, (text,) if praise else (), led=False)
        known = plainly or any(chance(features) >= least for _, features in likely)
    else:
        best = words.heard(kind, text)[:_NEAREST]
        evident = any(one.fit * min(1.0, one.shared / _OFFERED_EVIDENCE) >= _OFFERED_FIT for one in best[:1])
        known = (plainly or (evident and not (praise and kind == "alteration"))) and any(
            _shares_enough(words, kind, text, phrase) for one in best for phrase in words.phrases(kind, one.id)
        )
    return words.find(kind, text) if known else ()


def _shares_enough(words: Words, kind: Kind, text: str, phrase: str) -> bool:
    """Whether a text and a phrase have two words in common, one of them perhaps misspelt, or one that is the whole of either.

    A misspelt word alone must be the whole of both: so lovely buttons are not taken for level hips, nor stitching that is loved for
    love handles.
    """
    shared = len(words.shared(kind, text, phrase))
    if shared != 1:
        return shared > 1
    whole = (words.is_one(text), words.is_one(phrase))
    if not words.shared(kind, text, phrase, as_typed=True):
        return all(whole)
    return any(whole) or words.alike_beside(text, phrase)


def chance(features: Mapping[str, float]) -> float:
    """The probability that some clauses name a sign, from its features."""
    return 1.0 / (1.0 + exp(-sum(WEIGHTS[name] * value for name, value in features.items())))


def signs_in(words: Words, text: str, part: Sequence[str], led: bool) -> Iterator[tuple[str, dict[str, float]]]:
    """The signs that some clauses may name, each with its features, named as in `WEIGHTS`.

    `text`: the clauses as read; `led`: preceded by the place they refer to.
    """
    amount = names_length(text)
    text = _bare_words(text)
    telling = words.telling("symptom", text)
    if not telling:
        return
    heard = words.heard("symptom", text, _LENIENT, _UNKNOWN, _WHOLE)
    chances = words.chances("symptom", text)
    said = set(words.places(words.uncompared(text)).split())
    if compared := set(words.places(text).split()) - said:  # a sign of the place compared with is not what is told
        elsewhere = {one.id for one in heard if compared & set(words.places(words.uncompared(one.phrase)).split())}
        heard = tuple(one for one in heard if one.id not in elsewhere)
        chances = {name: chance for name, chance in chances.items() if name not in elsewhere}
    likeliest = sorted(chances, key=lambda name: -chances[name])[:_NEAREST]
    amiss, praised = judged(part)
    when = says("when", text)
    for place, one in enumerate(heard[:_WIDEST]):
        if place >= _NEAREST and one.id not in likeliest:
            continue
        first = one.id == likeliest[0]
        likely = log(chances[one.id] + _HARDLY)
        shared = len(words.shared("symptom", text, one.phrase))
        meant = set(words.places(one.phrase).split())
        features = {
            "always": 1.0,
            "how much of the clause a phrase of the sign holds": one.covered,
            "how many words they share": min(1.0, shared / _MANY_SHARED),
            "how many words tell of any sign": min(1.0, telling / _MUCH_TELLING),
            "it is of another place": bool(meant) and not said & meant,
            "an amount, and it has one": amount and words.measures(one.id),
            "denied": amiss and not says("not", one.phrase),
            "praised": praised and not (when and says("good", one.phrase)),
            "how likely it is among all signs, by its words": likely,
            "how far it leads the others, by its words": likely - log(chances[likeliest[first]] + _HARDLY),
            "no sign is likelier by its words": first,
            "nor does any fit better": first and not place,
            "the place stands in the sentence before": led,
        }
        yield one.id, {name: float(value) for name, value in features.items()}


def _bare_words(text: str) -> str:
    return re.sub(r"([a-z])\1{2,}", r"\1", without_amounts(text))  # huuuge


def best_rule(words: Words, kind: Kind, text: str, needs: tuple[float, float, int]) -> Heard | None:
    """The rule a text names, its fit lowered where they share little; None if none fits well enough.

    `needs`: least fit, the weight of shared words from which the fit counts in full, fewest telling words.
    """
    text = _bare_words(text)
    least, enough, fewest = needs
    telling = words.telling(kind, text)
    few = words.length(text) <= _FEW
    if not telling or (telling < fewest and not few):
        return None
    best = next(iter(words.heard(kind, text, _LENIENT, _UNKNOWN, _WHOLE)), None)
    if best is not None and (not few or best.fit < _WHOLLY or (says("not", text) and telling < fewest)):
        shared = best.shared if words.names_more(kind, text) else 0.0
        best = replace(best, fit=best.fit * min(1.0, shared / enough))
    return best if best is not None and best.fit >= least else None
