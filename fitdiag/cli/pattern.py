"""The `fitdiag pattern …` commands."""

from __future__ import annotations

import dataclasses
import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any

from fitdiag.cli.arguments import folder_of, guess_units, lengths, paper_of
from fitdiag.cli.output import say, write
from fitdiag.diagnosis.belief import lower_first
from fitdiag.files import no_twins, read_bytes, write_atomically
from fitdiag.knowledge.load import load_rules
from fitdiag.knowledge.model import RuleBase
from fitdiag.knowledge.strict_yaml import read_text, read_yaml
from fitdiag.pattern.alter import true_seam
from fitdiag.pattern.files import pattern_from_data, pattern_from_svg, pattern_to_svg, pattern_to_text
from fitdiag.pattern.measure import angle_measures, pattern_measures
from fitdiag.pattern.moves import NAMES, Step, carry_out
from fitdiag.pattern.piece import Carried, Pattern, faults
from fitdiag.pattern.record import LONGEST_CLIENT, stamp, told, valid_day, whose
from fitdiag.plausible import FAR
from fitdiag.problems import ProblemsFoundError, Where, one_line, stop
from fitdiag.units import Units, format_length, format_reading, read_off

if TYPE_CHECKING:
    from fitdiag.pattern.ink import Drawing

LARGEST = 4 * 1024 * 1024
SAME_MM = 1.6  # half an eighth of an inch: 3/4 in is not above 19 mm
ALL_ALTERATIONS = "fitdiag rules list alterations"


def read_pattern(text: str) -> Pattern:
    """A pattern from a .yaml, .json, .svg or .dxf file. Raises ProblemsFoundError."""
    path = Path(text)
    kind = path.suffix.lower()
    if kind in (".yaml", ".yml"):
        document = read_yaml(path, LARGEST, "pattern file")
        return pattern_from_data(document.data, document.where)
    if kind == ".json":
        content = read_text(path, LARGEST, "pattern file")
        try:
            data = json.loads(content, object_pairs_hook=no_twins)
        except (ValueError, RecursionError) as error:
            place = (error.lineno, error.colno) if isinstance(error, json.JSONDecodeError) else (0, 0)
            told = one_line(error.msg if isinstance(error, json.JSONDecodeError) else error, 80)
            where = Where(one_line(path), *place)
            raise stop("not-json", f"this is not JSON: {told}", where=where, hint="is it the right file?") from None
        return pattern_from_data(data, lambda _loc: Where(one_line(path)))
    if kind == ".svg":
        return pattern_from_svg(read_text(path, LARGEST, "pattern file"), one_line(path))
    if kind == ".dxf":
        from fitdiag.pattern.dxf import pattern_from_dxf

        return pattern_from_dxf(read_bytes(path, LARGEST, "pattern file"), one_line(path))
    raise stop(
        "format",
        f"'{one_line(kind, 20)}' is not a pattern format",
        where=Where(one_line(path)),
        hint="give .yaml, .json, .svg or .dxf",
    )


def write_pattern(pattern: Pattern, text: str, *, replace: bool) -> None:
    """Write a pattern in the format its file name asks for."""
    path = Path(text)
    kind = path.suffix.lower()
    if kind in (".yaml", ".yml", ".json"):
        content = pattern_to_text(pattern)  # JSON, which is YAML too
    elif kind == ".svg":
        content = pattern_to_svg(pattern)
    elif kind == ".dxf":
        from fitdiag.pattern.dxf import pattern_to_dxf

        content = pattern_to_dxf(pattern)
    else:
        raise stop(
            "format",
            f"'{one_line(kind, 20)}' is not a pattern format",
            where=Where(one_line(path)),
            hint="give .yaml, .json, .svg or .dxf",
        )
    write_atomically(path, content, replace=replace)
    say(f"Written: {one_line(path)}")


def show(
    measures: dict[str, float], pattern: Pattern, units: Units, *, as_json: bool, extra: dict[str, Any] | None = None
) -> None:
    """Print the measures of a pattern, as lines or as one JSON object (mm)."""
    angles = dict(angle_measures(pattern))
    if as_json:
        write(
            json.dumps(
                {
                    "title": pattern.title,
                    "grade": pattern.grade,
                    "measures_mm": measures,
                    "angles_degrees": angles,
                    **(extra or {}),
                },
                indent=2,
            )
        )
        return
    say(f"{pattern.title or 'Pattern'}{': ' + pattern.grade if pattern.grade else ''}")
    for name, value in measures.items():
        say(f"  {name}: {format_reading(value, units)}")
    for name, value in angles.items():
        say(f"  {name}: {value + 0.0:.1f} degrees".replace(" -0.0 ", " 0.0 "))
    if done := stamp(pattern, units):
        say(f"{done}.")


