"""Learn the strengths of the rules from a folder of sessions: read them, learn, score, and write a patch.

Only symptoms, causes and amounts are read from a session; neither names nor notes reach the output.

Only answers to questions everybody is asked in the same way count (`asked`, `form`, `photo`). A sign is volunteered because it
is present, and a findings file holds what its writer thought worth a line, so both would make every sign look frequent: they
are left out, as are answers carried over from an earlier round, derived ones, and "can't say".

The outcome of a session is one more event in its log; the last one counts:

    {"event": "outcome", "causes": ["back-too-long"], "not": ["grain-leans"], "fits": true}

`causes` were present: altering for them removed their signs. `not` were absent: altering for them changed nothing, or they were
looked for and ruled out. With `fits` the trousers fit now, so no other cause was present, except those that may stay.
Without such an event, the `round.yaml` beside the log is used: a cause was present if an alteration that was carried out cures
it wholly or mostly, the alteration cures no other cause with a sign seen, and a sign of it that was measured before is gone.
Sessions without an outcome are learned from as well; they say less.
"""

from __future__ import annotations

import difflib
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Literal

from fitdiag.diagnosis.belief import Compiled, compile_network
from fitdiag.diagnosis.exact import TooWideError
from fitdiag.diagnosis.learning import (
    MOST_WIDE,
    Estimate,
    Layout,
    Learned,
    Pass,
    Score,
    Session,
    Strengths,
    learn,
    score,
)
from fitdiag.files import digest, read_bytes, refusals
from fitdiag.knowledge.findings import Findings, Origin, seen_by_amount
from fitdiag.knowledge.load import read_rules
from fitdiag.knowledge.model import RuleBase, Symptom
from fitdiag.knowledge.strict_yaml import read_text, read_yaml
from fitdiag.problems import Problem, ProblemsFoundError, Where, shown_path, stop
from fitdiag.sessions.case_files import LARGEST, Outcome, Round, round_in
from fitdiag.sessions.log import LARGEST_LOG, Event, listed, read_log
from fitdiag.sessions.replay import refuse_other_garment
from fitdiag.sessions.state import fold

COUNTED: frozenset[Origin] = frozenset({"asked", "form", "photo"})
ENOUGH = 15.0  # the least equivalent number of fully known sessions from which a strength is judged
HELD_OUT = 5  # one session in this many is held out for the score
MOST_FILES = 200_000
_CURES = 0.75  # the least degree of cure at which success shows what the cause was
Kind = Literal["how_often", "base_rate", "seen_anyway"]


def known_causes(events: Iterable[Event], base: RuleBase) -> dict[str, bool]:
    """Which causes were present or absent, by the last outcome in a log; empty without one."""
    last: Event = next((event for event in [*events][::-1] if event.get("event") == "outcome"), {})
    present, ruled_out = (
        {one for one in listed(last, key) if isinstance(one, str) and one in base.believed} for key in ("causes", "not")
    )
    known = dict.fromkeys(ruled_out - present, False)
    if last.get("fits") is True:
        known = {cause.id: False for cause in base.believed.values() if cause.may_stay is None or cause.id in known}
    return {**known, **dict.fromkeys(present - ruled_out, True)}


def causes_of_round(one: Round, findings: Findings, base: RuleBase) -> dict[str, bool]:
    """Which causes a round has shown to be present by curing them; none where several candidates remain."""
    seen = {finding.symptom for finding in findings.seen}
    gone = {symptom for symptom in seen & one.outcome.keys() if _gone(base.symptoms[symptom], one.outcome[symptom])}
    shown = {cause.id: {link.symptom for link in cause.shows} for cause in base.believed.values()}
    known: dict[str, bool] = {}
    for alteration in (item.alteration for item in one.done if item.done):
        meant = [cause for cause in base.believed.values() if alteration in cause.cured_by and seen & shown[cause.id]]
        if len(meant) == 1 and gone & shown[meant[0].id]:
            cure = meant[0].cured_by[alteration]
            if base.words.how_well.words[cure.how_well] >= _CURES:
                known[meant[0].id] = True
    return known


