"""`fitdiag drape`: the pattern as it is and as alterations leave it, as simulated cloth on a body of the client's measures."""

from __future__ import annotations

import dataclasses
import sys
import textwrap
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from pathlib import Path
from typing import Any

from fitdiag.cli.altering import carried_out, title_of
from fitdiag.cli.arguments import folder_of, guess_units, lengths, nearest
from fitdiag.cli.output import say, say_all, width, write, write_data
from fitdiag.cli.photo import read_marked
from fitdiag.diagnosis.belief import chance_words, lower_first
from fitdiag.drape.figure import MEASURES
from fitdiag.drape.muslin import Draped, drape, order_of, pictures
from fitdiag.drape.picture import SCALE, courses
from fitdiag.drape.readings import READINGS
from fitdiag.files import write_atomically
from fitdiag.knowledge.load import load_rules
from fitdiag.knowledge.model import RuleBase
from fitdiag.pattern.formats import read_pattern
from fitdiag.pattern.piece import Pattern
from fitdiag.photos.combine import measure_all
from fitdiag.photos.laid import laid_over
from fitdiag.planning.explain import Drawn
from fitdiag.planning.muslins import CALICO, Wearer, amount_told, body_told, changes, cloth_of, simulate, wearer_of
from fitdiag.planning.nudges import nearness, nearness_told
from fitdiag.planning.stages import HONEST, Simulation
from fitdiag.problems import ProblemsFoundError, one_line, stop
from fitdiag.reports.muslin_sheet import png_of
from fitdiag.sessions.state import Conclusion
from fitdiag.units import Units, format_length, format_reading

SCHEMA = "fitdiag.drape/1"
PAGE_SCALE = 0.5  # and of those on a page beside the list
VIEWS = ("back", "side", "front")
PAGE_VIEWS = ("back", "side")
PRINT_SCALE = SCALE  # pixels per mm of the pictures written


def drape_pattern(
    path: str, do: Sequence[str], measures: Sequence[str], notes: Sequence[str], *, to: str | None = None,
    cloth: str = CALICO, drop: str | None = None, hung: bool = False, quick: bool = False, as_json: bool = False,
    units: str | None = None, rules: str | None = None, replace: bool = False, photo: str | None = None,
) -> int:  # fmt: skip
    """Drape a pattern before and after alterations; print the readings, and draw both side by side with `to`."""
    chosen = guess_units(units, [*do, *measures, *notes])
    base = load_rules(folder_of(rules, path))
    pattern = read_pattern(path)
    work = carried_out(pattern, do, chosen, rules, None, None) if do else None
    wearer = wearer_of(base, body_measures(measures, chosen), body_notes(base, notes), chosen)
    down = lengths([f"drop={drop.lstrip('-')}"], chosen)["drop"] * (-1 if drop.startswith("-") else 1) if drop else 0.0
    kind = cloth_of(base, cloth)
    patterns = [pattern, *([work.steps[-1].pattern] if work else [])]
    orders = [order_of(one, wearer.figure, kind, drop=down, hung=hung, units=chosen) for one in patterns]
    with Progress("Draping") as tell:
        muslins = drape(orders, dressings=1 if quick else 2, tell=tell)
    done = (
        "; ".join(f"{work.title(s.alteration)} {format_length(s.amount, chosen)}" for s in work.steps) if work else ""
    )
    if to is not None:
        heads = ["Before", f"After: {done}"] if done else ["The pattern as it is"]
        _draw(Path(to), muslins, heads, wearer, chosen, photo=photo, replace=replace)
    if as_json:
        write_data(_data(muslins, wearer, cloth, done))
        return 0
    _say(base, muslins, wearer, kind.name, done, chosen)
    say_all(work.warnings if work else ())
    if to is not None:
        say(f"Written: {one_line(to)}")
    return 0


