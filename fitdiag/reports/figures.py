"""Line drawings of what is seen or felt: trousers from the front, the left side, the back or in use, in three strengths.

Which symptom is drawn how is data: the table FIGURES. A row names the view, a primitive with its numbers, and the window shown.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from html import escape
from typing import Literal

from fitdiag.reports.folds import (
    BOTH,
    TAPE,
    Primitive,
    Sides,
    at,
    bent,
    bent_waist,
    creases,
    crotch_low,
    dart_points,
    drawn_in,
    fan,
    felt,
    folds,
    gaping_waist,
    grain_to_centre,
    hems_out,
    lap,
    level_v,
    off_plumb,
    one_hem,
    one_sided,
    opening,
    pinched,
    pulls,
    pulls_across,
    seam_puckers,
    side_levels,
    side_pulls,
    side_seam,
    sitting_hem,
    spiral,
    taut_seam,
    together,
    waist_moved,
)
from fitdiag.reports.trousers import (
    HEM,
    HIP,
    KNEE,
    MIDDLE,
    WAIST,
    Drawn,
    Shape,
    arrow,
    bending,
    fold,
    frontal,
    line,
    number,
    plumb,
    profile,
    pull,
    rays,
    sitting,
    stairs,
    stroke,
    wanted,
)

View = Literal["front", "side", "back", "sitting", "stairs", "bending"]
Window = tuple[float, float, float, float]  # left, top, width, height
STRENGTHS = (1, 2, 3)
WHOLE: Window = (12.0, 0.0, 96.0, 206.0)
TOP: Window = (18.0, 6.0, 84.0, 96.0)
THIGHS: Window = (18.0, 44.0, 84.0, 96.0)
LEGS: Window = (18.0, 110.0, 84.0, 96.0)
SEATED: Window = (4.0, 0.0, 112.0, 170.0)
USED: Window = (0.0, 0.0, 114.0, 206.0)


@dataclass(frozen=True)
class Figure:
    """A row of the table: from where it is seen, how it is drawn, and whether it can show on one side alone."""

    view: View
    draw: Primitive
    window: Window = TOP
    sided: bool = True


# --------------------------------------------------------------------------------------------------------- the table

FIGURES: Mapping[str, Figure] = {
    # the back
    "v-at-centre-back": Figure("back", level_v(62, 30.5), sided=False),
    "grainline-near-centre-back": Figure("back", grain_to_centre(), (18.0, 8.0, 84.0, 120.0)),
    "folds-under-seat": Figure(
        "back", folds((4, 79, 27, 74, 7), (3.5, 87, 27, 83, 8), (4, 96, 26, 93, 8)), (18.0, 30.0, 84.0, 96.0)
    ),
    "diagonals-under-seat": Figure(
        "back", folds((3, 79, 24, 104, 3), (3.5, 88, 22, 116, 3), (4, 98, 20, 124, 2)), (18.0, 40.0, 84.0, 96.0)
    ),
    "fold-below-back-waist": Figure(
        "back", folds((-20, 30, 20, 30, 4), (-18, 35, 18, 35, 4), (-16, 40, 16, 40, 4), mirror=False), sided=False
    ),
    "back-waist-gapes": Figure("side", gaping_waist(1), sided=False),
    "upright-folds-at-seat": Figure("back", folds((7, 44, 6, 74, 2), (13, 42, 13, 76, 2), (19, 46, 20, 78, 2))),
    "seat-pulls-across": Figure("back", pulls_across(0, 27, 57, centre=True), sided=False),
    "lines-fan-from-back-crotch": Figure("back", fan(76, (24, 44, 8, 62), (11, 18, 27))),
    "seat-seam-taut": Figure("back", taut_seam(), sided=False),
    "seat-wedgie": Figure("back", drawn_in(), sided=False),
    "back-leg-slack": Figure("back", folds((16, 82, 15, 128, 3), (22, 84, 20, 124, 3), (10, 88, 10, 122, 3)), THIGHS),
    "back-thigh-pulls-across": Figure("back", pulls_across(4, 28, 88), (18.0, 36.0, 84.0, 96.0)),
    "inner-thigh-pulls": Figure(
        "front", pulls((7, 108, 1.5, 79, 2), (11, 104, 2, 79, 2), (5, 118, 1.6, 84, 1)), THIGHS
    ),
    # the front
    "waist-dips-at-front": Figure(
        "front",
        bent(
            lambda a: Shape(waist_front=a),
            4,
            7.5,
            12,
            marks=lambda a: [TAPE, pull((52, 28 + a), (49, 52)), pull((68, 28 + a), (71, 52))],
        ),
        sided=False,
    ),
    "waist-sags-at-front": Figure(
        "front",
        bent(
            lambda a: Shape(waist_front=a),
            4,
            7.5,
            12,
            marks=lambda a: [
                TAPE,
                fold((48, 31 + a * 0.6), (72, 31 + a * 0.6), 5 + a * 0.3, 1 + a * 0.08),
                *([fold((46, 37 + a * 0.7), (74, 37 + a * 0.7), 5, 1.6)] if a > 5 else []),
            ],
        ),
        sided=False,
    ),
    "waist-rises-at-front": Figure(
        "front",
        bent(
            lambda a: Shape(waist_front=-a), 5, 9, 14, marks=lambda a: [TAPE, arrow((60, WAIST), (60, WAIST - a - 2))]
        ),
        (18.0, 0.0, 84.0, 96.0),
        sided=False,
    ),
    "front-waist-gapes": Figure("side", gaping_waist(-1), sided=False),
    "fold-below-front-waist": Figure(
        "front", folds((-20, 30, 20, 30, 4), (-18, 35, 18, 35, 4), (-16, 40, 16, 40, 4), mirror=False), sided=False
    ),
    "pleats-or-darts-pull-open": Figure("front", opening((11.5, 25), (12.5, 46), (3, 6, 10), mirror=True)),
    "dart-points-stand-off": Figure("back", dart_points()),
    "front-pulls-across-fly": Figure("front", pulls_across(0, 23, 42, centre=True), sided=False),
    "fly-gapes": Figure("front", opening((0, 26), (0, 60), (3.4, 6, 9.4), mirror=False), sided=False),
    "upright-folds-on-front": Figure("front", folds((13, 30, 13, 62, 2), (19, 44, 19, 70, 2), (8, 36, 8, 62, 2))),
    "diagonals-crotch-to-side-waist": Figure(
        "front", pulls((3, 71, 24, 33, -3), (4, 74, 27, 42, -3), (3, 66, 19, 28, -3))
    ),
    "lines-fan-from-front-crotch": Figure("front", fan(76, (30, 52, 10, 70), (9, 15, 22))),
    "folds-droop-from-front-crotch": Figure(
        "front", folds((2, 66, 20, 74, 4), (2, 73, 20, 84, 5), (3, 81, 19, 95, 5)), (18.0, 30.0, 84.0, 96.0)
    ),
    "upright-folds-at-front-crotch": Figure(
        "front", folds((9, 72, 9, 114, -2), (14, 78, 13, 120, -2), (19, 84, 18, 114, -2)), (18.0, 40.0, 84.0, 96.0)
    ),
    "fold-under-abdomen": Figure(
        "front", folds((-25, 60, 25, 60, 9), (-21, 66, 21, 66, 8), (-17, 56, 17, 56, 6), mirror=False), sided=False
    ),
    "surplus-at-top-of-inseam": Figure(
        "front", folds((2.4, 84, 13, 80, 4), (3, 91, 14, 86, 4), (3.4, 98, 14, 93, 4)), (18.0, 44.0, 84.0, 96.0)
    ),
    "front-thigh-pulls-across": Figure("front", pulls_across(5, 28, 90), (18.0, 40.0, 84.0, 96.0)),
    "front-crease-breaks-at-knee": Figure(
        "front",
        creases(
            lambda a: [(15.5, 78), (15.5 + a * 0.3, 100), (15.5 + a, 122), (15.6, 150), (15.6, HEM)],
            (3, 6, 9.5),
            [(15.5, 78), (15.6, HEM)],
        ),
        (18.0, 70.0, 84.0, 124.0),
    ),
    "crease-off-mid-knee": Figure(
        "front",
        together(
            creases(
                lambda a: [(15.5 - a * 0.3, 78), (15.5 - a, KNEE), (15.6 - a * 1.1, HEM)],
                (2.4, 4.6, 7),
                [(15.5, 78), (15.6, HEM)],
            ),
            lambda k, sides: Drawn(
                marks=tuple(
                    stroke(
                        f"M{number(at(s, 15.5, 0)[0] - 5)} {number(KNEE)}a5 5.6 0 1 0 10 0a5 5.6 0 1 0-10 0",
                        0.9,
                        grey="#666",
                    )
                    for s in sides
                )
            ),
        ),
        (18.0, 70.0, 84.0, 124.0),
    ),
    "fold-climbs-inner-shin": Figure(
        "front", folds((7, 178, 16, 142, -3), (8, 184, 18, 152, -3), (6.5, 168, 14, 134, -3)), LEGS
    ),
    "hems-swing-inward": Figure("front", hems_out(-1), LEGS),
    "hems-swing-outward": Figure("front", hems_out(1), LEGS),
    "one-hem-higher": Figure("front", one_hem(), LEGS),
    "crotch-pulls-with-feet-apart": Figure(
        "front",
        together(
            bent(lambda a: Shape(stance=a), 13, 13, 13),
            pulls((10, 120, 2, 80, 2), (15, 112, 3, 79, 2), (9, 134, 2, 88, 1), (19, 104, 4, 78, 2)),
        ),
        (6.0, 40.0, 108.0, 164.0),
    ),
    "one-sided-diagonal": Figure("back", one_sided()),
    "leg-seams-spiral": Figure("front", spiral(), (18.0, 56.0, 84.0, 146.0)),
    "grainline-off-plumb": Figure("front", off_plumb(), (18.0, 40.0, 84.0, 150.0)),
    "crotch-hangs-low": Figure("front", crotch_low(), (18.0, 30.0, 84.0, 96.0), sided=False),
    "waist-sits-high-all-round": Figure("front", waist_moved(-1), sided=False),
    "waist-cannot-reach-its-line": Figure("front", waist_moved(1), sided=False),
    "slides-down-walking": Figure("front", waist_moved(1, arrows=True), sided=False),
    "hip-too-loose": Figure("front", pinched((30.5, 54, 26, 0)), (8.0, 8.0, 104.0, 112.0)),
    "waist-too-loose": Figure("front", pinched((21.5, 24, 13, -2)), (14.0, 4.0, 92.0, 96.0), sided=False),
    "thigh-too-loose": Figure("front", pinched((29, 92, 26, 0)), (8.0, 44.0, 104.0, 112.0)),
    # the side
    "balance-lines-dip-to-back": Figure("side", side_levels(1, (HIP, 38, 88), (72, 40, 84)), sided=False),
    "balance-lines-rise-to-back": Figure("side", side_levels(-1, (HIP, 38, 88), (74, 40, 83)), sided=False),
    "hip-line-slopes": Figure("side", side_levels(-1, (HIP, 38, 88)), sided=False),
    "waist-dips-at-back": Figure(
        "side",
        bent(
            lambda a: Shape(waist_back=a),
            4.5,
            8.5,
            13.5,
            marks=lambda a: [wanted([(36, WAIST), (84, WAIST)]), arrow((80, WAIST - 3), (80, WAIST + a))],
        ),
        sided=False,
    ),
    "waist-edge-tilts": Figure(
        "side",
        bent(
            lambda a: Shape(waist_front=-a, waist_back=a),
            3,
            5.5,
            9,
            marks=lambda _: [wanted([(34, WAIST), (86, WAIST)])],
        ),
        sided=False,
    ),
    "seat-clings-underneath": Figure(
        "side",
        together(
            bent(lambda a: Shape(under_seat=-a, seat=a * 0.15), 3, 6, 9.5),
            lambda k, _: Drawn(
                marks=tuple(pull((84 - 3.2 * k, 76 + 3 * n), (70 - n, 96 + 5 * n), 2.0, 1.1) for n in range(k + 1))
            ),
        ),
        (18.0, 20.0, 84.0, 96.0),
    ),
    "back-seam-bridges-hollow": Figure(
        "side",
        bent(
            lambda a: Shape(hollow=a, gape_back=a * 0.3),
            2.5,
            4.5,
            7,
            marks=lambda a: [line([(76, 21), (79.5 - a * 0.25, 32), (86, 48)], 1.0), arrow((96, 34), (84 + a, 35))],
        ),
        sided=False,
    ),
    "folds-behind-knee": Figure(
        "side",
        lambda k, _: Drawn(
            Shape(calf=0.6 * k),
            tuple(fold((75, KNEE - 6 + 6 * n), (58 - 2 * k, KNEE - 9 + 6 * n), -3, 1.0 + 0.45 * k) for n in range(k)),
        ),
        LEGS,
    ),
    "pocket-mouths-open": Figure("front", opening((16.5, 26), (28.6, 43), (4, 7.5, 12), mirror=True)),
    "hem-stands-forward": Figure(
        "side", bent(lambda a: Shape(hem_forward=a), 4, 8, 13, marks=lambda a: [plumb(46, 140, 192)]), LEGS
    ),
    "side-seam-runs-forward": Figure(
        "side", side_seam(lambda a: Shape(seam_low=-a), (4, 7.5, 11.5), hip=False), (12.0, 20.0, 96.0, 184.0)
    ),
    "side-seam-runs-back": Figure(
        "side", side_seam(lambda a: Shape(seam_low=a), (4, 7.5, 11.5), hip=False), (12.0, 20.0, 96.0, 184.0)
    ),
    "side-seam-bows-forward-at-hip": Figure("side", side_seam(lambda a: Shape(seam_hip=-a), (4, 7, 11), hip=True)),
    "side-seam-bows-back-at-hip": Figure("side", side_seam(lambda a: Shape(seam_hip=a), (4, 7, 11), hip=True)),
    "side-waist-ripples": Figure(
        "side",
        lambda k, _: Drawn(
            marks=tuple(fold((50 - k, 30 + 6 * n), (71 + k, 30 + 6 * n), 3, 0.9 + 0.45 * k) for n in range(k))
        ),
    ),
    "side-hip-pulls-across": Figure("side", side_pulls(44, 82, HIP)),
    "outer-thigh-pulls": Figure(
        "side",
        lambda k, _: Drawn(
            marks=(rays((62, 72), (8, 172, 28, 152, -12, 192, -30, 210)[: 2 + 2 * k], 3, 12 + 4 * k, 1.2),)
        ),
        (18.0, 24.0, 84.0, 96.0),
    ),
    "calf-catches": Figure(
        "side",
        lambda k, _: Drawn(
            Shape(hem_rise=(0.0, 3.5 * k), calf=0.9 * k, hem_forward=2.0 * k),
            tuple(fold((76 - k, 152 - 7 * n), (60 - 2 * k, 158 - 8 * n), -2, 1.0 + 0.45 * k) for n in range(k)),
        ),
        LEGS,
    ),
    "back-hem-works-under-heel": Figure(
        "side",
        lambda k, _: Drawn(
            Shape(hem_rise=(0.0, -4.5 * k)),
            (
                wanted([(40, HEM), (84, HEM)]),
                *(fold((75, 150 - 9 * n), (62, 155 - 9 * n), 2, 0.9 + 0.35 * k) for n in range(k)),
            ),
        ),
        LEGS,
    ),
    "seam-puckers-lengthwise": Figure("side", seam_puckers(), (12.0, 50.0, 96.0, 140.0)),
    # in use, and felt
    "seat-binds-sitting": Figure("sitting", felt(97, 86), SEATED, sided=False),
    "lap-fullness-sitting": Figure("sitting", lap(), SEATED, sided=False),
    "hem-rides-up-sitting": Figure("sitting", sitting_hem(), SEATED),
    "waist-binds": Figure("front", felt(MIDDLE, 23), (18.0, 2.0, 84.0, 96.0), sided=False),
    "crotch-cuts": Figure("front", felt(MIDDLE, 75), (18.0, 30.0, 84.0, 96.0), sided=False),
    "thigh-binds-on-stairs": Figure("stairs", felt(30, 79), USED),
    "knee-binds-bending": Figure("stairs", felt(17, 90), USED),
    "knee-pulls-in-step": Figure(
        "stairs",
        lambda k, _: Drawn(
            Shape(hem_rise=(3.0 * k, 0.0)), (rays((14, 90), (-8, 12, -28, 32, -48, 50)[: 2 * k], 2, 12 + 5 * k, 1.3),)
        ),
        USED,
    ),
    "waist-pulls-down-when-bending": Figure("bending", bent_waist(), USED, sided=False),
}


def drawn_symptoms() -> tuple[str, ...]:
    """The ids of all symptoms there is a drawing of."""
    return tuple(FIGURES)


def shows_on_one_side(symptom: str) -> bool:
    """Whether it makes sense to ask on which side a drawn symptom shows."""
    return symptom in FIGURES and FIGURES[symptom].sided


def figure(symptom: str, strength: int, *, side: str | None = None, title: str) -> str | None:
    """The drawing of a symptom as SVG text; None if there is none. `strength`: 1 slight, 2 clear, 3 strong.

    `side` is the wearer's own: "left", "right"; otherwise both are drawn. `title` is what a screen reader says.
    """
    if strength not in STRENGTHS:
        raise ValueError(f"a strength is 1, 2 or 3, not {strength}")
    row = FIGURES.get(symptom)
    if row is None:
        return None
    drawn = row.draw(strength, _hands(row.view, side if row.sided else None))
    left, top, width, height = row.window
    name = escape(" ".join(title.split()), quote=True)
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="{number(left)} {number(top)} {number(width)} {number(height)}" '
        f'role="img" aria-label="{name}" stroke-linecap="round" stroke-linejoin="round"><title>{name}</title>'
        f"{_trousers(row.view, drawn.shape)}{''.join(drawn.marks)}</svg>"
    )


def _trousers(view: View, shape: Shape) -> str:
    if view in ("front", "back"):
        return frontal(shape, back=view == "back")
    return {"side": profile, "sitting": sitting, "stairs": stairs, "bending": bending}[view](shape)


def _hands(view: View, side: str | None) -> Sides:
    """The hand of the picture on which the wearer's side lies: seen from the front it is the other one."""
    if side not in ("left", "right") or view not in ("front", "back"):
        return BOTH
    return (-1,) if (side == "left") == (view == "back") else (1,)
