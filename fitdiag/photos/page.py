"""The marking page and the confirming page: HTML files with the pictures inside, which make no network requests and run only
their own script."""

from __future__ import annotations

import io
import json
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Annotated, Any, Literal

import numpy as np
from numpy.typing import NDArray
from PIL import Image
from pydantic import Field

from fitdiag.knowledge.basics import Strict
from fitdiag.knowledge.reading import parse_json, read_file
from fitdiag.photos.drawn import LINES, called, has_legs, named
from fitdiag.photos.find_lines import BY_HIP
from fitdiag.photos.find_room import marked_corner
from fitdiag.photos.marks import CONFIRMED, SCHEMA, Marks, as_json
from fitdiag.photos.overlay import reading_text, sentence
from fitdiag.photos.propose import MIRRORED
from fitdiag.photos.readings import Measured
from fitdiag.photos.trousers import HIP, KNEES, WAIST
from fitdiag.problems import Where, one_line, stop
from fitdiag.templates import render
from fitdiag.units import Units

SHOWN_HIGH = 1800  # px of the copy in the page
NAMES = {"centre_seam": "Centre seam", "verticals": "Plumb line", "sheet": "Sheet of paper"}
NO_SIGN = "nothing shows whether this is a mirror image, as front cameras often make. Is it right that"
NO_SIGNS = "nothing shows whether one of these is a mirror image, as front cameras often make. Is it right that"
UNTURNED = {"back": "the wearer's left hand is on the left from behind", "front": "the left hand is on the right from the front",
            "left": "the toes point left from the left side", "right": "the toes point right from the right side"}  # fmt: skip
TURNED = "the sheet's marked corner is at the top right, as in a mirror image; the card asks for the top left."
MAIN_READINGS = ("tilt", "drop", "v depth", "fall to the back outline", "lean")


def mark_page(jpeg: bytes, marks: Marks, units: Units = "cm", drawn: Collection[str] = LINES) -> str:
    """Return the page on which a fitter marks this cleaned picture, starting with these marks, in these units.

    `drawn`: the level lines drawn on the garment, by name or as the shot card has them ("knee" for both legs).

    The text contains a private picture: write it so that only its owner can read it.
    """
    return render(
        "photos/mark_page.html",
        file=one_line(marks.file) or "a picture",
        given=json.loads(as_json(marks)),
        known=LINES,
        drawn=list(drawn),
        legs=has_legs(drawn),
        picture=jpeg,
        width=marks.width,
        height=marks.height,
        inches=units == "in",
    )


def confirm_page(
    pictures: Sequence[tuple[NDArray[np.uint8], Measured]], answer: str, units: Units, drawn: Collection[str] = LINES
) -> str:
    """Return the page that shows what was found on the pictures (H, W, 3) of one fitting, to be confirmed; it saves a file `answer`.

    `drawn`: the level lines drawn on the garment, as for `mark_page`; those that were not found are named.

    Each picture comes with its marks measured as if already confirmed. The text contains private pictures: write it so that only
    its owner can read it.
    """
    shown = [_shown(found, units, drawn) for _, found in pictures]
    return render(
        "photos/confirm_page.html",
        title=", ".join(one_line(found.marks.file) for _, found in pictures),
        given={"schema": CONFIRMED, "answer": answer, "pictures": shown, "mirror": _mirror([*pictures])},
        pictures=[_smaller(pixels) for pixels, _ in pictures],
    )


def _mirror(pictures: Sequence[tuple[NDArray[np.uint8], Measured]]) -> list[dict[str, Any]]:
    """Questions about mirror images: one for each picture that looks like one, one for all that give no sign of it.

    After a no to the latter comes `each`, the question about each of its pictures.
    """
    looks: dict[str, list[Marks]] = {"left": [], "right": [], "": []}
    for pixels, found in pictures:
        sheet = found.marks.sheet
        looks[marked_corner(pixels, sheet.corners) if sheet else ""].append(found.marks)
    asked = [_about(f"{TURNED} Is it right as it is?", marks) for marks in looks["right"]]
    alone = [_about(f"{NO_SIGN} {UNTURNED[marks.view]}?", marks) for marks in looks[""]]
    if len(alone) < 2:
        return asked + alone
    seen = dict.fromkeys(UNTURNED[marks.view] for marks in looks[""])
    return [*asked, _about(f"{NO_SIGNS} {', and '.join(seen)}?", *looks[""]) | {"each": alone}]


