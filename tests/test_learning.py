"""Strengths learned from sessions: exact counts, what is read and what is left out, the patch; and second opinions."""

from __future__ import annotations

import json
import random
import re
import shutil
import subprocess
from collections.abc import Iterable, Mapping
from datetime import date
from itertools import pairwise
from math import fsum, log, log2
from pathlib import Path
from typing import Any

import pytest
from reference import draw_client, draw_network, worlds
from small_rules import LEANS, LONG, SYMPTOMS, WORDS, good_files, write_rules

from fitdiag.cli import learn as commands
from fitdiag.diagnosis.belief import compile_network
from fitdiag.diagnosis.exact import Evidence, Network
from fitdiag.diagnosis.learning import WEIGHT, Layout, Pass, Session, Strengths, expected_counts, learn, score
from fitdiag.knowledge.check import check_rules
from fitdiag.knowledge.findings import Done, Finding, Findings
from fitdiag.knowledge.folders import default_rules
from fitdiag.knowledge.load import load_rules, read_rules
from fitdiag.knowledge.model import RuleBase
from fitdiag.problems import ProblemsFoundError
from fitdiag.sessions.case import add_round, new_case
from fitdiag.sessions.case_files import Case
from fitdiag.sessions.learn import Change, gather, known_causes, learn_from, patch, read_session, session_files
from fitdiag.sessions.log import SCHEMA, read_log
from fitdiag.sessions.replay import as_data, compare, compare_logs, opinion_of
from fitdiag.sessions.state import answer_event, fold

ANSWERS = ((0.0, 1.0), (0.0, 1.0), (1.0, 0.0), (0.4, 1.0), (0.2, 0.8))


def outcome_event(causes: Iterable[str], ruled_out: Iterable[str] = (), *, fits: bool = False) -> dict[str, Any]:
    """What came of a session, as an event of its log."""
    return {"event": "outcome", "causes": list(causes), "not": list(ruled_out), "fits": fits}


def drawn_sessions(
    rng: random.Random, network: Network, count: int, *, known: float = 0.5, asked: int = 5
) -> list[Session]:
    sessions = []
    for _ in range(count):
        world, seen = draw_client(rng, network)
        answers = tuple(
            (sign, *((0.0, 1.0) if seen[sign] else (1.0, 0.0))) for sign in rng.sample(range(len(seen)), asked)
        )
        causes = tuple((cause, bool(there)) for cause, there in enumerate(world)) if rng.random() < known else ()
        sessions.append(Session(answers, (), causes))
    return sessions


# -- the counts ------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("seed", range(30))
def test_expected_counts_are_those_of_the_definition(seed: int) -> None:
    """Every expected count equals enumeration over all causes, with blurred answers, shifted odds and known causes."""
    rng = random.Random(seed)
    network = draw_network(rng, 7, 7, 20)
    layout, strengths = Layout.of(network)
    evidence: Evidence = {sign: rng.choice(ANSWERS) for sign in rng.sample(range(7), rng.randint(1, 7))}
    odds = tuple((cause, rng.choice([2.0, 0.5])) for cause in rng.sample(range(7), 2))
    known = tuple((cause, rng.random() < 0.5) for cause in rng.sample(range(7), rng.choice([0, 2])))
    prior = list(network.prior)
    for cause, factor in odds:
        shifted = prior[cause] / (1 - prior[cause]) * factor
        prior[cause] = shifted / (1 + shifted)
    truth = Network(prior, network.leak, network.links)

    def weight(answers: Evidence, there: int | None = None) -> float:
        return fsum(
            chance
            for world, chance in worlds(truth, answers)
            if all(world[cause] == present for cause, present in known) and (there is None or world[there])
        )

    session = Session(tuple((sign, *pair) for sign, pair in evidence.items()), odds, known)
    counts = expected_counts(layout, strengths, [session])
    total = weight(evidence)
    assert log(total) == pytest.approx(Pass(layout, strengths, session).log_chance, abs=1e-12)
    for link, (cause, sign) in enumerate(layout.links):
        if sign not in evidence:
            assert (0.0, 0.0) == (counts.how_often.trials[link], counts.how_often.hits[link])
            continue
        others = {other: pair for other, pair in evidence.items() if other != sign}
        brought = strengths.how_often[link] * evidence[sign][1] * weight(others, cause) / total
        assert weight(evidence, cause) / total == pytest.approx(counts.how_often.trials[link], abs=1e-12)
        assert brought == pytest.approx(counts.how_often.hits[link], abs=1e-12)
    for sign, (_, present) in evidence.items():
        others = {other: pair for other, pair in evidence.items() if other != sign}
        alone = network.leak[sign] * present * weight(others) / total
        assert alone == pytest.approx(counts.seen_anyway.hits[sign], abs=1e-12)
    for cause in range(7):
        if counts.base_rate.trials[cause]:
            assert weight(evidence, cause) / total == pytest.approx(counts.base_rate.hits[cause], abs=1e-12)