def _gone(symptom: Symptom, outcome: Outcome) -> bool:
    """Whether a sign of a round was not there any more at the next try-on."""
    if outcome.observed is None:
        return bool(outcome.gone)
    return not seen_by_amount(symptom, outcome.observed)


# -- reading ---------------------------------------------------------------------------------------------------------------


def session_files(paths: Sequence[Path]) -> list[Path]:
    """Find every session log among these files and below these folders, by name. Raises ProblemsFoundError."""
    all_logs: list[Path] = []
    for path in paths:
        with refusals(path, "this cannot be read", reading=True):
            if not path.exists():
                raise stop("no-file", "there is no such file or folder", where=path)
            logs = sorted(path.rglob("*.jsonl")) if path.is_dir() else [path]
        all_logs += (log for log in logs if not any(part.startswith(".") for part in log.relative_to(path).parts))
        if len(all_logs) > MOST_FILES:
            raise stop("too-many-files", f"more than {MOST_FILES} session logs", where=path)
    return all_logs


def read_session(path: Path, base: RuleBase, layout: Layout, strengths: Strengths) -> Session:
    """Read what can be learned from one log. Raises ProblemsFoundError if it cannot be used."""
    log = read_log(path)
    refuse_other_garment(log, base)
    findings = fold(log.events, base).findings
    volunteered = {event.get("symptom") for event in log.events if event.get("origin") == "volunteered"}
    counted = {
        finding.symptom: finding
        for finding in findings.symptoms.values()
        if finding.origin in COUNTED and finding.seen != "unsure" and finding.symptom not in volunteered
    }
    compiled = compile_network(base, replace(findings, symptoms=counted, looked=False))
    told = {sign: pair for sign, pair in compiled.evidence.items() if sign not in compiled.excluded}
    answers = tuple((sign, *pair) for sign, pair in told.items() if pair[0] != pair[1])
    odds = tuple(
        (cause, shifted / (1.0 - shifted) * (1.0 - rate) / rate)
        for cause, (rate, shifted) in enumerate(zip(strengths.base_rate, compiled.network.prior, strict=True))
        if abs(shifted - rate) > 1e-12
    )
    number = {cause: index for index, cause in enumerate(compiled.causes)}
    outcome = known_causes(log.events, base)
    beside = path.parent / "round.yaml"
    if not outcome and beside.is_file():
        outcome = causes_of_round(round_in(read_yaml(beside, LARGEST, "round"), 1, path.parent), findings, base)
    known = tuple(sorted((number[cause], there) for cause, there in outcome.items()))
    session = Session(answers, odds, known)
    where = Where(shown_path(path))
    try:
        width = Pass(layout, strengths, replace(session, known=())).posterior.width
    except TooWideError as error:
        raise stop("too-many-signs", f"{error.width} signs hang together", where=where) from None
    if width > MOST_WIDE:
        raise stop("too-many-signs", f"{width} signs hang together; at most {MOST_WIDE} are learned from", where=where)
    if not answers and not known:
        raise stop("nothing-to-learn", "no answer to a question, and no outcome", where=where)
    return session


@dataclass(frozen=True)
class Gathered:
    """Sessions to learn from, sessions held out, and what was left out and why."""

    training: tuple[Session, ...]
    held_out: tuple[Session, ...]
    files: int
    left_out: tuple[Problem, ...]

    @property
    def sessions(self) -> tuple[Session, ...]:
        """All usable sessions."""
        return (*self.training, *self.held_out)