def drape_muslin(
    path: str, do: Sequence[str], measures: Sequence[str], notes: Sequence[str], *, explain: str | None, cloth: str,
    drop: str | None, hung: bool, quick: bool, **how: Any,
) -> int:  # fmt: skip
    """Drape a pattern, or with `explain` the likely causes of findings; what cannot be written is refused first."""
    to, photo = how["to"], how["photo"]
    if to is not None and Path(to).suffix.lower() not in (".png", ".pdf", ".html"):
        raise stop("format", f"'{one_line(Path(to).suffix, 20)}' is not written here", hint="give .png, .pdf or .html")
    if photo is not None:
        refuse_picture(photo, to)
    if explain is not None:
        return explain_muslin(path, explain, measures, cloth=cloth, **how)
    return drape_pattern(path, do, measures, notes, cloth=cloth, drop=drop, hung=hung, quick=quick, **how)


def explain_muslin(
    path: str, findings: str, measures: Sequence[str], *, to: str | None = None, cloth: str = CALICO, as_json: bool = False,
    units: str | None = None, rules: str | None = None, replace: bool = False, photo: str | None = None,
) -> int:  # fmt: skip
    """Drape the likely causes of findings, put into the right pattern, and say which draws what was seen."""
    from fitdiag.cli.diagnose import in_units
    from fitdiag.knowledge.findings_file import read_findings
    from fitdiag.planning.explain import explain
    from fitdiag.sessions.state import conclude

    base = load_rules(folder_of(rules, findings, path))
    known = in_units(read_findings(Path(findings), base), units)
    pattern, diagnosis = read_pattern(path), conclude(base, known).diagnosis
    wearer = wearer_of(base, {**known.body_measures, **body_measures(measures, known.units)}, known.body, known.units)
    with Progress("Draping the explanations") as tell:
        found, muslins = explain(base, diagnosis, pattern, wearer.figure, cloth_of(base, cloth), tell)
    if to is not None:
        shown = [("The right pattern", muslins[""])]
        shown += [(base.causes[one.cause].title, muslins[one.cause]) for one in found[:2]]
        heads, drawn = [head for head, _ in shown], [muslin for _, muslin in shown]
        _draw(Path(to), drawn, heads, wearer, known.units, photo=photo, replace=replace)
    if as_json:
        rows = [{**dataclasses.asdict(one), "off": one.off} for one in found]
        write_data({"schema": SCHEMA, "grade": "simulated", "limits": HONEST, "explanations": rows})
        return 0
    say(HONEST)
    say()
    say(
        "Which explanation draws what was seen, the best first. Lines are told against the right pattern on the same body."
    )
    for number, one in enumerate(found, 1):
        how = f"{lower_first(title_of(base, one.alteration))} by {format_length(one.amount, known.units)}"
        say()
        say(f"{number}. {base.causes[one.cause].title} ({chance_words(one.belief)} by the rules). Put in: {how}.")
        for sign in one.signs:
            say(f"   {base.symptoms[sign.symptom].title}: {_seen_and_drawn(sign, known.units)}")
    if to is not None:
        say(f"Written: {one_line(to)}")
    return 0


def _seen_and_drawn(sign: Drawn, units: Units) -> str:
    if sign.seen_mm is not None and sign.drawn_mm is not None:
        apart = format_reading(abs(sign.drawn_mm - sign.seen_mm), units)
        drawn = format_reading(abs(sign.drawn_mm), units) + (" the other way" if sign.drawn_mm < 0 else "")
        return f"seen {format_reading(sign.seen_mm, units)}, drawn {drawn}, off by {apart}"
    but = "and" if sign.seen == sign.drawn else "but"
    return f"{'' if sign.seen else 'not '}seen, {but} {'' if sign.drawn else 'not '}drawn"


def body_measures(texts: Sequence[str], units: Units) -> dict[str, float]:
    """`hip=94cm` texts as measures in mm by name."""
    return lengths(texts, units, MEASURES)


