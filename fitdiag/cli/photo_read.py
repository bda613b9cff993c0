"""`fitdiag photo read`: the lines of pictures are found, confirmed on one page, and measured."""

from __future__ import annotations

import os
import re
import sys
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace as replace_fields
from pathlib import Path
from typing import NoReturn

from fitdiag.cli.arguments import rules_of, units_of
from fitdiag.cli.output import say, say_then, write
from fitdiag.cli.photo import length_given, lines_drawn, measure, read_marked, sidecar, take_pictures, with_values
from fitdiag.files import digest, write_all, write_atomically
from fitdiag.knowledge.strict_yaml import read_text
from fitdiag.photos.intake import Picture, clean_jpeg, read_picture, right_way_round
from fitdiag.photos.marks import VIEWS, Marks, as_json, read_marks
from fitdiag.photos.measure import measure_all
from fitdiag.photos.page import confirm_page, parse_answer
from fitdiag.photos.propose import MIRRORED, proposals
from fitdiag.problems import Where, command, one_line, shown_path, stop
from fitdiag.units import Units

PAGE = "confirm.html"
LARGEST_ANSWER = 1 << 20  # bytes
MOST_LOOKED_AT = 50  # saved answers, newest first


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
        say_if_none(paths, rules)
        given = {"--to": to, "--hip-girth": hip_girth, "--hip-width": hip_width, "--behind": behind,
                 "--focal": focal and f"{focal:g}", "--findings": findings, "--units": units, "--garment": rules}  # fmt: skip
        if yes:
            take_all(paths)
        elif not _waited(
            paths, folder, page, again=command("fitdiag", "photo", "read", *pictures, *with_values(given))
        ):
            return 0
    target = findings or str(folder / "findings.yaml")
    return measure([str(path) for path in paths], [], as_json=False, units=chosen, hip_girth=hip_girth, findings=target,
                   overlays=None, rules=rules, replace=findings is None)  # fmt: skip


def say_if_none(paths: Sequence[Path], garment: str | None) -> None:
    """Say what can be done where no level line was found on any of these pictures."""
    if not any(read_marks(sidecar(path)).lines for path in paths):
        by_hand = command("fitdiag", "photo", "mark", *paths, *with_values({"--garment": garment}))
        turn = "If one does not stand upright, say so on the page below; else set three points on each line by hand:"
        say_then(f"No level line was found on any of them. {turn}", by_hand)


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
    read, found = [_unread(path) or read_marked(path) for path in paths], list[Marks]()
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
        lines = (*marks.lines, *marks.grains)
        doubtful = sum(name in marks.doubts for name in lines)
        say(f"{path.name}: {len(lines)} lines found{f', {doubtful} of them doubtful' if doubtful else ''}.")
    page = folder / PAGE
    text = confirm_page(list(zip(pixels, shown, strict=True)), answer_name(found), units, drawn)
    write_atomically(page, text, replace=True)
    return page


def _unread(path: Path) -> tuple[Picture, Marks] | None:
    """A picture in whose marks there is no line yet, with these; None if there are lines.

    Where its turning was broken off, such marks are those of the turned picture, and are made this one's.
    """
    if not sidecar(path).exists() or (marks := read_marks(sidecar(path))).lines:
        return None
    picture = read_picture(path)
    return picture, replace_fields(marks, sha256=picture.sha256, width=picture.width, height=picture.height)


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


def confirmed(paths: Sequence[Path], folder: Path, answer: str | None, *, own: bool = False) -> bool:
    """Whether all pictures have marks confirmed by a person; takes in an answer from the page.

    `own`: the pictures are a case's own, so one that is not the right way round is turned where it lies, to be confirmed again.
    """
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
                hint = "answer the page of these: it is written again without --answer"
                raise stop("other-pictures", "this answer belongs to other pictures", where=Where(where), hint=hint)
            continue
        wrong = {
            path: (found.turned.get(item.sha256, 0), item.sha256 in found.mirrored)
            for path, item in zip(paths, marks, strict=True)
            if item.sha256 in (*found.turned, *found.mirrored)
        }
        if wrong and not own:
            _refuse_turned(wrong)
        new: dict[Path, bytes | str] = {
            sidecar(path): as_json(replace_fields(given[item.sha256, item.view], file=item.file))
            for path, item in zip(paths, marks, strict=True)
        }
        turned = _turned({path: path for path in wrong}, wrong)
        write_all(new | turned, replace=True)
        if wrong:
            names = ", ".join(path.name for path in wrong)
            say(f"Turned the right way round, as said on the page: {names}. The lines there are looked for again.")
        else:
            say(f"Confirmed on the page: {where}.")
        return not wrong
    return False


def _turned(copies: Mapping[Path, Path], ways: Mapping[Path, tuple[int, bool]]) -> dict[Path, bytes | str]:
    """The files of pictures turned the right way round, and of their marks, still without lines.

    `copies`: by picture, where the turned one goes; `ways`: by how many degrees clockwise, and whether it is a mirror image.
    """
    made: dict[Path, bytes | str] = {}
    for path, copy in copies.items():
        picture, marks = read_marked(path)
        clockwise, mirrored = ways[path]
        turned = right_way_round(picture, clockwise=clockwise, mirrored=mirrored)
        content = clean_jpeg(turned)
        bare = Marks(copy.name, digest(content), turned.width, turned.height, marks.view, marks.focal_35mm,
                     focal_typed=marks.focal_typed, cropped=marks.cropped, widths_mm=marks.widths_mm)  # fmt: skip
        made |= {copy: content, sidecar(copy): as_json(bare)}
    return made


def _refuse_turned(ways: Mapping[Path, tuple[int, bool]]) -> NoReturn:
    """Write a copy the right way round beside each of these pictures, and raise ProblemsFoundError."""
    copies = {path: path.with_name(f"turned-{path.name}") for path in ways}
    write_all(_turned(copies, ways), replace=True)
    why = "lines are looked for only in a picture that stands upright"
    if any(mirrored for _, mirrored in ways.values()):
        why = "a mirror image takes left for right"
    names = " and ".join(shown_path(copy) for copy in copies.values())
    hint = f"turned the right way round it is {names}: read that instead, into another folder"
    raise stop("turned", f"{why}, so nothing is measured", hint=hint)


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
            _refuse_turned({path: (0, True)})
        kept = replace_fields(
            marks, proposed=tuple(name for name in marks.proposed if name in marks.doubts)
        ).confirmed()
        new[sidecar(path)] = as_json(replace_fields(kept, proposed=(), doubts={}))
        for name, doubt in marks.doubts.items():
            say(f"{path.name}: {name.replace('-', ' ').replace('_', ' ')} is left out: {doubt}.")
    write_all(new, replace=True)
