"""The `fitdiag rules …` commands, and `fitdiag ease`: its tables, and what they say about a set of measures."""

from __future__ import annotations

import difflib
import re
from itertools import chain, product
from pathlib import Path
from string import Template
from typing import get_args

from fitdiag.cli.arguments import body_lengths, ending_of, folder_of, guess_units, paper_of, rules_of, units_of
from fitdiag.cli.output import counted, save, say, say_problems, say_then, say_written, width, write
from fitdiag.diagnosis.exact import WIDEST
from fitdiag.diagnosis.survey import SIGNS, widths
from fitdiag.files import make_folder, write_atomically
from fitdiag.knowledge.check import check_rules
from fitdiag.knowledge.folders import shipped
from fitdiag.knowledge.load import load_rules, read_rules
from fitdiag.knowledge.model import EaseRow, RuleBase, View
from fitdiag.knowledge.strict_yaml import read_text
from fitdiag.planning.cases import Case, coverage, read_cases, run_case, sensitivity
from fitdiag.planning.ease import check_measures
from fitdiag.problems import Problem, ProblemsFoundError, command, one_line, stop
from fitdiag.reports.rule_page import page
from fitdiag.units import Units, format_length


def counts(base: RuleBase) -> str:
    """The contents of a rule base, in one line."""
    return (
        f"{len(base.symptoms)} symptoms, {len(base.body_notes)} body notes, {len(base.causes)} causes,"
        f" {len(base.alterations)} alterations, {len(base.order)} order rules, {len(base.sources)} sources"
    )


def check(folder: str | None, garment: str | None) -> int:
    base, problems = read_rules(place := folder_of(folder or garment))
    if base is not None and not problems:
        problems = [*check_rules(base), *read_cases(place, base)[1]]
    if base is None or problems:
        say_problems(problems)
        say(f"{counted(len(problems), 'fault')}.")
        return 1
    found = widths(base)
    worst = found[-1] if found[-1] <= WIDEST else "over the limit"
    say(f"Clean: {counts(base)}.")
    drafts = [cause.id for cause in base.causes.values() if cause.status == "draft"]
    drafts += [symptom.id for symptom in base.symptoms.values() if symptom.draft]
    drafts += [alteration.id for alteration in base.alterations.values() if alteration.draft]
    if drafts:
        say(f"{counted(len(drafts), 'draft')}, believed by nobody yet: {', '.join(drafts)}.")
    say(
        f"Width of the network with {min(SIGNS, len(base.symptoms))} signs seen at once ({len(found)} draws):"
        f" median {found[len(found) // 2]}, worst {worst}; at most {WIDEST}."
    )
    return 0 if found[-1] <= WIDEST else 1


def test(folder: str | None, garment: str | None) -> int:
    base, cases, problems = _with_cases(folder or garment)
    wrong = [found for case in cases if (found := run_case(base, case))]
    problems += chain(*wrong)
    say_problems(problems)
    say(f"{len(cases)} cases: {len(cases) - len(wrong)} as expected, {len(wrong)} not.")
    return 1 if problems or not cases else 0


def _with_cases(given: str | None) -> tuple[RuleBase, tuple[Case, ...], list[Problem]]:
    folder = folder_of(given)
    base = load_rules(folder)
    return base, *read_cases(folder, base)


def show(rule: str, rules: str | None, units: str | None) -> int:
    base = rules_of(rules)
    text = page(base, rule, units_of(units or "in"), width())
    if text is None:
        raise stop("unknown-id", f"there is no rule '{one_line(rule, 60)}'", hint=near_rules(base, rule))
    write(text)
    return 0


def show_coverage(folder: str | None, garment: str | None) -> int:
    base, cases, problems = _with_cases(folder or garment)
    problems += coverage(base, cases)
    say_problems(problems)
    gaps = counted(len(problems), "gap") if problems else "nothing is left out"
    say(f"{len(cases)} cases over {counts(base)}: {gaps}.")
    return 1 if problems else 0


