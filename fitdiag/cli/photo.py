"""`fitdiag photo …`: taking pictures in, marking their lines, measuring, and the shot card; `photo_read` finds lines."""

from __future__ import annotations

import os
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace as replace_fields
from itertools import count
from pathlib import Path
from typing import TYPE_CHECKING, Any

from fitdiag.cli.arguments import ending_of, guess_units, length_of, lengths, paper_of, rules_of, units_of
from fitdiag.cli.output import say, say_all, say_then, write, write_data
from fitdiag.diagnosis.belief import finding_text
from fitdiag.files import digest, make_folder, refuse_taken, write_all, write_atomically
from fitdiag.knowledge.findings import Finding, Findings
from fitdiag.knowledge.findings_file import findings_text
from fitdiag.photos.drawn import LINES
from fitdiag.photos.intake import Picture, check_same, clean_jpeg, crop_above, read_picture, shortcomings
from fitdiag.photos.marks import VIEWS, Marks, View, as_json, read_marks
from fitdiag.photos.measure import Together, measure_all, together
from fitdiag.photos.overlay import give_or_take, number_text, overlay, reading_text, sentence
from fitdiag.photos.page import mark_page
from fitdiag.photos.readings import Measured, Reading
from fitdiag.photos.trousers import HIP
from fitdiag.photos.trust import next_time
from fitdiag.problems import command, one_line, shown_path, stop
from fitdiag.sessions.from_photos import findings_from
from fitdiag.units import LONGEST_MM, Units

if TYPE_CHECKING:
    from fitdiag.knowledge.model import RuleBase

SCHEMA = "fitdiag.measured/1"


def length_given(text: str | None, what: str, least: float = 1) -> float | None:
    """Parse an optional length into mm. Raises ProblemsFoundError if it is below `least` or too long."""
    if text is None:
        return None
    mm = length_of(text, what)
    if not least <= mm <= LONGEST_MM:
        message = f"{what}: '{one_line(text, 30)}' cannot be right"
        raise stop("argument", message, hint=f"from {least / 10:g} cm to {LONGEST_MM / 10:g} cm")
    return mm


def add(given: Sequence[str], to: str, *, face_above: int | None, focal: float | None, hip_width: str | None) -> int:
    """Take pictures in: write a cleaned copy of each with an empty marks file beside it. The originals are never changed."""
    taken = take_pictures(given, to, face_above=face_above, focal=focal, hip=hip_width)
    text = f"Cleaned, without location or camera data, in {shown_path(Path(to))}. Mark them next:"
    say_then(text, command("fitdiag", "photo", "mark", *taken))
    return 0


def take_pictures(
    given: Sequence[str], to: str, *, face_above: int | None = None, focal: float | None = None, hip: str | None = None,
    one_fitting: bool = False,
) -> dict[Path, str]:  # fmt: skip
    """Write a cleaned copy of each picture with its marks; return each copy's SHA-256 by path.

    Further pictures of a view are numbered; one that is already there is skipped. `one_fitting`: all pictures of the folder are
    measured together, so that one that is there as another view is refused.
    """
    if focal is not None and not 5 <= focal <= 2000:
        raise stop("argument", f"--focal: {focal:g} is not a focal length", hint="5 to 2000, as on 35 mm film")
    wanted: list[tuple[View, Path]] = []
    for text in given:
        view, sign, path = text.partition("=")
        if not sign or view not in VIEWS or not path:
            hint = f"write it like back=IMG_1.jpg; views are {', '.join(VIEWS)} (the side that shows)"
            raise stop("argument", f"'{one_line(text, 60)}' does not say from where the picture was taken", hint=hint)
        wanted.append((view, Path(path)))
    width = length_given(hip, "--hip-width")
    # all of them, before anything is written
    came = [_clean(view, source, face_above, focal) for view, source in wanted]
    _refuse_twice(wanted, [marks for marks, _, _ in came], Path(to) if one_fitting else None)
    make_folder(folder := Path(to))
    files: dict[Path, bytes | str] = {}
    taken: dict[Path, str] = {}
    alike: dict[tuple[str, ...], list[str]] = {}
    for (_, source), (_, _, remarks) in zip(wanted, came, strict=True):
        alike.setdefault(tuple(remarks), []).append(shown_path(source))
    for lines, pictures in alike.items():
        say(f"{', '.join(pictures)}:")
        say_all(f"- {line}" for line in lines)
    for marks, content, _ in came:
        names = (folder / (f"{marks.view}.jpg" if number == 1 else f"{marks.view} {number}.jpg") for number in count(1))
        target = next(name for name in names if name not in taken and not _is_of_another(name, content))
        taken[target] = marks.sha256
        if target.exists() and sidecar(target).exists():
            say(f"- it is already there: {shown_path(target)}")
            continue
        widths = {**marks.widths_mm, HIP: width} if width else marks.widths_mm
        kept = replace_fields(marks, file=target.name, widths_mm=widths)
        if focal not in (None, marks.focal_35mm):
            kept = replace_fields(kept, focal_35mm=focal, focal_typed=True)
        files |= {} if target.exists() else {target: content}
        files[sidecar(target)] = as_json(kept)
    write_all(files)
    return taken


