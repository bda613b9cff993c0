"""The `fitdiag pattern …` commands."""

from __future__ import annotations

import dataclasses
import math
import re
from collections.abc import Sequence
from datetime import date
from functools import partial
from typing import TYPE_CHECKING, Any

from fitdiag.cli.altering import Work, asked_of, carried_out, finished, pattern_and_rules, trued_text, warned
from fitdiag.cli.arguments import (
    body_lengths,
    day_of,
    ending_of,
    guess_units,
    length_of,
    lengths,
    paper_of,
    signed_length,
)
from fitdiag.cli.output import save, say, say_all, say_written, write_data
from fitdiag.diagnosis.belief import lower_first
from fitdiag.knowledge.model import RuleBase
from fitdiag.pattern.assemble import Taken
from fitdiag.pattern.formats import Reading, read_pattern, write_pattern
from fitdiag.pattern.garment import garment_of, shipped_garment
from fitdiag.pattern.measure import after_darts, alike, angle_measures, called, pattern_measures
from fitdiag.pattern.outline import with_allowance
from fitdiag.pattern.piece import Carried, Pattern, faults
from fitdiag.pattern.record import describe_alteration, stamp, to_come, whose
from fitdiag.pattern.true import true
from fitdiag.pattern.waist import WORKS
from fitdiag.problems import one_line, stop
from fitdiag.units import Units, format_change, format_given, format_length, format_reading, parse_length, read_off

if TYPE_CHECKING:
    from fitdiag.pattern.ink import Drawing
    from fitdiag.pattern.solve import Solution, Wanted

_WORK = re.compile(r"(\S+) (\d{1,2}) ([a-z]+)(?:\s*=\s*(.+))?\Z")


def reading(
    line: str | None, allowance: str | None, dpi: float | None, units: str | None, garment: str | None = None
) -> Reading:
    """How to read a pattern file, from the command line options. Raises ProblemsFoundError."""
    if line not in (None, "cut", "stitch"):
        raise stop("line", f"'{one_line(line, 20)}' is not a line", hint="write --line cut or --line stitch")
    if allowance is not None and line != "cut":
        raise stop("line", "an allowance belongs to a line to cut along", hint="add --line cut")
    given = None if allowance is None else length_of(allowance, "allowance", guess_units(units, [allowance]))
    return Reading(line, given, dpi, shipped_garment(garment) if garment else None)  # type: ignore[arg-type]


def write_out(pattern: Pattern, out: str | None, *, replace: bool, quiet: bool = False) -> None:
    """Write a pattern to `out`, if given, and say so; not if `quiet`, as beside a JSON object nothing else is printed."""
    if out:
        write_pattern(pattern, out, replace=replace)
        if not quiet:
            say_written(out)


def show(
    measures: dict[str, float], pattern: Pattern, units: Units, *, as_json: bool, extra: dict[str, Any] | None = None
) -> None:
    """Print the measures of a pattern, as lines or as one JSON object (mm)."""
    angles = dict(angle_measures(pattern))
    if as_json:
        head = {"title": pattern.title, "grade": pattern.grade}
        write_data({**head, "measures_mm": measures, "angles_degrees": angles, **(extra or {})})
        return
    say(f"{pattern.title or 'Pattern'}{': ' + pattern.grade if pattern.grade else ''}")
    for name, value in measures.items():
        label, mm = called(pattern, name, value)
        say(f"  {label}: {format_reading(mm, units)}")
    for name, value in angles.items():
        say(f"  {name}: {value + 0.0:.1f} degrees".replace(" -0.0 ", " 0.0 "))
    if done := stamp(pattern, units):
        say(f"{done}.")


