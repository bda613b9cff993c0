"""`fitdiag rules check`, `test` and `show`: one fault gives exactly one problem, at its place, with a hint what to do."""

from __future__ import annotations

import random
import re
import shutil
from collections.abc import Callable, Mapping
from pathlib import Path

import pytest
from running import ended
from small_rules import (
    ABOUT,
    CASES,
    EASE,
    GIVE,
    LEANS,
    LONG,
    NOTES,
    ORDER,
    SETTLES,
    SOURCES,
    SWING,
    SYMPTOMS,
    TUCK,
    WORDS,
    good_files,
    write_rules,
)

from fitdiag.knowledge.check import CHECKS, check_rules
from fitdiag.knowledge.folders import default_rules
from fitdiag.knowledge.load import read_rules
from fitdiag.knowledge.model import RuleBase
from fitdiag.planning.cases import read_cases
from fitdiag.problems import Problem, ProblemsFoundError
from fitdiag.reports.rule_page import page


def all_problems(folder: Path) -> list[Problem]:
    """What `rules check` finds, as values."""
    base, problems = read_rules(folder)
    if base is not None and not problems:
        problems = [*check_rules(base), *read_cases(folder, base)[1]]
    return problems


def place(files: Mapping[str, str], path: str, needle: str) -> tuple[int, int]:
    """Line and column, from 1, of the `^` in the needle; found by searching the text, not by the code under test."""
    plain = needle.replace("^", "")
    assert files[path].count(plain) == 1, f"{plain!r} must stand once in {path}"
    before = files[path][: files[path].index(plain) + needle.find("^")]
    return before.count("\n") + 1, len(before) - before.rfind("\n")


def exchanged(path: str, old: str, new: str) -> dict[str, str]:
    """The good files with one text exchanged; a `^` in the new text only marks a place."""
    files = good_files()
    assert files[path].count(old) == 1, f"{old!r} must stand once in {path}"
    files[path] = files[path].replace(old, new.replace("^", ""))
    return files


Single = Callable[..., Problem]


@pytest.fixture
def only_problem(tmp_path: Path) -> Single:
    """A function that writes files with one fault and returns the one problem found, its place already compared.

    `at` is a text of file `path` with a `^` where the problem must point.
    """

    def find(files: Mapping[str, str], path: str, at: str, code: str) -> Problem:
        problems = all_problems(write_rules(tmp_path, files))
        assert len(problems) == 1, [str(problem) for problem in problems]
        problem = problems[0]
        assert code == problem.code
        assert problem.where is not None
        assert (str(tmp_path / path), *place(files, path, at)) == (
            problem.where.path,
            problem.where.line,
            problem.where.col,
        )
        return problem

    return find