def body_notes(base: RuleBase, texts: Sequence[str]) -> dict[str, str]:
    """`flat-seat`, `flat-seat=marked` and `flat-seat=1.5 cm` texts by note."""
    notes: dict[str, str] = {}
    for text in texts:
        name, _, amount = text.partition("=")
        name = "-".join(name.strip().lower().split())
        if name not in base.body_notes:
            hint = nearest(name, tuple(base.body_notes), "fitdiag rules list body-notes")
            raise stop("argument", f"'{one_line(text, 40)}' is not a body note", hint=hint)
        if name in notes:
            raise stop("argument", f"'{name}' is named twice", hint="give it once")
        notes[name] = amount.strip() or "some"
    return notes


def simulated(
    base: RuleBase, conclusion: Conclusion, pattern: Pattern, *, cloth: str = CALICO,
    more: Mapping[str, float] | None = None, solved: Mapping[str, float] | None = None,
    nudges: Mapping[str, float] | None = None, drawn: bool = False, photos: Sequence[Path] = (),
) -> Simulation:  # fmt: skip
    """The plan of a conclusion on simulated cloth; `more`: further body measures in mm. Raises ProblemsFoundError.

    `drawn`: with pictures of it now and then, and over those of the client (`photos`) that are marked.
    """
    findings = conclusion.diagnosis.findings
    wearer = wearer_of(base, {**findings.body_measures, **(more or {})}, findings.body, findings.units, nudges)
    with Progress("Draping the plan") as tell:
        found, muslins = simulate(
            base, conclusion.plan, findings, pattern, wearer, cloth=cloth, solved=solved, tell=tell
        )
    near = nearness(base, findings, found.block, found.stages[0].readings)
    found = dataclasses.replace(found, near=nearness_told(base, near, findings.units))
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
    if not photos:
        return dataclasses.replace(found, pictures=pages)
    return dataclasses.replace(found, pictures=pages, laid=over_pictures(photos, ends, wearer.figure.hip))


class Progress:
    """How far a long computation is, on the error stream of a terminal; silent elsewhere. Cleared at the end."""

    def __init__(self, what: str) -> None:
        self.what, self.shown = what, ""

    def __enter__(self) -> Callable[[float], None] | None:
        return self.tell if sys.stderr.isatty() else None

    def tell(self, share: float) -> None:
        text = f"{self.what}: {share * 100:.0f} %"
        if text != self.shown:
            print(f"\r{text}", end="", file=sys.stderr, flush=True)
            self.shown = text

    def __exit__(self, *_: object) -> None:
        if self.shown:
            print("\r" + " " * len(self.shown) + "\r", end="", file=sys.stderr, flush=True)


def _say(base: RuleBase, muslins: Sequence[Draped], wearer: Wearer, cloth: str, done: str, units: Units) -> None:
    say(HONEST)
    say()
    say("The body")
    say_all(f"  {line[0].upper()}{line[1:]}" for line in body_told(wearer, units))
    say(f"The cloth: {cloth.lower()}.")
    say_all(dict.fromkeys(note for muslin in muslins for note in muslin.order.cut.notes))
    say()
    if done:
        say(f"After: {done}.")
        told = changes(muslins[0].readings, muslins[1].readings, muslins[1].apart or {}, units)
        say_all(f"  {text[0].upper()}{text[1:]}." for text in told)
        say()
    heads = ["before", "after"][: len(muslins)] if done else ["now"]
    sides = [("", [muslin.readings for muslin in muslins])]
    if muslins[0].left:
        sides = [("Right side", sides[0][1]), ("Left side", [muslin.left for muslin in muslins])]
    for title, readings in sides:
        if title:
            say(title)
        _table(heads, readings, muslins[-1].apart, units)
    if muslins[0].apart is not None:
        say("+-: how far two dressings of the same muslin differ.")
    if not all(muslin.still for muslin in muslins):
        say("The cloth was still moving a little when it was read; take the numbers with more care.")