def _about(question: str, *pictures: Marks) -> dict[str, Any]:
    """A question about whole pictures, named before it."""
    names = ", ".join(one_line(marks.file) for marks in pictures)
    return {"question": f"{names}: {question}", "pictures": [marks.sha256 for marks in pictures], "each": []}


@dataclass(frozen=True)
class Answer(Strict):
    """What the page saved: the confirmed marks, and the pictures that are not the right way round, by SHA-256.

    `mirrored`: those that are mirror images; `turned`: by how many degrees clockwise one must be turned to stand upright.
    """

    marks: Annotated[tuple[Marks, ...], Field(max_length=20)]
    mirrored: tuple[str, ...] = ()
    turned: Mapping[str, Literal[90, 180, 270]] = field(default_factory=dict)


def parse_answer(text: str, path: str) -> Answer:
    """Parse a file the page saved; `path` is only for messages. Raises ProblemsFoundError with every fault found."""
    document = parse_json(text, path, "save it on the page again")
    if isinstance(document.data, dict) and document.data.get("schema") == SCHEMA:
        message = "these are the marks of one picture, from the page of `photo mark`, and no answer"
        raise stop("other-file", message, where=Where(path), hint="`fitdiag photo measure` takes them, with --marks")
    return read_file(document, Answer, CONFIRMED)


def _smaller(pixels: NDArray[np.uint8]) -> bytes:
    image = Image.fromarray(pixels)
    image.thumbnail((SHOWN_HIGH, SHOWN_HIGH))
    out = io.BytesIO()
    image.save(out, "JPEG", quality=85)
    return out.getvalue()


def _shown(found: Measured, units: Units, drawn: Collection[str]) -> dict[str, Any]:
    """One picture as the page draws it."""
    marks, names = found.marks, {**called(drawn), **NAMES}
    # a waistline need not be drawn, and the other leg's knee is not seen from the side
    behind = (WAIST, *(name for name in KNEES if marks.seen_from_the_side and not name.endswith(marks.view)))
    missing = [names[name].lower() for name in named(drawn) if name not in (*marks.lines, *behind)]
    missing += ["plumb lines"] * (not marks.verticals) + ["sheet of paper"] * (marks.sheet is None)
    side = "side" if marks.seen_from_the_side else ""
    return {
        "title": f"{one_line(marks.file)}: the {marks.view} {side}".rstrip(),
        "marks": json.loads(as_json(marks)),
        "things": sorted(_things(found, units, names), key=lambda thing: not thing["doubt"]),
        "missing": missing,
        "warnings": [sentence(warning, units) for warning in found.warnings],
    }


def _things(found: Measured, units: Units, names: Mapping[str, str]) -> Iterator[dict[str, Any]]:
    """Each line as the page draws it, by its name there, with its main readings."""
    marks = found.marks
    doubts = {name: doubt for name, doubt in marks.doubts.items() if doubt != MIRRORED}
    tracks = {**{name: line.track for name, line in found.lines.items()}, **found.grains, "centre_seam": found.seam}
    things = [
        *(("lines", name, 0, points) for name, points in marks.lines.items()),
        *(("grains", name, 0, points) for name, points in marks.grains.items()),
        *([("centre_seam", "centre_seam", 0, marks.centre_seam)] if marks.centre_seam else []),
        *(("verticals", "verticals", index, pair) for index, pair in enumerate(marks.verticals)),
        *([("sheet", "sheet", 0, marks.sheet.corners)] if marks.sheet else []),
    ]
    for kind, name, index, points in things:
        course = [list(point) for point in (*points, *(points[:1] if kind == "sheet" else ()))]
        if (track := tracks.get(name)) is not None:
            kept = track.pixels[track.beyond : len(track.pixels) - track.beyond : 4]
            course = [[round(float(x), 1), round(float(y), 1)] for x, y in kept] or course
        numbers = [f"{reading.what} {reading_text(reading, marks.view, units)}" for reading in found.readings
                   if reading.line == name and reading.what in MAIN_READINGS and reading.value is not None]  # fmt: skip
        whole = "Side seam" if kind == "centre_seam" and marks.seen_from_the_side else names[name]
        whole += f" {index + 1}" if kind == "verticals" else ""
        yield {
            "name": whole,
            "short": whole.removesuffix(" leg").lower(),
            "place": [kind, name, index],
            "points": [list(point) for point in points],
            "course": course,
            "closed": kind == "sheet",
            "told": "; ".join(numbers),
            "doubt": doubts.get(name, ""),
            "asked": doubts.get(HIP if doubts.get(name) == BY_HIP else name, ""),
        }
