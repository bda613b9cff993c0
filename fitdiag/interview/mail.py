"""A plain mail as proposals: which signs, body notes and earlier alterations it may speak of, each with the sentence it was read from.

A sentence is read by its clauses. A clause that praises, denies, advises or tells of an earlier fitting proposes nothing; what was
done is told apart from what is seen. Nothing read here counts before the fitter has confirmed it. Quoted lines, which only
say what an answer is about, and what stands below a signature's dashes are passed over.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

from fitdiag.interview.answers import Said, read_answer, without_amounts
from fitdiag.interview.clauses import (
    advised,
    clauses_of,
    denied,
    is_question,
    pattern,
    says,
    tells_of_work,
    with_questions,
)
from fitdiag.interview.search import Kind, Words
from fitdiag.knowledge.findings import Finding, measured, measured_apart
from fitdiag.knowledge.model import RuleBase, Symptom
from fitdiag.units import Length, Units

# Set on one half of the mails.
_SURE: dict[Kind, float] = {"symptom": 0.42, "body note": 0.6, "alteration": 0.4}  # how well words must fit a rule
_LENIENT, _UNKNOWN = 0.4, 0.5  # how far words beside a phrase count against it; the weight of a word that no rule knows
_WHOLE: dict[Kind, float] = {"symptom": 6.0, "body note": 3.5, "alteration": 4.0}  # so much said counts whole ...
_BESIDE: dict[Kind, float] = {
    "symptom": 2.0,
    "body note": 1.0,
    "alteration": 0.1,
}  # ... if so much of it names no place
_FEWEST: dict[Kind, int] = {"symptom": 2, "body note": 1, "alteration": 2}  # words that a rule knows
_FEW, _WHOLLY = 2, 0.85  # so few words may be all of a rule's own phrase; how well they must fit it
_OF_OTHERS = 0.8  # how well a body note must fit where nothing says whose it is
_FURTHER = 0.2  # how much better what else a sentence says must fit
_ELSEWHERE, _NOWHERE = 0.6, 0.75  # what is left of a fit where another place is named, or none
_LONGEST_SPAN = 3  # clauses read together


@dataclass(frozen=True)
class Proposal:
    """Something a mail may say. `finding` is set for a sign, `amount_mm` for an earlier alteration that names one."""

    kind: Kind
    id: str
    sentence: str
    finding: Finding | None = None
    amount_mm: float | None = None


@dataclass(frozen=True)
class _Span:
    """Clauses read together: from which to which, what rule they fit and how well."""

    fit: float
    kind: Kind
    id: str
    start: int
    end: int
    text: str


def read_mail(base: RuleBase, words: Words, text: str, units: Units) -> tuple[Proposal, ...]:
    """What a mail may say, in its order, each rule once with the sentence that fits best."""
    best: dict[tuple[Kind, str], tuple[float, int, Proposal]] = {}
    told = list(with_questions(text))
    for place, (sentence, question) in enumerate(told):
        after = told[place + 1][0] if place + 1 < len(told) else ""
        amount = after if pattern("amount alone").match(after) else ""
        about = words.places(told[place - 1][0]) if place and not question else ""
        for fit, proposal in _of_sentence(base, words, sentence, question, about, amount, units):
            key = (proposal.kind, proposal.id)
            if key not in best or fit > best[key][0]:
                best[key] = (fit, place, proposal)
    return tuple(proposal for _, _, proposal in sorted(best.values(), key=lambda one: one[1]))


def _of_sentence(
    base: RuleBase, words: Words, sentence: str, question: str, about: str, amount: str, units: Units
) -> Iterator[tuple[float, Proposal]]:
    """What one sentence may say: the clauses that name a rule well enough, none used twice."""
    if is_question(sentence):
        return
    clauses = clauses_of(sentence, words.places)
    done = _done(words, clauses)
    for span in done:
        length = next(
            (said.amount for said in (_said(one, units) for one in (span.text, amount)) if said and said.amount), None
        )
        yield span.fit, Proposal("alteration", span.id, sentence, amount_mm=length.mm if length else None)
    used = {place for span in done for place in range(span.start, span.end)}
    for span in _spans(base, words, clauses, used, question, about):
        if span.kind == "body note":
            yield span.fit, Proposal(span.kind, span.id, sentence)
        else:
            finding = _finding(base, span.id, (span.text, sentence, amount), units)
            yield span.fit, Proposal(span.kind, span.id, sentence, finding)


def _done(words: Words, clauses: Sequence[str]) -> list[_Span]:
    """The clauses that tell of an alteration made before."""
    found, telling = [], False
    for place, clause in enumerate(clauses):
        if advised(clause):
            telling = False
            continue
        telling = tells_of_work(clause) or (telling and not re.match(r"(?:it|they|now|the)\b", clause, re.I))
        best = _best(words, "alteration", clause) if telling else None
        if best is not None and not says("not", clause):
            found.append(_Span(best[0], "alteration", best[1], place, place + 1, clause))
    return found


def _spans(
    base: RuleBase, words: Words, clauses: Sequence[str], used: set[int], question: str, about: str
) -> Iterator[_Span]:
    """The spans of clauses that name a sign or a body note best, none of which overlap and none of which is denied."""
    tried = []
    for start in range(len(clauses)):
        for end in range(start + 1, min(start + _LONGEST_SPAN, len(clauses)) + 1):
            part = clauses[start:end]
            if used & set(range(start, end)):
                break
            text = " ".join(part)
            known = _best(words, "symptom", text, "" if words.places(text) or end > start + 1 else about)
            if question and not start:
                answers = [
                    _best(words, "symptom", f"{question} {text}"),
                    _best(words, "symptom", text, words.places(question)),
                    known,
                ]
                known = max((one for one in answers if one), key=lambda one: one[0], default=None)
            body = (
                None
                if pattern("when").match(text) or says("cloth", text) or says("posed", text)
                else _best(words, "body note", text)
            )
            if (
                body is not None
                and not says("owned", text)
                and (body[0] < _OF_OTHERS or words.telling("body note", text) < 2)
            ):
                body = None
            if body is not None and body[0] >= (known[0] if known else 0.0) and not denied(part, body[2], body[0]):
                tried.append(_Span(body[0], "body note", body[1], start, end, text))
            elif (
                known is not None
                and not _tested(base.symptoms[known[1]], text)
                and not denied(part, known[2], known[0])
            ):
                tried.append(_Span(known[0], "symptom", known[1], start, end, text))
        about = words.places(clauses[start]) or about
    taken: set[int] = set()
    for span in sorted(tried, key=lambda one: (-one.fit, one.start)):
        if not taken & set(range(span.start, span.end)) and (not taken or span.fit >= _SURE[span.kind] + _FURTHER):
            taken |= set(range(span.start, span.end))
            yield span


def _tested(symptom: Symptom, text: str) -> bool:
    """Whether a sign is the outcome of a test, and the text tells of none."""
    return bool(symptom.needs and says("when", symptom.title)) and not says("when", text)


def _best(words: Words, kind: Kind, text: str, about: str = "") -> tuple[float, str, str] | None:
    """The rule a text about a place names, how well, and by which phrase; None where it names none well enough."""
    text = re.sub(r"([a-z])\1{2,}", r"\1", without_amounts(text))  # huuuge
    telling = words.telling(kind, text)
    few = words.length(text) <= _FEW
    if not telling or (telling < _FEWEST[kind] and not few):
        return None
    heard = words.heard(kind, f"{about} {text}" if telling > 1 else text, _LENIENT, _UNKNOWN)
    fit, name, phrase = heard[0] if heard else (0.0, "", "")
    evidence, beside = words.evidence(kind, text, phrase)
    if not few or fit < _WHOLLY or (says("not", text) and telling < _FEWEST[kind]):
        fit *= min(1.0, evidence / _WHOLE[kind]) * min(1.0, beside / _BESIDE[kind])
    if kind == "symptom":
        said, meant = words.places(text).split(), words.places(phrase).split()
        if said and meant and not set(said) & set(meant):
            fit *= _ELSEWHERE
        elif not said and meant:
            fit *= _NOWHERE
    return (fit, name, phrase) if fit >= _SURE[kind] else None


def _finding(base: RuleBase, name: str, parts: Sequence[str], units: Units) -> Finding:
    """The sign with what its part of the sentence, or else the sentence or an amount behind it, says of amount and side."""
    symptom = base.symptoms[name]
    read = [said for said in (_said(part, units) for part in parts) if said is not None]
    said = next((one for one in read if one.amount or one.left or one.right), read[0] if read else Said("yes"))
    plain = Finding(name, "yes", side=None if symptom.whole else said.side, origin="form")
    if symptom.measure is None:
        return plain
    if said.left and said.right:
        found = measured_apart(symptom, said.left.mm, said.right.mm, origin="form")
    elif (length := said.amount or said.left or said.right) and length.unit is not None:
        found = measured(symptom, length.mm, side=plain.side, error_mm=_spread(length), origin="form")
    else:
        return replace(plain, severity=said.severity)
    return found if found.seen == "yes" and (found.amount_mm or 0.0) <= symptom.measure.most_mm else plain


def _said(text: str, units: Units) -> Said | None:
    telling = re.search(r"\d|inch|centim|quarter|half|left|right|both|slight|a bit", text, re.I)
    return read_answer(text, units) if telling else None


def _spread(length: Length) -> float | None:
    return length.mm / 4 if length.vague else None