def draft(given: dict[str, str], out: str | None, units: str | None, *, as_json: bool, replace: bool) -> int:
    from fitdiag.pattern.draft import SOURCE, Measures, out_of_proportion
    from fitdiag.pattern.draft import draft as drafted

    chosen = guess_units(units, given.values())
    measures = Measures(**lengths([f"{name}={value}" for name, value in given.items()], chosen))
    pattern = drafted(measures, chosen)
    taken, odd = pattern_measures(pattern), out_of_proportion(measures, chosen)
    ease = {"hip": taken["hip girth"] - measures.hip, "waist": taken["waist after darts girth"] - measures.waist}
    if out:
        write_pattern(pattern, out, replace=replace)
    extra = {"ease_mm": ease, **({"warnings": [odd]} if odd else {})}
    show(taken, pattern, chosen, as_json=as_json, extra=extra)
    if not as_json:
        hip, waist = (format_reading(ease[name], chosen) for name in ("hip", "waist"))
        grain = format_reading(taken["back grain to centre at waist"], chosen)
        say(f"The block holds {hip} of ease at the hip and {waist} at the waist; its back grain stands {grain} from"
            " centre back at the waist.")  # fmt: skip
        say(f"By the rules of the {SOURCE}.")
        if odd:
            say(odd)
    return 0


def fit(given: list[str], out: str | None, units: str | None, *, as_json: bool, replace: bool) -> int:
    from fitdiag.pattern.fit import fit as fitted

    chosen = guess_units(units, given)
    found = fitted(lengths(given, chosen), chosen)
    if out:
        write_pattern(found.pattern, out, replace=replace)
    if as_json:
        reached = {name: {"wanted_mm": wanted, "reached_mm": got} for name, (wanted, got) in found.reached.items()}
        show(
            pattern_measures(found.pattern),
            found.pattern,
            chosen,
            as_json=True,
            extra={"lengths": reached, "residual_mm": found.residual},
        )
        return 0
    say(found.pattern.grade[:1].upper() + found.pattern.grade[1:] + ".")
    for name, (wanted, got) in found.reached.items():
        say(f"  {name}: measured {format_reading(wanted, chosen)}, the estimate has {format_reading(got, chosen)}")
    return 0


def measure(path: str, units: str | None, *, as_json: bool) -> int:
    pattern = read_pattern(path)
    show(pattern_measures(pattern), pattern, guess_units(units, ()), as_json=as_json)
    return 0


def read(path: str, out: str, *, replace: bool) -> int:
    write_pattern(read_pattern(path), out, replace=replace)
    return 0


def trued(steps: Sequence[Step]) -> tuple[Pattern, list[tuple[str, float]]]:
    """The pattern after all steps with every seam they name trued, and by how much each seam's length changed, in mm."""
    pattern, changes = steps[-1].pattern, list[tuple[str, float]]()
    for side in ("front", "back"):
        seams = dict.fromkeys(seam for step in steps if side in step.altered for seam in step.altered[side].true)
        for seam in seams:
            piece, change = true_seam(pattern.piece(side), seam)
            pattern = pattern.with_piece(piece)
            changes.append((f"{side} {seam}", change))
    return pattern, changes


@dataclass(frozen=True)
class Work:
    """Alterations carried out on a pattern: the base of their titles and limits, the steps, and what is to be warned of."""

    base: RuleBase
    before: Pattern
    steps: tuple[Step, ...]
    day: str
    warnings: tuple[str, ...]

    def title(self, name: str) -> str:
        return title_of(self.base, name)

    def recorded(self, pattern: Pattern) -> Pattern:
        """A pattern after all steps, with what was done written down in it."""
        done = [Carried(step.alteration, step.amount, self.title(step.alteration), self.day) for step in self.steps]
        return dataclasses.replace(pattern, carried=(*pattern.carried, *done))


def title_of(base: RuleBase, name: str) -> str:
    """The title of an alteration, or its id where the rules have none."""
    return base.alterations[name].title if name in base.alterations else name