def test_the_good_base_is_clean(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The base that all faults below are put into has none, its cases come out, and the width of its network is told."""
    write_rules(tmp_path, good_files())
    assert all_problems(tmp_path) == []
    assert (ended("rules", "check", str(tmp_path)), ended("rules", "test", str(tmp_path))) == (0, 0)
    told = " ".join(capsys.readouterr().out.split())
    assert "Clean: 4 symptoms, 2 body notes, 3 causes, 3 alterations, 3 order rules, 2 sources." in told
    assert re.search(r"Width of the network with 4 signs seen at once \(\d+ draws\): median \d+, worst [1-4];", told)
    assert "2 cases: 2 as expected, 0 not." in told


UNKNOWN = [
    (SYMPTOMS, "[v-at-seam]", "[^v-at-seams]", "symptom"),
    (LONG, "{symptom: v-at-seam", "{symptom: ^v-at-seams", "symptom"),
    (LONG, "by: [line-near-seam]", "by: [^lines-near-seam]", "symptom"),
    (SWING, "aim: {symptom: line-near-seam", "aim: {symptom: ^line-near-seams", "symptom"),
    (TUCK, "brings: {seat-tight", "brings: {^seats-tight", "symptom"),
    (TUCK, "symptom: seat-tight", "symptom: ^seats-tight", "symptom"),
    (TUCK, "absent: v-at-seam", "absent: ^v-at-seams", "symptom"),
    (TUCK, "if: seat-tight", "if: ^seats-tight", "symptom"),
    (LONG, "body: {flat-seat", "body: {^flat-seats", "body note"),
    (TUCK, "body: round-seat", "body: ^round-seats", "body note"),
    (LONG, "cured_by: {tuck-back", "cured_by: {^tuck-backs", "alteration"),
    (LONG, "after: {give-room", "after: {^give-rooms", "alteration"),
    (TUCK, "done: give-room", "done: ^give-rooms", "alteration"),
    (TUCK, "do: give-room", "do: ^give-rooms", "alteration"),
    (ORDER, "first: tuck-back", "first: ^tuck-backs", "alteration"),
    (ORDER, "then: [swing-leg", "then: [^swing-legs", "alteration"),
    (ORDER, "either: [swing-leg", "either: [^swing-legs", "alteration"),
    (LONG, "cause: grain-leans", "cause: ^grains-lean", "cause"),
    (GIVE, "worsens: {back-too-long", "worsens: {^back-too-longer", "cause"),
    (SWING, "seams: [back-seam", "seams: [^back-seams", "seam in rulebase.yaml"),
    (SYMPTOMS, "by: pinching", "by: ^pinchings", "word for how the answer is got"),
    (SYMPTOMS, "by: pinching\n  seen_anyway: rarely", "by: pinching\n  seen_anyway: ^rarer", "seen-anyway word"),
    (LONG, "how_often: usually", "how_often: ^usual", "how-often word"),
    (LONG, "base_rate: sometimes", "base_rate: ^sometime", "base-rate word"),
    (LONG, "round-seat: less", "round-seat: ^lesser", "more-or-less word"),
    (LONG, "give-room: more", "give-room: ^mores", "more-or-less word"),
    (LONG, "tuck-back: wholly", "tuck-back: ^whole", "how-well word"),
    (GIVE, "back-too-long: a-little", "back-too-long: ^little", "how-well word"),
    (TUCK, "seat-tight: rarely", "seat-tight: ^rare", "how-often word"),
    (EASE, "source: handbook", "source: ^handbooks", "source"),
    (
        NOTES,
        "Hang a plumb line., source: practice}\n- {id: round",
        "Hang a plumb line., source: ^practise}\n- {id: round",
        "source",
    ),
    (SYMPTOMS, "strong: 15 mm}\n    source: practice", "strong: 15 mm}\n    source: ^practise", "source"),
    (LONG, "how_often: usually, source: practice", "how_often: usually, source: ^practise", "source"),
    (LONG, "hangs.\nsource: practice", "hangs.\nsource: ^practise", "source"),
    (TUCK, "level\n  source: practice", "level\n  source: ^practise", "source"),
    (TUCK, "{amount: 2 cm, source: practice", "{amount: 2 cm, source: ^practise", "source"),
    (TUCK, "{amount: 3 cm, source: practice", "{amount: 3 cm, source: ^practise", "source"),
    (TUCK, "level.]\nsource: practice", "level.]\nsource: ^practise", "source"),
    (ORDER, "length comes first, source: practice", "length comes first, source: ^practise", "source"),
    (WORDS, "how_often: {source: practice", "how_often: {source: ^practise", "source"),
    (CASES, "source: practice", "source: ^practise", "source"),
    (CASES, "leads: back-too-long", "leads: ^back-too-longer", "cause"),
    (CASES, "quiet: [grain-leans", "quiet: [^grains-lean", "cause"),
    (CASES, "first: tuck-back", "first: ^tuck-backs", "alteration"),
    (CASES, "recommends: [tuck-back", "recommends: [^tuck-backs", "alteration"),
    (CASES, "leave_alone: [tuck-back", "leave_alone: [^tuck-backs", "alteration"),
    (CASES, "only_if: {give-room", "only_if: {^give-rooms", "alteration"),
    (CASES, "give-room: seat-tight", "give-room: ^seats-tight", "symptom"),
    (CASES, "alteration: swing-leg", "alteration: ^swing-legs", "alteration"),
    (CASES, "v-at-seam: yes", "^v-at-seams: yes", "symptom"),
    (CASES, "body: [flat-seat", "body: [^flat-seats", "body note"),
    (CASES, "[{round-seat: marked", "[{^round-seats: marked", "body note"),
]


@pytest.mark.parametrize(("path", "old", "new", "kind"), UNKNOWN)
def test_unknown_ids(only_problem: Single, path: str, old: str, new: str, kind: str) -> None:
    """An id or word that nothing declares is told with its kind, at its place, with the nearest known one as a hint."""
    problem = only_problem(exchanged(path, old, new), path, new, "unknown-id")
    word = re.compile(r"\^([a-z-]+)")
    written = word.findall(new)[0]
    meant = word.findall(old[: new.index("^")] + "^" + old[new.index("^") :])[0]
    assert f"there is no {kind} '{written}'" == problem.message
    assert f"did you mean '{meant}'?" == problem.hint


@pytest.mark.parametrize(
    ("path", "more", "at", "told"),
    [
        (
            SYMPTOMS,
            "- {{id: {id}, title: Never shown, ask: Seen?, look: Look., views: [back], by: looking,"
            " seen_anyway: rarely, source: practice}}\n",
            "id: ^{id}",
            "no cause shows the symptom '{id}'",
        ),
        (
            NOTES,
            "- {{id: {id}, title: Never heeded, judge: Look., source: practice}}\n",
            "id: ^{id}",
            "no rule heeds the body note '{id}'",
        ),
        (
            SOURCES,
            "- {{id: {id}, title: Never cited, grade: memory}}\n",
            "id: ^{id}",
            "no rule cites the source '{id}'",
        ),
    ],
)
def test_unused_rules_of_a_list(only_problem: Single, path: str, more: str, at: str, told: str) -> None:
    """A symptom no cause shows, a body note nothing heeds and a source nobody cites are told at their ids."""
    files = good_files()
    files[path] += more.format(id="left-over")
    problem = only_problem(files, path, at.format(id="left-over"), "unused")
    assert told.format(id="left-over") == problem.message
    assert "take it out" in problem.hint


def test_an_unused_seam(only_problem: Single) -> None:
    """A seam that no alteration changes is told at its place in rulebase.yaml."""
    new = "[back-seam, side-seam, ^hem]"
    problem = only_problem(exchanged(ABOUT, "[back-seam, side-seam]", new), ABOUT, new, "unused")
    assert problem.message == "no alteration changes the seam 'hem'"
    assert problem.hint == "take it out"


EXTENT = "extent: {what: how much longer the back is, usual: 1 cm, spread: 2.5 cm, source: practice}\n"


def test_a_slope_without_an_extent(only_problem: Single) -> None:
    """So much of a sign per mm of a cause that has no extent is told at the link."""
    files = exchanged(LONG, EXTENT, "")
    only_problem(files, LONG, "{symptom: lines-dip, how_often: usually, source: practice, per: ^{", "extent")


def test_more_of_a_cause_that_gives_less_of_its_sign(only_problem: Single) -> None:
    """A link whose slope runs against what its sign's measure calls worse is told at the slope."""
    problem = only_problem(exchanged(LONG, "ratio: 1,", "ratio: -1,"), LONG, "per: ^{", "slope")
    assert "a larger extent would give less of 'lines-dip'" in problem.message


def test_opposites_name_each_other(only_problem: Single) -> None:
    """An opposite that does not name its own opposite is told."""
    files = exchanged(NOTES, "title: Flat seat,", "title: Flat seat, opposite: round-seat,")
    problem = only_problem(files, NOTES, "opposite: ^round-seat", "opposite")
    assert problem.message == "'round-seat' does not name 'flat-seat' as its opposite"


def test_a_distance_that_is_moved_says_what_is_right(tmp_path: Path) -> None:
    """A sign of which less is worse needs the reading of a right block once an extent moves it."""
    link = "  - {symptom: line-near-seam, how_often: often, source: practice, per: {ratio: -1, scatter: 0.2, source: practice}}\n"
    files = exchanged(LONG, "  - {symptom: v-at-seam,", link + "  - {symptom: v-at-seam,")
    (problem,) = all_problems(write_rules(tmp_path, files))
    assert (problem.code, problem.message) == ("at-rest", "'line-near-seam': what does a right block read?")
    assert problem.where is not None
    assert problem.where.path.endswith(SYMPTOMS)


def test_an_unused_alteration(only_problem: Single) -> None:
    """An alteration that cures no cause and follows nothing is told at its id."""
    files = good_files()
    files["alterations/back/raise-hem.yaml"] = files[SWING].replace("swing-leg", "raise-hem")
    files[ORDER] += "- {either: [raise-hem, swing-leg, tuck-back], because: Not at once, source: practice}\n"
    problem = only_problem(files, "alterations/back/raise-hem.yaml", "id: ^raise-hem", "unused")
    assert problem.message == "no cause is cured by, and nothing calls for, the alteration 'raise-hem'"
    assert "add it to a rule" in problem.hint


LOOK = "  look: Stand straight behind and compare left with right.\n"
TIGHT = "  views: [back]\n  by: pinching\n"
DROP, HOW = "what: the drop at the centre\n", "    how: Lay a ruler level and read down.\n"
UNTIL = "  until: the lines are level\n"
PRACTICE = "source: practice\n"
MISSING = [
    (SYMPTOMS, LOOK + TIGHT, TIGHT, "^id: seat-tight", "look"),
    (SYMPTOMS, f"15 mm}}\n    {PRACTICE}", "15 mm}\n", f"^{DROP}{HOW}    worse: more", "source"),
    (SYMPTOMS, f"{DROP}{HOW}    worse: more", f"{DROP}    worse: more", f"^{DROP}    worse: more", "how"),
    (LONG, "usually, source: practice", "usually", "- ^{symptom: lines-dip", "source"),
    (LONG, f"hangs.\n{PRACTICE}", "hangs.\n", "^id: back-too-long", "source"),
    (LONG, "not_when: [The lens stood above the line.]\n", "", "^id: back-too-long", "not_when"),
    (WORDS, "how_often: {source: practice, words", "how_often: {words", "how_often: ^{words", "source"),
    (TUCK, "{amount: 2 cm, source: practice}", "{amount: 2 cm}", "most_a_round: ^{amount: 2 cm}", "source"),
    (TUCK, f"{UNTIL}  {PRACTICE}", UNTIL, "amount:\n  ^start: 1 cm", "source"),
    (TUCK, "check_next: [See whether the lines are level.]\n", "", "^id: tuck-back", "check_next"),
    (ORDER, ", because: The length comes first", "", "^{first: tuck-back", "because"),
]


@pytest.mark.parametrize(("path", "old", "new", "at", "key"), MISSING)
def test_what_a_rule_must_say(only_problem: Single, path: str, old: str, new: str, at: str, key: str) -> None:
    """A missing way to look, a number or link without source, and other things every rule says, are told at the rule."""
    problem = only_problem(exchanged(path, old, new), path, at, "missing")
    assert f"'{key}' is missing" == problem.message


def test_causes_that_no_symptom_tells_apart(only_problem: Single) -> None:
    """Two causes that show the same symptoms equally often can never be told apart; the later one is named."""
    files = good_files()
    path = "causes/back/same-again.yaml"
    files[path] = files[SETTLES].replace("cloth-settles", "same-again")
    problem = only_problem(files, path, "id: ^same-again", "same-signs")
    assert "'same-again' shows exactly what 'cloth-settles' shows" in problem.message
    assert "add a symptom or a test" in problem.hint


@pytest.mark.parametrize(
    ("path", "more", "told"),
    [(SETTLES, "cured_by: {give-room: wholly}\n", "has a cure and may stay as well"), (SETTLES, "", "has no cure")],
)
def test_a_cause_has_a_cure_or_may_stay(only_problem: Single, path: str, more: str, told: str) -> None:
    """A cause names what cures it or why it may stay, one of the two."""
    old = "may_stay: It eases with wear.\n"
    problem = only_problem(exchanged(path, old, more + old if more else ""), path, "id: ^cloth-settles", "cure")
    assert f"'cloth-settles' {told}" == problem.message
    assert "not both" in problem.hint


def test_a_symptom_linked_twice(only_problem: Single) -> None:
    """A second link to the same symptom is told at the second one."""
    new = "- {symptom: line-near-seam, how_often: often, source: practice}\n  - {symptom: ^line-near-seam, how_often: rarely"
    problem = only_problem(exchanged(LEANS, "- {symptom: line-near-seam, how_often: usually", new), LEANS, new, "twice")
    assert problem.message == "'grain-leans' shows 'line-near-seam' twice"
    assert problem.hint == "keep one link"


def test_look_alikes_make_sense(only_problem: Single) -> None:
    """A symptom that should tell two causes apart, but that neither shows, is told at its place."""
    new = "by: [^seat-tight]"
    problem = only_problem(exchanged(LONG, "by: [line-near-seam]", new), LONG, new, "look-alike")
    assert "neither shows it" in problem.message
    assert problem.hint


def test_a_cause_is_not_its_own_look_alike(only_problem: Single) -> None:
    """A look-alike is another cause."""
    new = "cause: ^back-too-long, tell: Look at the grainline., by: [v-at-seam]"
    old = "cause: grain-leans, tell: Look at the grainline., by: [line-near-seam]"
    problem = only_problem(exchanged(LONG, old, new), LONG, new, "look-alike")
    assert "its own look-alike" in problem.message


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ("{slight: 3 mm, clear: 6 mm, strong: 15 mm}", "^{slight: 3 mm, clear: 16 mm, strong: 15 mm}", "rise"),
        ("{slight: 3 mm, clear: 6 mm, strong: 15 mm}", "^{slight: 3 mm, clear: 3 mm, strong: 15 mm}", "rise"),
        ("{slight: 6 cm, clear: 4 cm, strong: 2 cm}", "^{slight: 2 cm, clear: 4 cm, strong: 6 cm}", "fall"),
        ("{slight: 3 mm, clear: 6 mm, strong: 15 mm}", "^{slight: 3 mm, strong: 15 mm}", "clear are missing"),
        ("{slight: 3 mm, clear: 6 mm, strong: 15 mm}", "^{slight: 1 mm, clear: 5 mm, strong: 15 mm}", "past seen_from"),
        ("{slight: 6 cm, clear: 4 cm, strong: 2 cm}", "^{slight: 9 cm, clear: 8 cm, strong: 2 cm}", "past seen_from"),
        (
            "worse: more\n    seen_from: 5 mm\n    give: 2 mm",
            "worse: more\n    seen_from: 5 mm\n    give: ^0 mm",
            "more than 0",
        ),
    ],
)
def test_grades_run_the_right_way(only_problem: Single, old: str, new: str, told: str) -> None:
    """Grades rise with the sign, or fall where a small amount is the sign; all three are there, and a spread above 0."""
    problem = only_problem(exchanged(SYMPTOMS, old, new), SYMPTOMS, new, "grades")
    assert told in problem.message
    assert problem.hint


