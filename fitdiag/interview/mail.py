"""Read a plain mail as proposals: the signs, body notes and earlier alterations it may mention, each with its sentence.

A sentence is read clause by clause. Praise, denial or another place or pose makes a clause less likely to name a sign; what was
done is kept apart from what is seen. Nothing counts until the fitter has confirmed it. Quoted lines only say what an answer is
about; text below a signature's dashes is skipped.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

from fitdiag.interview.answers import doubtful_side, read_answer, side_meant
from fitdiag.interview.clauses import (
    absent,
    advised,
    clauses_of,
    denied,
    earlier,
    is_question,
    pattern,
    refers_back,
    says,
    tells_of_work,
    told,
    well_now,
    with_questions,
)
from fitdiag.interview.meaning import best_rule, chance, signs_in
from fitdiag.interview.search import Heard, Kind, Words
from fitdiag.knowledge.findings import Finding
from fitdiag.knowledge.model import RuleBase
from fitdiag.knowledge.said import Said, names_length, without_amounts
from fitdiag.units import Units

_SIGN_FROM = 0.14  # least probability of a proposed sign
# Body notes and earlier alterations, as in `best_rule`: least fit, enough shared, fewest telling words.
_NEEDS: dict[Kind, tuple[float, float, int]] = {"body note": (0.6, 3.5, 1), "alteration": (0.4, 4.0, 2)}
_OF_OTHERS = 0.8  # least fit of a body note if nothing says whose body it is
_LONGEST_SPAN = 3  # clauses read together
_WORTH_NAMING = 2  # least words, but for stop words and amounts, of a clause to say that it was not read


@dataclass(frozen=True)
class Proposal:
    """Something a mail may say; for a sign, with its finding."""

    kind: Kind
    id: str
    sentence: str
    finding: Finding | None = None


@dataclass(frozen=True)
class Span:
    """Clauses read together (`start` to `end`, exclusive), the rule they fit and how well; for a sign, its `meaning.WEIGHTS` features."""

    fit: float
    kind: Kind
    id: str
    start: int
    end: int
    text: str
    features: Mapping[str, float] | None = None


@dataclass(frozen=True)
class _Sentence:
    """A sentence of a mail, the question it answers, the places named in the sentence before, and what comes after it.

    `amount`: the next sentence if it is a bare amount; `later`: its clauses if it is about what this one named.
    """

    text: str
    question: str
    about: str
    amount: str
    later: tuple[str, ...]


def read_mail(base: RuleBase, words: Words, text: str, units: Units) -> tuple[Proposal, ...]:
    """Return what a mail may say, in its order, each rule once with its best-fitting sentence."""
    return read_mail_and_rest(base, words, text, units)[0]


def read_mail_and_rest(
    base: RuleBase, words: Words, text: str, units: Units
) -> tuple[tuple[Proposal, ...], tuple[str, ...]]:
    """Return what a mail may say, as `read_mail` does, and what nothing was read from: sentences, questions among them, and clauses."""
    told_of: dict[tuple[Kind, str], list[tuple[float, int, Proposal]]] = {}
    left: dict[str, tuple[str, ...]] = {}  # what was not read, of each sentence that was
    for place, sentence in enumerate(_sentences(words, text)):
        found = _of_sentence(base, words, sentence, units)
        if found:
            left |= {sentence.text: _left_of(words, sentence, found), sentence.amount: ()}
        for span, proposal in found:
            told_of.setdefault((proposal.kind, proposal.id), []).append((-span.fit, place, proposal))
    best = sorted((_with_amount(each) for each in told_of.values()), key=lambda one: one[1])
    proposals = tuple(proposal for _, _, proposal in best)
    return proposals, tuple(part for sentence, _ in with_questions(text) for part in left.get(sentence, (sentence,)))


def _with_amount(told_of: list[tuple[float, int, Proposal]]) -> tuple[float, int, Proposal]:
    """The best-fitting of several proposals of one rule; if it has no amount, with the first amount another has, and its sentence."""
    best, *others = sorted(told_of, key=lambda one: one[:2])
    fit, place, proposal = best
    finding = proposal.finding
    if finding is None or finding.seen != "yes" or finding.amount_mm or finding.severity:
        return best
    for _, _, other in others:
        if other.finding is not None and other.finding.amount_mm:
            sentence = f"{proposal.sentence} ... {other.sentence}"
            return fit, place, replace(proposal, sentence=sentence, finding=other.finding)
    return best


def _left_of(words: Words, sentence: _Sentence, found: Sequence[tuple[Span, Proposal]]) -> tuple[str, ...]:
    """The clauses of a sentence that nothing was read from, but for praise, denial, amounts, and more of what was read."""
    clauses, read = clauses_of(sentence.text, words.places), _used([span for span, _ in found])
    signs = {proposal.id for _, proposal in found}
    left = (clause for place, clause in enumerate(clauses) if place not in read and told(clause))
    return tuple(
        clause
        for clause in left
        if words.length(without_amounts(clause)) >= _WORTH_NAMING and signs.isdisjoint(words.find("symptom", clause))
    )


def _sentences(words: Words, text: str) -> list[_Sentence]:
    """The sentences worth reading: not those of an earlier mail, nor unanswered questions."""
    result, pairs = [], list(with_questions(text))
    for place, (sentence, question) in enumerate(pairs):
        if is_question(sentence) or (says("earlier one", sentence) and not says("again", sentence)):
            continue
        after = pairs[place + 1][0] if place + 1 < len(pairs) else ""
        about = words.places(pairs[place - 1][0]) if place and not question else ""
        amount = after if _only_an_amount(words, after) else ""
        later = tuple(clauses_of(after, words.places)) if refers_back(after) else ()
        result.append(_Sentence(sentence, question, about, amount, later))
    return result


def _only_an_amount(words: Words, text: str) -> bool:
    """Whether a sentence gives an amount and names no sign that it would belong to."""
    if not pattern("amount alone").match(text) or not names_length(text):
        return False
    return all(chance(features) < _SIGN_FROM for _, features in signs_in(words, text, [text], False))


def _clauses(words: Words, sentence: _Sentence) -> tuple[Sequence[str], list[Span]]:
    """The clauses of a sentence, and those that report an earlier alteration."""
    clauses = clauses_of(sentence.text, words.places)
    return clauses, _done(words, clauses)


def _used(done: Sequence[Span]) -> set[int]:
    return {place for span in done for place in range(span.start, span.end)}


def _of_sentence(base: RuleBase, words: Words, sentence: _Sentence, units: Units) -> list[tuple[Span, Proposal]]:
    """What one sentence may say: the clauses that fit a rule well enough, none used twice."""
    clauses, done = _clauses(words, sentence)
    found = [(span, Proposal("alteration", span.id, sentence.text)) for span in done]
    told_then = (*clauses, *sentence.later)
    away = list(chosen(list(_absent(words, clauses, sentence.later))))
    found += [
        (span, Proposal("symptom", span.id, sentence.text, Finding(span.id, "no", origin="form"))) for span in away
    ]
    before = {place for place in range(len(clauses)) if earlier(told_then, place)}
    tried = [
        one
        for one in _tried(words, clauses, _used((*done, *away)) | before, sentence)
        if one.features is None or one.fit >= _SIGN_FROM
    ]
    read = list(chosen(tried))
    signs = [span for span in read if span.kind == "symptom"]
    after = sentence.amount if len(signs) == 1 else ""  # after several signs it may be of any, so it is of none
    for span in read:
        finding, text = None, sentence.text
        if span.kind == "symptom":
            others = _used([one for one in (*done, *away, *signs) if one is not span]) | before
            own, free = map(words.uncompared, _own_and_free(clauses, span, others))
            measurable = base.symptoms[span.id].measure is not None
            then = after if measurable and not names_length(own) and not names_length(free) else ""
            finding = _finding(base, span.id, (own, free, then), doubtful_side(text), units)
            text = f"{text} {then}".strip()
        found.append((span, Proposal(span.kind, span.id, text, finding)))
    return found


def _own_and_free(clauses: Sequence[str], span: Span, others: set[int]) -> tuple[str, str]:
    """What the clauses of a sign tell, and what all tell that are not those of `others`: its amount and side may stand in both."""
    own = told(", ".join(clauses[span.start : span.end])) or span.text
    return own, told(", ".join(clause for place, clause in enumerate(clauses) if place not in others))


def chosen(spans: Sequence[Span]) -> Iterator[Span]:
    """The best spans of a sentence, without overlaps within a kind."""
    taken: set[tuple[Kind, int]] = set()
    for span in sorted(spans, key=lambda one: (-one.fit, one.start)):
        wanted = {(span.kind, place) for place in range(span.start, span.end)}
        if not taken & wanted:
            taken |= wanted
            yield span


def _done(words: Words, clauses: Sequence[str]) -> list[Span]:
    """The clauses that report an earlier alteration."""
    spans, telling = [], False
    for place, clause in enumerate(clauses):
        if advised(clause):
            telling = False
            continue
        telling = tells_of_work(clause) or (telling and not re.match(r"(?:it|they|now|the)\b", clause, re.I))
        best = best_rule(words, "alteration", clause, _NEEDS["alteration"]) if telling else None
        if best is not None and not says("not", clause):
            spans.append(Span(best.fit, "alteration", best.id, place, place + 1, clause))
    return spans


def _absent(words: Words, clauses: Sequence[str], later: Sequence[str]) -> Iterator[Span]:
    """The signs that some clauses say are not there, or no longer, or were there once and are well now (there or `later`)."""
    about = ""
    for place, clause in enumerate(clauses):
        once = earlier((*clauses, *later), place) and well_now((*clauses[place + 1 :], *later))
        if plain := pattern("once").sub(" ", clause) if once else absent(clause):
            led = about and not words.places(plain)
            for line in (plain, f"{about} {plain}") if led else (plain,):
                for name, features in signs_in(words, line, [line], line is not plain):
                    if (fit := chance(features)) >= _SIGN_FROM:
                        yield Span(fit, "symptom", name, place, place + 1, clause, features)
        about = words.places(clause) or about


def _tried(words: Words, clauses: Sequence[str], used: set[int], sentence: _Sentence) -> Iterator[Span]:
    """Up to three adjacent clauses, and what they may name; a body note only if no sign is likelier."""
    about = sentence.about
    for start in range(len(clauses)):
        for end in range(start + 1, min(start + _LONGEST_SPAN, len(clauses)) + 1):
            part = clauses[start:end]
            if used & set(range(start, end)):
                break
            text = " ".join(part)
            if says("sore", text) or says("unknown", text) or (says("other things", text) and not words.places(text)):
                continue
            body = _body(words, text)
            lines = [text]
            if about and says("pronoun", clauses[start]) and not words.places(clauses[start]):
                lines.append(f"{about} {text}")
            if sentence.question and not start:
                lines += [f"{sentence.question} {text}", f"{words.places(sentence.question)} {text}"]
            signs = [one for line in lines for one in signs_in(words, line, part, line is not text)]
            named = [Span(chance(features), "symptom", name, start, end, text, features) for name, features in signs]
            surest = max((span.fit for span in named if span.fit >= _SIGN_FROM), default=0.0)
            if body is not None and body.fit >= surest and not denied(part, body.phrase, body.fit):
                yield Span(body.fit, "body note", body.id, start, end, text)
            yield from named
        about = words.places(clauses[start]) or about


def _body(words: Words, text: str) -> Heard | None:
    """The body note a text names, if it is about the body and not about cloth or a pose."""
    if pattern("when").match(text) or any(says(kind, text) for kind in ("cloth", "posed", "since last time")):
        return None
    body = best_rule(words, "body note", text, _NEEDS["body note"])
    if body is None or says("owned", pattern("at a place").sub(" ", text)):
        return body
    if says("worn", text):  # a waist too big, calves that are tight
        return None
    return body if body.fit >= _OF_OTHERS and words.telling("body note", text) >= 2 else None


def _finding(base: RuleBase, name: str, parts: tuple[str, str, str], doubtful: bool, units: Units) -> Finding:
    """The finding of a sign, its amount and side from the first text that has them: its own clauses, those of no other sign, the
    sentence after it. `doubtful`: sides count for nothing.

    An amount below what counts is one only if it plainly belongs to the sign.
    """
    symptom = base.symptoms[name]
    read = [said for said in (_said(part, units) for part in parts) if said is not None]
    said = next((one for one in read if one.length), read[0] if read else Said("yes"))
    said = replace(said, side=said.side or next((one.side for one in read if one.side), None))
    if symptom.whole or doubtful:
        said = replace(said, side=None, apart=None)
    said = replace(said, side=side_meant(symptom, parts[0], said.side))
    plain = Finding(name, "yes", side=said.side, origin="form")
    if symptom.measure is None:
        return plain
    if (length := said.length) is None:
        return replace(plain, severity=said.severity)
    if length.unit is None and said.apart is None:
        return plain
    found = replace(said, seen="yes").finding(symptom, "form")
    if not found.amount_mm or found.amount_mm > symptom.measure.most_mm:
        return plain
    own, _, then = parts
    after_the_first = own.partition(", ")[2] or own  # an amount in a clause before the sign may be of something else
    its_own = names_length(after_the_first) or names_length(then)
    return found if found.seen == "yes" or its_own else plain


def _said(text: str, units: Units) -> Said | None:
    telling = re.search(
        r"\d|[¼½¾⅛⅜⅝⅞]|inch|centim|quarter|half|left|right|both|each|\b[lr]h?s?\b|slight|a bit", text, re.I
    )
    return read_answer(text, units) if telling else None