def amounts_of(base: RuleBase, texts: Sequence[str], units: Units) -> dict[str, float]:
    """`alteration=amount` texts by id, in mm; a title counts as its id. Raises ProblemsFoundError."""
    ids = {rule.title.lower(): rule.id for rule in base.alterations.values()}
    plain = []
    for text in texts:
        name, sign, amount = text.rpartition("=")
        known = ids.get(" ".join((name if sign else text).lower().split()))
        plain.append(text if known is None else f"{known}={amount}" if sign else known)
    return lengths(plain, units, NAMES, listed_by=ALL_ALTERATIONS, near=lambda word: near_alterations(base, word))


def near_alterations(base: RuleBase, word: str) -> tuple[str, ...]:
    """Alterations a word may mean, by their words and titles."""
    from fitdiag.interview.search import find_alterations

    return find_alterations(base, word.replace("-", " "), 3)


def warned(base: RuleBase, pattern: Pattern, amounts: Mapping[str, float], units: Units) -> tuple[str, ...]:
    """Where an amount is above what one round, or all rounds together, should take. Refuses what is absurd."""
    found = []
    for name, amount in amounts.items():
        rule = base.alterations.get(name)
        if rule is None:
            continue
        most, by = rule.most_a_round.amount_mm, format_length(amount, units)
        if amount == 0:
            raise stop("amount", f"{rule.title}: {by} changes nothing", hint="give an amount above 0, or leave it out")
        limit = f"one round takes at most {format_length(most, units)}"
        if rule.most_in_all is not None:
            limit += f", all rounds together {format_length(rule.most_in_all.amount_mm, units)}"
        if amount > FAR * most:
            raise stop("amount", f"{rule.title}: {by} is far too much, {limit}", hint="check the amount and its unit")
        earlier = sum(item.amount for item in pattern.carried if item.alteration == name)
        whole = earlier + amount
        if amount > most + SAME_MM:
            found.append(f"{rule.title}: {by} is above the limit, {limit}. You decide; try it on before you cut.")
        elif earlier and rule.most_in_all is not None and whole > rule.most_in_all.amount_mm + SAME_MM:
            found.append(
                f"{rule.title}: with the earlier {format_length(earlier, units)} on this pattern it makes"
                f" {format_length(whole, units)} in all; {limit}. You decide; try it on before you cut."
            )
    return tuple(found)


def carried_out(
    pattern: Pattern, do: Sequence[str], units: Units, rules: str | None, day: str | None, client: str | None
) -> Work:
    """The steps of `alteration=amount` texts, one on the other, held to the limits of the rules."""
    base = load_rules(folder_of(rules))
    amounts = amounts_of(base, do, units)
    if day is not None and not valid_day(day):
        raise stop("day", f"'{one_line(day, 20)}' is not a day", hint="write it like 2026-11-25")
    if client is not None:
        pattern = dataclasses.replace(pattern, client=one_line(client, LONGEST_CLIENT))
    before, warnings = pattern, warned(base, pattern, amounts, units)
    steps: list[Step] = []
    for name, amount in amounts.items():
        by = f"{title_of(base, name)} by {format_length(amount, units)}"
        try:
            step = carry_out(pattern, name, amount)
        except ProblemsFoundError as stopped:
            problem = stopped.problems[0]
            raise stop(problem.code, f"{by}: {problem.message}", hint=problem.hint) from None
        pattern = step.pattern
        problems = [*faults(pattern.front), *faults(pattern.back)]
        if problems:
            raise stop("broken", f"{by}: {problems[0].message}", hint="take a smaller amount")
        steps.append(step)
    return Work(base, before, tuple(steps), day or date.today().isoformat(), warnings)


def alter(
    path: str,
    do: list[str],
    out: str | None,
    units: str | None,
    *,
    true: bool,
    as_json: bool,
    replace: bool,
    rules: str | None = None,
    client: str | None = None,
    day: str | None = None,
) -> int:
    chosen = guess_units(units, do)
    pattern = read_pattern(path)
    if not do:
        raise stop("argument", "no alteration was named", hint="add --do 'tuck-across-back-hip=3/4 in'")
    work = carried_out(pattern, do, chosen, rules, day, client)
    stages = [("as it is", pattern), *((step.alteration, step.pattern) for step in work.steps)]
    changes: list[tuple[str, float]] = []
    if true:
        result, changes = trued(work.steps)
        stages.append(("truing", result))
    result = work.recorded(stages[-1][1])
    if out:
        write_pattern(result, out, replace=replace)
    trued_mm = {"trued_mm": {seam: round(change, 3) + 0.0 for seam, change in changes}} if true else {}
    extra = {**trued_mm, **({"warnings": list(work.warnings)} if work.warnings else {})}
    say_stages(stages, chosen, as_json=as_json, extra=extra, base=work.base)
    if not as_json:
        for seam, change in changes:
            side, _, name = seam.partition(" ")
            word = {"side": "side seam", "curve": "crotch curve", "centre": f"centre {side}"}.get(name, name)
            say(f"Trued {word if side in word else f'{side} {word}'}: {told_change(change, chosen)}")
        for text in work.warnings:
            say(text)
    return 0


