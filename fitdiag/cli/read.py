"""`fitdiag photo read`: pictures of a fitting dropped in, lines found, one page to confirm them, and what they tell."""

from __future__ import annotations

import hashlib
import os
import re
import sys
from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path

from fitdiag.cli.arguments import units_of
from fitdiag.cli.output import say, say_then, write
from fitdiag.cli.photo import length_given, measure, read_marked, sidecar, take_pictures
from fitdiag.files import write_all
from fitdiag.knowledge.strict_yaml import read_text
from fitdiag.photos.intake import clean_jpeg
from fitdiag.photos.marks import VIEWS, Marks, as_json, read_marks
from fitdiag.photos.measure import measure_all
from fitdiag.photos.page import confirm_page, parse_answer
from fitdiag.photos.propose import MIRRORED, proposals
from fitdiag.photos.readings import KEPT, kept_text
from fitdiag.problems import Where, command, one_line, shown_path, stop
from fitdiag.units import Units

PAGE = "confirm.html"
LARGEST_ANSWER = 1 << 20
MOST_LOOKED_AT = 50


def read(
    pictures: Sequence[str], to: str | None, *, yes: bool, answer: str | None, hip_girth: str | None,
    hip_width: str | None, behind: str | None, focal: float | None, findings: str | None, units: str | None,
    rules: str | None,
) -> int:  # fmt: skip
    chosen: Units = units_of(units) if units else "in"
    girth, hung = length_given(hip_girth, "the hip girth", 300), length_given(behind, "--behind", -1000)
    named = [with_view(text) for text in pictures]
    folder = Path(to) if to else Path(named[0].partition("=")[2]).parent / "read"
    paths = list(take_pictures(named, str(folder), focal=focal, hip=hip_width))
    if not confirmed(paths, folder, answer):
        page = ask(paths, folder, chosen, girth, hung)
        if yes:
            take_all(paths)
        elif not _waited(paths, folder, page, again=command("fitdiag", "photo", "read", *pictures)):
            return 0
    told = findings or str(folder / "findings.yaml")
    return measure([str(path) for path in paths], [], as_json=False, units=chosen, hip_girth=hip_girth, findings=told,
                   overlays=None, rules=rules, replace=findings is None)  # fmt: skip


def with_view(text: str) -> str:
    """A picture as VIEW=FILE; the view may stand in the file's name."""
    view, sign, _ = text.partition("=")
    if sign and view in VIEWS:
        return text
    found = set(re.findall(rf"(?<![a-z])({'|'.join(VIEWS)})(?![a-z])", Path(text).stem.lower()))
    if len(found) != 1:
        told = f"'{one_line(Path(text).name, 60)}' does not say from where the picture was taken"
        hint = f"write it like back={one_line(Path(text).name, 40)}, or name the file so; views are {', '.join(VIEWS)}"
        raise stop("argument", told, hint=hint)
    return f"{found.pop()}={text}"


def ask(paths: Sequence[Path], folder: Path, units: Units, girth: float | None, behind: float | None = None) -> Path:
    """Find what is there to find, keep it beside each picture as proposed, and write the page that asks for a yes."""
    read, found = [read_marked(path) for path in paths], list[Marks]()
    for picture, given in read:
        marks = given if given.proposed or given.lines else proposals(picture.pixels, given)
        sheet = marks.sheet and (marks.sheet if behind is None else replace(marks.sheet, behind_mm=behind))
        found.append(replace(marks, sheet=sheet))
    write_all({sidecar(path): as_json(marks) for path, marks in zip(paths, found, strict=True)}, replace=True)
    pixels = [picture.pixels for picture, _ in read]
    measured = measure_all(
        [(one, replace(marks, proposed=())) for one, marks in zip(pixels, found, strict=True)], girth
    )
    shown = [replace(one, marks=marks) for one, marks in zip(measured, found, strict=True)]
    for path, marks in zip(paths, found, strict=True):
        doubted = f"; {len(marks.doubts)} doubtful" if marks.doubts else ""
        say(f"{path.name}: {len(marks.lines) + len(marks.grains)} lines found{doubted}.")
    page = folder / PAGE
    text = confirm_page(list(zip(pixels, shown, strict=True)), answer_name(found), units)
    write_all({page: text, folder / KEPT: kept_text(measured, girth)}, replace=True)
    return page