def test_each_round_makes_the_sessions_more_probable() -> None:
    """The chance of the sessions times the prior never falls from one round of EM to the next (Dempster and others 1977)."""
    rng = random.Random(4)
    network = draw_network(rng, 6, 8, 18)
    layout, prior = Layout.of(network)
    sessions = drawn_sessions(rng, draw_network(rng, 6, 8, 18), 60)
    parts = ("base_rate", "seen_anyway", "how_often")

    def height(strengths: Strengths) -> float:
        return fsum(Pass(layout, strengths, session).log_chance for session in sessions) + fsum(
            WEIGHT * (old * log(new) + (1 - old) * log(1 - new))
            for part in parts
            for old, new in zip(getattr(prior, part), getattr(strengths, part), strict=True)
        )

    heights = [
        height(prior),
        *(height(learn(layout, prior, sessions, rounds=count).strengths) for count in (1, 2, 3, 6)),
    ]
    assert all(later > earlier for earlier, later in pairwise(heights)), heights


def test_known_causes_give_the_counted_share() -> None:
    """With one cause, always known, and no leak to speak of, the strength is the counted share with the prior's 10 added."""
    layout, prior = Layout.of(Network([0.2], [0.001], [[(0, 1 - 0.75)]]))
    seen = [Session(((0, 0.0, 1.0),), (), ((0, True),))] * 30
    unseen = [Session(((0, 1.0, 0.0),), (), ((0, True),))] * 50
    learned = learn(layout, prior, seen + unseen)
    assert (30 + 10 * 0.75) / 90 == pytest.approx(learned.strengths.how_often[0], abs=0.002)
    assert (80 + 10 * 0.2) / 90 == pytest.approx(learned.strengths.base_rate[0], abs=1e-6)
    assert learned.estimates.how_often[0].low < learned.strengths.how_often[0] < learned.estimates.how_often[0].high
    assert 80 == pytest.approx(learned.estimates.how_often[0].trials)


def test_the_base_rate_is_that_of_clients_without_notes() -> None:
    """A body note that doubles the odds is taken out of the base rate: the rate found foretells as many as were there."""
    layout, prior = Layout.of(Network([0.2], [0.05], [[(0, 0.4)]]))
    noted = [Session((), ((0, 2.0),), ((0, number < 60),)) for number in range(100)]
    plain = [Session((), (), ((0, number < 43),)) for number in range(100)]
    rate = learn(layout, prior, noted + plain).strengths.base_rate[0]
    odds = 2 * rate / (1 - rate)
    assert 60 + 43 + WEIGHT * 0.2 == pytest.approx(100 * odds / (1 + odds) + (100 + WEIGHT) * rate, abs=1e-6)


def test_nothing_known_about_a_link_leaves_its_word() -> None:
    """A sign nobody was asked about keeps all its strengths exactly."""
    network = draw_network(random.Random(2), 4, 6, 12)
    layout, prior = Layout.of(network)
    learned = learn(layout, prior, [Session(((0, 0.0, 1.0),)), Session(((0, 1.0, 0.0),))])
    for link, (_, sign) in enumerate(layout.links):
        if sign:
            assert prior.how_often[link] == pytest.approx(learned.strengths.how_often[link], abs=1e-12)


def test_strengths_are_recovered() -> None:
    """From 1,500 sessions of a small net, half with their outcome, the error of the strengths is more than halved."""
    rng = random.Random(6)
    layout, true = Layout.of(draw_network(rng, 8, 12, 26, priors=(0.3, 0.2)))
    off = tuple(min(max(strength + rng.choice([-0.2, 0.2]), 0.05), 0.95) for strength in true.how_often)
    prior = Strengths(true.base_rate, true.seen_anyway, off)
    learned = learn(layout, prior, drawn_sessions(rng, layout.network(true), 1500)).strengths

    def error(strengths: Strengths) -> float:
        return fsum(abs(a - b) for a, b in zip(strengths.how_often, true.how_often, strict=True)) / len(layout.links)

    assert error(learned) < error(prior) / 2


# -- the score -------------------------------------------------------------------------------------------------------------


def test_answers_foretold_one_by_one_are_the_chance_of_all() -> None:
    """The log-loss of a session's answers, each from those before it, adds up to the chance of all of them (enumerated)."""
    rng = random.Random(7)
    network = draw_network(rng, 6, 8, 18)
    layout, strengths = Layout.of(network)
    for session in drawn_sessions(rng, network, 20, known=0.0, asked=6):
        evidence: Evidence = {sign: (absent, present) for sign, absent, present in session.answers}
        found = score(layout, strengths, [session])
        assert -log2(fsum(chance for _, chance in worlds(network, evidence))) == pytest.approx(found.answer_bits)
        assert 6 == found.answers


