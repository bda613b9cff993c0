"""The `fitdiag pattern …` commands."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from fitdiag.cli.arguments import folder_of, guess_units, lengths
from fitdiag.cli.output import say, write
from fitdiag.files import read_bytes, write_atomically
from fitdiag.knowledge.load import load_rules
from fitdiag.knowledge.strict_yaml import read_text, read_yaml
from fitdiag.pattern.alter import true_seam
from fitdiag.pattern.files import pattern_from_data, pattern_from_svg, pattern_to_svg, pattern_to_text
from fitdiag.pattern.measure import angle_measures, pattern_measures
from fitdiag.pattern.moves import NAMES, Step, carry_out
from fitdiag.pattern.piece import Pattern, faults
from fitdiag.problems import Where, one_line, stop
from fitdiag.units import Units, format_length, format_reading

LARGEST = 4 * 1024 * 1024


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
            data = json.loads(content)
        except (ValueError, RecursionError):
            raise stop(
                "not-json", "this is not JSON", where=Where(one_line(path)), hint="is it the right file?"
            ) from None
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
        say(f"  {name}: {format_reading(value, units)} ({value:.1f} mm)")
    for name, value in angles.items():
        say(f"  {name}: {value:.1f} degrees")


def draft(given: dict[str, str], out: str | None, units: str | None, *, as_json: bool, replace: bool) -> int:
    from fitdiag.pattern.draft import SOURCE, Measures
    from fitdiag.pattern.draft import draft as drafted

    chosen = guess_units(units, given.values())
    texts = [f"{name}={value}" for name, value in given.items()]
    pattern = drafted(Measures(**lengths(texts, chosen)))
    if out:
        write_pattern(pattern, out, replace=replace)
    show(pattern_measures(pattern), pattern, chosen, as_json=as_json)
    if not as_json:
        say(f"By the rules of the {SOURCE}.")
    return 0


def fit(given: list[str], out: str | None, units: str | None, *, as_json: bool, replace: bool) -> int:
    from fitdiag.pattern.fit import fit as fitted

    chosen = guess_units(units, given)
    found = fitted(lengths(given, chosen))
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
        say(f"  {name}: measured {format_reading(wanted, chosen)}, estimate {got - wanted:+.1f} mm from it")
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


def carried_out(pattern: Pattern, do: Sequence[str], units: Units) -> list[Step]:
    """The steps of `alteration=amount` texts, one on the other."""
    steps: list[Step] = []
    for name, amount in lengths(do, units, NAMES).items():
        step = carry_out(pattern, name, amount)
        pattern = step.pattern
        problems = [*faults(pattern.front), *faults(pattern.back)]
        if problems:
            raise stop(
                "broken",
                f"{name} by {format_length(amount, units)}: {problems[0].message}",
                hint="take a smaller amount",
            )
        steps.append(step)
    return steps


def alter(
    path: str, do: list[str], out: str | None, units: str | None, *, true: bool, as_json: bool, replace: bool
) -> int:
    chosen = guess_units(units, do)
    pattern = read_pattern(path)
    steps = carried_out(pattern, do, chosen)
    if not steps:
        raise stop("argument", "no alteration was named", hint="add --do 'tuck-across-back-hip=3/4 in'")
    stages = [("as it is", pattern), *((step.alteration, step.pattern) for step in steps)]
    changes: list[tuple[str, float]] = []
    if true:
        result, changes = trued(steps)
        stages.append(("truing", result))
    if out:
        write_pattern(stages[-1][1], out, replace=replace)
    say_stages(stages, chosen, as_json=as_json, extra={"trued_mm": dict(changes)} if true else None)
    if not as_json:
        for seam, change in changes:
            say(f"trued {seam}: its length changes by {change:+.1f} mm")
    return 0


def say_stages(
    stages: Sequence[tuple[str, Pattern]], units: Units, *, as_json: bool, extra: dict[str, Any] | None = None
) -> None:
    """The before/after table of the measures that move."""
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
        if any(abs(values.get(name, first[name]) - first[name]) >= 0.5 for _, values in measured[1:])
    ]
    for name in moving:
        say(f"{name}: {format_reading(first[name], units)} as it is")
        for stage, values in measured[1:]:
            change = values[name] - first[name]
            by = f"{'+' if change >= 0 else '-'}{format_reading(abs(change), units)}"
            say(f"  after {stage}: {format_reading(values[name], units)} ({by})")
    if not moving:
        say("No measure moves.")


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
    wanted = []
    for text in do:
        if "=" in text:
            ((name, amount),) = lengths([text], chosen, NAMES).items()
            wanted.append(Wanted(name, amount, amount))
        elif text in NAMES:
            most = base.alterations[text].most_a_round.amount_mm if text in base.alterations else 25.0
            wanted.append(Wanted(text, 0.0, most))
        else:
            raise stop(
                "argument", f"there is no alteration '{one_line(text, 60)}'", hint="fitdiag rules list alterations"
            )
    found = solve_plan(pattern, wanted, targets)
    left_out = without_each(pattern, found, targets)
    by_itself = alone(pattern, wanted, targets)
    if out:
        write_pattern(found.result, out, replace=replace)
    extra = {
        "amounts_mm": dict(found.amounts),
        "unmet": [{"measure": target.measure, "missing_mm": gap} for target, gap in found.unmet],
        "without": left_out,
        "alone_mm": by_itself,
    }
    if as_json:
        say_stages(found.stages, chosen, as_json=True, extra=extra)
        return 0
    say("The least change that meets the targets, each alteration within its limit:")
    for item in wanted:
        amount = found.amounts[item.alteration]
        fixed = ", as given" if item.least == item.most else f", at most {format_length(item.most, chosen)}"
        say(f"  {item.alteration}: {format_length(amount, chosen) if amount >= 0.5 else 'not needed'}{fixed}")
    for target, gap in found.unmet:
        say(
            f"  Not reached: {target.told(chosen)}; {format_length(gap, chosen)} is missing."
            " It cannot be reached without another alteration or a larger limit."
        )
    say()
    say_stages(found.stages, chosen, as_json=False)
    say()
    for name, amount in by_itself.items():
        say(
            f"By itself {name} would take {format_length(amount, chosen)}; in the plan {format_length(found.amounts[name], chosen)}."
        )
    for name, values in left_out.items():
        told = "; ".join(f"{measure} {format_reading(value, chosen)}" for measure, value in values.items())
        say(f"Without {name}: {told}")
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
) -> int:
    """Write a drawing of the last alteration named (.svg or .pdf), or with `sheets` the pieces at full scale (.pdf)."""
    from fitdiag.pattern.draw import drawing
    from fitdiag.pattern.draw import strip as strip_of
    from fitdiag.pattern.ink import svg
    from fitdiag.pattern.sheets import PAPERS, pdf_drawing, pdf_sheets

    chosen = guess_units(units, do)
    pattern = read_pattern(path)
    steps = carried_out(pattern, do, chosen)
    target = Path(to)
    if sheets is not None and sheets not in PAPERS:
        raise stop("paper", f"'{one_line(sheets, 20)}' is not a paper size here", hint=f"write {' or '.join(PAPERS)}")
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
        content = pdf_sheets(steps[-1].pattern if steps else pattern, sheets)  # type: ignore[arg-type]
    elif not steps:
        raise stop(
            "argument",
            "no alteration was named",
            hint="add --do 'tuck-across-back-hip=3/4 in', or --sheets a4 for the pieces",
        )
    else:
        before = steps[-2].pattern if len(steps) > 1 else pattern
        picture = strip_of(before, steps[-1], chosen) if strip else drawing(before, steps[-1], chosen)
        content = svg(picture) if target.suffix.lower() == ".svg" else pdf_drawing(picture)
    write_atomically(target, content, replace=replace)
    say(f"Written: {one_line(to)}")
    return 0
