"""A plain mail as proposals: which signs, body notes and earlier alterations it may speak of, each with the sentence it was read from.

Nothing read here counts before the fitter has confirmed it. Quoted lines and what stands below a signature's dashes are passed over.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, replace

from fitdiag.interview.answers import Said, read_answer
from fitdiag.interview.reading import split_amount
from fitdiag.interview.search import Kind, Words
from fitdiag.knowledge.findings import Finding, measured, measured_apart
from fitdiag.knowledge.model import RuleBase
from fitdiag.units import Length, Units

LONGEST = 20_000
_SURE = 0.55  # how well words must fit a rule to be proposed; tuned on one half of the mails
_DONE_SURE = 0.35
_STRETCHES = (5, 8, 12)  # words that are looked up together
_TELLING = 4.5  # so many telling words, less one, count whole
_FEWEST = 2  # telling words
_ENDS = re.compile(r"(?<=[.!?])\s+|\n\s*\n|\n(?=\s*(?:[-*•]|\d+[.)]))")
_PARTS = re.compile(r"[,;:()]| - |–|—|\bbut\b|\band\b|\bwhile\b|\bthough\b|\balthough\b|\bbecause\b|\bso that\b")
_SHORT = 45  # characters a line; a mail of such lines says something new on each
_GREETING = re.compile(r"^\s*(?:hi|hello|dear|hey|good (?:morning|day|evening))\b[^.!?\n]{0,40}[,!]?\s*$", re.I)
_CLOSING = re.compile(r"^\s*(?:--|thx|thanks|thank you|cheers|best|regards|kind regards|yours|love|sincerely)\b", re.I)
_GOOD = re.compile(
    r"\b(?:fine|great|perfect|lovely|good|better|gone|no longer|nothing|solved|ok|okay|not (?:any ?more|at all)|happy|nice|never"
    r"|no more|as (?:it|they) should)\b",
    re.I,
)
_ASKED = re.compile(r"^(?:do|does|is|are|can|could|should|shall|what|why|how|when|would|will|may|or)\b.*\?\s*$", re.I)
_NOT = re.compile(r"\b(?:no|not|n't|isn't|doesn't|don't|aren't|without|neither|nor)\b", re.I)
_DONE = re.compile(
    r"\b(?:(?:i|we|you|she|he|they|my \w+)(?:'ve|'d| have| had| has)? (?:\w+ ){0,3}?)"
    r"(took|taken|let|cut|made|did|done|added|moved|lengthened|shortened|raised|lowered|tucked|folded|scooped|opened|closed|pinned"
    r"|put|gave|given|sewed|sewn|slashed|spread|overlapped|filled|dropped|narrowed|widened|unpicked|recut|straightened)\b",
    re.I,
)
_BODY = re.compile(
    r"\b(?:my|i have|i've|i am|i'm|his|her|he has|she has|he is|she is|their|the client|stand|built)\b", re.I
)


@dataclass(frozen=True)
class Proposal:
    """Something a mail may say. `finding` is set for a sign, `amount_mm` for an earlier alteration that names one."""

    kind: Kind
    id: str
    sentence: str
    finding: Finding | None = None
    amount_mm: float | None = None


def read_mail(base: RuleBase, words: Words, text: str, units: Units) -> tuple[Proposal, ...]:
    """What a mail may say, in its order, each rule once with the sentence that fits best."""
    best: dict[tuple[Kind, str], tuple[float, int, Proposal]] = {}
    for place, sentence in enumerate(sentences(text)):
        for fit, proposal in _of_sentence(base, words, sentence, units):
            key = (proposal.kind, proposal.id)
            if key not in best or fit > best[key][0]:
                best[key] = (fit, place, proposal)
    return tuple(proposal for _, _, proposal in sorted(best.values(), key=lambda one: one[1]))


def sentences(text: str) -> Iterator[str]:
    """The sentences of a mail, without greeting, quotation and signature."""
    lines = []
    for line in text[:LONGEST].replace("\r", "").replace("’", "'").split("\n"):
        if re.match(r"\s*-- ?$", line):
            break
        if not line.lstrip().startswith(">") and not _GREETING.match(line):
            lines.append(line)
    short = sum(map(len, lines)) <= _SHORT * sum(bool(line.strip()) for line in lines)
    for part in _ENDS.split(("\n\n" if short else "\n").join(lines)):
        sentence = " ".join(part.split()).strip(" -*•")
        if len(sentence) > 5 and not _CLOSING.match(sentence):
            yield sentence


def _of_sentence(base: RuleBase, words: Words, sentence: str, units: Units) -> Iterator[tuple[float, Proposal]]:
    """What one sentence may say: the parts that name a rule well enough, no part used twice."""
    if _ASKED.search(sentence):
        return
    if done := _DONE.search(sentence):
        found = _best(words, "alteration", sentence[done.start() :])
        if found is not None:
            said = read_answer(split_amount(sentence)[1] or "", units)
            length = said.amount if said is not None else None
            yield found[0], Proposal("alteration", found[1], sentence, amount_mm=length.mm if length else None)
            return
    for fit, kind, name, part in _read(words, sentence):
        if kind == "symptom":
            yield fit, Proposal(kind, name, sentence, _finding(base, name, part, sentence, units))
        else:
            yield fit, Proposal(kind, name, sentence)


def _read(words: Words, sentence: str) -> Iterator[tuple[float, Kind, str, str]]:
    """The stretches of a sentence that name a sign or a body note best, none of which overlap."""
    tried: list[tuple[float, Kind, str, int, int]] = []
    said = sentence.split()
    for size in _STRETCHES:
        for start in range(0, max(1, len(said) - size // 2), 2):
            part = " ".join(said[start : start + size])
            kinds: tuple[Kind, ...] = ("symptom", "body note") if _BODY.search(sentence) else ("symptom",)
            for kind in kinds:
                telling = words.telling(kind, part)
                best = words.scored(kind, part)[:1] if telling >= _FEWEST else []
                if best:
                    fit = best[0][0] * min(1.0, (telling + 1) / _TELLING)
                    tried.append((fit, kind, best[0][1], start, start + size))
    taken: list[range] = []
    for fit, kind, name, start, end in sorted(tried, key=lambda one: (-one[0], one[3], one[4])):
        part = " ".join(said[start:end])
        clause = next((one for one in _PARTS.split(sentence) if " ".join(said[start : start + 3]) in one), part)
        if fit < _SURE or any(set(span) & set(range(start, end)) for span in taken):
            continue
        taken.append(range(start, end))
        denied = _GOOD.search(clause) or (_NOT.search(part) and not words.known_denial(kind, part))
        if not denied:
            yield fit, kind, name, part


def _best(words: Words, kind: Kind, text: str) -> tuple[float, str] | None:
    """The rule a text names, and how well; None where it names none well enough."""
    scored = words.scored(kind, text)[:1] if words.telling(kind, text) >= _FEWEST else []
    return scored[0] if scored and scored[0][0] >= _DONE_SURE else None


def _finding(base: RuleBase, name: str, part: str, sentence: str, units: Units) -> Finding:
    """The sign with what its part of the sentence, or else the sentence, says of amount and side."""
    symptom = base.symptoms[name]
    said = _said(part, units) or _said(sentence, units) or Said("yes")
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
    return (
        read_answer(text, units)
        if re.search(r"\d|inch|quarter|half|left|right|both|slight|a bit", text, re.I)
        else None
    )


def _spread(length: Length) -> float | None:
    return length.mm / 4 if length.vague else None