def test_causes_are_scored_without_a_look_at_the_outcome() -> None:
    """The score of known causes uses the beliefs from the answers alone: log-loss and Brier by enumeration."""
    network = draw_network(random.Random(8), 4, 5, 9)
    layout, strengths = Layout.of(network)
    session = Session(((0, 0.0, 1.0), (2, 1.0, 0.0)), (), ((0, True), (1, False), (2, False), (3, False)))
    weighted = list(worlds(network, {0: (0.0, 1.0), 2: (1.0, 0.0)}))
    total = fsum(chance for _, chance in weighted)
    beliefs = [fsum(chance for world, chance in weighted if world[cause]) / total for cause in range(4)]
    bits = -log2(beliefs[0]) - fsum(log2(1 - belief) for belief in beliefs[1:])
    found = score(layout, strengths, [session])
    assert (1, bits) == (found.cases, pytest.approx(found.cause_bits))
    assert (1 - beliefs[0]) ** 2 + fsum(belief**2 for belief in beliefs[1:]) == pytest.approx(found.cause_brier)


def test_the_truth_scores_best() -> None:
    """Held-out sessions are foretold better by the strengths they came from than by others (a proper score)."""
    rng = random.Random(9)
    layout, true = Layout.of(draw_network(rng, 6, 9, 20, priors=(0.3, 0.2)))
    wrong = Strengths(true.base_rate, true.seen_anyway, tuple(1 - strength for strength in true.how_often))
    sessions = drawn_sessions(rng, layout.network(true), 400)
    best, worse = (score(layout, strengths, sessions) for strengths in (true, wrong))
    assert best.answer_bits < worse.answer_bits
    assert best.cause_brier < worse.cause_brier


# -- what is read from a log -----------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def small(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, RuleBase]:
    folder = write_rules(tmp_path_factory.mktemp("rules"), good_files())
    return folder, load_rules(folder)


def log_text(base: RuleBase, events: Iterable[Mapping[str, Any]], client: str = "the lamplighter") -> str:
    head = {
        "event": "start", "schema": SCHEMA, "program": "0", "client": client, "units": "cm",
        "rules": {"garment": base.about.garment, "fingerprint": base.fingerprint},
    }  # fmt: skip
    return "".join(json.dumps(event) + "\n" for event in (head, *events))


def answer(symptom: str, seen: str, origin: str = "asked", **more: object) -> dict[str, Any]:
    return {"event": "answer", "symptom": symptom, "seen": seen, "origin": origin, **more}


def session_of(base: RuleBase, path: Path, *events: Mapping[str, Any]) -> tuple[dict[str, bool], dict[str, bool]]:
    """Signs counted (seen or not) and causes known, by id, of a log with these events."""
    path.write_text(log_text(base, events), encoding="ascii")
    compiled = compile_network(base, Findings())
    layout, strengths = Layout.of(compiled.network)
    session = read_session(path, base, layout, strengths)
    signs = {compiled.symptoms[sign]: present > absent for sign, absent, present in session.answers}
    return signs, {compiled.causes[cause]: there for cause, there in session.known}


def test_an_opposite_that_only_follows_is_not_learned_from(base: RuleBase, tmp_path: Path) -> None:
    """A waist that binds is not loose, but nobody looked for that: it says nothing of how often a cause shows it."""
    signs, _ = session_of(base, tmp_path / "a.jsonl", answer("waist-binds", "yes"))
    assert signs == {"waist-binds": True}


def test_only_answers_to_questions_count(small: tuple[Path, RuleBase], tmp_path: Path) -> None:
    """Volunteered, file, earlier and derived answers and "can't say" are left out; asked, form and photo count."""
    _, base = small
    given = [("lines-dip", "yes", "asked"), ("v-at-seam", "no", "form"), ("seat-tight", "yes", "photo")]
    signs, known = session_of(base, tmp_path / "a.jsonl", *(answer(*one) for one in given))
    assert ({"lines-dip": True, "v-at-seam": False, "seat-tight": True}, {}) == (signs, known)
    for origin in ("volunteered", "file", "earlier", "derived"):
        signs, _ = session_of(base, tmp_path / "b.jsonl", answer("lines-dip", "yes", origin), answer("v-at-seam", "no"))
        assert {"v-at-seam": False} == signs, origin
    signs, _ = session_of(base, tmp_path / "c.jsonl", answer("lines-dip", "unsure"), answer("v-at-seam", "no"))
    assert {"v-at-seam": False} == signs


def test_a_volunteered_sign_stays_left_out_when_it_is_corrected(small: tuple[Path, RuleBase], tmp_path: Path) -> None:
    """Whoever volunteers a sign and is then asked about it has still told it because it was there."""
    _, base = small
    events = (answer("lines-dip", "yes", "volunteered"), answer("lines-dip", "no"), answer("v-at-seam", "yes"))
    assert {"v-at-seam": True} == session_of(base, tmp_path / "a.jsonl", *events)[0]