def told_change(change: float, units: Units) -> str:
    """`its length grows by 1/8 in`; what a tape does not show is no change."""
    by = format_reading(abs(change), units)
    if by in ("0 in", "0 cm"):
        return "its length stays"
    return f"its length {'grows' if change > 0 else 'shrinks'} by {by}"


def say_stages(
    stages: Sequence[tuple[str, Pattern]],
    units: Units,
    *,
    as_json: bool,
    extra: dict[str, Any] | None = None,
    base: RuleBase | None = None,
) -> None:
    """The before/after table of the measures that move; what is said of a change agrees with the two values beside it."""
    measured = [(name, pattern_measures(pattern)) for name, pattern in stages]
    if as_json:
        write(
            json.dumps(
                {"stages": [{"after": name, "measures_mm": values} for name, values in measured], **(extra or {})},
                indent=2,
            )
        )
        return
    first = measured[0][1]
    moving = [
        name
        for name in first
        if any(
            abs(values.get(name, first[name]) - first[name]) >= 0.5
            and read_off(values.get(name, first[name]), units) != read_off(first[name], units)
            for _, values in measured[1:]
        )
    ]
    for name in moving:
        start = read_off(first[name], units)
        say(f"{name}: {format_reading(start, units)} as it is")
        for stage, values in measured[1:]:
            if name not in values:
                continue
            now = read_off(values[name], units)
            change = now - start
            by = f"{'+' if change > 0 else '-'}{format_reading(abs(change), units)}"
            title = title_of(base, stage) if base else stage
            say(f"  after {lower_first(title)}: {format_reading(now, units)} ({by if change else 'as before'})")
    if not moving:
        say("No measure moves by as much as a tape shows.")


def solve(
    path: str,
    do: list[str],
    until: list[str],
    units: str | None,
    rules: str | None,
    out: str | None,
    *,
    as_json: bool,
    replace: bool,
    day: str | None = None,
) -> int:
    from fitdiag.pattern.solve import Wanted, alone, parse_target, solve_plan, without_each

    chosen = guess_units(units, (*do, *until))
    base = load_rules(folder_of(rules))
    pattern = read_pattern(path)
    known = list(pattern_measures(pattern))
    targets = [parse_target(text, chosen, known) for text in until]
    if not do or not targets:
        raise stop(
            "argument",
            "what may be altered, or until when, is missing",
            hint="--do overlap-back-wedge --until 'back grain to centre at waist >= 3 in'",
        )
    wanted: list[Wanted] = []
    fixed = amounts_of(base, [text for text in do if "=" in text], chosen)
    warnings = warned(base, pattern, fixed, chosen)
    for text in do:
        name = text.rpartition("=")[0] if "=" in text else text
        ((name, _),) = amounts_of(base, [f"{name}=1 mm"], chosen).items()  # the id that is meant, or one clear message
        if any(item.alteration == name for item in wanted):
            raise stop("argument", f"'{name}' is named twice", hint="name it once")
        most = base.alterations[name].most_a_round.amount_mm if name in base.alterations else 25.0
        wanted.append(Wanted(name, fixed[name], fixed[name]) if name in fixed else Wanted(name, 0.0, most))
    found = solve_plan(pattern, wanted, targets)
    left_out = without_each(pattern, found, targets)
    by_itself = alone(pattern, wanted, targets)
    if out:
        done = [(name, amount) for name, amount in found.amounts.items() if amount >= 0.5]
        today = date.today().isoformat()
        carried = tuple(Carried(name, amount, title_of(base, name), day or today) for name, amount in done)
        result = dataclasses.replace(found.result, carried=(*pattern.carried, *carried))
        write_pattern(result, out, replace=replace)
    extra = {
        "amounts_mm": dict(found.amounts),
        "unmet": [{"measure": target.measure, "missing_mm": gap} for target, gap in found.unmet],
        "without": left_out,
        "alone_mm": by_itself,
        **({"warnings": list(warnings)} if warnings else {}),
    }
    if as_json:
        say_stages(found.stages, chosen, as_json=True, extra=extra)
        return 0
    say("The least change that meets the targets, each alteration within its limit:")
    for item in wanted:
        amount = found.amounts[item.alteration]
        limit = ", as given" if item.least == item.most else f", at most {format_length(item.most, chosen)}"
        title = title_of(base, item.alteration)
        say(f"  {title}: {format_length(amount, chosen) if amount >= 0.5 else 'not needed'}{limit}")
    for target, gap in found.unmet:
        say(
            f"  Not reached: {target.told(chosen)}; {format_length(gap, chosen)} is missing."
            " It cannot be reached without another alteration or a larger limit."
        )
    say()
    say_stages(found.stages, chosen, as_json=False, base=base)
    say()
    for name, amount in by_itself.items():
        say(
            f"By itself '{title_of(base, name)}' would take {format_length(amount, chosen)};"
            f" in the plan {format_length(found.amounts[name], chosen)}."
        )
    for name, values in left_out.items():
        left = "; ".join(f"{measure} {format_reading(value, chosen)}" for measure, value in values.items())
        say(f"Without '{title_of(base, name)}': {left}")
    for text in warnings:
        say(text)
    return 0


