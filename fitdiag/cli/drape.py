"""`fitdiag drape`: a pattern before and after alterations, as simulated cloth on a body of the client's measures."""

from __future__ import annotations

import dataclasses
import sys
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path, PurePath
from typing import Any

from fitdiag.cli.altering import carried_out, pattern_and_rules
from fitdiag.cli.arguments import body_notes, ending_of, guess_units, lengths, rules_of, signed_length
from fitdiag.cli.output import say, say_all, say_written, write_data
from fitdiag.cli.photo import read_marked
from fitdiag.diagnosis.belief import chance_words, lower_first
from fitdiag.drape.figure import MEASURES
from fitdiag.drape.muslin import Draped, drape, order_of, pictures
from fitdiag.drape.picture import SCALE, courses
from fitdiag.drape.readings import READINGS
from fitdiag.files import refuse_taken, write_atomically
from fitdiag.knowledge.model import RuleBase
from fitdiag.pattern.formats import read_pattern
from fitdiag.pattern.piece import Pattern
from fitdiag.photos.measure import measure_all
from fitdiag.photos.overlay import laid_over
from fitdiag.planning.explain import Drawn, nearness, nearness_lines
from fitdiag.planning.muslins import (
    Wearer,
    body_lines,
    changes,
    cloth_of,
    error_text,
    reading_text,
    simulate,
    wearer_of,
)
from fitdiag.planning.stages import HONEST, Simulation
from fitdiag.problems import ProblemsFoundError, one_line, stop
from fitdiag.reports.muslin_sheet import png_of
from fitdiag.sessions.state import Conclusion
from fitdiag.units import Units, format_length, format_reading

SCHEMA = "fitdiag.drape/1"
PAGE_SCALE = 0.5  # of the pictures on a page beside the list
VIEWS = ("back", "side", "front")
PAGE_VIEWS = ("back", "side")
SIMULATED = ".simulated.png"
PRINT_SCALE = SCALE  # pixels per mm of the pictures written


def drape_muslin(
    path: str, do: Sequence[str], measures: Sequence[str], notes: Sequence[str], *, explain: str | None, cloth: str,
    drop: str | None, hung: bool, quick: bool, to: str | None, photo: str | None, units: str | None, rules: str | None,
    as_json: bool, replace: bool,
) -> int:  # fmt: skip
    """Drape a pattern, or with `explain` the likely causes of findings; refuses first what cannot be written."""
    kind = ending_of(to, ".png", ".pdf", ".html") if to is not None else ""
    if to is not None:  # fail before minutes of work
        refuse_taken(Path(to), replace=replace)
    if photo is not None:
        if kind != ".png":
            raise stop("argument", "lines over a picture are written as a picture", hint="add --to over.png")
        read_marked(Path(photo))
    sheet = Sheet(to, photo, replace) if to is not None else None
    if explain is not None:
        return explain_muslin(path, explain, measures, sheet, cloth=cloth, units=units, rules=rules, as_json=as_json)
    chosen = guess_units(units, [*do, *measures, *notes])
    pattern, base = pattern_and_rules(path, rules)
    work = carried_out(base, pattern, do, chosen)
    wearer = wearer_of(base, lengths(measures, chosen, MEASURES), body_notes(notes, base), chosen)
    down = signed_length(drop, "drop", chosen) if drop else 0.0
    patterns = [pattern, *([work.cut] if work.steps else [])]
    fabric = cloth_of(base, cloth)
    orders = [order_of(one, wearer.figure, fabric, drop=down, hung=hung, units=chosen) for one in patterns]
    with progress("Draping") as tell:
        muslins = drape(orders, dressings=1 if quick else 2, tell=tell)
    done = "; ".join(f"{base.alterations[s.alteration].title} {format_length(s.amount, chosen)}" for s in work.steps)
    heads = ["Before", f"After: {done}"] if done else ["The pattern as it is"]
    if sheet is not None:
        sheet.draw(muslins, heads, wearer, chosen)
    if as_json:
        write_data(_data(muslins, wearer, cloth, done))
        return 0
    _say(muslins, wearer, fabric.name, done, chosen)
    say_all(work.warnings)
    if to is not None:
        say_written(to)
    return 0


