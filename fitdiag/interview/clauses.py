"""Split what people write into sentences and clauses, and tell praise, denial, advice and reports of work among them.

The words for each are in `mail.yaml`, as regular expressions.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Sequence
from functools import cache
from pathlib import Path

from fitdiag.knowledge.strict_yaml import read_yaml

LONGEST = 20_000
_SHORT = 45  # mean characters a line; in a mail of such short lines each is a sentence
_SAYS_NOT = 0.75  # least fit of a phrase with a "not" for a "not" to belong to the sign
_ONLY_PRAISE = 8  # most words of a clause that does nothing but praise or deny
_NAMES_NOTHING = 3  # most words of a clause that is about what the one before it named
_ENDS = re.compile(r"(?<=[.!?])\s+|\n\s*\n|\n(?=\s*(?:[-*•]|\d+[.)]|[QA]:))")
_NO_END = "".join(
    rf"(?<!\b{word})" for word in ("[a-z]", "ca", "abt", "esp", "approx")
)  # a point after these ends no sentence
_CLAUSES = re.compile(
    rf"\s*(?:[;:()]|,(?!\d)|(?<!\d),| - |–|—|\.\.\.|{_NO_END}[.!?]+(?=\s+\S)"
    r"|\b(?:but|while|whereas|though|although|because|so that|otherwise|except"
    r"|and(?! an? (?:half|quarter)| three| half))\b)\s*"
)
_AS_IF = re.compile(r"\b(?:as if|as though)\b[^,;.!?]*", re.I)
_BETWEEN = re.compile(r"\b(between (?:\S+ ){1,3}?)and\b", re.I)
# the head of a mail saved as a file, up to the first empty line
_MAIL_HEAD = re.compile(
    r"\A\s*(?:(?:from|to|cc|bcc|date|sent|subject|reply-to|return-path|received|message-id|mime-version|content-[a-z-]+|x-[a-z-]+)"
    r":.*\n(?:[ \t]+\S.*\n)*){2,}\s*\n",
    re.I,
)
_GREETING = re.compile(
    r"^\s*(?:hi|hello|dear|hey|hiya|hallo|good (?:morning|day|evening))\b[^.!?\n]{0,40}[,!]?\s*$", re.I
)
_CLOSING = re.compile(
    r"^\s*(?:--|(?:re|fw|fwd|aw|subject|betreff):|thx|thanks|thank you|cheers|best|yours|love|sincerely|(?:a |big )?(?:hugs?|kiss(?:es)?)\b"
    r"|i embrace|(?:\w+ ){0,3}(?:regards|greetings|wishes)\b|(?:\w+, )?(?:your|the) (?:[\w'-]+ ?){1,4}[.!]?$(?<![.!]))",
    re.I,
)


@cache
def pattern(kind: str) -> re.Pattern[str]:
    """A pattern of what people write for one kind of thing, like praise or "not"."""
    words = read_yaml(Path(__file__).with_name("mail.yaml")).data
    named = {"{did}": "|".join(words["did"]), "{not}": f"(?:{'|'.join(words['a not'])})"}
    alternatives = "|".join(words[kind]).replace(" ", r"\s")
    for name, meant in named.items():
        alternatives = alternatives.replace(name, meant)
    return re.compile(rf"(?<!\w)(?:{alternatives})(?!\w)", re.IGNORECASE)


def says(kind: str, text: str) -> bool:
    """Whether a text contains words of a kind."""
    return pattern(kind).search(text) is not None


def is_question(text: str) -> bool:
    """Whether a sentence or clause asks or wishes for something, other than whether something seen is as it should be."""
    asked = pattern("asked").fullmatch(text.strip()) or pattern("wished").fullmatch(text.strip())
    return bool(asked) and not pattern("observed").match(text)


def without_head(text: str) -> str:
    """A mail without the lines of sender, day and subject that a mail program saves above it; what is said in them is no sign."""
    return _MAIL_HEAD.sub("", text.replace("\r", ""))


def unwrapped(text: str) -> str:
    """Rejoin lines that a mail program wrapped; lists, quotations and short lines stay as they are."""
    return re.sub(r"(?m)(?<=[^\n]{50})\n(?=[^\s>*•\-\d])", " ", text.replace("\r", ""))


def sentences(text: str) -> Iterator[str]:
    """The sentences of a mail, without greeting, quotation and signature."""
    return (sentence for sentence, _ in with_questions(text))


def with_questions(text: str) -> Iterator[tuple[str, str]]:
    """The sentences of a mail, each with the quoted question that it answers."""
    lines = []
    for line in text[:LONGEST].replace("\r", "").replace("’", "'").split("\n"):
        if re.match(r"\s*-- ?$", line):
            break
        if not _GREETING.match(line):
            lines.append(line)
    own = [line for line in lines if line.strip() and not line.lstrip().startswith(">")]
    short = sum(map(len, own)) <= _SHORT * len(own)
    question = ""
    for block in re.split(r"(\n?^\s*>.*$)", "\n".join(lines), flags=re.M):
        if block.lstrip().startswith(">"):
            question = block.strip(" >\n") if block.rstrip().endswith("?") else ""
            continue
        for part in _ENDS.split(block.replace("\n", "\n\n") if short else block):
            sentence = " ".join(part.split()).strip(" -*•")
            if re.match(r"Q:", sentence) and sentence.endswith("?"):
                question = sentence[2:]
            elif (len(sentence) > 5 or question) and sentence and not _CLOSING.match(sentence):
                yield sentence, question
                question = ""


def parts_of(text: str) -> list[str]:
    """The clauses of a text as they stand, of all its sentences."""
    return [part for part in map(str.strip, _CLAUSES.split(text)) if part]


def clauses_of(sentence: str, places: Callable[[str], str]) -> list[str]:
    """Split a sentence into clauses.

    One that only praises joins the one before it, one that only names a place (`places`) the next.
    """
    clauses: list[str] = []
    lead = ""
    for clause in parts_of(_BETWEEN.sub(r"\1with", _AS_IF.sub("", sentence))):
        text = f"{lead} {clause}".strip()
        lead = ""
        if clauses and len(clause.split()) <= 3 and says("good", clause):
            clauses[-1] += f" and {text}"
        elif len(clause.split()) <= 2 and places(clause):
            lead = text
        else:
            clauses.append(text)
    return [*clauses, lead] if lead else clauses


def told(text: str) -> str:
    """What a text tells is there, without the clauses that only praise or deny, or that speak of the other side.

    Empty if nothing is left. What is gone or good in a pose is a sign of its own, so it stays.

    >>> told("slanting at the right hip, nothing on the left"), told("both knees ok but the left calf is tight")
    ('slanting at the right hip', 'the left calf is tight')
    """
    return ", ".join(one for one in parts_of(text) if not _all_well(one))


def only_praises(text: str) -> bool:
    """Whether a text says that something is good, and nothing else.

    >>> only_praises("what lovely buttons"), only_praises("lovely buttons, but the crotch cuts"), only_praises("gone baggy")
    (True, False, False)
    """
    return not told(text) and judged([re.sub(r"\b(?:gone|no longer|any ?(?:more|longer))\b", " ", text)])[1]


def _all_well(clause: str) -> bool:
    """Whether a clause only says that something is good or not there; a long one says more."""
    if len(clause.split()) > _ONLY_PRAISE or says("complaint", clause) or says("when", clause):
        return False
    return says("contrast", clause) or any(judged([clause]))


def earlier(clauses: Sequence[str], place: int) -> bool:
    """Whether a clause of a sentence tells how it was at an earlier time, and no later one says that it is so still."""
    clause, later = clauses[place], clauses[place + 1 :]
    if any(says("as before", one) and refers_back(one) for one in later):
        return False
    once = says("once", clause) and not says("again", clause)
    return once or (says("past", clause) and not says("again", clause) and well_now(later))


def refers_back(clause: str) -> bool:
    """Whether a clause or sentence is about what was named before it: they still do."""
    return says("pronoun", clause) or len(clause.split()) <= _NAMES_NOTHING


def well_now(later: Sequence[str]) -> bool:
    """Whether one of the later clauses of a sentence says that what was told before it is well now."""
    return any(says("now", one) and refers_back(one) and _all_well(one) for one in later)


def what_is_now(text: str) -> str:
    """A text without the clauses that tell of an earlier time; empty if the others only say that all is well.

    >>> what_is_now("last time the hem dipped, now the knee is tight"), what_is_now("the hem used to dip, now it is fine")
    ('now the knee is tight', '')
    """
    clauses = parts_of(text)
    now = [clause for place, clause in enumerate(clauses) if not earlier(clauses, place)]
    if len(now) == len(clauses):
        return text
    return "" if all(map(_all_well, now)) else ", ".join(now)


def denied(clauses: Sequence[str], phrase: str, fit: float) -> bool:
    """Whether one of some clauses praises, denies or advises what the rest says.

    Not if the rule's own `phrase` praises and the text says when, or has a "not" itself and fits well (`fit`, 0 to 1).
    """
    text = " ".join(clauses)
    if says("told to", text) or (says("before", text) and not says("again", text)) or any(map(is_question, clauses)):
        return True
    if (says("good", phrase) and says("when", text)) or (says("not", phrase) and fit >= _SAYS_NOT):
        return False
    return any(judged(clauses))


def judged(clauses: Sequence[str]) -> tuple[bool, bool]:
    """Whether some clause contains a "not" that is no complaint, and whether some clause praises."""
    not_good = re.compile(rf"\b(?:not|\w+n't|never|hardly|less than) (?:\w+ )?{pattern('good').pattern}", re.I)
    plain = [pattern("contrast").sub(" ", not_good.sub(" ", pattern("aside").sub(" ", one))) for one in clauses]
    well = [one for one in plain if not says("complaint", one)]  # not: "won't come up to where it should"
    return any(says("not", one) for one in well), any(says("good", one) for one in well)


def gone(clause: str) -> str:
    """What a clause says is gone, without the words that say so; empty if it does not.

    >>> gone("the waist does not dip any longer"), gone("the folds are gone"), gone("the waist no longer closes")
    ('the waist dip', 'the folds', '')
    """
    if not says("gone now", clause) or says("when", clause):
        return ""
    plainly = [re.sub(r"\bno\s+longer\s+(\w+?)" + ending + r"\b", r"not \1", clause) for ending in ("", "s", "es")]
    if any(says("complaint", one) for one in plainly):
        return ""
    rest = " ".join(pattern("denial").sub(" ", pattern("gone now").sub(" ", clause)).split()).rstrip(" .")
    return "" if says("not", rest) else rest


def absent(clause: str) -> str:
    """What a clause says is not there, or no longer, without the words that say so; empty if it does not.

    >>> absent("no gaping at the back"), absent("the crotch doesn't pinch"), absent("no room at the hip")
    ('gaping at the back', 'the crotch pinch', '')
    """
    if plain := gone(clause):
        return plain
    if any(says(kind, clause) for kind in ("complaint", "aside", "no absence", "before")):
        return ""
    rest = " ".join(pattern("absence").sub(" ", clause, count=1).split())
    return "" if rest == clause or says("not", rest) or says("good", rest) else rest


def advised(clause: str) -> bool:
    """Whether a clause only considers an alteration, or reports somebody's advice."""
    advice = pattern("told to").search(clause) or pattern("thought of").search(clause)
    return advice is not None and not tells_of_work(clause[: advice.start()])


def tells_of_work(clause: str) -> bool:
    """Whether a clause reports an alteration that was made."""
    return (
        re.match(
            r"(?:\W*\b(?:and|then|so|also|already|last time|before that|since|yes|yeah|a:)\W+)*"
            + pattern("done").pattern,
            clause,
            re.I,
        )
        is not None
    )