def draft(
    garment: str | None, out: str | None, units: str | None, *, as_json: bool, replace: bool, **said: str | None
) -> int:
    from fitdiag.pattern.blocks import block_of, draft_block, larger_above, out_of_proportion

    cut = shipped_garment(garment or "")
    block = block_of(cut)
    needed = [asked.name for asked in block.asked]
    given = {name: text for name, text in said.items() if text is not None}
    for name in (name for name in (*needed, *given) if (name in needed) != (name in given)):
        message = f"the block of the {cut.name} {'needs' if name in needed else 'is not drafted from'} the {name.replace('_', ' ')}"
        flags = [f"--{one.replace('_', '-')}" for one in needed]
        raise stop("argument", message, hint=f"it takes {', '.join(flags)}, each like {flags[0]} '60 cm'")
    chosen = guess_units(units, given.values())
    measures = lengths([f"{name}={value}" for name, value in given.items()], chosen)
    kinds = {parse_length(text, chosen).unit or chosen for text in given.values()}
    if len(kinds) > 1 and (exchanged := larger_above(measures)):
        message = " is larger than ".join(f"{name} {one_line(given[name], 20)}" for name in exchanged)
        raise stop("measure", f"{message}, and the measures are in two units", hint="check the unit of each")
    pattern = draft_block(cut, measures, chosen)
    taken, odd = pattern_measures(pattern), out_of_proportion(block, measures, chosen)
    ease = {one.name: taken[one.girth] - measures[one.name] for one in reversed(block.asked) if one.girth}
    write_out(pattern, out, replace=replace, quiet=as_json)
    extra = {"ease_mm": ease, **({"warnings": [odd]} if odd else {})}
    show(taken, pattern, chosen, as_json=as_json, extra=extra)
    if not as_json:
        eases = [f"{format_reading(mm, chosen)} at the {name}" for name, mm in ease.items()]
        say(f"The ease it holds: {', '.join(eases)}.")
        for name in block.tells:
            say(f"{name.capitalize()}: {format_reading(taken[name], chosen)}.")
        say(f"By the rules of the {block.source}.")
        if odd:
            say(odd)
    return 0


def fit(given: list[str], out: str | None, units: str | None, *, as_json: bool, replace: bool) -> int:
    from fitdiag.pattern.fit import fit as fitted

    chosen = guess_units(units, given)
    found = fitted(lengths(given, chosen), chosen)
    write_out(found.pattern, out, replace=replace, quiet=as_json)
    if as_json:
        reached = {name: {"wanted_mm": wanted, "reached_mm": got} for name, (wanted, got) in found.reached.items()}
        ask = [{"length": name, "off_then_mm": left} for name, left in found.ask]
        extra = {"lengths": reached, "residual_mm": found.residual, "off_mm": found.off, "ask": ask}
        show(pattern_measures(found.pattern), found.pattern, chosen, as_json=True, extra=extra)
        return 0
    say(found.pattern.grade[:1].upper() + found.pattern.grade[1:] + ".")
    for name, (wanted, got) in found.reached.items():
        say(f"  {name}: measured {format_reading(wanted, chosen)}, the estimate has {format_reading(got, chosen)}")
    say("These lengths would narrow it most, in this order:")
    for name, left in found.ask:
        say(f"  {name}: then it is off by about {format_reading(left, chosen)}")
    return 0


def measure(path: str, body: list[str], units: str | None, *, as_json: bool) -> int:
    pattern = read_pattern(path)
    chosen = guess_units(units, body, pattern.units)
    measures, wearer = pattern_measures(pattern), body_lengths(body, chosen)
    given = [
        (rule, mm)
        for rule in pattern.garment.rule.proportions
        if rule.measure in measures and (mm := rule.gives(wearer)) is not None
    ]
    drafts = [{"measure": rule.measure, "draft": rule.draft, "mm": mm} for rule, mm in given]
    show(measures, pattern, chosen, as_json=as_json, extra={"drafts": drafts} if drafts else None)
    for rule, mm in given if not as_json else ():
        name, drafted = called(pattern, rule.measure, mm)
        has = measures[rule.measure] * (1 if name == rule.measure else -1)
        by = f"{format_reading(drafted, chosen)} by {rule.draft}"
        say(f"{name.capitalize()}: {by}, {format_reading(has, chosen)} on this pattern.")
    return 0