def test_an_amount_aims_at_what_can_be_measured(only_problem: Single) -> None:
    """An amount can only aim at a symptom that has a measure."""
    new = "aim: {symptom: ^v-at-seam"
    problem = only_problem(exchanged(SWING, "aim: {symptom: line-near-seam", new), SWING, new, "not-measurable")
    assert "'v-at-seam', which has no measure" in problem.message
    assert "give the symptom a measure" in problem.hint


def test_a_step_for_the_wearer_is_one_of_the_steps(only_problem: Single) -> None:
    """A number behind the last step would never be read."""
    new = "wearer: {cloth: ^{9: Sit down.}}\neffects:"
    assert only_problem(exchanged(TUCK, "effects:", new), TUCK, new, "wearer").hint


def test_what_goes_both_ways_says_what_tells_which(only_problem: Single) -> None:
    """Else the list would give an amount without its direction."""
    new = "hinge: side seam, both_ways: ^yes}"
    assert only_problem(exchanged(TUCK, "hinge: side seam}", new), TUCK, new, "which-way").hint


@pytest.mark.parametrize(
    ("old", "new"), [("start: 1 cm", "start: ^2.5 cm"), ("most_in_all: {amount: 3 cm", "most_in_all: {amount: ^1 cm")]
)
def test_limits_make_sense(only_problem: Single, old: str, new: str) -> None:
    """A start is within the most of a round, and the most of a round within the most in all."""
    assert only_problem(exchanged(TUCK, old, new), TUCK, new, "limit").hint