def test_the_outcome_says_which_causes_are_known(small: tuple[Path, RuleBase]) -> None:
    """`causes` were there, `not` were not, `fits` rules out the rest but those that may stay; the last outcome counts."""
    _, base = small
    long, leans, settles = "back-too-long", "grain-leans", "cloth-settles"
    assert {} == known_causes([{"event": "start"}], base)
    assert {long: True, leans: False} == known_causes([outcome_event([long], [leans])], base)
    assert {long: True, leans: False} == known_causes([outcome_event([long], fits=True)], base)
    assert {long: True, leans: False, settles: False} == known_causes(
        [outcome_event([long], [settles], fits=True)], base
    )
    assert {leans: True} == known_causes([outcome_event([long]), outcome_event([leans])], base)
    assert {} == known_causes([outcome_event([long], [long])], base)


@pytest.mark.parametrize(
    "outcome",
    [{}, {"causes": "all"}, {"causes": [7, None, ["x"]], "not": {"a": 1}}, {"causes": ["gone"], "fits": "yes"}],
)
def test_a_damaged_outcome_says_nothing(small: tuple[Path, RuleBase], outcome: dict[str, Any]) -> None:
    """An outcome of unknown ids or wrong types is no outcome."""
    assert {} == known_causes([{"event": "outcome", **outcome}], small[1])


def test_an_outcome_changes_no_state(small: tuple[Path, RuleBase]) -> None:
    """An outcome in a log is told beside the session: findings and steps are the same without it."""
    _, base = small
    events = [{"event": "start"}, answer("lines-dip", "yes")]
    assert fold(events, base) == fold([*events, outcome_event(["back-too-long"])], base)


def round_text(observed: str, done: str = "tuck-back") -> str:
    return (
        "schema: fitdiag.round/1\nopened: 2026-11-23\nwaiting: fitter\nsince: 2026-11-23\n"
        f"done:\n  - {{alteration: {done}, amount: 2 cm, done: yes}}\n"
        f"outcome:\n  lines-dip: {{before: 19, {observed}}}\n"
    )


def test_a_round_of_a_case_says_what_was_cured(small: tuple[Path, RuleBase], tmp_path: Path) -> None:
    """A cause is known when the one alteration for it was carried out and its measured sign is gone; else nothing is."""
    _, base = small
    path = tmp_path / "session.jsonl"
    events = (answer("lines-dip", "yes", "volunteered"), answer("seat-tight", "no"))
    for observed, done, expected in (
        ("observed: 2", "tuck-back", {"back-too-long": True}),
        ("gone: yes", "tuck-back", {"back-too-long": True}),
        ("observed: 15", "tuck-back", {}),
        ("error: 2", "tuck-back", {}),
        ("observed: 2", "swing-leg", {}),
    ):
        (tmp_path / "round.yaml").write_text(round_text(observed, done), encoding="ascii")
        assert expected == session_of(base, path, *events)[1], (observed, done)
    assert {"grain-leans": True} == session_of(base, path, *events, outcome_event(["grain-leans"]))[1]


def test_logs_that_cannot_be_used_are_named_and_left_out(small: tuple[Path, RuleBase], tmp_path: Path) -> None:
    """Garbage, another garment, an empty log, a folder, a copy: each is named with its path, the rest is learned from."""
    _, base = small
    good = log_text(base, [answer("lines-dip", "yes")])
    (tmp_path / "sub").mkdir()
    (tmp_path / "sub" / "good.jsonl").write_text(good + '{"event":"answ', encoding="ascii")  # torn by a crash: usable
    (tmp_path / "a-copy.jsonl").write_text(good, encoding="ascii")
    (tmp_path / "copy.jsonl").write_text(good, encoding="ascii")
    (tmp_path / "garbage.jsonl").write_bytes(b"\xff\xfe\x00rubbish\n" * 50)
    (tmp_path / "no-log.jsonl").write_text('{"event": 1}\n[[[[\n', encoding="ascii")
    (tmp_path / "shirt.jsonl").write_text(good.replace('"skirt"', '"shirt"'), encoding="ascii")
    (tmp_path / "nothing.jsonl").write_text(log_text(base, []), encoding="ascii")
    (tmp_path / "folder.jsonl").mkdir()
    (tmp_path / ".hidden.jsonl").write_text("[", encoding="ascii")
    gathered = gather(base, [tmp_path])
    left_out = {problem.where.path.rpartition("/")[2]: problem.code for problem in gathered.left_out if problem.where}
    assert {
        "copy.jsonl": "copy",
        "garbage.jsonl": "encoding",
        "no-log.jsonl": "not-a-log",
        "shirt.jsonl": "garment",
        "nothing.jsonl": "nothing-to-learn",
        "folder.jsonl": "not-a-file",
    } == left_out
    assert (8, 2) == (gathered.files, len(gathered.sessions))


def test_with_nothing_to_learn_from_each_log_and_its_remedy_are_named(
    small: tuple[Path, RuleBase], tmp_path: Path
) -> None:
    """A folder without logs is told from one whose logs are of another garment; the second names the option that helps."""
    _, base = small
    with pytest.raises(ProblemsFoundError) as empty:
        learn_from(base, [tmp_path])
    assert str(empty.value).startswith(f"{tmp_path}: no session log")
    other = tmp_path / "shirt.jsonl"
    other.write_text(log_text(base, [answer("lines-dip", "yes")]).replace('"skirt"', '"shirt"'), encoding="ascii")
    with pytest.raises(ProblemsFoundError) as none:
        learn_from(base, [tmp_path])
    total, left_out = none.value.problems
    assert total.message == "no session to learn from in 1 log"
    assert left_out.where is not None and left_out.where.path == str(other)
    assert "--garment" in left_out.hint