def show_sensitivity(folder: str | None, garment: str | None) -> int:
    base, cases, problems = _with_cases(folder or garment)
    if problems:
        raise ProblemsFoundError(problems)
    found = sensitivity(base, cases)
    links = sum(len(cause.shows) for cause in base.causes.values())
    for sway in found:
        cause, symptom = base.causes[sway.cause].title, base.symptoms[sway.symptom].title
        say(
            f"'{cause}' shows '{symptom}': {sway.word} -> {sway.moved_to} changes the first recommendation of"
            f" {len(sway.cases)} ({sway.cause}, {sway.symptom}):"
        )
        for name in sway.cases:
            say(f"  - {name}")
    say(f"{len({(sway.cause, sway.symptom) for sway in found})} of {links} strengths change a first recommendation in {len(cases)} cases"
        " when moved by one word. There judgement counts; the others may be off by a word.")  # fmt: skip
    return 0


def new_rule(kind: str, rule: str, area: str, rules: str | None) -> int:
    folder = folder_of(rules)
    base, problems = read_rules(folder)  # a rule may be begun that others name already, so faults are no hindrance here
    if base is None:
        raise ProblemsFoundError(problems)
    if kind not in ("cause", "symptom", "alteration"):
        raise stop("kind", f"'{one_line(kind, 30)}' cannot be begun here", hint="write cause, symptom or alteration")
    for text, what in ((rule, "an id"), (area, "an area")):
        if not re.fullmatch(r"[a-z][a-z0-9]*(-[a-z0-9]+)*", text) or len(text) > 60:
            message = f"'{one_line(text, 60)}' is not {what}"
            raise stop("id", message, hint="lower-case words joined by hyphens, like flat-seat")
    if base.find(rule) is not None:
        raise stop("taken", f"there is a rule '{rule}' already", hint=f"fitdiag rules show {rule}")
    relative, text = template(base, kind, rule, area)
    path = folder / relative
    make_folder(path.parent)
    earlier = read_text(path) if kind == "symptom" and path.exists() else ""
    joined = f"{earlier.rstrip()}\n{text}" if earlier else text
    write_atomically(path, joined, replace=bool(earlier), private=False)
    again = command("fitdiag", "rules", "check", folder) if rules else "fitdiag rules check"
    say_written(path)
    say_then("It is a draft: fill in what says TO WRITE, then:", again)
    return 0


def drawings(to: str, rules: str | None, units: str | None, paper: str | None, *, replace: bool) -> int:
    from fitdiag.reports.sign_sheet import sheet_html, sheet_pdf

    kind, base, chosen = ending_of(to, ".html", ".pdf"), rules_of(rules), units_of(units or "in")
    page = sheet_html(base, chosen) if kind == ".html" else sheet_pdf(base, chosen, paper_of(paper, chosen))
    save(to, page, replace=replace, private=False)
    return 0


KINDS = ("symptoms", "body-notes", "causes", "alterations", "sources")


def near_rules(base: RuleBase, text: str) -> str:
    """A hint: up to three rules similar to what was typed, and how to list them all."""
    from fitdiag.interview.search import Words

    if kind := like_a_kind(text):
        return f"`fitdiag rules list {kind}` lists them"
    plain = text[:80].lower().replace("-", " ")
    said, words = set(plain.split()), Words(base)
    titled = [cause.id for cause in base.causes.values() if said and said <= set(cause.title.lower().split())]
    meant = [*(words.find(kind, plain, 2) for kind in ("alteration", "symptom", "body note")), titled[:2]]
    by_words = sorted(chain(*meant), key=lambda rule_id: not said <= set(rule_id.split("-")))
    ids = [rule_id for kind in KINDS for rule_id in getattr(base, kind.replace("-", "_"))]
    spelled = [difflib.get_close_matches(plain.replace(" ", "-"), ids, 2, least) for least in (0.85, 0.7)]
    found = list(dict.fromkeys([*spelled[0], *by_words, *spelled[1]]))[:3]
    near = [f"{rule_id} ({rule[1].title})" for rule_id in found if (rule := base.find(rule_id))]
    listed = f"`fitdiag rules list {KINDS[0]}` (or {', '.join(KINDS[1:])}) lists all"
    return f"near: {', '.join(near)}; {listed}" if near else listed


def like_a_kind(word: str) -> str | None:
    """The kind of rule meant by a word like `symptom` or `body notes`; None if none is."""
    return next(iter(difflib.get_close_matches(word[:30].lower().replace(" ", "-"), KINDS, 1, 0.75)), None)