def _table(
    heads: Sequence[str], readings: Sequence[Mapping[str, float]], apart: Mapping[str, float] | None, units: Units
) -> None:
    columns = [*heads, *(["+-"] if apart is not None else [])]
    room = width() - 13 * len(columns) - 1
    write(" " * room + "".join(f"{head:>13}" for head in columns))
    for name, reading in READINGS.items():
        if not all(name in one for one in readings):
            continue
        cells = [amount_told(name, one[name], units) for one in readings]
        if apart is not None:
            cells.append(amount_told(name, apart.get(name, 0.0), units))
        words = reading.words[0].upper() + reading.words[1:]
        lines = textwrap.wrap(words, max(20, room - 1))
        write(lines[0].ljust(room) + "".join(f"{cell:>13}" for cell in cells))
        for line in lines[1:]:
            write("  " + line)


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


def _draw(
    to: Path, muslins: Sequence[Draped], heads: Sequence[str], wearer: Wearer, units: Units, *, photo: str | None, replace: bool
) -> None:  # fmt: skip
    """The sheet of the muslins; or, over a picture, the lines of the first two."""
    if photo is not None:
        lay_over(photo, to, list(zip(heads, muslins, strict=True))[:2], wearer.figure.hip, replace=replace)
        return
    from fitdiag.reports.muslin_sheet import sheet_html, sheet_pdf, sheet_png

    drawn = pictures(muslins, VIEWS, PRINT_SCALE)
    dips = [one.readings["dip-centre-back"] for one in muslins]
    captions = [f"hip line at centre back {amount_told('dip-centre-back', abs(dip), units)} "
                f"{'below' if dip >= 0 else 'above'} the side seam" for dip in dips]  # fmt: skip
    makers: dict[str, Callable[..., str | bytes]] = {".png": sheet_png, ".pdf": sheet_pdf, ".html": sheet_html}
    made = makers[to.suffix.lower()](heads, captions, drawn, body_told(wearer, units))
    write_atomically(to, made, replace=replace, private=False)


# -- over a picture ----------------------------------------------------------------------------------------------------

SIMULATED = ".simulated.png"


def over_picture(photo: Path, shown: Sequence[tuple[str, Draped]], hip_mm: float) -> tuple[bytes, bool]:
    """A PNG of a marked picture with its own lines and those of up to two muslins; whether the lens's distance is known."""
    picture, marks = read_marked(photo, None)
    found = measure_all([(picture.pixels, marks)], hip_mm)[0]
    lines = [(f"simulated: {one_line(head, 60)}", courses(muslin.worn, marks.view)) for head, muslin in shown]
    return laid_over(picture.pixels, found, lines), found.distance_mm is not None


def over_pictures(photos: Sequence[Path], shown: Sequence[tuple[str, Draped]], hip_mm: float) -> dict[str, bytes]:
    """By file name, each picture that can be laid over; what cannot, like a picture without marks, is left out."""
    found: dict[str, bytes] = {}
    for photo in photos:
        with suppress(ProblemsFoundError):
            found[f"{photo.stem}{SIMULATED}"] = over_picture(photo, shown, hip_mm)[0]
    return found


def refuse_picture(photo: str | None, to: str | None) -> None:
    """Before anything is computed: the picture and its marks can be read, and there is a file to write to."""
    if photo is None:
        return
    if to is None or Path(to).suffix.lower() != ".png":
        raise stop("argument", "lines over a picture are written as a picture", hint="add --to over.png")
    read_marked(Path(photo), None)


def lay_over(photo: str, to: Path, shown: Sequence[tuple[str, Draped]], hip_mm: float, *, replace: bool) -> None:
    """Write the picture with its own lines and those of up to two muslins, each with its heading; the fitter's eyes only."""
    image, known = over_picture(Path(photo), shown, hip_mm)
    write_atomically(to, image, replace=replace)
    if not known:
        say("Nothing of known size is marked in the picture, so a usual distance of the lens was taken.")