@pytest.mark.parametrize(
    ("new", "count"),
    [("^{symptom: seat-tight, absent: v-at-seam, because: It gets tighter}", 2), ("^{because: It gets tighter}", 0)],
)
def test_a_condition_names_one_thing(only_problem: Single, new: str, count: int) -> None:
    """A condition with two kinds, or none, is told at its place."""
    files = exchanged(TUCK, "{symptom: seat-tight, because: It gets tighter}", new)
    problem = only_problem(files, TUCK, new, "condition")
    assert f"one of body, symptom, absent, done; here {count}" in problem.message
    assert problem.hint


def test_an_alteration_that_worsens_what_it_cures(only_problem: Single) -> None:
    """What a cause says cures it cannot make it worse."""
    files = exchanged(TUCK, "brings: {seat", "worsens: {back-too-long: a-little}\nbrings: {seat")
    problem = only_problem(files, TUCK, "back-too-long: ^a-little", "contradiction")
    assert "worsens 'back-too-long', which says it is cured by it" in problem.message
    assert problem.hint == "one of the two must go"


def test_an_order_that_runs_in_a_circle(tmp_path: Path) -> None:
    """A circle of order pairs is told as the way round, at one of its pairs."""
    files = good_files()
    files[ORDER] += "- {first: swing-leg, then: tuck-back, because: The other way round, source: practice}\n"
    (problem,) = all_problems(write_rules(tmp_path, files))
    assert problem.code == "circle"
    assert re.search(r": (\S+) -> (\S+ -> )+\1$", problem.message)
    assert {"tuck-back", "swing-leg"} <= set(problem.message.split())
    assert "take one pair of it out" in problem.hint
    assert problem.where is not None
    pairs = ("first: tuck-back", "first_stage: balance", "first: swing-leg")
    ways = {place(files, ORDER, f"- ^{{{pair}") for pair in pairs}
    assert (problem.where.line, problem.where.col) in ways


@pytest.mark.parametrize(
    ("new", "told"),
    [
        ("- ^{first: give-room, because: Half a pair, source: practice}", "first and then, or either"),
        (
            "- ^{first: give-room, then: swing-leg, either: [tuck-back, give-room], because: Both, source: practice}",
            "or either",
        ),
        (
            "- ^{first: give-room, then: [swing-leg, give-room], because: Itself, source: practice}",
            "'give-room' is to come before itself",
        ),
        ("- ^{either: [give-room], because: Alone, source: practice}", "at least two"),
    ],
)
def test_order_pairs_are_well_formed(only_problem: Single, new: str, told: str) -> None:
    """A pair has two sides that differ, or names alterations that exclude each other."""
    files = good_files()
    files[ORDER] += new.replace("^", "") + "\n"
    problem = only_problem(files, ORDER, new, "order")
    assert told in problem.message
    assert problem.hint