def read(
    path: str, out: str, line: str | None, allowance: str | None, dpi: float | None, units: str | None,
    garment: str | None, *, replace: bool,
) -> int:  # fmt: skip

    taken = Taken()
    pattern = read_pattern(path, reading(line, allowance, dpi, units, garment), taken)
    chosen = guess_units(units, (), pattern.units)
    write_out(pattern, out, replace=replace)
    say_all(taken.messages())
    say_all(to_come(pattern, date.today()))
    measures = pattern_measures(pattern)
    for name in measures:
        if name.endswith((" girth", " outseam")):
            say(f"  {name}: {format_reading(measures[name], chosen)}")
    for piece, side in pattern.cut():
        if piece.note:
            say(f"{piece.name.capitalize()}{'' if side == 'both' else f', {side}'}: {piece.note}")
    return 0


def walk(path: str, units: str | None, to: str | None, *, as_json: bool, as_cut: bool, replace: bool) -> int:
    from fitdiag.pattern.walk import corner_sentence, pair_sentences, untouched, walked

    kind = ending_of(to, ".svg", ".pdf") if to else ""
    pattern = read_pattern(path)
    chosen = guess_units(units, (), pattern.units)
    if not as_cut:
        pattern, _ = true(pattern)
    found = walked(pattern)
    if to:
        from fitdiag.pattern.ink import svg
        from fitdiag.pattern.pdf import pdf_drawing
        from fitdiag.pattern.walk import drawing

        picture = drawing(pattern, found, chosen)
        content = svg(picture) if kind == ".svg" else pdf_drawing(picture)
        save(to, content, replace=replace, quiet=as_json)
    if as_json:
        write_data(found.as_data())
        return 0
    say_all(line for pair in found.pairs for line in pair_sentences(pair, chosen))
    say_all(corner_sentence(corner, drafted=untouched(pattern)) for corner in found.corners)
    return 0


def alter(
    path: str, do: list[str], out: str | None, units: str | None, *, as_cut: bool, as_json: bool, replace: bool,
    rules: str | None, client: str | None, day: str | None, allowance: list[str],
) -> int:  # fmt: skip
    pattern, base = pattern_and_rules(path, rules)
    chosen = guess_units(units, do, pattern.units)
    if not do:
        raise stop("argument", "no alteration was named", hint="add --do 'ALTERATION=3/4 in'")
    work = carried_out(base, pattern, do, chosen, day, client)
    stages = [("as it is", pattern), *((step.alteration, step.pattern) for step in work.steps)]
    result, trued = finished(work, as_cut=as_cut)
    if trued:
        stages.append(("trueing", result))
    result = allowed(work.recorded(result), allowance, chosen)
    write_out(result, out, replace=replace, quiet=as_json)
    trued_mm = {"trued_mm": {f"{one.piece} {one.seam}": round(one.change, 3) + 0.0 for one in trued}} if trued else {}
    extra = {**trued_mm, **({"warnings": list(work.warnings)} if work.warnings else {})}
    say_stages(base, stages, chosen, as_json=as_json, extra=extra)
    if not as_json:
        from fitdiag.pattern.walk import differing, walked

        say_all(trued_text(one, chosen) for one in trued)
        say_all(differing(walked(work.before), walked(result), chosen))
        say_all(work.warnings)
    return 0


def allowed(pattern: Pattern, texts: list[str], units: Units) -> Pattern:
    """The pattern with the given seam allowances: `15mm` all round, or `hem=4cm`, `back side=2cm`."""
    if not texts:
        return pattern
    given = lengths([text if "=" in text else f"all={text}" for text in texts], units)
    return with_allowance(pattern, given, units)