def list_rules(kind: str, rules: str | None) -> int:
    base = rules_of(rules)
    if kind not in KINDS:
        hint = f"`fitdiag rules list {near}`" if (near := like_a_kind(kind)) else f"write {', '.join(KINDS)}"
        raise stop("kind", f"'{one_line(kind, 30)}' is not a kind of rule", hint=hint)
    for rule_id, rule in getattr(base, kind.replace("-", "_")).items():
        write(f"{rule_id}: {rule.title}")
    return 0


def template(base: RuleBase, kind: str, rule_id: str, area: str) -> tuple[Path, str]:
    """The file (relative to the rule folder) and the text of a new rule of `kind`: cause, symptom or alteration."""
    words, source = base.words, next(iter(base.sources))
    alone = {
        (cause.shows[0].symptom, cause.shows[0].how_often) for cause in base.causes.values() if len(cause.shows) == 1
    }
    free = (pair for pair in product(base.symptoms, words.how_often.words) if pair not in alone)
    symptom, how_often = next(free)  # shown alone by no cause, so that the draft is not a duplicate
    values = {
        "id": rule_id,
        "source": next((rule.id for rule in base.sources.values() if rule.grade == "judgement"), source),
        "base_rate": min(words.base_rate.words, key=lambda word: words.base_rate.words[word]),
        "alteration": next(iter(base.alterations)),
        "view": area if area in get_args(View) else "back",
        "by": next(iter(words.cost.words)),
        "seen_anyway": next(iter(words.seen_anyway.words)),
        "seam": base.about.seams[0],
        "stage": base.about.stages[-1],
        "symptom": symptom,
        "how_often": how_often,
    }
    file = Path("symptoms", f"{area}.yaml") if kind == "symptom" else Path(f"{kind}s", area, f"{rule_id}.yaml")
    text = (shipped("rules") / "common" / "new" / f"{kind}.txt").read_text(encoding="utf-8")
    return file, Template(text).substitute(values)


def ease(body: list[str], pattern: list[str], table: str | None, units: str | None, rules: str | None) -> int:
    base = rules_of(rules)
    chosen = guess_units(units, (*body, *pattern))
    if table is not None and table not in base.ease:
        raise stop("unknown-id", f"there is no table '{one_line(table, 40)}'", hint=f"there are {', '.join(base.ease)}")
    if not body:
        if pattern:
            raise stop("arguments", "a pattern is judged against a body", hint="add --body 'hip=40 in'")
        show_tables(base, table, chosen)
        return 0
    results = check_measures(base, body_lengths(body, chosen), body_lengths(pattern, chosen), table)
    for result in results:
        note = f" {result.row.note}" if result.row.note else ""
        say(f"{result.text(chosen)}.{note}")
    if not results:
        say("No table has these measures. Crotch depth also needs the hip, because its ease goes by hip.")
    if len({result.table.id for result in results}) > 1:
        say("Where the tables disagree the choice is yours: name one with --table.")
    return 0


def show_tables(base: RuleBase, only: str | None, units: Units) -> None:
    """Every table with its source, row by row."""
    for table in base.ease.values():
        if only is not None and table.id != only:
            continue
        source = base.sources[table.source]
        say(f"{table.title} ({table.id})")
        say(f"  Source: {source.title}{', ' + table.place if table.place else ''}")
        for row in table.rows:
            say(f"  {_ease(row, units)}{'. ' + row.note if row.note else ''}")
        say()


def _ease(row: EaseRow, units: Units) -> str:
    """`waist, hip under 40 in: 1 in to 2 in`."""
    limits = (row.hip_from_mm, row.hip_under_mm, row.at_least_mm, row.at_most_mm)
    over, under, low, high = (format_length(mm, units) if mm is not None else "" for mm in limits)
    band = " and ".join([*([f"from {over}"] if over else []), *([f"under {under}"] if under else [])])
    ease = " to ".join(dict.fromkeys((low, high))) if low and high else f"at least {low}" if low else f"up to {high}"
    return f"{row.measure}{', hip ' if band else ''}{band}: {ease}"