def _refuse_twice(wanted: Sequence[tuple[View, Path]], came: Sequence[Marks], folder: Path | None) -> None:
    """Refuse a picture given twice, or in the folder already as another view: two of one picture cannot be measured together."""
    sources = [source for _, source in wanted]
    digests = [marks.sha256 for marks in came]
    for index, source in enumerate(sources):
        if digests[index] in digests[:index]:
            same = shown_path(sources[digests.index(digests[index])])
            raise stop("twice", f"this is the same picture as {same}", where=source, hint="leave one of them out")
    files = sorted(path for path in folder.glob("*.jpg") if path.is_file()) if folder else []
    there = [(path, digest(path.read_bytes())) for path in files]
    other = {
        path: (view, source)
        for (view, source), own in zip(wanted, digests, strict=True)
        for path, content in there
        if content == own and not re.fullmatch(rf"{view}( \d+)?", path.stem)
    }
    if other:
        path, (view, source) = next(iter(other.items()))
        copies = " and ".join(shown_path(path) for path in other)
        shows = f"{view} side" if view in ("left", "right") else view
        hint = f"if it shows the {shows}, delete {copies} with the marks beside, then do this again"
        raise stop("twice", f"this picture is there already as {path.name}", where=source, hint=hint)


def _clean(view: View, source: Path, face_above: int | None, focal: float | None) -> tuple[Marks, bytes, list[str]]:
    """A picture's marks, its cleaned JPEG and remarks about it; the pixels are not kept."""
    picture = read_picture(source, smaller=True)
    content = clean_jpeg(crop_above(picture, face_above) if face_above is not None else picture)
    marks = Marks("", "", picture.width, picture.height, view, picture.focal_35mm, cropped=picture.cropped)
    came = sidecar(source).exists()
    if came:
        marks = read_marks(sidecar(source))
        check_same(picture, marks, sidecar(source))
    lacking = shortcomings(picture, focal_known=bool(focal or marks.focal_35mm))
    lines = lacking or ["nothing stands in the way of measuring it"]
    lines += ["its marks came with it"] if came else []
    return replace_fields(marks, view=view, sha256=digest(content)), content, lines


def _is_of_another(path: Path, content: bytes) -> bool:
    """Whether a name is taken by another picture, or by the marks of a deleted one."""
    try:
        return path.read_bytes() != content
    except FileNotFoundError:
        return os.path.lexists(path) or os.path.lexists(sidecar(path))
    except OSError:
        return True


def sidecar(picture: Path) -> Path:
    """The default path of a picture's marks file."""
    return picture.with_name(picture.stem + ".marks.json")


def mark(
    pictures: Sequence[str], marks_file: str | None, *, units: str | None, rules: str | None, replace: bool
) -> int:  # fmt: skip
    if marks_file and len(pictures) > 1:
        raise stop("arguments", "--marks belongs to one picture", hint="give one picture at a time")
    chosen = units_of(units or "in")
    drawn = lines_drawn(rules_of(rules))
    pages: list[Path] = []
    for picture in pictures:
        path = Path(picture)
        found, marks = read_marked(path, marks_file)
        pages.append(path.with_name(path.stem + ".marking.html"))
        write_atomically(pages[-1], mark_page(clean_jpeg(found), marks, chosen, drawn), replace=replace)
    say_then(
        "Open in a browser, and delete when done, as the picture is inside:", *(shown_path(page) for page in pages)
    )
    say_then("Save the marks over these files:", *(shown_path(sidecar(Path(picture))) for picture in pictures))
    given = {"--units": units, "--garment": rules}
    say_then("Then measure:", command("fitdiag", "photo", "measure", *pictures, *with_values(given)))
    return 0


def lines_drawn(base: RuleBase) -> Sequence[str]:
    """The level lines drawn on a garment, as its shot card has them; all that are known where it has none."""
    card = base.about.card
    return [line.id for line in card.lines] if card is not None else LINES


def read_marked(path: Path, marks_file: str | None = None) -> tuple[Picture, Marks]:
    """Read a picture and its marks. Raises ProblemsFoundError if they do not belong together."""
    picture = read_picture(path)
    beside = Path(marks_file) if marks_file else sidecar(path)
    if not marks_file and not os.path.lexists(beside):
        named = f"back={path}"
        add, read = (command("fitdiag", "photo", work, named) for work in ("add", "read"))
        hint = f"take it in first: {add}, or have its lines found: {read}"
        raise stop("no-marks", "this picture has no marks beside it", where=path, hint=hint)
    marks = read_marks(beside)
    check_same(picture, marks, beside)
    return picture, marks