def say_stages(
    base: RuleBase, stages: Sequence[tuple[str, Pattern]], units: Units, *, as_json: bool, extra: dict[str, Any]
) -> None:
    """Print a before/after table of the measures that move; each change agrees with the rounded values beside it."""
    measured = [(name, pattern_measures(pattern)) for name, pattern in stages]
    if as_json:
        rows = [{"after": name, "measures_mm": values} for name, values in measured]
        write_data({"stages": rows, **extra})
        return
    measured = list(zip([name for name, _ in stages], alike([values for _, values in measured]), strict=True))
    first = measured[0][1]

    def moves(name: str, mm: float) -> bool:
        now = [values.get(name, mm) for _, values in measured[1:]]
        return any(abs(one - mm) >= 0.5 and read_off(one, units) != read_off(mm, units) for one in now)

    moving = {name.partition(", ")[0] for name, mm in first.items() if moves(name, mm)}
    for name, mm in first.items():
        if name.partition(", ")[0] not in moving:
            continue
        label, start = called(stages[0][1], name, read_off(mm, units))
        if not moves(name, mm):  # on the other side it does
            say(f"{label}: stays {format_reading(start, units)}")
            continue
        say(f"{label}: {format_reading(start, units)} as it is")
        now = start
        for stage, values in measured[1:]:
            if name not in values:
                continue
            before, now = now, read_off(values[name], units) * (1 if label == name else -1)
            if stage == "trueing" and now == before:
                continue
            by = format_change(start, now, units) or "as before"
            say(f"  after {lower_first(base.title(stage))}: {format_reading(now, units)} ({by})")
    if not moving:
        say("No measure moves by as much as a tape shows.")


def solve(
    path: str, do: list[str], until: list[str], units: str | None, rules: str | None, out: str | None, *, as_json: bool,
    replace: bool, day: str | None,
) -> int:  # fmt: skip
    from fitdiag.pattern.solve import alone, conflicts, parse_target, refuse_contradictions, solve_plan, without_each

    pattern, base = pattern_and_rules(path, rules)
    chosen = guess_units(units, (*do, *until), pattern.units)
    known = list(pattern_measures(pattern))
    targets = [parse_target(text, chosen, known) for text in until]
    refuse_contradictions(targets, chosen)
    if not do or not targets:
        message, hint = "what may be altered, or until when, is missing", "--do ALTERATION --until 'MEASURE >= 3 in'"
        raise stop("argument", message, hint=hint)
    pattern = dataclasses.replace(pattern, garment=garment_of(base))
    given = asked_of(base, [text for text in do if "=" in text], chosen)
    warnings = warned(base, pattern, given, chosen)
    wanted = _wanted(base, do, {one.name: one.amount for one in given}, chosen)
    found = solve_plan(pattern, wanted, targets)
    left_out, by_itself = without_each(pattern, found, targets), alone(pattern, wanted, targets)
    today = (day_of(day) if day else date.today()).isoformat()
    done = [(name, amount) for name, amount in found.amounts.items() if abs(amount) >= 0.5]
    carried = tuple(Carried(name, amount, base.alterations[name].title, today) for name, amount in done)
    result, trued = found.finished
    write_out(dataclasses.replace(result, carried=(*pattern.carried, *carried)), out, replace=replace, quiet=as_json)
    stages = [*found.stages, *([("trueing", result)] if trued else [])]
    unmet = [{"measure": target.measure, "missing_mm": gap} for target, gap in found.unmet]
    extra = {"amounts_mm": dict(found.amounts), "unmet": unmet, "without": left_out, "alone_mm": by_itself}
    extra |= {"warnings": list(warnings)} if warnings else {}
    if as_json:
        say_stages(base, stages, chosen, as_json=True, extra=extra)
        return 0
    _say_least(base, wanted, found, chosen)
    for one, other in conflicts(pattern, wanted, targets) if found.unmet and len(targets) > 1 else ():
        say(f"  These two cannot both be met: {one.text(chosen)}; and {other.text(chosen)}. Each alone can.")
    say()
    say_stages(base, stages, chosen, as_json=False, extra=extra)
    say()
    for name, amount in by_itself.items():
        alone_, planned = format_given(amount, chosen), format_given(found.amounts[name], chosen)
        say(f"By itself '{base.alterations[name].title}' would take {alone_}; in the plan {planned}.")
    for name, values in left_out.items():
        left = "; ".join(f"{measure} {format_reading(value, chosen)}" for measure, value in values.items())
        say(f"Without '{base.alterations[name].title}': {left}")
    say_all(warnings)
    return 0