def test_two_alterations_of_one_seam_need_an_order(only_problem: Single) -> None:
    """Two alterations that change a common seam, and no pair that says which comes first, are told with the seam."""
    files = exchanged(ORDER, "then: [swing-leg, give-room]", "then: [swing-leg]")
    problem = only_problem(files, GIVE, "id: ^give-room", "unordered")
    assert (
        problem.message
        == "'give-room' changes a seam that these change as well: tuck-back; no order pair says which comes first"
    )
    assert "order.yaml" in problem.hint


@pytest.mark.parametrize(
    ("new", "told"),
    [
        ("^{measure: hip, at_least: 3 in, at_most: 2 in}", "at_least is more than at_most"),
        ("^{measure: hip}", "no figure"),
        ("^{measure: hip, at_least: 1 in, hip_from: 40 in, hip_under: 30 in}", "hip_from is more than hip_under"),
    ],
)
def test_rows_of_ease_make_sense(only_problem: Single, new: str, told: str) -> None:
    """A row of a table of ease gives a figure, and its two ends are the right way round."""
    problem = only_problem(exchanged(EASE, "{measure: hip, at_least: 1 in, at_most: 2 in}", new), EASE, new, "ease")
    assert told in problem.message
    assert problem.hint


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("usually: 0.75", "usually: ^1.0"),
        ("often: 0.6", "often: ^0"),
        ("sometimes: 0.08", "sometimes: ^-0.1"),
        ("more: 2,", "more: ^1e9,"),
        ("wholly: 0.95", "wholly: ^nan"),
        ("looking: 1,", "looking: ^inf,"),
        ("worth_altering: 0.35", "worth_altering: ^1e999"),
    ],
)
def test_numbers_of_words_are_within_bounds(only_problem: Single, old: str, new: str) -> None:
    """A chance lies between 0 and 1, a factor above 0; anything else, and what is no number, is told with its bounds."""
    problem = only_problem(exchanged(WORDS, old, new), WORDS, new, "number")
    assert problem.hint.startswith("between 0.")


@pytest.mark.parametrize(
    ("old", "at", "told"),
    [
        (", leave_alone_from: 0.02", "words: ^{stop_below", "settings: 'leave_alone_from' is missing"),
        (", marked: 1.5", "words: ^{some: 1}", "body_grades: 'marked' is missing"),
    ],
)
def test_words_that_the_program_needs(only_problem: Single, old: str, at: str, told: str) -> None:
    """A setting or a grade without which nothing can be worked out is told where it should stand."""
    assert only_problem(exchanged(WORDS, old, ""), WORDS, at, "missing").message == told


def test_duplicate_ids(only_problem: Single) -> None:
    """An id is unique over all kinds of rules; the second one is told, with the place of the first."""
    files = good_files()
    files[NOTES] += "- {id: lines-dip, title: The same name, judge: Look., source: practice}\n"
    problem = only_problem(files, SYMPTOMS, "id: ^lines-dip", "duplicate-id")
    line, col = place(files, NOTES, "id: ^lines-dip")
    assert "'lines-dip' is taken by the body note at " in problem.message
    assert problem.message.endswith(f"{NOTES}:{line}:{col}")
    assert problem.hint == "choose another id"


def test_a_file_is_named_after_its_rule(only_problem: Single) -> None:
    """A rule of its own stands in the file of its name."""
    files = good_files()
    files["causes/back/settles.yaml"] = files.pop(SETTLES)
    problem = only_problem(files, "causes/back/settles.yaml", "id: ^cloth-settles", "file-name")
    assert problem.hint == "name the file cloth-settles.yaml"


def test_duplicate_keys(only_problem: Single) -> None:
    """The second of two equal keys never wins in silence; it is told at its place."""
    files = exchanged(LONG, "why: The spare", "^base_rate: sometimes\nwhy: The spare")
    problem = only_problem(files, LONG, "^base_rate: sometimes\nwhy", "duplicate-key")
    assert problem.message == "'base_rate' appears twice"
    assert problem.hint == "keep one of them"


def test_unknown_keys(only_problem: Single) -> None:
    """A key the format does not know is told at the key, with the nearest one it knows."""
    files = exchanged(LONG, "not_when: [The", "not-when: [The")
    files[LONG] += "not_when: [Never.]\n"
    problem = only_problem(files, LONG, "^not-when", "unknown-key")
    assert problem.hint == "did you mean 'not_when'?"


@pytest.mark.parametrize(
    ("path", "old", "new", "code"),
    [
        (TUCK, "sides: as-seen", "sides: ^both-sides", "value"),
        (TUCK, "{amount: 2 cm,", "{amount: ^2,", "value"),
        (TUCK, "{amount: 2 cm,", "{amount: ^-2 cm,", "value"),
        (TUCK, "why: It takes up what hangs.", "why: ^[one, two]", "type"),
        (LONG, "id: back-too-long", "id: ^Back_Too_Long", "id"),
        (SYMPTOMS, "by: pinching\n", "by: pinching\n  felt: ^perhaps\n", "value"),
        (TUCK, "cloth: [Pin the fold.]", "cloth: ^Pin the fold.", "type"),
        (TUCK, "cloth: [Pin the fold.]", "^cloth:", "type"),
        (TUCK, "cloth: [Pin the fold.]", "cloth: ^[]", "value"),
        (TUCK, "brings: {seat-tight: rarely}", "brings: ^[seat-tight]", "type"),
        (TUCK, "{amount: 2 cm, source: practice}", "^2 cm", "type"),
        (LONG, "per: {ratio: 1,", "per: {ratio: ^50,", "value"),
        (LONG, "per: {ratio: 1,", "per: {ratio: ^half,", "type"),
        (WORDS, "usually: 0.75", "usually: ^high", "type"),
        (SYMPTOMS, "title: The seat lies tight", "title: ^ab", "value"),
    ],
)
def test_values_of_the_wrong_form(only_problem: Single, path: str, old: str, new: str, code: str) -> None:
    """A value of the wrong form is told at its place, in words for people who do not program."""
    problem = only_problem(exchanged(path, old, new), path, new, code)
    assert not re.search(r"Input should|tuple|string|mapping|dict|float|instance|regex|pattern", str(problem))