def gather(base: RuleBase, paths: Sequence[Path]) -> Gathered:
    """Read every log; copies count once. Which are held out depends on content alone; a case is never split.

    A lone case is learned from.
    """
    files = session_files(paths)
    layout, strengths = Layout.of(compile_network(base, Findings()).network)
    training: list[Session] = []
    held_out: list[Session] = []
    left_out: list[Problem] = []
    kept: dict[Path, str] = {}  # a case is held out as a whole, by its first log
    known: dict[str, Path] = {}
    for path in files:
        try:
            content = digest(read_bytes(path, LARGEST_LOG, "session log"))
            if content in known:
                raise stop("copy", f"a copy of {shown_path(known[content])}", where=path)
            session = read_session(path, base, layout, strengths)
        except ProblemsFoundError as stopped:
            first, *others = stopped.problems
            more = f"; {len(others)} more" if others else ""
            left_out.append(replace(first, message=f"left out: {first.message}{more}"))
            continue
        known[content] = path
        first_of_case = kept.setdefault(_home(path), content)
        (held_out if int(first_of_case[:8], 16) % HELD_OUT == 0 else training).append(session)
    if not training:  # so few that all of them would be held out
        training, held_out = held_out, training
    return Gathered(tuple(training), tuple(held_out), len(files), tuple(left_out))


def _home(log: Path) -> Path:
    """The folder of the case a log lies in; the log itself if it lies in none."""
    return next((above for above in list(log.parents)[:4] if (above / "case.yaml").is_file()), log)


# -- learning --------------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Change:
    """A strength whose nearest word has changed, and the evidence."""

    kind: Kind
    rule: str  # the cause or, for `seen_anyway`, the symptom
    symptom: str  # of a link; else empty
    old: str
    new: str
    estimate: Estimate
    asked: int
    seen: int
    number: int = 0  # of the cause, the symptom or the link, in the network


@dataclass(frozen=True)
class Learning:
    """What was learned. `before`, `words` and `numbers`: held-out scores as the rules stand, with the changes, as learned."""

    gathered: Gathered
    learned: Learned
    changes: tuple[Change, ...]
    before: Score
    words: Score
    numbers: Score

    @property
    def with_outcome(self) -> int:
        """The number of sessions with an outcome."""
        return sum(bool(session.known) for session in self.gathered.sessions)


def learn_from(base: RuleBase, paths: Sequence[Path]) -> Learning:
    """Learn from every log below these paths; the rules are not changed. Raises ProblemsFoundError."""
    gathered = gather(base, paths)
    if not gathered.training:
        if not gathered.files:
            hint = "give session logs (.jsonl), or folders of them or of cases"
            raise stop(
                "nothing-to-learn",
                "no session log to learn from",
                where=paths[0] if len(paths) == 1 else None,
                hint=hint,
            )
        files = "1 log" if gathered.files == 1 else f"{gathered.files} logs"
        nothing = Problem("nothing-to-learn", f"no session to learn from in {files}")
        raise ProblemsFoundError((nothing, *gathered.left_out))
    compiled = compile_network(base, Findings())
    layout, prior = Layout.of(compiled.network)
    learned = learn(layout, prior, gathered.training)
    changes = tuple(_changes(base, layout, learned, gathered.training, compiled))
    changed = _changed(base, prior, changes)
    before, words, numbers = (score(layout, one, gathered.held_out) for one in (prior, changed, learned.strengths))
    return Learning(gathered, learned, changes, before, words, numbers)