def measure(
    pictures: Sequence[str], marks_files: Sequence[str], *, as_json: bool, units: str | None, hip_girth: str | None,
    findings: str | None, overlays: str | None, rules: str | None, replace: bool,
) -> int:  # fmt: skip
    if marks_files and len(marks_files) != len(pictures):
        message = f"{len(pictures)} pictures and {len(marks_files)} marks files"
        raise stop("arguments", message, hint="one --marks for each")
    chosen = units_of(units or "in")
    girth = length_given(hip_girth, "the hip girth", 300)
    if findings:  # fail before the work
        refuse_taken(Path(findings), replace=replace)
    found, drawn = measured_in(pictures, marks_files, girth, chosen, overlays)
    whole = together(found)
    if as_json:
        write_data(_data(pictures, found, whole))
    else:
        _say_measured(pictures, found, whole, drawn, chosen)
    if findings:
        base = rules_of(rules)
        result = findings_from(base, whole, found)
        if not result:
            message = "no question can be answered from what is marked on the pictures, so no findings are written"
            by_hand = command("fitdiag", "photo", "mark", *pictures, *with_values({"--garment": rules}))
            raise stop("no-findings", message, hint=f"set the lines by hand: {by_hand}")
        held = Findings(symptoms={item.symptom: item for item in result}, units=chosen)
        write_atomically(Path(findings), findings_text(held, base.about.garment), replace=replace)
        if not as_json:
            _say_findings(base, result, chosen)
            again = command("fitdiag", "interview", "--photos", findings)
            say_then("Confirm them in an interview, which then asks only for the rest:", again)
    return 0


def measure_inside(
    base: RuleBase, pictures: Sequence[Path], girth_mm: float | None, units: Units
) -> tuple[Finding, ...]:
    """Within a review: measure the pictures of a round, print and return the findings, and write the drawn-on copies."""
    names = [str(path) for path in pictures]
    found, drawn = measured_in(names, (), girth_mm, units, None)
    whole = together(found)
    result = findings_from(base, whole, found)
    _say_measured(names, found, whole, drawn, units, readings=False)
    _say_findings(base, result, units)
    return result


def held_in(pictures: Sequence[Path]) -> dict[str, list[str]]:
    """What a round's log records about measured pictures: the digests of each and of its marks, by name."""
    return {
        path.name: [digest(part.read_bytes()) if part.exists() else "" for part in (path, sidecar(path))]
        for path in pictures
    }


def drawn_on(picture: Path) -> Path:
    """The path of a picture's copy with the measurements drawn on it."""
    return picture.with_name(f"{picture.stem}.measured.png")


def measured_in(
    pictures: Sequence[str], marks_files: Sequence[str], girth_mm: float | None, units: Units, overlays: str | None
) -> tuple[list[Measured], list[Path]]:
    """Measure each picture, and write and list the drawn-on copies."""
    read = [read_marked(Path(p), marks_files[i] if marks_files else None) for i, p in enumerate(pictures)]
    for index, (picture, _) in enumerate(read):
        if any(picture.sha256 == other.sha256 for other, _ in read[:index]):
            raise stop("twice", "this picture is given twice", where=pictures[index])
    found = measure_all([(picture.pixels, marks) for picture, marks in read], girth_mm)
    if overlays is not None:
        make_folder(Path(overlays))
    drawn: list[Path] = []
    for path, (picture, _), measured in zip(map(Path, pictures), read, found, strict=True):
        stem = path if overlays is None else Path(overlays, path.name)
        names = (drawn_on(stem if number == 1 else stem.with_stem(f"{stem.stem} {number}")) for number in count(1))
        drawn.append(next(name for name in names if name not in drawn))
        write_atomically(drawn[-1], overlay(picture.pixels, measured, units), replace=True)
    return found, drawn