def test_a_missing_folder_stops(tmp_path: Path) -> None:
    """A path that is not there is a fault of the command, not a log to be skipped."""
    with pytest.raises(ProblemsFoundError, match="no such file or folder"):
        session_files([tmp_path / "gone"])


def test_what_is_held_out_hangs_on_the_content_alone(small: tuple[Path, RuleBase], tmp_path: Path) -> None:
    """Renamed and moved logs are held out all the same; about one in five is."""
    _, base = small
    (tmp_path / "one").mkdir()
    (tmp_path / "two").mkdir()
    for number in range(100):
        text = log_text(base, [answer("lines-dip", "yes")], client=f"chorister {number}")
        (tmp_path / "one" / f"{number:03}.jsonl").write_text(text, encoding="ascii")
        (tmp_path / "two" / f"other-{99 - number:03}.jsonl").write_text(text, encoding="ascii")
    one, two = (gather(base, [tmp_path / name]) for name in ("one", "two"))
    assert len(one.held_out) == len(two.held_out)
    assert 10 <= len(one.held_out) <= 30


def test_a_lone_session_is_learned_from_whatever_its_content(small: tuple[Path, RuleBase], tmp_path: Path) -> None:
    """One log in five would be held out: alone it is none the less what there is to learn from."""
    _, base = small
    for number in range(30):
        log = tmp_path / f"{number:02}.jsonl"
        text = log_text(base, [answer("lines-dip", "yes")], client=f"chorister {number}")
        log.write_text(text, encoding="ascii")
        assert (1, 0) == tuple(map(len, (gather(base, [log]).training, gather(base, [log]).held_out)))
        learn_from(base, [log])


def test_a_case_is_held_out_as_a_whole(small: tuple[Path, RuleBase], tmp_path: Path) -> None:
    """All rounds of one case are on the same side of the split, so that no client is learned from and scored."""
    _, base = small
    for number in range(1, 13):
        place = tmp_path / "the-lamplighter" / f"round-{number:02}"
        place.mkdir(parents=True)
        events = [answer("lines-dip", "yes"), *[answer("v-at-seam", "no")] * number]
        (place / "session.jsonl").write_text(log_text(base, events), encoding="ascii")
    (tmp_path / "the-lamplighter" / "case.yaml").write_text("schema: fitdiag.case/1\n", encoding="ascii")
    for name in range(40):  # so many single sessions that some train, whatever side the case is on
        text = log_text(base, [answer("lines-dip", "yes")], client=f"chorister {name}")
        (tmp_path / f"{name:02}.jsonl").write_text(text, encoding="ascii")
    sides = gather(base, [tmp_path]), gather(base, sorted(tmp_path.glob("*.jsonl")))
    more = [
        len(whole) - len(single) for whole, single in zip(*((one.training, one.held_out) for one in sides), strict=True)
    ]
    assert {0, 12} == set(more)


# -- what would change, and the patch --------------------------------------------------------------------------------------


def learnable(folder: Path, base: RuleBase, count: int = 500) -> Path:
    """Logs in which back-too-long rarely makes a V, though the rules say often; all with outcome, half of them there."""
    rng = random.Random(1)
    folder.mkdir()
    for number in range(count):
        there = rng.random() < 0.5
        chance = {"lines-dip": 0.75 if there else 0.04, "v-at-seam": 0.12 if there else 0.04, "seat-tight": 0.04}
        events = [answer(symptom, "yes" if rng.random() < p else "no") for symptom, p in chance.items()]
        causes = ["back-too-long"] if there else []
        events += [{"event": "note", "text": "SECRET note"}, outcome_event(causes, ["cloth-settles"], fits=True)]
        text = log_text(base, events, client=f"SECRET client {number}")
        (folder / f"{number:04}.jsonl").write_text(text, encoding="ascii")
    return folder


def files_with_styles() -> dict[str, str]:
    """The small rules with comments, quotes and folded entries round what is going to be changed."""
    files = good_files()
    files[LONG] = files[LONG].replace(
        "  - {symptom: v-at-seam, how_often: often, source: practice}\n",
        "  - symptom: v-at-seam  # only often, never usually\n"
        "    how_often: 'often'   # a fitter's word\n    source: practice\n",
    )
    files[WORDS] = files[WORDS].replace("{sometimes: 0.08}", "{sometimes: 0.08, as-a-rule: 0.5}")
    files[LEANS] = files[LEANS].rstrip("\n")  # a file without a line end
    return files