def _wanted(base: RuleBase, do: Sequence[str], fixed: dict[str, float], units: Units) -> list[Wanted]:
    """The alterations to solve for, each from none to its limit for one round, or fixed at a given amount."""
    from fitdiag.pattern.solve import Wanted

    wanted: dict[str, Wanted] = {}
    for text in do:
        name = text.rpartition("=")[0] if "=" in text else text
        (one,) = asked_of(base, [f"{name}=1 mm"], units)  # the id that is meant, or one clear message
        if one.name in wanted:
            raise stop("argument", f"'{one.name}' is named twice", hint="name it once")
        rule = base.alterations[one.name]
        most = rule.most_a_round.amount_mm
        least = -most if rule.operation.both_ways else 0.0
        wanted[one.name] = Wanted(one.name, fixed.get(one.name, least), fixed.get(one.name, most))
    return list(wanted.values())


def _say_least(base: RuleBase, wanted: Sequence[Wanted], found: Solution, units: Units) -> None:
    say("The least change that meets the targets, each alteration within its limit:")
    for item in wanted:
        amount = found.amounts[item.alteration]
        limit = ", as given" if item.least == item.most else f", at most {format_length(item.most, units)}"
        title = base.alterations[item.alteration].title
        say(f"  {title}: {format_given(amount, units) if abs(amount) >= 0.5 else 'not needed'}{limit}")
    for target, gap in found.unmet:
        missing = f"{target.text(units)}; {format_reading(gap, units)} is missing."
        say(f"  Not reached: {missing} It cannot be reached without another alteration or a larger limit.")


def draw(
    path: str, do: list[str], to: str, units: str | None, *, strip: bool, sheets: str | None, replace: bool,
    as_cut: bool, allowance: list[str], band: list[str], rules: str | None, client: str | None, day: str | None,
) -> int:  # fmt: skip
    """Write a drawing of every alteration named, in order (.svg or .pdf), or with `sheets` the pieces at full scale (.pdf)."""
    from fitdiag.pattern.ink import svg, together
    from fitdiag.pattern.pdf import pdf_drawing
    from fitdiag.pattern.sheets import pdf_sheets
    from fitdiag.pattern.waist import bands

    pattern, base = pattern_and_rules(path, rules)
    chosen = guess_units(units, do, pattern.units)
    work = carried_out(base, pattern, do, chosen, day, client)
    paper, kind = paper_of(sheets, chosen), ending_of(to, *(() if sheets else (".svg",)), ".pdf")
    content: str | bytes
    if sheets:
        last, _ = finished(work, as_cut=as_cut)
        ready = allowed(work.recorded(last), allowance, chosen)
        more = [piece for kind, width in lengths(band, chosen).items() for piece in bands(ready, kind, width, chosen)]
        content = pdf_sheets(ready, paper, units=chosen, day=work.day, more=more)
    elif not work.steps:
        message = "no alteration was named"
        raise stop("argument", message, hint="add --do 'ALTERATION=3/4 in', or --sheets a4 for the pieces")
    else:
        pictures, title = pictures_of(work, chosen, strip=strip, as_cut=as_cut)
        if kind == ".svg":
            content = svg(pictures[0] if len(pictures) == 1 else together(pictures, title))
        else:
            content = pdf_drawing(stacked(pictures) if strip else pictures, title=title)
    save(to, content, replace=replace)
    say_all(work.warnings)
    return 0