def test_several_faults_in_several_files_are_told_at_once(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """One run tells every fault of every file, sorted by file and line, and ends with exit code 1."""
    files = good_files()
    for path, old, new in (
        (LONG, "how_often: usually", "how_often: usual"),
        (LONG, "base_rate: sometimes", "base_rate: sometimes\nbase_rate: sometimes"),
        (LEANS, "cured_by: {swing-leg", "cured_by: {swing-legs"),
        (TUCK, "stage: balance", "stage: middle"),
        (SYMPTOMS, "[v-at-seam]", "[v-at-seams]"),
        (WORDS, "usually: 0.75", "usually: 7.5"),
        (NOTES, "title: Flat seat, ", ""),
        (SWING, "true_up: [Redraw the seam.]", "true_up: [Redraw the seam."),
        (ORDER, "because: The length comes first, ", ""),
    ):
        assert files[path].count(old) == 1
        files[path] = files[path].replace(old, new)
    assert ended("rules", "check", str(write_rules(tmp_path, files))) == 1
    lines = capsys.readouterr().err.splitlines()
    told = [line.removeprefix(f"{tmp_path}/").split(":")[0] for line in lines]
    # one stands for the whole of a file that is no YAML or has equal keys: what else is in it cannot be told
    assert sorted(told) == [SWING, TUCK, NOTES, LONG, LEANS, ORDER, SYMPTOMS, WORDS]
    assert sorted(lines) == lines
    assert all(re.match(r"\S+:\d+:\d+: \S", line) for line in lines)


def test_the_checks_of_a_sound_base_are_told_at_once_too(tmp_path: Path) -> None:
    """Faults that only the whole base shows, and faults of the cases, come together in one run."""
    files = exchanged(CASES, "leads: back-too-long", "leads: back-too-longer")
    files[SETTLES] = files[SETTLES].replace("may_stay: It eases with wear.\n", "")
    files[SOURCES] += "- {id: left-over, title: Never cited, grade: memory}\n"
    problems = all_problems(write_rules(tmp_path, files))
    assert {problem.code for problem in problems} == {"cure", "unused", "unknown-id"}


def test_a_file_that_is_no_yaml_hides_nothing_else(tmp_path: Path) -> None:
    """Where a whole list cannot be read, its ids are not told as unknown everywhere else: one fault, one line."""
    for path in (SOURCES, NOTES, SYMPTOMS, LONG):
        files = good_files()
        files[path] = files[path].replace(": ", ":[ ", 1)
        problems = all_problems(write_rules(tmp_path, files))
        assert [str(tmp_path / path)] == [problem.where.path for problem in problems if problem.where]


def test_a_note_that_moves_the_body_says_by_how_much(only_problem: Single) -> None:
    """Without a measure of its own a note gives the amounts beside what it moves."""
    new = "{id: flat-seat, title: Flat seat, judge: Hang a plumb line., figure: [{moves: seat-out}], source: practice}"
    files = exchanged(NOTES, "{id: flat-seat, title: Flat seat, judge: Hang a plumb line., source: practice}", new)
    assert "no amounts" in only_problem(files, NOTES, "figure: [^{moves", "figure").message


def test_every_check_finds_something_above() -> None:
    """No check of the list is left without a test: each is named by a code that a test here, or of the garment, looks for."""
    here = Path(__file__)
    text = here.read_text(encoding="utf-8") + here.with_name("test_garment_rules.py").read_text(encoding="utf-8")
    codes = {
        code
        for check in CHECKS
        for code in re.findall(r'Problem\(\s*"([a-z-]+)"', _source_below(check.__code__.co_filename))
    }
    assert {code for code in codes if f'"{code}"' not in text} == set()


def _source_below(path: str) -> str:
    return Path(path).read_text(encoding="utf-8")


def test_editors_leavings_are_no_rules(tmp_path: Path) -> None:
    """Hidden files and links to nowhere that editors and file systems leave behind are passed over."""
    write_rules(tmp_path, good_files())
    (tmp_path / "symptoms" / ".#back.yaml").symlink_to("nobody@nowhere.1234")
    (tmp_path / "symptoms" / "._back.yaml").write_bytes(b"\x00\x05\x16\x07")
    (tmp_path / "causes" / "back" / ".back-too-long.yaml.swp").write_bytes(b"b0VIM")
    assert all_problems(tmp_path) == []
    assert ended("rules", "list", "causes", "--rules", str(tmp_path)) == 0


FAILING = [
    ("name: The lines dip and make a V", "name: ''", "a case needs a name"),
    (
        "- name: A round seat needs the length",
        "- name: The lines dip and make a V",
        "a case with this name is already at",
    ),
    ("expect: {leave_alone: [tuck-back], nothing: yes}", "expect: {}", "expects nothing"),
    ("expect: {leave_alone: [tuck-back], nothing: yes}", "expect: {nothing: no, quiet: []}", "expects nothing"),
    ("\n  expect: {leave_alone: [tuck-back], nothing: yes}", "", "expects nothing"),
    ("leads: back-too-long", "leads: back-too-longer", "there is no cause 'back-too-longer'"),
    ("amount: 3/4 in\n    side", "amount: much\n    side", "'much' is not a length"),
    ("side: both\n", "side: both\n    firsts: tuck-back\n", "'firsts' is not a key here"),
]


@pytest.mark.parametrize(("old", "new", "told"), FAILING)
def test_the_tester_tests_the_tests(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], old: str, new: str, told: str
) -> None:
    """`rules test` refuses cases without a name, named twice, with unknown ids, or that expect nothing."""
    write_rules(tmp_path, exchanged(CASES, old, new))
    assert ended("rules", "test", str(tmp_path)) == 1
    lines = capsys.readouterr().err.splitlines()
    assert len(lines) == 1
    assert told in lines[0]
    assert re.match(rf"{re.escape(str(tmp_path / CASES))}:\d+:\d+: ", lines[0])