def test_changes_are_told_with_their_evidence(tmp_path: Path) -> None:
    """The one strength that is off by a word is found, with how often it was asked and seen, and nothing else about it."""
    folder = write_rules(tmp_path / "rules", files_with_styles())
    base = load_rules(folder)
    learning = learn_from(base, [learnable(tmp_path / "logs", base)])
    found = {(change.kind, change.rule, change.symptom): (change.old, change.new) for change in learning.changes}
    assert {
        ("how_often", "back-too-long", "v-at-seam"): ("often", "rarely"),
        ("base_rate", "back-too-long", ""): ("sometimes", "as-a-rule"),
    } == found
    change = next(change for change in learning.changes if change.symptom)
    assert len(learning.gathered.training) == change.asked
    assert change.seen < change.asked / 5
    assert change.estimate.hits < change.estimate.trials / 3
    assert change.estimate.high < (0.6 + 0.1) / 2
    assert learning.words.answer_bits < learning.before.answer_bits
    assert learning.words.cause_bits < learning.before.cause_bits


def test_too_few_sessions_change_no_word(small: tuple[Path, RuleBase], tmp_path: Path) -> None:
    """The same drift in 20 sessions is no evidence yet."""
    _, base = small
    assert () == learn_from(base, [learnable(tmp_path / "logs", base, 20)]).changes


@pytest.mark.parametrize("tool", [["patch", "-p0", "-i"], ["git", "apply", "-p0"]], ids=["patch", "git apply"])
def test_the_patch_applies_and_changes_only_words(tmp_path: Path, tool: list[str]) -> None:
    """The patch applies with standard tools in the rule folder; comments and quotes stay, and the rules check clean."""
    if shutil.which(tool[0]) is None:
        pytest.skip(f"{tool[0]} is not installed")
    files = files_with_styles()
    folder = write_rules(tmp_path / "rules", files)
    base = load_rules(folder)
    to = tmp_path / "words.patch"
    commands.learn([str(learnable(tmp_path / "logs", base))], str(folder), str(to), as_json=False, replace=False)
    assert files == {name: (folder / name).read_text(encoding="utf-8") for name in files}
    subprocess.run([*tool, str(to)], cwd=folder, check=True, capture_output=True, timeout=60)
    after = {name: (folder / name).read_text(encoding="utf-8") for name in files}
    assert {LONG} == {name for name in files if files[name] != after[name]}
    wanted = files[LONG].replace("how_often: 'often'   #", "how_often: 'rarely'   #")
    assert wanted.replace("base_rate: sometimes", "base_rate: as-a-rule") == after[LONG]
    changed, problems = read_rules(folder)
    assert changed is not None
    assert [] == problems + check_rules(changed)
    assert "rarely" == changed.causes["back-too-long"].shows[1].how_often


def test_every_strength_of_the_shipped_rules_can_be_patched(tmp_path: Path) -> None:
    """A patch that moves every single word of the shipped base applies, and the rules still check clean."""
    if shutil.which("patch") is None:
        pytest.skip("patch is not installed")
    folder = tmp_path / "rules"
    shutil.copytree(default_rules(), folder)
    base = load_rules(folder)
    layout, prior = Layout.of(compile_network(base, Findings()).network)
    estimate = learn(layout, prior, [Session(((0, 0.0, 1.0),))]).estimates.how_often[0]

    def other(table: Mapping[str, float], word: str) -> str:
        return next(name for name in table if name != word)

    words = base.words
    changes = []
    for cause in base.believed.values():
        new = other(words.base_rate.words, cause.base_rate)
        changes.append(Change("base_rate", cause.id, "", cause.base_rate, new, estimate, 1, 1))
        for link in cause.shows:
            new = other(words.how_often.words, link.how_often)
            changes.append(Change("how_often", cause.id, link.symptom, link.how_often, new, estimate, 1, 1))
    for symptom in base.symptoms.values():
        new = other(words.seen_anyway.words, symptom.seen_anyway)
        changes.append(Change("seen_anyway", symptom.id, "", symptom.seen_anyway, new, estimate, 1, 1))
    subprocess.run(["patch", "-p0"], input=patch(folder, changes).encode(), cwd=folder, check=True, capture_output=True)
    after, problems = read_rules(folder)
    assert after is not None
    assert [] == problems
    assert all(after.symptoms[name].seen_anyway != base.symptoms[name].seen_anyway for name in base.symptoms)
    for name, cause in base.believed.items():
        assert after.causes[name].base_rate != cause.base_rate
        assert [] == [
            old.symptom
            for old, new in zip(cause.shows, after.causes[name].shows, strict=True)
            if old.how_often == new.how_often
        ]


def test_a_patch_is_refused_when_the_rules_have_changed(tmp_path: Path) -> None:
    """Words that are no longer where they were learned from stop the patch, with the place."""
    folder = write_rules(tmp_path / "rules", good_files())
    base = load_rules(folder)
    layout, prior = Layout.of(compile_network(base, Findings()).network)
    estimate = learn(layout, prior, [Session(((0, 0.0, 1.0),))]).estimates.seen_anyway[0]
    change = Change("seen_anyway", "lines-dip", "", "sometimes", "rarely", estimate, 1, 1)
    with pytest.raises(ProblemsFoundError, match="the word 'sometimes' is not here any more") as stopped:
        patch(folder, [change])
    where = stopped.value.problems[0].where
    assert where is not None
    assert where.path.endswith(SYMPTOMS)