def explain_muslin(
    path: str, findings: str, measures: Sequence[str], sheet: Sheet | None, *, cloth: str, units: str | None,
    rules: str | None, as_json: bool,
) -> int:  # fmt: skip
    """Put the likely causes of findings into the right pattern, drape each, and say which shows what was seen."""
    from fitdiag.cli.lists import in_units
    from fitdiag.knowledge.findings_file import read_findings
    from fitdiag.planning.explain import explain
    from fitdiag.sessions.state import conclude

    base = rules_of(rules, findings, path)
    known = in_units(read_findings(Path(findings), base), units)
    pattern, diagnosis = read_pattern(path), conclude(base, known).diagnosis
    body = {**known.body_measures, **lengths(measures, known.units, MEASURES)}
    wearer = wearer_of(base, body, known.body_said, known.units)
    with progress("Draping the explanations") as tell:
        found, muslins = explain(base, diagnosis, pattern, wearer.figure, cloth_of(base, cloth), tell)
    if sheet is not None:
        heads = ["The right pattern", *(base.causes[one.cause].title for one in found[:2])]
        sheet.draw([muslins[""], *(muslins[one.cause] for one in found[:2])], heads, wearer, known.units)
    if as_json:
        rows = [{**dataclasses.asdict(one), "off": one.off} for one in found]
        write_data({"schema": SCHEMA, "grade": "simulated", "limits": HONEST, "explanations": rows})
        return 0
    say(HONEST)
    say("\nWhich explanation draws what was seen, the best first; lines are compared with the right pattern.")
    for number, one in enumerate(found, 1):
        how = f"{lower_first(base.alterations[one.alteration].title)} by {format_length(one.amount, known.units)}"
        say(f"\n{number}. {base.causes[one.cause].title} ({chance_words(one.belief)} by the rules). Put in: {how}.")
        for sign in one.signs:
            say(f"   {base.symptoms[sign.symptom].title}: {_seen_and_drawn(sign, known.units)}")
    if sheet is not None:
        say_written(sheet.to)
    return 0


def _seen_and_drawn(sign: Drawn, units: Units) -> str:
    if sign.seen_mm is not None and sign.drawn_mm is not None:
        apart = format_reading(abs(sign.drawn_mm - sign.seen_mm), units)
        drawn = format_reading(abs(sign.drawn_mm), units) + (" the other way" if sign.drawn_mm < 0 else "")
        return f"seen {format_reading(sign.seen_mm, units)}, drawn {drawn}, off by {apart}"
    but = "and" if sign.seen == sign.drawn else "but"
    return f"{'' if sign.seen else 'not '}seen, {but} {'' if sign.drawn else 'not '}drawn"


def simulated(
    base: RuleBase, conclusion: Conclusion, pattern: Pattern, *,
    more: Mapping[str, float] | None = None, solved: Mapping[str, float] | None = None,
    nudges: Mapping[str, float] | None = None, drawn: bool = False, photos: Sequence[Path] = (),
) -> Simulation:  # fmt: skip
    """The plan of a conclusion on simulated cloth; `more`: further body measures in mm. Raises ProblemsFoundError.

    `drawn`: with pictures of it now and then, and over those of the client (`photos`) that are marked.
    """
    findings = conclusion.diagnosis.findings
    wearer = wearer_of(base, {**findings.body_measures, **(more or {})}, findings.body_said, findings.units, nudges)
    with progress("Draping the plan") as tell:
        found, muslins = simulate(base, conclusion.plan, findings, pattern, wearer, solved=solved, tell=tell)
    near = nearness(base, findings, found.block, found.stages[0].readings)
    found = dataclasses.replace(found, near=nearness_lines(base, near, findings.units))
    surely = {item.alteration for item in conclusion.plan.recommendations if item.only_if is None}
    last = max((k for k, stage in enumerate(found.stages) if stage.alteration in surely), default=0)
    if not drawn or last == 0:
        return found
    ends = [("now", muslins[0]), ("then", muslins[last])]  # without what waits for a sign
    images = pictures([muslin for _, muslin in ends], PAGE_VIEWS, PAGE_SCALE)
    pages = tuple(
        (f"{when.capitalize()}, {view}", png_of(views[view]))
        for view in PAGE_VIEWS
        for (when, _), views in zip(ends, images, strict=True)
    )
    laid: dict[str, bytes] = {}
    for photo in photos:
        with suppress(ProblemsFoundError):  # what cannot be laid over, like a picture without marks, is left out
            laid[f"{photo.stem}{SIMULATED}"] = over_picture(photo, ends, wearer.figure.hip)[0]
    return dataclasses.replace(found, pictures=pages, laid=laid)


@contextmanager
def progress(what: str) -> Iterator[Callable[[float], None] | None]:
    """Show the progress of a long computation on a terminal's error stream; clear it at the end."""
    if not sys.stderr.isatty():
        yield None
        return

    def tell(share: float) -> None:
        print(f"\r{what}: {share * 100:.0f} %", end="", file=sys.stderr, flush=True)

    try:
        yield tell
    finally:
        print(f"\r{' ' * (len(what) + 10)}\r", end="", file=sys.stderr, flush=True)