def answer_name(found: Sequence[Marks]) -> str:
    """The name under which the page saves its answer: another one for other pictures."""
    return f"confirmed-{''.join(marks.sha256[:4] for marks in found)[:16]}.json"


def _waited(paths: Sequence[Path], folder: Path, page: Path, again: str) -> bool:
    """Whether the page's answer came; on a terminal it is waited for."""
    told = "Open this page in a browser and say yes there; delete it when done, for the pictures are inside:"
    say_then(told, page.resolve().as_uri())
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
    say_then("Nothing is measured before. Then go on:", again)
    return False


def confirmed(paths: Sequence[Path], folder: Path, answer: str | None) -> bool:
    """Whether all pictures have marks that a person confirmed; an answer from the page is taken in."""
    marks = [read_marks(sidecar(path)) for path in paths]
    if answer is None and all(item.lines and not item.proposed for item in marks):
        return True
    name = answer_name(marks)
    for file in [Path(answer)] if answer else _saved(folder, Path(name).stem):
        where = shown_path(file)
        found = parse_answer(read_text(file, LARGEST_ANSWER, "answer"), where)
        given = {item.sha256: item for item in found.marks}
        if any(item.sha256 not in given for item in marks):
            if answer:
                raise stop("other-pictures", "this answer belongs to other pictures", where=Where(where))
            continue
        _refuse_mirrored([path for path, item in zip(paths, marks, strict=True) if item.sha256 in found.mirrored])
        say(f"Confirmed on the page: {where}.")
        new = {path: replace(given[item.sha256], file=item.file) for path, item in zip(paths, marks, strict=True)}
        write_all({sidecar(path): as_json(item) for path, item in new.items()}, replace=True)
        return True
    return False


def _refuse_mirrored(paths: Sequence[Path]) -> None:
    """Where pictures are mirror images, put copies that are turned beside them, and stop."""
    turned: dict[Path, bytes | str] = {}
    for path in paths:
        picture, marks = read_marked(path)
        content = clean_jpeg(replace(picture, pixels=picture.pixels[:, ::-1]))
        copy = path.with_name(f"turned-{path.name}")
        widths, digest = marks.widths_mm, hashlib.sha256(content).hexdigest()
        bare = Marks(copy.name, digest, marks.width, marks.height, marks.view, marks.focal_35mm, widths_mm=widths)
        turned |= {copy: content, sidecar(copy): as_json(bare)}
    if turned:
        write_all(turned, replace=True)
        names = " and ".join(shown_path(path) for path in turned if path.suffix == ".jpg")
        raise stop("mirrored", "a mirror image takes left for right, so nothing is measured",
                   hint=f"turned the right way round it is {names}: read that instead, into another folder")  # fmt: skip


def _saved(folder: Path, stem: str) -> Iterator[Path]:
    """Answers of this name beside the pictures and where browsers put downloads, the newest first."""
    places = (folder, Path(os.environ.get("XDG_DOWNLOAD_DIR") or Path.home() / "Downloads"), Path())
    found = [path for place in places if place.is_dir() for path in place.glob(f"{stem}*.json")]
    yield from sorted(found, key=lambda path: -path.stat().st_mtime)[:MOST_LOOKED_AT]


def take_all(paths: Sequence[Path]) -> None:
    """Confirm all that is not doubtful; what is doubtful is left out."""
    new = {}
    for path in paths:
        marks = read_marks(sidecar(path))
        if MIRRORED in marks.doubts.values():
            _refuse_mirrored([path])
        kept = replace(marks, proposed=tuple(name for name in marks.proposed if name in marks.doubts)).confirmed()
        new[sidecar(path)] = as_json(replace(kept, proposed=(), doubts={}))
        for name, doubt in marks.doubts.items():
            say(f"{path.name}: {name.replace('-', ' ').replace('_', ' ')} is left out: {doubt}.")
    write_all(new, replace=True)