def _changes(
    base: RuleBase, layout: Layout, learned: Learned, sessions: Sequence[Session], compiled: Compiled
) -> Iterator[Change]:
    causes, symptoms, found = compiled.causes, compiled.symptoms, learned.estimates
    there = Counter(cause for session in sessions for cause, is_there in session.known if is_there)
    seen = Counter(sign for session in sessions for sign, absent, present in session.answers if present > absent)

    def change(
        kind: Kind, number: int, rule: str, old: str, asked: float, seen: int, symptom: str = ""
    ) -> Iterator[Change]:
        estimate = getattr(found, kind)[number]
        if new := _moved(getattr(base.words, kind).words, old, estimate):
            yield Change(kind, rule, symptom, old, new, estimate, round(asked), seen, number)

    for cause, estimate in enumerate(found.base_rate):
        rule = base.causes[causes[cause]]
        yield from change("base_rate", cause, rule.id, rule.base_rate, estimate.trials, there[cause])
    for sign, estimate in enumerate(found.seen_anyway):
        word = base.symptoms[symptoms[sign]].seen_anyway
        yield from change("seen_anyway", sign, symptoms[sign], word, estimate.trials, seen[sign])
    for number, (cause, sign) in enumerate(layout.links):
        symptom, rule, asked = symptoms[sign], base.causes[causes[cause]], found.seen_anyway[sign].trials
        word = next(link.how_often for link in rule.shows if link.symptom == symptom)
        yield from change("how_often", number, rule.id, word, asked, seen[sign], symptom)


def _moved(table: Mapping[str, float], word: str, estimate: Estimate) -> str | None:
    """The nearest word, if it is a new one and the interval lies wholly beyond half-way to the old word's neighbour."""
    old = table[word]
    nearest = min(table, key=lambda other: (abs(table[other] - estimate.value), other != word, other))
    if table[nearest] == old or estimate.worth < ENOUGH:
        return None
    up = table[nearest] > old
    neighbour = (min if up else max)(number for number in table.values() if number != old and (number > old) == up)
    half_way = (old + neighbour) / 2.0
    return nearest if (estimate.low > half_way if up else estimate.high < half_way) else None


def _changed(base: RuleBase, strengths: Strengths, changes: Sequence[Change]) -> Strengths:
    """The strengths after the changes, by the numbers of their words."""
    numbers = {kind: list(values) for kind, values in strengths._asdict().items()}
    for change in changes:
        numbers[change.kind][change.number] = getattr(base.words, change.kind).words[change.new]
    return Strengths(*map(tuple, numbers.values()))


# -- the patch -------------------------------------------------------------------------------------------------------------


def patch(folder: Path, changes: Sequence[Change]) -> str:
    """The changes as a unified diff of the rule files, to be applied in the rule folder with `patch -p0`.

    Only the words themselves are replaced; comments, folds and quotes stay. Raises ProblemsFoundError if a file is no longer
    the one learned from.
    """
    base, problems = read_rules(folder)
    if base is None or problems:
        raise ProblemsFoundError(problems)
    edits: dict[str, list[tuple[int, int, str, str]]] = {}
    for change in changes:
        kind = "symptom" if change.kind == "seen_anyway" else "cause"
        loc: tuple[str | int, ...] = (change.kind,)
        if change.kind == "how_often":
            order = [link.symptom for link in base.causes[change.rule].shows]
            loc = ("shows", order.index(change.symptom), "how_often")
        where = base.places.of(kind, change.rule, *loc)
        assert where is not None
        edits.setdefault(where.path, []).append((where.line - 1, where.col - 1, change.old, change.new))
    text: list[str] = []
    by_shown = {shown_path(path): path for path in folder.rglob("*.yaml")}
    for shown in sorted(edits):
        path = by_shown[shown]
        lines = read_text(path, what="rule file").splitlines(keepends=True)
        altered = lines[:]
        for row, col, old, new in sorted(edits[shown], reverse=True):
            line = altered[row]
            at = col + (line[col : col + 1] in ("'", '"'))
            if line[at : at + len(old)] != old:
                message = f"the word '{old}' is not here any more"
                raise stop("rules-changed", message, where=Where(shown, row + 1, col + 1))
            altered[row] = line[:at] + new + line[at + len(old) :]
        name = path.relative_to(folder).as_posix()
        for line in difflib.unified_diff(lines, altered, name, name):
            text.append(line if line.endswith("\n") else f"{line}\n\\ No newline at end of file\n")
    return "".join(text)