def test_an_existing_file_is_kept(small: tuple[Path, RuleBase], tmp_path: Path) -> None:
    """A patch never writes over a file, and that is said before anything is learned."""
    to = tmp_path / "words.patch"
    to.write_text("mine", encoding="ascii")
    with pytest.raises(ProblemsFoundError, match="a file of this name already"):
        commands.learn([str(tmp_path / "gone")], str(small[0]), str(to), as_json=False, replace=False)
    assert "mine" == to.read_text(encoding="ascii")


def test_no_name_and_no_note_is_told(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Report, JSON and patch hold nothing of a client's name, of notes, or of the files learned from."""
    folder = write_rules(tmp_path / "rules", files_with_styles())
    base = load_rules(folder)
    logs, to = learnable(tmp_path / "logs", base, 300), tmp_path / "words.patch"
    for as_json in (False, True):
        commands.learn([str(logs)], str(folder), str(to), as_json=as_json, replace=True)
    told = capsys.readouterr().out + to.read_text(encoding="utf-8")
    shown = " ".join(told.split())
    assert f"'{base.causes['back-too-long'].title}' shows 'A V at the centre seam': often (0.6) -> rarely." in shown
    assert "SECRET" not in told
    assert str(logs) not in told


def test_the_json_report_is_one_object(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """`--json` gives one object with scores before and after, and each change with its evidence."""
    folder = write_rules(tmp_path / "rules", files_with_styles())
    base = load_rules(folder)
    logs = learnable(tmp_path / "logs", base, 300)
    assert 0 == commands.learn([str(logs)], str(folder), None, as_json=True, replace=False)
    data = json.loads(capsys.readouterr().out)
    assert ("fitdiag.learning/1", 300, 300) == (data["schema"], data["logs"], data["with_outcome"])
    scores = data["scores"]
    assert scores["with_the_changes"]["answer_brier"] < scores["as_the_rules_stand"]["answer_brier"]
    assert {
        "what", "rule", "from", "to", "learned", "low", "high", "asked", "seen", "expected_there", "expected_brought",
    } == (set(data["changes"][0]) - {"symptom"})  # fmt: skip


# -- a second opinion ------------------------------------------------------------------------------------------------------


def findings(*answers: Finding, **more: Any) -> Findings:
    return Findings(symptoms={finding.symptom: finding for finding in answers}, **more)


def test_the_answer_that_turns_the_first_recommendation_is_named(small: tuple[Path, RuleBase]) -> None:
    """Of two differing answers the one that turns the leading cause comes first and matters; the other does not."""
    _, base = small
    dip, line = Finding("lines-dip", "yes"), Finding("line-near-seam", "no")
    a = opinion_of(base, findings(dip, line, Finding("v-at-seam", "yes"), Finding("seat-tight", "no")))
    b = opinion_of(
        base, findings(Finding("lines-dip", "no"), Finding("line-near-seam", "yes"), Finding("v-at-seam", "yes"))
    )
    found = compare(base, a, b)
    assert ("back-too-long", "grain-leans") == (found.a.leading, found.b.leading)
    assert (3, 1) == (found.both, found.alike)
    first = found.differences[0]
    assert ("lines-dip", True) == (first.id, first.matters)
    # the claim about one answer is what the whole program says when that answer alone is changed
    then = opinion_of(base, a.findings.with_finding(Finding("lines-dip", "no")))
    assert (then.leading, then.first) == (first.then.leading, first.then.first)
    assert then.probability[first.most] == first.then.probability[first.most]
    tight = next(item for item in found.differences if item.id == "seat-tight")
    assert ("not seen", "", False) == (tight.a, tight.b, tight.matters)
    assert "neither the leading cause nor the first alteration" in found.verdict


def test_the_same_findings_have_no_difference(small: tuple[Path, RuleBase]) -> None:
    """Equal sessions come to the same; "can't say" and not answered are the same, too."""
    _, base = small
    a = opinion_of(base, findings(Finding("lines-dip", "yes", 19.0), Finding("v-at-seam", "unsure")))
    b = opinion_of(base, findings(Finding("lines-dip", "yes", 19.5)))
    found = compare(base, a, b)
    assert () == found.differences
    assert "Both give the same answers and reach the same conclusion." == found.verdict


def test_amounts_notes_and_history_are_compared(small: tuple[Path, RuleBase]) -> None:
    """An amount, a body note and an earlier alteration that differ are each tried by themselves."""
    _, base = small
    a = opinion_of(base, findings(Finding("lines-dip", "yes", 19.0), body={"flat-seat": "some", "round-seat": "no"}))
    b = opinion_of(base, findings(Finding("lines-dip", "yes", 6.0), done=(Done("give-room", 10.0, 1),)))
    found = {(item.kind, item.id): (item.a, item.b) for item in compare(base, a, b).differences}
    assert {("symptom", "lines-dip"), ("body", "flat-seat"), ("done", "give-room")} == set(found)
    assert ("some", "") == found["body", "flat-seat"]
    assert found["done", "give-room"][0] == ""


def test_two_logs_are_compared(
    small: tuple[Path, RuleBase], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The command names what matters, in words and as JSON; text from a log cannot steer the terminal."""
    folder, base = small
    paths = [tmp_path / "a.jsonl", tmp_path / "b.jsonl"]
    hostile = answer("\x1b[31mgone", "yes")
    for path, seen in zip(paths, ("yes", "no"), strict=True):
        events = [answer_event(Finding("lines-dip", seen, origin="asked")), hostile]  # type: ignore[arg-type]
        path.write_text(log_text(base, events), encoding="ascii")
    assert 0 == commands.compare(str(paths[0]), str(paths[1]), str(folder), as_json=False)
    told = " ".join(capsys.readouterr().out.split())
    assert "What matters: look at these again together - The level lines dip. A: seen. B: not seen." in told
    assert "\x1b" not in told
    commands.compare(str(paths[0]), str(paths[1]), str(folder), as_json=True)
    data = json.loads(capsys.readouterr().out)
    assert ("fitdiag.comparison/1", False) == (data["schema"], data["same_leading_cause"])
    assert ["lines-dip"] == [item["id"] for item in data["differences"] if item["matters"]]


def test_what_hardly_matters_is_named_by_title(
    small: tuple[Path, RuleBase], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Whatever two fitters answered differently is told by its title; ids stand in the JSON only."""
    folder, base = small
    paths = [tmp_path / "a.jsonl", tmp_path / "b.jsonl"]
    for path, seen in zip(paths, ("yes", "no"), strict=True):
        found = [Finding(symptom, seen, origin="asked") for symptom in base.symptoms]  # type: ignore[arg-type]
        path.write_text(log_text(base, [answer_event(one) for one in found]), encoding="ascii")
    commands.compare(str(paths[0]), str(paths[1]), str(folder), as_json=True)
    differing = {item["id"] for item in json.loads(capsys.readouterr().out)["differences"]}
    assert set(base.symptoms) == differing
    commands.compare(str(paths[0]), str(paths[1]), str(folder), as_json=False)
    told = " ".join(capsys.readouterr().out.split())
    for symptom in differing:
        assert base.symptoms[symptom].title.lower() in told.lower()
        assert symptom not in told


def test_a_log_of_another_garment_is_not_compared(small: tuple[Path, RuleBase], tmp_path: Path) -> None:
    """Two logs are only compared under rules that both belong to."""
    _, base = small
    good, other = tmp_path / "a.jsonl", tmp_path / "b.jsonl"
    good.write_text(log_text(base, []), encoding="ascii")
    other.write_text(log_text(base, []).replace('"skirt"', '"shirt"'), encoding="ascii")
    with pytest.raises(ProblemsFoundError, match="this log is about shirt"):
        compare_logs(good, other, base)


def test_a_case_is_learned_from_and_compared_by_its_name(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Wherever a log is wanted the name of a case will do, or its folder, and for both fitters."""
    monkeypatch.chdir(tmp_path)
    draft = Case(Path("cases"), "the usher", "trousers", "in", date(2026, 11, 2))
    one = add_round(new_case(draft)).rounds[0]
    one.log_file.write_text(log_text(load_rules(), [answer("seat-wedgie", "no")]), encoding="ascii")
    for first, second in (("the usher", "cases/the-usher"), (str(one.log_file), "the-usher")):
        assert commands.compare(first, second, None, as_json=False) == 0
    assert "Answered by both: 1; alike in 1" in capsys.readouterr().out
    assert commands.learn(["the usher"], None, None, as_json=False, replace=False) == 0
    assert capsys.readouterr().out.startswith("1 session log, 0 left out")
    with pytest.raises(ProblemsFoundError, match="no such file or folder"):
        commands.learn(["the uhser"], None, None, as_json=False, replace=False)


def test_shipped_sessions_can_be_compared(capsys: pytest.CaptureFixture[str]) -> None:
    """Any two shipped sessions are compared without a fault, and each difference reads as a sentence."""
    base = load_rules()
    logs = sorted((default_rules().parent.parent / "sample_sessions").glob("*.jsonl"))[:2]
    found = compare_logs(logs[0], logs[1], base)
    assert found.differences
    assert commands.compare(str(logs[0]), str(logs[1]), None, as_json=False) == 0
    told = re.findall(r"^- .*?(?=\n- |\n\n|\Z)", capsys.readouterr().out.rstrip(), re.MULTILINE | re.DOTALL)
    assert told
    assert all(text.endswith(".") for text in told)
    assert len(found.differences) == len(as_data(found)["differences"])
    assert read_log(logs[0]).head["event"] == "start"
