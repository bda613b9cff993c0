"""Lines of simulated muslins laid over a client's picture."""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path

from fitdiag.cli.output import say
from fitdiag.cli.photo import read_marked
from fitdiag.drape.muslin import Draped
from fitdiag.drape.picture import courses
from fitdiag.files import write_atomically
from fitdiag.photos.combine import measure_all
from fitdiag.photos.laid import laid_over
from fitdiag.problems import ProblemsFoundError, one_line, stop

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