def _say_measured(
    pictures: Sequence[str], found: Sequence[Measured], whole: Sequence[Together], drawn: Sequence[Path], units: Units,
    *, readings: bool = True,
) -> None:  # fmt: skip
    """Print what the pictures show, one by one (with `readings`) and together."""
    for path, one in zip(pictures, found, strict=True):
        write(f"\n{shown_path(path)}: seen from the {one.marks.view}{' side' if one.marks.seen_from_the_side else ''}")
        marks = one.marks
        if marks.lines or marks.grains or marks.centre_seam or marks.verticals or marks.sheet:
            say_all(f"- {sentence(warning, units)}" for warning in one.warnings)
        else:
            say("- nothing is marked on it yet; what the page saved goes over the file below, or after --marks:")
            say(f"  {shown_path(sidecar(Path(path)))}")
        for name in (*one.lines, *one.grains) if readings else ():
            lens = one.lines[name].depression_deg if name in one.lines else None
            at = (
                f" the lens {abs(lens):.1f} degrees {'above' if lens > 0 else 'below'} the line"
                if lens is not None
                else ""
            )
            say(f"{name.replace('-', ' ')}:{at}")
            own = (reading for reading in one.readings if reading.line == name)
            say_all(f"  {_reading_text(reading, marks.view, units)}" for reading in own)
        if readings and (gain := _gain(one, units)):
            say(gain)
    both = [item for item in whole if " and " in item.basis or "two back" in item.basis or "disagree" in item.basis]
    if len(found) > 1 and both:
        write("\nSeveral pictures together")
        for item in both:
            number = number_text(item.what, item.value, item.unit, item.view, units)
            value = f"{number}, give or take {give_or_take(item.error, item.unit, units)}"
            word = f"{item.word[:1].upper()}{item.word[1:]} ({sentence(item.basis, units)})"
            say(f"  {item.line.replace('-', ' ')}, {item.what}: {value}. {word}.")
    say_then("\nCheck that the right lines were followed:", *(shown_path(path) for path in drawn))


def _reading_text(reading: Reading, view: View, units: Units) -> str:
    what, raw = reading.what, ""
    if reading.raw is not None:
        raw = f"; in the picture {number_text(what, reading.raw, reading.unit, view, units)}"
    why = f" ({sentence(reading.reason, units)})" if reading.reason else ""
    return f"{what}: {reading_text(reading, view, units)}{raw}. {reading.word[:1].upper()}{reading.word[1:]}{why}."


def _gain(found: Measured, units: Units) -> str:
    """What to do differently with the next pictures, and what it improves; empty if it improves nothing printed."""
    if (better := next_time(found)) is None:
        return ""
    what, reading = better
    to, now = (give_or_take(error or 0.0, reading.unit, units) for error in (reading.without, reading.error))
    good = f"the {reading.line} line's {reading.what} is good to {to} instead of {now}"
    return f"For the next pictures: {sentence(what, units)}. Then {good}." if to != now else ""


def _data(paths: Sequence[str], found: Sequence[Measured], whole: Sequence[Together]) -> dict[str, Any]:
    return {
        "schema": SCHEMA,
        "pictures": [
            {
                "file": Path(path).name,
                "view": measured.marks.view,
                "warnings": list(measured.warnings),
                "distance_mm": measured.distance_mm and round(measured.distance_mm, 1),
                "lens_above_line_deg": {n: round(line.depression_deg, 3) for n, line in measured.lines.items()},
                "readings": [_row(reading) for reading in measured.readings],
            }
            for path, measured in zip(paths, found, strict=True)
        ],
        "together": [_row(item) for item in whole],
    }


def _row(item: Reading | Together) -> dict[str, Any]:
    return {key: round(value, 3) if isinstance(value, float) else value for key, value in vars(item).items()}


def _say_findings(base: RuleBase, result: Sequence[Finding], units: Units) -> None:
    write("\nFindings")
    if not result:
        say("- none: what is marked answers no question")
    say_all(f"- {finding_text(base, item, Findings(units=units))}" for item in result)


def card(
    to: str, units: str | None, heights: Sequence[str], keep_until: str, paper: str | None, *, large: bool,
    replace: bool, alone: bool = False, rules: str | None = None,
) -> int:  # fmt: skip
    from fitdiag.reports.shot_card import card_html, card_of, card_pdf

    target, kind = Path(to), ending_of(to, ".html", ".pdf")
    if len(keep_until) > 60:
        message = f"'{one_line(keep_until, 40)}' is too long"
        raise stop("argument", message, hint="give --keep-until a day or a few words")
    chosen = guess_units(units, heights)
    base = rules_of(rules)
    if (worn := base.about.card) is None:
        raise stop("no-card", f"these rules say nothing of a card for a {base.about.garment}")
    known = lengths(heights, chosen, [line.id for line in worn.lines]) or None
    card = card_of(base.about.garment, worn, chosen, known, keep_until, alone=alone)
    sheet = paper_of(paper, chosen)
    content = card_html(card, large=large) if kind == ".html" else card_pdf(card, large=large, paper=sheet)
    write_atomically(target, content, replace=replace)
    write(f"Shot card: {shown_path(target)}")
    return 0


def with_values(options: Mapping[str, object]) -> Iterator[str]:
    """The words of the options that were given, to repeat them in a command."""
    for name, value in options.items():
        if value is not None:
            yield from (name, str(value))
