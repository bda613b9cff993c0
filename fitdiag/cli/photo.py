"""`fitdiag photo …`: taking pictures in, marking or finding their lines, a page to confirm them, measuring, and the shot card."""

from __future__ import annotations

import os
import re
import sys
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
from fitdiag.knowledge.strict_yaml import read_text
from fitdiag.photos.drawn import LINES
from fitdiag.photos.intake import Picture, check_same, clean_jpeg, crop_above, read_picture, shortcomings
from fitdiag.photos.marks import VIEWS, Marks, View, as_json, read_marks
from fitdiag.photos.measure import Together, measure_all, together
from fitdiag.photos.overlay import give_or_take, overlay, plain, reading_text
from fitdiag.photos.page import confirm_page, mark_page, parse_answer
from fitdiag.photos.propose import MIRRORED, proposals
from fitdiag.photos.readings import Measured, Reading
from fitdiag.photos.trousers import HIP
from fitdiag.photos.trust import next_time
from fitdiag.problems import Where, command, one_line, shown_path, stop
from fitdiag.sessions.from_photos import findings_from
from fitdiag.units import LONGEST_MM, Units

if TYPE_CHECKING:
    from fitdiag.knowledge.model import RuleBase

SCHEMA = "fitdiag.measured/1"
PAGE = "confirm.html"
LARGEST_ANSWER = 1 << 20  # bytes
MOST_LOOKED_AT = 50  # saved answers, newest first


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
    given: Sequence[str], to: str, *, face_above: int | None = None, focal: float | None = None, hip: str | None = None
) -> dict[Path, str]:
    """Write a cleaned copy of each picture with its marks; return each copy's SHA-256 by path.

    Further pictures of a view are numbered; one that is already there is skipped.
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
    say_then("Then measure:", command("fitdiag", "photo", "measure", *pictures, *_with_values(given)))
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
            by_hand = command("fitdiag", "photo", "mark", *pictures, *_with_values({"--garment": rules}))
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
        say_all(f"- {warning}" for warning in one.warnings)
        for name in (*one.lines, *one.grains) if readings else ():
            lens = one.lines[name].depression_deg if name in one.lines else None
            at = (
                f" the lens {abs(lens):.1f} degrees {'above' if lens > 0 else 'below'} the line"
                if lens is not None
                else ""
            )
            say(f"{name.replace('-', ' ')}:{at}")
            say_all(f"  {_reading_text(reading, units)}" for reading in one.readings if reading.line == name)
        if readings and (gain := _gain(one, units)):
            say(gain)
    both = [item for item in whole if " and " in item.basis or "two back" in item.basis or "disagree" in item.basis]
    if len(found) > 1 and both:
        write("\nSeveral pictures together")
        for item in both:
            value = f"{plain(item.value, item.unit, units)}, give or take {give_or_take(item.error, item.unit, units)}"
            word = f"{item.word[:1].upper()}{item.word[1:]} ({item.basis})"
            say(f"  {item.line.replace('-', ' ')}, {item.what}: {value}. {word}.")
    say_then("\nCheck that the right lines were followed:", *(shown_path(path) for path in drawn))


def _reading_text(reading: Reading, units: Units) -> str:
    raw = "" if reading.raw is None else f"; in the picture {plain(reading.raw, reading.unit, units)}"
    why = f" ({reading.reason})" if reading.reason else ""
    return f"{reading.what}: {reading_text(reading, units)}{raw}. {reading.word[:1].upper()}{reading.word[1:]}{why}."


def _gain(found: Measured, units: Units) -> str:
    """What to do differently with the next pictures, and what it improves; empty if it improves nothing printed."""
    if (better := next_time(found)) is None:
        return ""
    what, reading = better
    to, now = (give_or_take(error or 0.0, reading.unit, units) for error in (reading.without, reading.error))
    good = f"the {reading.line} line's {reading.what} is good to {to} instead of {now}"
    return f"For the next pictures: {what}. Then {good}." if to != now else ""


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


# -- read: lines are found, and confirmed on a page ----------------------------------------------------------------------


def read_pictures(
    pictures: Sequence[str], to: str | None, *, yes: bool, answer: str | None, hip_girth: str | None,
    hip_width: str | None, behind: str | None, focal: float | None, findings: str | None, units: str | None,
    rules: str | None,
) -> int:  # fmt: skip
    chosen = units_of(units or "in")
    girth, hung = length_given(hip_girth, "the hip girth", 300), length_given(behind, "--behind", -1000)
    named = [with_view(text) for text in pictures]
    folder = Path(to) if to else Path(named[0].partition("=")[2]).parent / "read"
    paths = list(take_pictures(named, str(folder), focal=focal, hip=hip_width))
    if not confirmed(paths, folder, answer):
        page = ask(paths, folder, chosen, girth, lines_drawn(rules_of(rules)), behind=hung)
        if not any(read_marks(sidecar(path)).lines for path in paths):
            by_hand = command("fitdiag", "photo", "mark", *paths, *_with_values({"--garment": rules}))
            say_then("No level line was found on any of them. To set three points on each line by hand:", by_hand)
        given = {"--to": to, "--hip-girth": hip_girth, "--hip-width": hip_width, "--behind": behind, "--focal": focal,
                 "--findings": findings, "--units": units, "--garment": rules}  # fmt: skip
        if yes:
            take_all(paths)
        elif not _waited(
            paths, folder, page, again=command("fitdiag", "photo", "read", *pictures, *_with_values(given))
        ):
            return 0
    target = findings or str(folder / "findings.yaml")
    return measure([str(path) for path in paths], [], as_json=False, units=chosen, hip_girth=hip_girth, findings=target,
                   overlays=None, rules=rules, replace=findings is None)  # fmt: skip


def _with_values(options: Mapping[str, object]) -> Iterator[str]:
    """The words of the options that were given, to repeat them in a command."""
    for name, value in options.items():
        if value is not None:
            yield from (name, str(value))


def with_view(text: str) -> str:
    """Return a picture as VIEW=FILE; the view may be part of the file name. Raises ProblemsFoundError."""
    view, sign, _ = text.partition("=")
    if sign and view in VIEWS:
        return text
    found = set(re.findall(rf"(?<![a-z])({'|'.join(VIEWS)})(?![a-z])", Path(text).stem.lower()))
    if len(found) != 1:
        message = f"'{one_line(Path(text).name, 60)}' does not say from where the picture was taken"
        hint = f"write it like back={one_line(Path(text).name, 40)}, or name the file so; views are {', '.join(VIEWS)}"
        raise stop("argument", message, hint=hint)
    return f"{found.pop()}={text}"


def ask(
    paths: Sequence[Path],
    folder: Path,
    units: Units,
    girth: float | None,
    drawn: Sequence[str],
    behind: float | None = None,
) -> Path:
    """Detect lines, save them beside each picture as proposed marks, and write the page that asks for confirmation.

    `drawn`: the level lines drawn on the garment.
    """
    read, found = [read_marked(path) for path in paths], list[Marks]()
    for picture, given in read:
        marks = given if given.proposed or given.lines else proposals(picture.pixels, given)
        sheet = marks.sheet and (marks.sheet if behind is None else replace_fields(marks.sheet, behind_mm=behind))
        found.append(replace_fields(marks, sheet=sheet))
    write_all({sidecar(path): as_json(marks) for path, marks in zip(paths, found, strict=True)}, replace=True)
    pixels = [picture.pixels for picture, _ in read]
    measured = measure_all(
        [(one, replace_fields(marks, proposed=())) for one, marks in zip(pixels, found, strict=True)], girth
    )
    shown = [replace_fields(one, marks=marks) for one, marks in zip(measured, found, strict=True)]
    for path, marks in zip(paths, found, strict=True):
        doubted = f"; {len(marks.doubts)} doubtful" if marks.doubts else ""
        say(f"{path.name}: {len(marks.lines) + len(marks.grains)} lines found{doubted}.")
    page = folder / PAGE
    text = confirm_page(list(zip(pixels, shown, strict=True)), answer_name(found), units, drawn)
    write_atomically(page, text, replace=True)
    return page


def answer_name(found: Sequence[Marks]) -> str:
    """The file name under which the page saves its answer; it depends on the pictures."""
    return f"confirmed-{''.join(marks.sha256[:4] for marks in found)[:16]}.json"


def _waited(paths: Sequence[Path], folder: Path, page: Path, again: str) -> bool:
    """Whether the page's answer has arrived; on a terminal, wait for it."""
    text = "Open this page in a browser and say yes there; delete it when done, as the pictures are inside:"
    say_then(text, page.resolve().as_uri())
    while sys.stdin.isatty() and sys.stdout.isatty():
        write("Press Enter when its answer is saved, or q and Enter to leave.")
        try:
            typed = input("> ")
        except EOFError:
            break
        if typed.strip().lower().startswith("q"):
            break
        if confirmed(paths, folder, None):
            return True
        say("There is no answer yet, neither beside the pictures nor among the downloads.")
    say_then("Nothing is measured before that. Then go on:", again)
    return False