def pictures_of(work: Work, units: Units, *, strip: bool, as_cut: bool) -> tuple[list[Drawing], str]:
    """A drawing for each step, and a title with every alteration and its amount, in order."""
    from fitdiag.pattern.draw import drawing
    from fitdiag.pattern.draw import strip as strip_of

    result = work.recorded(work.before)
    new = result.carried[len(work.before.carried) :]
    names = [describe_alteration(item, units) for item in new]
    title = "; then ".join([names[0], *(lower_first(name) for name in names[1:])])
    pictures, before = [], work.before
    for number, (step, name) in enumerate(zip(work.steps, names, strict=True), 1):
        notes = [line for line in (whose(result, work.day),) if line]
        if work.before.carried:
            notes.append(
                f"Altered before: {'; '.join(describe_alteration(item, units) for item in work.before.carried)}."
            )
        if len(names) > 1:
            notes.append(f"Step {number} of {len(names)}: {title}.")
        pictures.append((strip_of if strip else partial(drawing, as_cut=as_cut))(before, step, units, name, notes))
        before = step.pattern
    return pictures, title


def stacked(pictures: Sequence[Drawing]) -> list[Drawing]:
    """Stack drawings, as many below one another as a page holds."""
    from fitdiag.pattern.draw import PAGE
    from fitdiag.pattern.ink import APART_MM, together

    pages: list[list[Drawing]] = []
    for one in pictures:
        high = sum(other.height + APART_MM for other in pages[-1]) if pages else math.inf
        if high + one.height <= PAGE[3]:
            pages[-1].append(one)
        else:
            pages.append([one])
    return [page[0] if len(page) == 1 else together(page, page[0].title) for page in pages]


# -- single darts --------------------------------------------------------------------------------------------------------


def darts(path: str, do: list[str], out: str | None, units: str | None, *, replace: bool) -> int:
    """Carry out each dart operation in order, and print the darts and their edge before and after."""
    before = pattern = read_pattern(path)
    chosen = guess_units(units, [text.partition("=")[2] for text in do if "=" in text], pattern.units)
    for text in do:
        pattern = _worked(pattern, text, chosen)
    for name, piece in pattern.pieces.items():
        old = before.pieces[name]
        if piece is not old:
            had, has = ("; ".join(format_reading(d.width, chosen) for d in one.darts) or "none" for one in (old, piece))
            was, now = (format_reading(after_darts(one, one.part.top), chosen) for one in (old, piece))
            edge = f"{piece.part.word(piece.part.top)} after darts {was} before, {now} now"
            say(f"{name.capitalize()}: darts {had} before, {has} now; {edge}.")
            if piece.note and piece.note != old.note:
                say(f"{name.capitalize()}: {piece.note}")
    write_out(pattern, out, replace=replace)
    return 0


def _worked(pattern: Pattern, text: str, units: Units) -> Pattern:
    match = _WORK.match(" ".join(text.split()))
    if match is None or match[3] not in WORKS or match[1] not in pattern.pieces:
        pieces, works = " or ".join(pattern.pieces), ", ".join(WORKS)
        message = f"'{one_line(text, 60)}' is not something to do to a dart"
        hint = f"name the piece ({pieces}), the dart, and one of {works}, like 'back 1 move=2 cm'"
        raise stop("dart", message, hint=hint)
    amount = signed_length(match[4], one_line(text, 60), units) if match[4] else None
    worked = {}
    for side, pieces_of in (("", pattern.pieces), ("left", pattern.left)):
        if match[1] in pieces_of:
            worked[side] = WORKS[match[3]](pieces_of[match[1]], int(match[2]), amount)
            if problems := faults(worked[side]):
                raise stop("broken", f"{one_line(text, 60)}: {problems[0].message}", hint="take a smaller amount")
    more = {**pattern.left, match[1]: worked["left"]} if "left" in worked else pattern.left
    return dataclasses.replace(pattern, pieces={**pattern.pieces, match[1]: worked[""]}, left=more)