def test_two_cases_of_the_same_fitting(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The same findings written in another way are still the same case."""
    files = good_files()
    files[CASES] += """\
- name: The same under another name
  symptoms: {lines-dip: {seen: yes}}
  body: {round-seat: marked}
  expect: {nothing: yes}
"""
    assert ended("rules", "test", str(write_rules(tmp_path, files))) == 1
    line, col = place(files, CASES, "- ^name: A round")
    assert f"a case with these findings is already at {tmp_path / CASES}:{line}:{col}" in capsys.readouterr().err


def test_cases_stand_beside_their_cause(only_problem: Single) -> None:
    """A file of cases is named after a cause."""
    files = good_files()
    files["causes/back/long.cases.yaml"] = files.pop(CASES)
    problem = only_problem(files, "causes/back/long.cases.yaml", "^- name: The lines", "cases")
    assert "there is no cause 'long' for these cases" in problem.message


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ("leads: back-too-long", "leads: grain-leans", "grain-leans should lead"),
        ("quiet: [grain-leans]", "quiet: [back-too-long]", "back-too-long should be quiet"),
        ("first: tuck-back", "first: swing-leg", "swing-leg should come first"),
        ("recommends: [tuck-back]", "recommends: [swing-leg]", "swing-leg should be in the list"),
        ("amount: 3/4 in\n    side", "amount: 1 in\n    side", "the amount should be 1 in, but is 3/4 in"),
        ("side: both", "side: left", "the side should be left, but is both"),
        ("only_if: {give-room: seat-tight}", "only_if: {give-room: lines-dip}", "only if lines-dip"),
        ("leave_alone: [tuck-back], nothing: yes", "leave_alone: [swing-leg]", "swing-leg should be left alone"),
        ("leave_alone: [tuck-back], nothing: yes", "amount: 1/2 in", "the amount should be 1/2 in, but is none"),
        ("leave_alone: [tuck-back], nothing: yes", "side: both", "the side should be both, but is none"),
        ("    only_if: {give-room: seat-tight}", "    nothing: yes", "nothing should be recommended"),
    ],
)
def test_a_case_that_comes_out_otherwise_is_told(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], old: str, new: str, told: str
) -> None:
    """Each thing a case can expect is really compared, also where nothing is recommended at all."""
    assert ended("rules", "test", str(write_rules(tmp_path, exchanged(CASES, old, new)))) == 1
    output = capsys.readouterr()
    assert told in output.err
    assert "2 cases: 1 as expected, 1 not." in output.out


def test_a_base_without_cases_is_not_called_tested(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """No case at all is no success."""
    files = good_files()
    del files[CASES]
    assert ended("rules", "test", str(write_rules(tmp_path, files))) == 1
    assert "0 cases" in capsys.readouterr().out


@pytest.mark.parametrize("command", ["check", "test"])
def test_no_folder_of_rules(tmp_path: Path, capsys: pytest.CaptureFixture[str], command: str) -> None:
    """A folder that is not there, is a file or holds no rules is told in one line."""
    (tmp_path / "file.txt").write_text("no rules")
    for given in (tmp_path / "nowhere", tmp_path / "file.txt", tmp_path):
        assert ended("rules", command, str(given)) == 1
        lines = capsys.readouterr().err.splitlines()
        assert len(lines) == 1
        assert lines[0].startswith(f"{given}: ")
        assert "give a folder like rules/trousers" in lines[0]


def wide_files(symptoms: int, causes: int) -> dict[str, str]:
    """A base in which every cause shows a third of the symptoms, so that all of them hang together."""
    files, rng = good_files(), random.Random(1)
    head, links = files[SETTLES].split("  - {symptom: seat-tight, how_often: often, source: practice}\n")
    files[SYMPTOMS] += "".join(
        f"- {{id: sign-{number}, title: Sign {number}, ask: Seen?, look: Look., views: [back], by: looking,"
        " seen_anyway: rarely, source: practice}\n"
        for number in range(symptoms)
    )
    for cause in range(causes):
        shown = "".join(
            f"  - {{symptom: sign-{number}, how_often: often, source: practice}}\n"
            for number in range(symptoms)
            if rng.random() < 1 / 3
        )
        files[f"causes/wide/wide-{cause}.yaml"] = head.replace("cloth-settles", f"wide-{cause}") + shown + links
    return files


def test_a_base_that_is_too_wide_is_told(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Where too many signs hang together for an exact answer, the check says so and ends with exit code 1."""
    assert ended("rules", "check", str(write_rules(tmp_path, wide_files(24, 24)))) == 1
    assert "over the limit" in capsys.readouterr().out


@pytest.fixture(scope="module")
def shipped() -> RuleBase:
    base, problems = read_rules(default_rules())
    assert base is not None
    assert problems == []
    return base


def rule_pages(base: RuleBase) -> list[tuple[str, str]]:
    ids = [*base.symptoms, *base.body_notes, *base.causes, *base.alterations, *base.sources]
    return [(rule, page(base, rule) or "") for rule in ids]


# words that speak of what is wrong with a body, or that a beginner may take so; the rules speak of cloth and pattern
UNKIND = re.compile(
    r"\b(problem|fault|defect|defective|abnormal|normal|deformity|deformed|flaw|flawed|bad|ugly|unsightly|imperfect|"
    r"imperfection|unflattering|obese|overweight|fat|fatty|flabby|saggy|lumpy|dumpy|misshapen|odd-shaped|crippled|"
    r"handicap|handicapped|disfigured|unattractive|awkward|wrong body|poor posture)(s|es|ed)?\b",
    re.IGNORECASE,
)


def test_every_shipped_rule_reads_well(shipped: RuleBase) -> None:
    """Every page of the shipped base is printable, at most 80 columns wide, and free of codes and of what is left over."""
    for rule, text in rule_pages(shipped):
        lines = text.splitlines()
        assert len(lines) >= 3, rule
        assert [line for line in lines if len(line) > 80] == []
        assert [line for line in lines if not line.isprintable()] == []
        assert re.findall(r"\b[A-Z]\d{1,3}\b", text) == [], rule
        assert "None" not in text, rule
        assert "{" not in text, rule
        assert rule in text


def test_every_shipped_rule_is_kind(shipped: RuleBase) -> None:
    """No text of the shipped base says an unkind word about a body; it speaks of cloth and pattern."""
    others = [("order", pair.because) for pair in shipped.order]
    others += [("cautions", caution.text) for caution in shipped.about.cautions]
    others += [(table.id, f"{table.title} {row.note}") for table in shipped.ease.values() for row in table.rows]
    found = {rule: UNKIND.findall(text) for rule, text in (*rule_pages(shipped), *others)}
    assert {rule: words for rule, words in found.items() if words} == {}


@pytest.mark.parametrize("width", [40, 60, 100])
def test_pages_fold_to_the_terminal(shipped: RuleBase, width: int) -> None:
    """A page folds to the width asked for, and ids stay whole, so that they can be copied."""
    for rule in [*shipped.symptoms, *shipped.causes, *shipped.alterations]:
        text = page(shipped, rule, width=width) or ""
        assert max(len(line) for line in text.splitlines()) <= width
        assert rule in text.split()[:60] or any(rule in line for line in text.splitlines())


def test_show_prints_the_page(shipped: RuleBase, capsys: pytest.CaptureFixture[str]) -> None:
    """`rules show` prints the page of any kind of rule, in inches or centimetres, and helps with a slip of the pen."""
    alteration = next(rule for rule in shipped.alterations.values() if rule.most_a_round.amount_mm == 25.4)
    for units, told in (("in", "1 in in a round"), ("cm", "2.5 cm in a round")):
        assert ended("rules", "show", alteration.id, "--units", units) == 0
        assert told in capsys.readouterr().out
    assert ended("rules", "show", alteration.id[:-1]) == 1
    assert f"near: {alteration.id} (" in capsys.readouterr().err


def test_the_shipped_base_passes(capsys: pytest.CaptureFixture[str]) -> None:
    """The rules that ship have no fault, and every case beside them comes out as it says."""
    assert (ended("rules", "check"), ended("rules", "test")) == (0, 0)
    assert "Width of the network" in capsys.readouterr().out


def test_load_refuses_what_check_would_only_tell(tmp_path: Path) -> None:
    """Reading alone stops at what nothing can be worked out with; what is only untidy can be worked with."""
    from fitdiag.knowledge.load import load_rules

    with pytest.raises(ProblemsFoundError):
        load_rules(write_rules(tmp_path / "broken", exchanged(WORDS, "usually: 0.75", "usually: 1.0")))
    untidy = good_files()
    untidy[SOURCES] += "- {id: left-over, title: Never cited, grade: memory}\n"
    assert "left-over" in load_rules(write_rules(tmp_path / "untidy", untidy)).sources


# -- the contributor's door --------------------------------------------------------------------------------------------


@pytest.fixture
def copied(tmp_path: Path) -> Path:
    """A copy of the shipped rules of the skirt, without the folder it shares: that is found among the shipped ones."""
    return Path(shutil.copytree(default_rules().parent / "skirt", tmp_path / "skirt"))


def test_a_new_alteration_without_an_order_is_one_fault(copied: Path) -> None:
    """However many alterations change a seam it changes, the missing order is told once, with all their names."""
    old = copied / "alterations" / "width" / "round-side-curve.yaml"
    text = (
        old.read_text().replace("id: round-side-curve", "id: fill-side").replace("opposite: flatten-side-curve\n", "")
    )
    (old.parent / "fill-side.yaml").write_text(text)
    cause = copied / "causes" / "width" / "side-curve-too-flat.yaml"
    cause.write_text(
        cause.read_text().replace("{how_well: wholly, takes: 4}}", "{how_well: wholly, takes: 4}, fill-side: partly}")
    )
    (problem,) = all_problems(copied)
    assert problem.code == "unordered"
    assert "add-hip-width" in problem.message
    assert "flatten-side-curve" in problem.message
    assert "{first: fill-side, then: [...]}" in problem.hint


def test_a_rule_can_be_begun_that_another_names_already(copied: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Who writes the cause first and then the sign it shows is not sent away because the sign is not there yet."""
    cause = copied / "causes" / "width" / "side-curve-too-flat.yaml"
    cause.write_text(
        cause.read_text().replace(
            "shows:\n", "shows:\n  - {symptom: pocket-drags, how_often: often, source: common-practice}\n"
        )
    )
    assert ["unknown-id"] == [problem.code for problem in all_problems(copied)]
    assert 0 == ended("rules", "new", "symptom", "pocket-drags", "--in", "side", "--rules", str(copied))
    assert "It is a draft" in capsys.readouterr().out
    assert [] == all_problems(copied)