def confirmed(paths: Sequence[Path], folder: Path, answer: str | None) -> bool:
    """Whether all pictures have marks confirmed by a person; takes in an answer from the page."""
    marks = [read_marks(sidecar(path)) for path in paths]
    if answer is None and all(item.lines and not item.proposed for item in marks):
        return True
    name = answer_name(marks)
    for file in [Path(answer)] if answer else _saved(folder, Path(name).stem):
        where = shown_path(file)
        found = parse_answer(read_text(file, LARGEST_ANSWER, "answer"), where)
        given = {(item.sha256, item.view): item for item in found.marks}
        if any((item.sha256, item.view) not in given for item in marks):
            if answer:
                raise stop("other-pictures", "this answer belongs to other pictures", where=Where(where))
            continue
        _refuse_mirrored([path for path, item in zip(paths, marks, strict=True) if item.sha256 in found.mirrored])
        say(f"Confirmed on the page: {where}.")
        new = {
            path: replace_fields(given[item.sha256, item.view], file=item.file)
            for path, item in zip(paths, marks, strict=True)
        }
        write_all({sidecar(path): as_json(item) for path, item in new.items()}, replace=True)
        return True
    return False


def _refuse_mirrored(paths: Sequence[Path]) -> None:
    """If pictures are mirror images, write flipped copies beside them and raise ProblemsFoundError."""
    turned: dict[Path, bytes | str] = {}
    for path in paths:
        picture, marks = read_marked(path)
        content = clean_jpeg(replace_fields(picture, pixels=picture.pixels[:, ::-1]))
        copy = path.with_name(f"turned-{path.name}")
        bare = Marks(copy.name, digest(content), marks.width, marks.height, marks.view, marks.focal_35mm,
                     focal_typed=marks.focal_typed, cropped=marks.cropped, widths_mm=marks.widths_mm)  # fmt: skip
        turned |= {copy: content, sidecar(copy): as_json(bare)}
    if turned:
        write_all(turned, replace=True)
        names = " and ".join(shown_path(path) for path in turned if path.suffix == ".jpg")
        raise stop("mirrored", "a mirror image takes left for right, so nothing is measured",
                   hint=f"turned the right way round it is {names}: read that instead, into another folder")  # fmt: skip


def _saved(folder: Path, stem: str) -> Iterator[Path]:
    """Answers of this name beside the pictures and in the download folders, newest first."""
    places = (folder, Path(os.environ.get("XDG_DOWNLOAD_DIR") or Path.home() / "Downloads"), Path())
    found = [path for place in places if place.is_dir() for path in place.glob(f"{stem}*.json")]
    yield from sorted(found, key=lambda path: -path.stat().st_mtime)[:MOST_LOOKED_AT]


def take_all(paths: Sequence[Path]) -> None:
    """Confirm all marks except doubtful ones, which are dropped."""
    new = {}
    for path in paths:
        marks = read_marks(sidecar(path))
        if MIRRORED in marks.doubts.values():
            _refuse_mirrored([path])
        kept = replace_fields(
            marks, proposed=tuple(name for name in marks.proposed if name in marks.doubts)
        ).confirmed()
        new[sidecar(path)] = as_json(replace_fields(kept, proposed=(), doubts={}))
        for name, doubt in marks.doubts.items():
            say(f"{path.name}: {name.replace('-', ' ').replace('_', ' ')} is left out: {doubt}.")
    write_all(new, replace=True)