def draw(
    path: str,
    do: list[str],
    to: str,
    units: str | None,
    *,
    strip: bool,
    sheets: str | None,
    replace: bool,
    rules: str | None = None,
    client: str | None = None,
    day: str | None = None,
) -> int:
    """Write a drawing of every alteration named, in order (.svg or .pdf), or with `sheets` the pieces at full scale (.pdf)."""
    from fitdiag.pattern.ink import svg
    from fitdiag.pattern.sheets import pdf_drawing, pdf_sheets

    chosen = guess_units(units, do)
    pattern = read_pattern(path)
    work = carried_out(pattern, do, chosen, rules, day, client)
    target = Path(to)
    paper = paper_of(sheets, chosen)
    if target.suffix.lower() not in ((".pdf",) if sheets else (".svg", ".pdf")):
        hint = "full-scale sheets are written as .pdf" if sheets else "end the name in .svg or .pdf"
        raise stop(
            "format",
            f"'{one_line(target.suffix, 20)}' is not a format to draw in",
            where=Where(one_line(to)),
            hint=hint,
        )
    content: str | bytes
    if sheets:
        last = work.steps[-1].pattern if work.steps else work.before
        content = pdf_sheets(work.recorded(last), paper, units=chosen, day=work.day)
    elif not work.steps:
        raise stop(
            "argument",
            "no alteration was named",
            hint="add --do 'tuck-across-back-hip=3/4 in', or --sheets a4 for the pieces",
        )
    else:
        pictures, title = pictures_of(work, chosen, strip=strip)
        if target.suffix.lower() == ".svg":
            from fitdiag.pattern.draw import together

            content = svg(pictures[0] if len(pictures) == 1 else together(pictures, title))
        else:
            content = pdf_drawing(stacked(pictures) if strip else pictures, title=title)
    write_atomically(target, content, replace=replace)
    say(f"Written: {one_line(to)}")
    for text in work.warnings:
        say(text)
    return 0


def pictures_of(work: Work, units: Units, *, strip: bool) -> tuple[list[Drawing], str]:
    """A drawing for each step, and the title of them all: every alteration with its amount, in order."""
    from fitdiag.pattern.draw import drawing
    from fitdiag.pattern.draw import strip as strip_of

    result = work.recorded(work.before)
    new = result.carried[len(work.before.carried) :]
    names = [told(item, units) for item in new]
    title = "; then ".join([names[0], *(lower_first(name) for name in names[1:])])
    pictures, before = [], work.before
    for number, (step, name) in enumerate(zip(work.steps, names, strict=True), 1):
        notes = [line for line in (whose(result, work.day),) if line]
        if work.before.carried:
            notes.append(f"Altered before: {'; '.join(told(item, units) for item in work.before.carried)}.")
        if len(names) > 1:
            notes.append(f"Step {number} of {len(names)}: {title}.")
        pictures.append((strip_of if strip else drawing)(before, step, units, name, notes))
        before = step.pattern
    return pictures, title


def stacked(pictures: Sequence[Drawing]) -> list[Drawing]:
    """Drawings put together, as many below one another as a page holds."""
    from fitdiag.pattern.draw import APART_MM, PAGE, together

    pages: list[list[Drawing]] = []
    for one in pictures:
        high = sum(other.height + APART_MM for other in pages[-1]) if pages else math.inf
        if high + one.height <= PAGE[3]:
            pages[-1].append(one)
        else:
            pages.append([one])
    return [page[0] if len(page) == 1 else together(page, page[0].title) for page in pages]
