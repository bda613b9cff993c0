"""The drawings of the shot card: each is data, kept once, and set by two small writers, one for the browser and one for paper."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from html import escape
from typing import TYPE_CHECKING, Literal

from fitdiag.units import MM_PER_INCH

if TYPE_CHECKING:
    from fpdf import FPDF

    from fitdiag.knowledge.about import ShotCard


@dataclass(frozen=True)
class Shape:
    """A path in the words of SVG, upper case only: M, L, C and Z. `role` says how it looks."""

    path: str
    role: str


@dataclass(frozen=True)
class Word:
    """A label; `anchor` is where x stands in it."""

    x: float
    y: float
    text: str
    anchor: Literal["start", "middle", "end"] = "start"


@dataclass(frozen=True)
class Drawing:
    """A finished drawing: its name, what it shows in words, and all that is on it; y down, 1 unit is 20 mm of the body."""

    name: str
    title: str
    desc: str
    items: tuple[Shape | Word, ...]


WIDE, HIGH, LETTERS = 78.0, 64.0, 3.0
INK, RUST, BLUE, QUIET, CLOTH = "#22303c", "#b3402a", "#2a6786", "#7d878f", "#f3eee4"
LOOKS: Mapping[str, tuple[str, str, float, tuple[float, ...]]] = {  # edge, filling, width, dashes
    "ground": (INK, "", 0.5, ()),
    "cloth": (INK, CLOTH, 0.5, ()),
    "seam": (INK, "", 0.3, ()),
    "body": (QUIET, "", 0.35, (1.2, 1.2)),
    "thing": (QUIET, "#ffffff", 0.4, ()),
    "phone": (INK, INK, 0.3, ()),
    "lens": (RUST, "#ffffff", 0.5, ()),
    "line": (RUST, "", 0.9, ()),
    "sight": (RUST, "", 0.35, (1.4, 1.0)),
    "grain": (BLUE, "", 0.4, (2.4, 0.8, 0.6, 0.8)),
    "paper": (INK, "#ffffff", 0.5, ()),
    "arrow": (INK, "", 0.4, ()),
    "frame": (QUIET, "#fbfaf7", 0.3, ()),
}


def _box(left: float, top: float, right: float, bottom: float) -> str:
    return f"M {left} {top} L {right} {top} L {right} {bottom} L {left} {bottom} Z"


def _disc(x: float, y: float, r: float) -> str:
    k = round(r * 0.5523, 4)  # the usual cubic for a quarter of a circle
    return (
        f"M {x - r} {y} C {x - r} {y - k} {x - k} {y - r} {x} {y - r} C {x + k} {y - r} {x + r} {y - k} {x + r} {y} "
        f"C {x + r} {y + k} {x + k} {y + r} {x} {y + r} C {x - k} {y + r} {x - r} {y + k} {x - r} {y} Z"
    )


def where_to_stand(worn: ShotCard, name: str, far: str) -> Drawing:
    """The phone on its stack and the person in the garment, from the side; `far` is the least distance."""
    first, *then = worn.lines
    items: list[Shape | Word] = [
        Shape("M 2 56 L 76 56", "ground"),
        Shape("M 59.5 7 C 59 5 59.5 2.5 60 1 M 69 7 C 69.5 5 69.5 2.5 69 1", "body"),
        *(Shape(path, "body") for path in worn.bare[:1]),
        Shape("M 60.5 56 L 60.5 54 L 67.5 54 C 69.5 54.3 71.5 54.8 72 56 Z", "thing"),
        Shape(worn.outline, "cloth"),
        Shape(worn.side_seam, "seam"),
        *(Shape(f"M {line.side[0]:g} {line.y:g} L {line.side[1]:g} {line.y:g}", "line") for line in worn.lines),
        Shape(_box(6, 38, 20, 56), "thing"),
        Shape(_box(7, 32.5, 19, 38), "thing"),
        Shape(_box(8, 27, 18.5, 32.5), "thing"),
        Shape(_box(7.4, 21.5, 18, 27), "thing"),
        Shape(_box(10.5, 17, 13.3, 21.5), "thing"),
        Shape(_box(13.6, 13.4, 14.6, 21.5), "phone"),
        Shape(f"M 16 {first.y:g} L {first.side[0] - 1:g} {first.y:g}", "sight"),
        *(Shape(f"M 22 {line.y:g} L {line.side[0] - 1:g} {line.y:g}", "sight") for line in then),
        Shape(_disc(14.8, 15, 0.9), "lens"),
        Shape("M 14.8 60 L 37 60 M 41 60 L 63.8 60 M 36 61.5 L 38 58.5 M 40 61.5 L 42 58.5", "arrow"),
        Shape("M 17 58.8 L 14.8 60 L 17 61.2 M 61.6 58.8 L 63.8 60 L 61.6 61.2", "arrow"),
        Word(18, first.y - 2, f"{first.id}: lens at the line"),
        *(Word(22.5, line.y + 4, f"then {line.id}") for line in then),
        Word(39, 53, f"{far} or more, zoom in", "middle"),
        Word(5, 8, "phone on a stack"),
    ]
    after = "".join(f", then {line.id} line" for line in then[1:])
    desc = f"From the side: a phone stands on a stack of boxes, its lens level with the {first.id} line of a person in {name}. "
    if then:
        desc += f"Dashed level lines show where the lens goes next: {then[0].id} line{after}. "
    return Drawing("stand", "Where the phone stands", f"{desc}The distance is {far} or more.", tuple(items))


def _mirrored(path: str) -> str:
    """The other leg: every x turned over at the middle of the drawing; in a path x and y take turns."""
    words, is_x = [], True
    for word in path.split():
        if word.isalpha():
            words.append(word)
        else:
            words.append(f"{WIDE - float(word):g}" if is_x else word)
            is_x = not is_x
    return " ".join(words)


def what_is_seen(worn: ShotCard, name: str) -> Drawing:
    """The whole picture, with all that must be in it."""
    shoe = "M 32.4 57 C 32.2 55 32.6 54 33.2 54 L 35.8 54 C 36.4 54 36.8 55 36.6 57 Z"
    pairs = [("body", path) for path in worn.bare[1:]]
    pairs += [("thing", shoe), ("cloth", worn.half), ("arrow", "M 31.4 58.6 L 37.6 58.6")]
    pairs += [("line", f"M {line.half[0]:g} {line.y:g} L {line.half[1]:g} {line.y:g}") for line in worn.lines]
    told = worn.grain_to - 7
    items: list[Shape | Word] = [
        Shape(_box(1, 1, 77, 63), "frame"),
        Shape(_box(4, 1, 7, 55), "thing"),
        Shape("M 1 55 L 32 55 M 37 55 L 41 55 M 46 55 L 77 55", "seam"),
        Shape("M 72 1 L 72 47", "arrow"),
        Shape("M 72 46 L 73.4 51 L 70.6 51 Z", "phone"),
        Shape(_box(52, 7, 62.5, 21.85), "paper"),
        *(Shape(turned(path), role) for role, path in pairs for turned in (str, _mirrored)),
        Shape(worn.centre, "seam"),
        Shape(f"M 34 10 L 34 {worn.grain_to:g}", "grain"),
        Shape(f"M 44 10 L 44 {worn.grain_to:g}", "grain"),
        Shape(f"M 44.8 {told:g} L 48.8 {told:g}", "seam"),
        Word(8.4, 6, "door frame"),
        *(Word(min(29.0, line.half[0] - 1.3), line.y + 1, line.id, "end") for line in worn.lines),
        Word(49.4, told + 1, "grainline"),
        Word(57.25, 15.5, "paper", "middle"),
        Word(70, 32, "string and", "end"),
        Word(70, 35.6, "weight", "end"),
        Word(49, 60.4, "marks for the feet"),
    ]
    *names, last = [line.id for line in worn.lines]
    levels = f"{', '.join(names)} and {last}" if names else last
    desc = (
        f"The whole picture, from behind: {name} from waist to floor with level lines at {levels} and a "
        "grainline down each side. A door frame stands on one side, a string with a weight hangs on the other, a sheet of "
        "paper is flat beside the hip, and the feet are on two marks."
    )
    return Drawing("seen", "What the picture shows", desc, tuple(items))


def svg(drawing: Drawing) -> str:
    """The drawing for a page, with its title and words for those who do not see it."""
    head = (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDE:g} {HIGH:g}" role="img" '
        f'aria-labelledby="{drawing.name}-title {drawing.name}-desc">'
        f'<title id="{drawing.name}-title">{escape(drawing.title)}</title>'
        f'<desc id="{drawing.name}-desc">{escape(drawing.desc)}</desc>'
    )
    parts = [head]
    for item in drawing.items:
        if isinstance(item, Word):
            place = f'x="{item.x:g}" y="{item.y:g}" text-anchor="{item.anchor}" font-size="{LETTERS:g}" fill="{INK}"'
            parts.append(f"<text {place}>{escape(item.text)}</text>")
            continue
        edge, filling, width, dashes = LOOKS[item.role]
        dash = f' stroke-dasharray="{" ".join(f"{part:g}" for part in dashes)}"' if dashes else ""
        look = f'fill="{filling or "none"}" stroke="{edge}" stroke-width="{width:g}" stroke-linejoin="round"{dash}'
        parts.append(f'<path d="{item.path}" {look}/>')
    return "".join([*parts, "</svg>"])


def paint(pdf: FPDF, drawing: Drawing, at: tuple[float, float], scale: float) -> None:
    """Put a drawing on the open page, its corner at `at`."""
    for item in drawing.items:
        if isinstance(item, Word):
            pdf.set_font("helvetica", "", LETTERS * scale * 72 / MM_PER_INCH)
            back = {"start": 0.0, "middle": 0.5, "end": 1.0}[item.anchor] * pdf.get_string_width(item.text)
            pdf.text(at[0] + item.x * scale - back, at[1] + item.y * scale, item.text)
            continue
        edge, filling, width, dashes = LOOKS[item.role]
        with pdf.new_path() as path:
            path.style.auto_close = False
            path.style.stroke_color, path.style.fill_color = edge, filling or None
            path.style.stroke_width, path.style.stroke_join_style = width * scale, "round"
            path.style.stroke_dash_pattern = tuple(part * scale for part in dashes) or None
            for step, numbers in _steps_of(item.path):
                place = [at[n % 2] + number * scale for n, number in enumerate(numbers)]
                getattr(path, {"M": "move_to", "L": "line_to", "C": "curve_to", "Z": "close"}[step])(*place)


def _steps_of(path: str) -> Iterable[tuple[str, list[float]]]:
    words = path.split()
    starts = [n for n, word in enumerate(words) if word.isalpha()]
    for start, end in zip(starts, [*starts[1:], len(words)], strict=True):
        numbers = [float(word) for word in words[start + 1 : end]]
        size = {"M": 2, "L": 2, "C": 6, "Z": 0}[words[start]]
        for n in range(0, max(len(numbers), 1), max(size, 1)):
            yield words[start], numbers[n : n + size]