def _say(muslins: Sequence[Draped], wearer: Wearer, cloth: str, done: str, units: Units) -> None:
    say(HONEST)
    say("\nThe body")
    say_all(f"  {line[0].upper()}{line[1:]}" for line in body_lines(wearer, units))
    say(f"The cloth: {cloth.lower()}.")
    say_all(dict.fromkeys(note for muslin in muslins for note in muslin.order.cut.notes))
    say()
    if done:
        say(f"After: {done}.")
        lines = changes(muslins[0].readings, muslins[1].readings, muslins[1].apart or {}, units)
        say_all(f"  {text[0].upper()}{text[1:]}." for text in lines)
        say()
    apart = muslins[-1].apart
    for title, readings in (
        ("Right side", [one.readings for one in muslins]),
        ("Left side", [one.left for one in muslins]),
    ):
        if muslins[0].left:
            say(title)
        for name, reading in READINGS.items():
            if all(name in one for one in readings):
                amounts = [reading_text(name, one[name], units) for one in readings]
                error = f", give or take {error_text(name, apart.get(name, 0.0), units)}" if apart is not None else ""
                shown = " before, ".join(amounts) + (" after" if len(amounts) > 1 else "") + error
                say(f"  {reading.words[0].upper()}{reading.words[1:]}: {shown}")
    if apart is not None:
        say("Give or take: how far two dressings of the same muslin differ.")
    if not all(muslin.still for muslin in muslins):
        say("The cloth was still moving a little when it was read; take the numbers with more care.")


def _data(muslins: Sequence[Draped], wearer: Wearer, cloth: str, done: str) -> dict[str, Any]:
    names = ["before", "after"][: len(muslins)]
    return {
        "schema": SCHEMA, "grade": "simulated", "limits": HONEST,
        "body": [{"name": taken.name, "mm": round(taken.mm, 1), "from": taken.source} for taken in wearer.taken],
        "body_not_shown": list(wearer.not_shown), "cloth": cloth, "done": done,
        "units": {name: reading.unit for name, reading in READINGS.items()},
        **{
            name: {
                "readings": muslin.readings,
                **({"left": muslin.left} if muslin.left else {}),
                **({"two_dressings_differ": muslin.apart} if muslin.apart is not None else {}),
                "notes": list(muslin.order.cut.notes),
                "at_rest": muslin.still,
            }
            for name, muslin in zip(names, muslins, strict=True)
        },
    }  # fmt: skip


@dataclass(frozen=True)
class Sheet:
    """What to draw: a sheet of all muslins, or the lines of the first two over a marked picture."""

    to: str
    photo: str | None
    replace: bool

    def draw(self, muslins: Sequence[Draped], heads: Sequence[str], wearer: Wearer, units: Units) -> None:
        if self.photo is not None:
            shown = list(zip(heads, muslins, strict=True))[:2]
            image, known = over_picture(Path(self.photo), shown, wearer.figure.hip)
            write_atomically(Path(self.to), image, replace=self.replace)
            if not known:
                say("Nothing of known size is marked in the picture, so a usual distance of the lens was taken.")
            return
        from fitdiag.reports.muslin_sheet import sheet_html, sheet_pdf, sheet_png

        drawn = pictures(muslins, VIEWS, PRINT_SCALE)
        dips = [one.readings["dip-centre-back"] for one in muslins]
        captions = [f"hip line at centre back {reading_text('dip-centre-back', abs(dip), units)} "
                    f"{'below' if dip >= 0 else 'above'} the side seam" for dip in dips]  # fmt: skip
        makers: dict[str, Callable[..., str | bytes]] = {".png": sheet_png, ".pdf": sheet_pdf, ".html": sheet_html}
        content = makers[PurePath(self.to).suffix.lower()](heads, captions, drawn, body_lines(wearer, units))
        write_atomically(Path(self.to), content, replace=self.replace, private=False)


def over_picture(photo: Path, shown: Sequence[tuple[str, Draped]], hip_mm: float) -> tuple[bytes, bool]:
    """A PNG of a marked picture with its own lines and those of up to two muslins, and whether the camera distance is known."""
    picture, marks = read_marked(photo)
    found = measure_all([(picture.pixels, marks)], hip_mm)[0]
    lines = [(f"simulated: {one_line(head, 60)}", courses(muslin.worn, marks.view)) for head, muslin in shown]
    return laid_over(picture.pixels, found, lines), found.distance_mm is not None
