"""What every alteration leaves true of the paper, and the plain geometry beneath, held against shapely and scipy."""

from __future__ import annotations

import random
from collections.abc import Callable
from dataclasses import replace
from itertools import pairwise
from typing import Any

import numpy as np
import pytest
from moving import BLOCK, moved
from scipy.interpolate import CubicHermiteSpline
from shapely import LineString, Point, Polygon
from shapely.affinity import rotate, translate
from shapely.ops import split, substring, unary_union

from fitdiag.knowledge.garment import Move
from fitdiag.knowledge.load import load_rules
from fitdiag.pattern.alter import crossing, exchanged, mapped, redraw, rotated, run_on, smooth_through, through
from fitdiag.pattern.garment import far_on, nearest, shipped_garment
from fitdiag.pattern.moves import carry_out, lifted, make
from fitdiag.pattern.piece import Array, Dart, Notch, Pattern, Piece, length, points
from fitdiag.problems import ProblemsFoundError

RULES = load_rules()
NAMES = tuple(sorted(RULES.alterations))
# A wedge across the seat: taken back, its steps at the centre are left for trueing, and a line along the cut goes with the part
# above when it closes and with the one below when it opens.
WEDGES = ("lengthen-back-crotch", "tuck-across-back-hip")
CUT_AND_MOVED = ("open", "close", "spread", "overlap", "widen")


def with_many_notches(piece: Piece) -> Piece:
    """The piece with eight more notches on each of its seams."""
    eighths = [
        (seam, LineString(line).interpolate(at / 9, normalized=True))
        for seam, line in piece.seams.items()
        for at in range(1, 9)
    ]
    more = (Notch(f"{seam} {at.x:.0f} {at.y:.0f}", seam, np.array(at.coords[0])) for seam, at in eighths)
    return replace(piece, notches=(*piece.notches, *more))


def each_piece(pattern: Pattern, change: Callable[[Piece], Piece]) -> Pattern:
    """The pattern with each of its pieces changed."""
    for piece in pattern.pieces.values():
        pattern = pattern.with_piece(change(piece))
    return pattern


def amounts(name: str) -> tuple[float, ...]:
    most = RULES.alterations[name].most_a_round.amount_mm
    return (most, 0.4 * most, *((-most,) if shipped_garment().alterations[name].goes_back else ()))


@pytest.mark.parametrize("name", NAMES)
def test_what_is_drawn_on_the_paper_stays_on_it(name: str) -> None:
    """Seams meet end to end; notches lie on their seams, wherever they are, one that a fold covers at its edge; the legs of darts
    end on the waist, level lines on the outline."""
    marked = each_piece(BLOCK, with_many_notches)
    for amount in amounts(name):
        for which, altered in carry_out(marked, name, amount).altered.items():
            piece = altered.piece
            for seam in piece.part.seams:
                assert piece.seams[seam][-1] == pytest.approx(piece.seams[piece.part.follows(seam)][0], abs=1e-6)
            steps = np.diff(np.concatenate([piece.outline, piece.outline[:1]]), axis=0)
            assert np.hypot(*steps.T).min() > 1e-6  # no point of the outline stands there twice
            assert set(altered.true) <= set(piece.part.seams)
            top = piece.part.seams[0]
            if abs(length(piece.seams[top]) - length(BLOCK.pieces[which].seams[top])) > 0.5:
                assert top in altered.true
            assert all(joint.at.shape == (2, 2) and joint.seam in piece.part.seams for joint in piece.joints)
            for notch in piece.notches:
                assert LineString(piece.seams[notch.seam]).distance(Point(notch.at)) < 0.01, notch.name
            waist, outline = (
                LineString(piece.seams[piece.part.seams[0]]),
                LineString([*piece.outline, piece.outline[0]]),
            )
            for dart in piece.darts:
                assert max(waist.distance(Point(end)) for end in (dart.left, dart.right)) < 0.1
                assert Polygon(piece.outline).contains(Point(dart.tip))
            old = BLOCK.pieces[which]
            before = LineString([*old.outline, old.outline[0]])
            for drawn, line in piece.lines.items():
                for end in (0, -1):
                    if before.distance(Point(old.lines[drawn][end])) < 0.01:
                        assert outline.distance(Point(line[end])) < 0.6, drawn


@pytest.mark.parametrize("name", NAMES)
def test_a_cut_says_what_paper_it_adds_or_takes(name: str) -> None:
    """A cut runs from edge to edge, and the gap or overlap that is drawn is as large as the piece has grown or shrunk."""
    for amount in amounts(name):
        for which, altered in carry_out(BLOCK, name, amount).altered.items():
            before = BLOCK.pieces[which]
            for done in altered.did:
                assert (
                    done.angle == 0.0 or done.kind == "swing"
                )  # only a leg that swings has its piece turned afterwards
                if done.cut is None:
                    continue
                outline = LineString([*before.outline, before.outline[0]])
                if done is altered.did[0]:
                    assert max(outline.distance(Point(end)) for end in (done.cut.start, done.cut.end)) < 0.01
                if len(altered.did) == 1 and done.kind in CUT_AND_MOVED:
                    patch = Polygon(done.cut.filled).area
                    grown = Polygon(altered.piece.outline).area - Polygon(before.outline).area
                    assert grown == pytest.approx(patch if done.by > 0 else -patch, rel=0.12), (which, done.kind)
                    assert (done.kind in ("open", "spread")) == (done.by > 0) or done.kind == "widen"


@pytest.mark.parametrize("name", NAMES)
def test_nothing_by_nothing(name: str) -> None:
    """An alteration by 0 changes no point."""
    for which, altered in carry_out(BLOCK, name, 0.0).altered.items():
        assert np.array_equal(altered.piece.outline, BLOCK.pieces[which].outline)
        assert altered.did == ()


@pytest.mark.parametrize("name", NAMES)
def test_where_on_the_paper_a_piece_lies_changes_nothing(name: str) -> None:
    """Altered, a piece drawn farther down and to the right is the same piece, farther down and to the right."""
    way = np.array([137.0, -1311.0])
    elsewhere = each_piece(BLOCK, lambda old: replace(mapped(old, lambda at: at + way), grain_x=old.grain_x + way[0]))
    for amount in amounts(name):
        here, there = (carry_out(one, name, amount).pattern for one in (BLOCK, elsewhere))
        for which, piece in here.pieces.items():
            other = there.pieces[which]
            assert other.outline == pytest.approx(piece.outline + way, abs=1e-6)
            assert other.grain_x == pytest.approx(piece.grain_x + way[0])
            assert [joint.seam for joint in other.joints] == [joint.seam for joint in piece.joints]
            for drawn, line in piece.lines.items():
                assert other.lines[drawn] == pytest.approx(line + way, abs=1e-6)


def drawn_by_hand(piece: Piece) -> Piece:
    """The piece with no edge quite straight: every other point of each a millimetre to the left."""
    seams = {}
    for seam, line in piece.seams.items():
        run, off = np.diff(line, axis=0)[1:], np.zeros((len(line), 2))
        off[1:-1:2] = (np.column_stack([-run[:, 1], run[:, 0]]) / np.hypot(*run.T)[:, None])[::2]
        seams[seam] = points(line + off)
    return replace(piece, seams=seams)


def with_points_between(piece: Piece) -> Piece:
    """The piece with two more points on every straight of its edges, which stay as they run."""

    def denser(line: Array) -> Array:
        steps = np.arange(len(line) - 1)
        places = np.sort(np.concatenate([np.arange(len(line)), steps + 0.3, steps + 0.6]))
        return points(np.column_stack([np.interp(places, np.arange(len(line)), line[:, axis]) for axis in (0, 1)]))

    return replace(piece, seams={seam: denser(line) for seam, line in piece.seams.items()})


@pytest.mark.parametrize("name", NAMES)
def test_how_many_points_an_edge_is_drawn_with_changes_nothing(name: str) -> None:
    """A digitised edge has its points anywhere; only how it runs counts. Corners go to the same places."""
    rough = each_piece(BLOCK, drawn_by_hand)
    finer = each_piece(rough, with_points_between)
    for amount in amounts(name)[::2]:
        one, other = (carry_out(pattern, name, amount).pattern for pattern in (rough, finer))
        for which, piece in one.pieces.items():
            for corner in piece.part.corners:
                assert other.pieces[which].corner(corner) == pytest.approx(piece.corner(corner), abs=0.02), corner
            apart = Polygon(piece.outline).symmetric_difference(Polygon(other.pieces[which].outline)).area
            assert apart / LineString(piece.outline).length < 0.02
            assert len(other.pieces[which].joints) == len(piece.joints)


@pytest.mark.parametrize("name", [name for name in NAMES if RULES.alterations[name].operation.one_side])
def test_one_side_is_the_right_unless_said(name: str) -> None:
    """An alteration of one side of the client leaves the other side's pieces as they were."""
    for side, other in ((None, "left"), ("left", "right")):
        step = carry_out(BLOCK, name, amounts(name)[0], side)  # type: ignore[arg-type]
        assert step.side == (side or "right")
        for which, piece in step.pattern.of(other).pieces.items():  # type: ignore[arg-type]
            assert np.array_equal(piece.outline, BLOCK.pieces[which].outline)


@pytest.mark.parametrize("name", [name for name in NAMES if RULES.alterations[name].operation.one_side])
def test_one_side_altered_by_nothing_does_not_part_the_sides(name: str) -> None:
    """What is not altered stays cut twice, once for both sides."""
    assert carry_out(BLOCK, name, 0.0).pattern.sides == ("both",)


@pytest.mark.parametrize("which", ["front", "back"])
@pytest.mark.parametrize("by", [10.0, -10.0])
def test_notches_are_moved_up_along_their_seams(by: float, which: str) -> None:
    """By the amount along the edge, whichever way the seam was drawn; other notches and the paper stay."""
    old = BLOCK.pieces[which]
    new = moved(old, by, do="notches", seams=["side", "inseam"])
    assert np.array_equal(new.outline, old.outline)
    seams = {notch.seam for notch in old.notches}
    assert {"side", "inseam"} < seams
    for before, after in zip(old.notches, new.notches, strict=True):
        if before.seam not in ("side", "inseam"):
            assert np.array_equal(after.at, before.at)
            continue
        line = LineString(old.seams[before.seam])
        assert line.distance(Point(after.at)) < 1e-6
        assert abs(line.project(Point(after.at)) - line.project(Point(before.at))) == pytest.approx(abs(by))
        assert np.sign(after.at[1] - before.at[1]) == np.sign(by)


def test_a_wedge_laid_over_keeps_the_width_to_the_crotch_point() -> None:
    """An overlap tips the centre seam; the crotch point goes as far as the seam, carried on straight, has come at its height."""

    def from_the_seam(piece: Piece, at: Array) -> float:
        (x, y), (low_x, low_y) = piece.seams["centre"][-2:]
        return float(at[0] - low_x - (at[1] - low_y) * (low_x - x) / (low_y - y))

    new = carry_out(BLOCK, "overlap-back-wedge", 20.0).pattern.back
    assert new.corner("crotch-point")[1] == pytest.approx(BLOCK.back.corner("crotch-point")[1])
    before, after = (from_the_seam(piece, piece.corner("crotch-point")) for piece in (BLOCK.back, new))
    assert after == pytest.approx(before, abs=0.01)
    assert new.corner("crotch-point") != pytest.approx(BLOCK.back.corner("crotch-point"), abs=0.5)


@pytest.mark.parametrize("name", [name for name in NAMES if not shipped_garment().alterations[name].goes_back])
def test_what_the_trade_does_one_way_only_is_refused_the_other(name: str) -> None:
    """And says so."""
    with pytest.raises(ProblemsFoundError, match="the trade does this one way only"):
        carry_out(BLOCK, name, -5.0)


@pytest.mark.parametrize("which", ["front", "back"])
@pytest.mark.parametrize("by", [8.0, -8.0])
def test_a_wedge_turns_what_lies_above_it_as_one_stiff_piece(which: str, by: float) -> None:
    """Free at the inner edge: waist, darts and hip line above turn about the hinge by 2 asin(a / 2w), the leg stays where it was."""
    piece = BLOCK.pieces[which]
    y = piece.levels["hip"] - 20
    done = make(piece, [Move(do="wedge", cut=(f"inner at {y} mm", f"outer at {y} mm"))], by)
    assert done.cut is not None
    assert done.cut.hinged
    turn = np.degrees(2 * np.arcsin(abs(by) / (2 * np.hypot(*(done.cut.start - done.cut.end)))))
    centre, side = (piece.corner(name) for name in ("centre-waist", "side-waist"))
    up = np.sign(by) * np.sign(centre[0] - side[0])  # opening lifts the free side
    for before, after in (
        (piece.seams["waist"], done.piece.seams["waist"]),
        (piece.lines["hip"], done.piece.lines["hip"]),
        *((old.ends, new.ends) for old, new in zip(piece.darts, done.piece.darts, strict=True)),
    ):
        expected = rotate(LineString(before), up * turn, origin=tuple(done.cut.end))
        assert LineString(after).hausdorff_distance(expected) < 1e-6
    assert {"waist", "side"} <= set(done.did[0].seams)  # both are bent, and trued
    for seam in ("inseam", "hem"):
        assert np.array_equal(done.piece.seams[seam], piece.seams[seam])
    assert np.array_equal(done.piece.lines["knee"], piece.lines["knee"])
    inner, outer = (sum(length(done.piece.seams[name]) - length(piece.seams[name]) for name in names)
                    for names in (("centre", "curve"), ("side",)))  # fmt: skip
    assert by - 0.1 < inner if by < 0 else inner > 0  # a slanting edge loses less than is laid over it
    assert outer == pytest.approx(0.0, abs=0.01)
    if by > 0:
        assert inner == pytest.approx(by, abs=0.02)


def test_a_wedge_wider_than_its_cut_is_refused() -> None:
    """No turn opens a cut by twice its length; more than its length is not done."""
    y = BLOCK.back.levels["hip"]
    with pytest.raises(ProblemsFoundError, match="more than the cut is wide"):
        moved(BLOCK.back, 900.0, do="wedge", cut=(f"inner at {y} mm", f"outer at {y} mm"))


def test_a_fold_that_takes_the_whole_of_a_seam_is_refused() -> None:
    """From the hip down the centre edge of a front has less than 25 cm to the crotch point: the curve would be gone."""
    y = BLOCK.front.levels["hip"]
    with pytest.raises(ProblemsFoundError, match="nothing would be left of the seam 'curve'"):
        moved(BLOCK.front, -250.0, do="wedge", cut=(f"inner at {y} mm", "side-hem"))


def test_a_cut_from_a_place_to_itself_is_refused() -> None:
    """It has no direction to open in."""
    y = BLOCK.back.levels["hip"]
    with pytest.raises(ProblemsFoundError, match="no length"):
        moved(BLOCK.back, 5.0, do="spread", cut=(f"inner at {y} mm", f"inner at {y} mm"))


def test_a_slit_leaves_the_legs_of_its_dart_alike() -> None:
    """Width for the abdomen opens the dart; a dart with unlike legs could not be sewn."""
    for amount in (5.0, 10.0, 15.0):
        (dart,) = carry_out(BLOCK, "insert-for-abdomen", amount).pattern.front.darts
        legs = [np.hypot(*(end - dart.tip)) for end in (dart.left, dart.right)]
        assert legs[0] == pytest.approx(legs[1], abs=0.2)
        assert legs[0] == pytest.approx(np.hypot(*(BLOCK.front.darts[0].left - BLOCK.front.darts[0].tip)), abs=2.5)
        # the leg below the cut keeps its width: its side seam is there to its top
        side = LineString(carry_out(BLOCK, "insert-for-abdomen", amount).pattern.front.seams["side"])
        leg = [at for at in BLOCK.front.seams["side"] if at[1] < BLOCK.front.levels["knee"]]
        assert max(side.distance(Point(at)) for at in leg) < 1e-6


@pytest.mark.parametrize("by", [20.0, -20.0])
def test_a_spread_moves_all_above_it_straight_up(by: float) -> None:
    """Waist and darts by the amount along the grain; the leg stays."""
    y = BLOCK.back.levels["hip"] - 20
    done = moved(BLOCK.back, by, do="spread", cut=(f"inner at {y} mm", f"outer at {y} mm"))
    assert done.seams["waist"] - BLOCK.back.seams["waist"] == pytest.approx(
        np.full_like(done.seams["waist"], [0.0, by]), abs=1e-6
    )
    assert np.array_equal(done.seams["hem"], BLOCK.back.seams["hem"])
    assert done.lines["hip"] == pytest.approx(BLOCK.back.lines["hip"] + [0.0, by])


@pytest.mark.parametrize("by", [10.0, 0.5, -10.0])
def test_a_piece_is_widened_at_its_grainline(by: float) -> None:
    """The side moves by the amount, the centre stays, and the grainline lies in the middle of the strip or fold."""
    done = moved(BLOCK.back, by, do="widen")
    out = np.sign(BLOCK.back.seams["side"][0, 0] - BLOCK.back.seams["inseam"][0, 0])
    assert done.seams["side"] == pytest.approx(BLOCK.back.seams["side"] + [out * by, 0.0])
    assert done.seams["inseam"] == pytest.approx(BLOCK.back.seams["inseam"])
    assert done.grain_x - BLOCK.back.grain_x == pytest.approx(by / 2)
    steps = done.joints[len(BLOCK.back.joints) :]
    assert {joint.seam for joint in steps} == {"waist", "hem"}
    if by > 0:  # the strip is as wide at the top as at the bottom
        assert [np.hypot(*(joint.at[0] - joint.at[1])) for joint in steps] == pytest.approx([by, by])
    for seam in ("waist", "hem") if by > 0 else ("hem",):  # a slanting waist loses less than is laid over it
        assert length(done.seams[seam]) - length(BLOCK.back.seams[seam]) == pytest.approx(by, abs=0.05)


@pytest.mark.parametrize(
    ("widths", "wider", "then"),
    [
        ((20.0, 10.0), 6.0, (23.0, 13.0)),  # each gives or takes alike
        ((20.0, 10.0), -15.0, (12.5, 2.5)),
        ((20.0, 10.0), -24.0, (4.0, 2.0)),  # more than the smaller has for its half: each by its own width
        ((), 12.0, (12.0,)),
        ((), 0.8, (0.8,)),
    ],
)
def test_what_darts_give_or_take_is_shared_among_them(
    widths: tuple[float, ...], wider: float, then: tuple[float, ...]
) -> None:
    """All of one width where they can be; where there is none, one is laid in the middle of the waist, square to it."""
    top = BLOCK.back.top
    line = LineString(top)
    at = [(line.interpolate(share, normalized=True), width) for share, width in zip((0.35, 0.65), widths, strict=False)]
    darts = tuple(
        Dart(*points([(spot.x - width / 2, spot.y), (spot.x + width / 2, spot.y), (spot.x, spot.y - 100)]))
        for spot, width in at
    )
    done = moved(replace(BLOCK.back, darts=darts), wider, do="darts", wider=1.0)
    assert [dart.width for dart in done.darts] == pytest.approx(then)
    if not darts:
        (new,) = done.darts
        middle = (new.left + new.right) / 2
        assert line.project(Point(middle)) == pytest.approx(line.length / 2)
        assert max(line.distance(Point(end)) for end in (new.left, new.right)) < 0.1
        assert float((new.right - new.left) @ (new.tip - middle)) == pytest.approx(0.0, abs=1e-6)
        assert 60.0 < float(np.hypot(*(new.tip - middle))) < 130.0 and new.tip[1] < middle[1]


@pytest.mark.parametrize("by", [30.0, -30.0])
def test_a_shifted_hem_carries_its_edges_on(by: float) -> None:
    """The hem lies so much lower, level with itself, its ends on the edges; all else stays."""
    done = moved(BLOCK.back, by, do="shift", seam="hem")
    assert done.seams["hem"][:, 1] == pytest.approx(BLOCK.back.seams["hem"][:, 1] - by, abs=1e-6)
    for seam in ("waist", "centre", "curve"):
        assert np.array_equal(done.seams[seam], BLOCK.back.seams[seam])
    if by < 0:
        for seam in ("inseam", "side"):
            assert max(LineString(BLOCK.back.seams[seam]).distance(Point(at)) for at in done.seams[seam]) < 1e-6


@pytest.mark.parametrize("name", [name for name in NAMES if shipped_garment().alterations[name].goes_back])
def test_an_alteration_taken_back_gives_the_paper_back(name: str) -> None:
    """Done and undone, and the other way first: all that is drawn is where it was, to half a millimetre."""
    for amount in (0.5 * amounts(name)[0], -0.5 * amounts(name)[0]):
        back = carry_out(carry_out(BLOCK, name, amount).pattern, name, -amount).pattern
        for which, old in BLOCK.pieces.items():
            new = back.pieces[which]
            apart = Polygon(new.outline).symmetric_difference(Polygon(old.outline)).area
            assert apart / LineString(old.outline).length < 0.1
            for seam in set(old.part.seams) - (set(old.part.inner) if name in WEDGES else set()):
                assert length(new.seams[seam]) == pytest.approx(length(old.seams[seam]), abs=0.5), seam
            for drawn, line in old.lines.items():
                if name not in WEDGES or drawn != "hip":
                    assert LineString(new.lines[drawn]).hausdorff_distance(LineString(line)) < 0.3, drawn
            for one, other in zip(old.darts, new.darts, strict=True):
                assert other.ends == pytest.approx(one.ends, abs=0.5)
            for one, other in zip(old.notches, new.notches, strict=True):
                assert np.hypot(*(one.at - other.at)) < 0.5, one.name


@pytest.mark.parametrize("which", ["front", "back"])
@pytest.mark.parametrize("by", [12.0, -12.0])
@pytest.mark.parametrize("do", ["spread", "widen"])
def test_what_a_fold_covers_comes_to_light_again(do: str, by: float, which: str) -> None:
    """Laid over and spread again at the same place, or the other way round, thrice: no edge is lost, none is there twice."""
    piece = old = BLOCK.pieces[which]
    y = old.levels["hip"] - 20
    cut = {} if do == "widen" else {"cut": (f"inner at {y} mm", f"outer at {y} mm")}
    for _ in range(3):
        piece = moved(moved(piece, by, do=do, **cut), -by, do=do, **cut)
    apart = Polygon(piece.outline).symmetric_difference(Polygon(old.outline)).area
    assert apart / LineString(old.outline).length < 0.1
    for seam in old.part.seams:
        assert length(piece.seams[seam]) == pytest.approx(length(old.seams[seam]), abs=0.5)


@pytest.mark.parametrize("which", ["front", "back"])
@pytest.mark.parametrize("do", ["spread", "widen"])
def test_a_fold_can_be_let_out_by_a_part(do: str, which: str) -> None:
    """Laid over by 20 mm and let out by 8 it is laid over by 12; let out by the rest it is gone, and then the paper grows."""
    old, cut = _cut_under_the_hip(do, which)
    folded = moved(old, -20.0, do=do, **cut)
    part = moved(folded, 8.0, do=do, **cut)
    for got, wanted in (
        (part, moved(old, -12.0, do=do, **cut)),
        (moved(part, 12.0, do=do, **cut), old),
        (moved(folded, 26.0, do=do, **cut), moved(old, 6.0, do=do, **cut)),
    ):
        assert Polygon(got.outline).area == pytest.approx(Polygon(wanted.outline).area, rel=2e-4)
    assert [joint.hidden is None for joint in moved(folded, 26.0, do=do, **cut).joints] == [True, True]
    assert len(part.joints) == 2  # the cut that is opened again is told once, not beside what it was
    for joint in part.joints:
        assert joint.hidden is not None
        assert length(joint.hidden) == pytest.approx(
            12.0, abs=0.6
        )  # an edge that slants there covers a little more or less
        assert len(joint.of) == len(joint.hidden) - 1


@pytest.mark.parametrize("which", ["front", "back"])
@pytest.mark.parametrize("above", [-15.0, -9.0, -3.0, 3.0])
def test_a_fold_over_a_corner_gives_the_corner_back(above: float, which: str) -> None:
    """Where centre seam and curve meet: laid over by 14 mm and let out again, each seam has its own paper."""
    old = BLOCK.pieces[which]
    y = float(old.corner("curve-start")[1]) + above
    cut = {"cut": (f"inner at {y} mm", f"outer at {y} mm")}
    folded = moved(old, -14.0, do="spread", **cut)
    assert sum(length(folded.seams[seam]) - length(old.seams[seam]) for seam in ("centre", "curve")) < -12.0
    new = moved(folded, 14.0, do="spread", **cut)
    for seam, line in old.seams.items():
        assert LineString(new.seams[seam]).hausdorff_distance(LineString(line)) < 0.01, seam
        assert length(new.seams[seam]) == pytest.approx(length(line), abs=0.01), seam


@pytest.mark.parametrize("which", ["front", "back"])
@pytest.mark.parametrize("way", [1.0, -1.0])
@pytest.mark.parametrize("do", ["wedge", "spread", "widen"])
def test_half_a_millimetre_is_done_as_five_are(do: str, way: float, which: str) -> None:
    """A tenth of the paper comes or goes, under the same name, with the same steps for trueing and a tenth of each covered edge."""
    old, cut = _cut_under_the_hip(do, which)
    small, large = (make(old, [Move.model_validate({"do": do, **cut})], way * mm) for mm in (0.5, 5.0))
    assert small.did[0].kind == large.did[0].kind
    before = Polygon(old.outline).area
    one, ten = (Polygon(done.piece.outline).area - before for done in (small, large))
    assert 10 * one == pytest.approx(ten, rel=0.03)
    for little, much in zip(small.piece.joints, large.piece.joints, strict=True):
        assert little.seam == much.seam
        hidden = [0.0 if joint.hidden is None else length(joint.hidden) for joint in (little, much)]
        assert 10 * hidden[0] == pytest.approx(hidden[1], rel=0.03)


def _cut_under_the_hip(do: str, which: str) -> tuple[Piece, dict[str, tuple[str, str]]]:
    """A piece of the block, and the cut across it 20 mm under the hip that a move needs."""
    old = BLOCK.pieces[which]
    y = old.levels["hip"] - 20
    return old, {} if do == "widen" else {"cut": (f"inner at {y} mm", f"outer at {y} mm")}


@pytest.mark.parametrize("which", ["front", "back"])
@pytest.mark.parametrize("do", ["spread", "widen", "wedge"])
def test_half_a_millimetre_is_let_out_as_any_other(do: str, which: str) -> None:
    """Folded by 1 mm and let out by 0.6 it is folded by 0.4, with one step at each end of a cut that runs through."""
    old, cut = _cut_under_the_hip(do, which)
    let_out = moved(moved(old, -1.0, do=do, **cut), 0.6, do=do, **cut)
    wanted = moved(old, -0.4, do=do, **cut)
    assert Polygon(let_out.outline).area == pytest.approx(Polygon(wanted.outline).area, abs=2.0)
    if do == "wedge":
        return
    for one, other in zip(let_out.joints, wanted.joints, strict=True):
        assert one.seam == other.seam
        assert one.hidden is not None and other.hidden is not None
        assert length(one.hidden) == pytest.approx(length(other.hidden), abs=0.05)


@pytest.mark.parametrize("which", ["front", "back"])
@pytest.mark.parametrize("do", ["spread", "widen", "wedge"])
def test_a_second_fold_at_the_same_place_takes_as_much_again(do: str, which: str) -> None:
    """It lies beside the first, which stays shut: nothing comes to light, and the steps of both are kept for trueing."""
    old, cut = _cut_under_the_hip(do, which)
    one = moved(old, -6.0, do=do, **cut)
    two = moved(one, -6.0, do=do, **cut)
    first, second, whole = (Polygon(piece.outline).area for piece in (one, two, old))
    assert first - second == pytest.approx(whole - first, rel=0.01)
    assert len(two.joints) == 2 * len(one.joints) == 4


@pytest.mark.parametrize("which", ["front", "back"])
def test_what_lies_covered_by_a_fold_is_where_it_was_when_the_fold_is_let_out(which: str) -> None:
    """The steps of a first fold lie under a second one, 8 mm below it and twice as deep; let out, they are seen as they were."""
    old = BLOCK.pieces[which]
    above, below = (
        {"do": "spread", "cut": (f"inner at {y} mm", f"outer at {y} mm")}
        for y in (old.levels["hip"] - 20, old.levels["hip"] - 28)
    )
    folded = moved(old, -6.0, **above)
    let_out = moved(moved(folded, -12.0, **below), 12.0, **below)
    assert Polygon(let_out.outline).area == pytest.approx(Polygon(folded.outline).area, rel=1e-5)
    for before, after in zip(folded.joints, let_out.joints, strict=False):
        assert (after.seam, before.hidden is not None) == (before.seam, after.hidden is not None)
        assert after.at == pytest.approx(before.at)
        assert after.hidden == pytest.approx(before.hidden)


def test_a_fold_lies_where_it_lay_when_the_paper_is_cut_elsewhere() -> None:
    """Folded along the grain, then spread across the seat: the fold at the waist goes up with what it covers, the hem's stays."""
    folded = moved(BLOCK.back, -10.0, do="widen")
    y = folded.levels["hip"] - 20
    spread = moved(folded, 12.0, do="spread", cut=(f"inner at {y} mm", f"outer at {y} mm"))
    assert len(spread.joints) == 4
    kept = {joint.seam: joint for joint in spread.joints}
    for joint in folded.joints:
        up = [0.0, 12.0 if joint.seam == "waist" else 0.0]
        assert kept[joint.seam].at == pytest.approx(joint.at + up)
        assert joint.hidden is not None
        assert kept[joint.seam].hidden == pytest.approx(joint.hidden + up)


@pytest.mark.parametrize("number", [0, 1])
@pytest.mark.parametrize("end", ["left", "right"])
def test_a_dart_is_laid_anew_where_the_waist_is_redrawn_at_one_of_its_legs(number: int, end: str) -> None:
    """Raised beside one leg only, to nothing between the two: the dart still ends on the waist, with both legs alike."""
    old = BLOCK.back.darts[number]
    middle = float(old.left[0] + old.right[0]) / 2

    beside = (BLOCK.back.top[:, 0] - middle) * (-1.0 if end == "left" else 1.0)
    raised = BLOCK.back.top + np.outer(6.0 * np.clip(beside / 5.0, 0.0, 1.0), [0.0, 1.0])
    new = redraw(BLOCK.back, {"waist": raised})
    dart = new.darts[number]
    legs = [float(np.hypot(*(one - dart.tip))) for one in (dart.left, dart.right)]
    assert legs[0] == pytest.approx(legs[1])
    before = [float(np.hypot(*(one - old.tip))) for one in (old.left, old.right)]
    assert sum(legs) - sum(before) == pytest.approx(6.0, abs=0.2)
    waist = LineString(new.seams["waist"])
    assert max(waist.distance(Point(one)) for one in (dart.left, dart.right)) < 1e-6


@pytest.mark.parametrize("which", ["front", "back"])
@pytest.mark.parametrize("by", [14.0, -14.0])
@pytest.mark.parametrize("do", ["wedge", "spread"])
def test_paper_cut_in_two_and_laid_anew_is_that_of_shapely(do: str, by: float, which: str) -> None:
    """Cut by shapely, the upper part moved and laid on: the same shape, with the steps kept for trueing, and what is drawn along."""
    old = BLOCK.pieces[which]
    y = old.levels["hip"] - 35
    below, above = (old.corner("crotch-point") * [1, 0] + [40, y + up] for up in (-20.0, 20.0))
    old = replace(old, holes=(below, above))
    done = make(old, [Move(do=do, cut=(f"inner at {y} mm", f"outer at {y} mm"))], by)  # type: ignore[arg-type]
    new, cut = done.piece, done.cut
    assert cut is not None
    parts = split(
        Polygon(old.outline), LineString([cut.start + 50 * (cut.start - cut.end), cut.end + 50 * (cut.end - cut.start)])
    )
    low, high = sorted(parts.geoms, key=lambda one: one.centroid.y)
    way = np.sign(cut.start[0] - cut.end[0]) * np.sign(by)
    turn = way * np.degrees(2 * np.arcsin(abs(by) / 2 / np.hypot(*(cut.start - cut.end))))

    def laid(one: Any) -> Any:
        return rotate(one, turn, origin=tuple(cut.end)) if do == "wedge" else translate(one, 0.0, by)

    whole = [low, laid(high), *([Polygon(cut.filled)] if by > 0 else [])]
    expected = unary_union([one.buffer(0.01, join_style="mitre") for one in whole])
    if by > 0 or do == "wedge":
        assert Polygon(new.outline).symmetric_difference(expected).area < 0.06 * LineString(old.outline).length
    for seam in ("waist", "hem"):
        wanted = laid(LineString(old.seams[seam])) if seam == "waist" else LineString(old.seams[seam])
        assert LineString(new.seams[seam]).hausdorff_distance(wanted) < 1e-6
    assert new.holes[0] == pytest.approx(below)
    assert Point(new.holes[1]).distance(laid(Point(above))) < 1e-6
    for one, other in zip(old.notches, new.notches, strict=True):
        if abs(one.at[1] - y) > 30:
            assert Point(other.at).distance(laid(Point(one.at)) if one.at[1] > y else Point(one.at)) < 1e-6, one.name
    steps = new.joints[len(old.joints) :]
    assert len(steps) == 2
    assert {joint.seam for joint in steps} == {done.did[0].seams[0], done.did[0].seams[1]}
    for joint in steps:
        assert max(LineString([*new.outline, new.outline[0]]).distance(Point(at)) for at in joint.at) < 1e-6
    if by > 0:
        gaps = sorted(float(np.hypot(*(joint.at[0] - joint.at[1]))) for joint in steps)
        assert gaps == pytest.approx([0.0, by] if do == "wedge" else [by, by], abs=1e-6)
        assert all(joint.hidden is None for joint in steps)
    else:
        assert any(joint.hidden is not None for joint in steps)


@pytest.mark.parametrize("which", ["front", "back"])
@pytest.mark.parametrize("by", [14.0, -14.0])
@pytest.mark.parametrize("do", ["wedge", "spread", "widen"])
def test_a_line_drawn_across_a_cut_is_parted_by_it(do: str, by: float, which: str) -> None:
    """A style line that wanders over the cut: its parts, as shapely cuts them, lie on their own paper, and jog where the cut is."""
    old, cut = _cut_under_the_hip(do, which)
    way = make(old, [Move.model_validate({"do": do, **cut})], by).cut
    assert way is not None
    run = (way.end - way.start) / np.hypot(*(way.end - way.start))
    square = np.array([-run[1], run[0]]) * way.sign  # towards the part that moves
    rng, middle = random.Random(7), (way.start + way.end) / 2
    places = [
        middle + run * (12.0 * step - 48.0) + square * (-1) ** (step // 2) * rng.uniform(4.0, 9.0) for step in range(9)
    ]
    drawn, beside = points(np.array(places)), (middle - 0.5 * square, middle + 0.5 * square)
    done = moved(replace(old, lines={**old.lines, "style": drawn}, holes=beside), by, do=do, **cut)
    new = LineString(done.lines["style"])
    assert done.holes[0] == pytest.approx(beside[0])
    assert done.holes[1] == pytest.approx(
        way.move(beside[1][None])[0]
    )  # half a millimetre away tells on which part it is
    seam = LineString([way.start - 500 * run, way.end + 500 * run])
    crossed = [np.array(at.coords[0]) for at in seam.intersection(LineString(drawn)).geoms]
    assert len(crossed) == 4
    whole = sum(float(np.hypot(*(way.move(at[None])[0] - at))) for at in crossed)  # the jogs
    for part in split(LineString(drawn), seam).geoms:
        moves = (np.array(part.centroid.coords[0]) - way.start) @ square > 0
        expected = LineString(way.move(points(part.coords)) if moves else part.coords)
        assert new.buffer(1e-3).covers(expected)
        whole += part.length
    assert new.length == pytest.approx(whole, abs=1e-3)


def test_levels_too_near_to_each_other_are_told() -> None:
    """Shares of an edge at two heights that coincide cannot be drawn."""
    edge = {"do": "edge", "seams": ["side"], "at": {"knee": 0, "crotch": 1, "hip": 0}}
    moved(BLOCK.back, 5.0, **edge)
    back = lifted(BLOCK.back, "crotch", BLOCK.back.levels["knee"] - BLOCK.back.levels["crotch"])
    with pytest.raises(ProblemsFoundError, match="the levels lie too near to each other"):
        moved(back, 5.0, **edge)


# -- plain geometry ------------------------------------------------------------------------------------------------------


def wavy(seed: int) -> Array:
    """A polyline that goes on to the right and wanders up and down."""
    rng = random.Random(seed)
    return points([(x * 10 + rng.uniform(-3, 3), rng.uniform(-20, 20)) for x in range(12)])


@pytest.mark.parametrize("seed", range(6))
def test_a_polyline_is_shortened_as_shapely_does(seed: int) -> None:
    """Taken off at its end; more than there is, or all, is refused."""
    line = wavy(seed)
    whole = LineString(line).length
    for by in (0.0, 1.0, whole / 3, whole - 0.5):
        ours, theirs = LineString(run_on(line, -by)), substring(LineString(line), 0, whole - by)
        assert ours.length == pytest.approx(whole - by)
        assert ours.hausdorff_distance(theirs) < 1e-9
    for by in (whole, whole + 1.0):
        with pytest.raises(ProblemsFoundError, match="more than there is"):
            run_on(line, -by)


@pytest.mark.parametrize("seed", range(6))
def test_a_straight_is_carried_on_to_where_shapely_crosses_it(seed: int) -> None:
    """The crossing nearest to the second point, ahead of the first only."""
    line, rng = wavy(seed), random.Random(seed)
    for _ in range(20):
        start, on = (np.array([rng.uniform(-20, 140), rng.uniform(-60, 60)]) for _ in range(2))
        ray = LineString([start, start + (on - start) * 1000])
        meets = ray.intersection(LineString(line))
        there = [np.array(one.coords[0]) for one in getattr(meets, "geoms", [meets]) if not one.is_empty]
        found = crossing(start, on, line)
        if not there:
            assert found is None
        else:
            assert found == pytest.approx(min(there, key=lambda at: float(np.hypot(*(at - on)))), abs=1e-6)


def test_a_straight_that_passes_the_end_of_a_line_does_not_cross_it() -> None:
    """Half a millimetre beside it, where carrying the line on would meet it; a line that ends right on it is met."""
    start, on = np.array([0.0, 0.0]), np.array([1.0, 0.0])
    assert crossing(start, on, points([(10.0, 0.6), (20.0, 0.5)])) is None
    assert crossing(start, on, points([(10.0, 0.6), (20.0, 0.0)])) == pytest.approx([20.0, 0.0])


@pytest.mark.parametrize("seed", range(6))
def test_the_nearest_place_is_that_of_shapely(seed: int) -> None:
    """And how far along it lies."""
    line, rng = wavy(seed), random.Random(seed)
    for _ in range(20):
        at = np.array([rng.uniform(-20, 140), rng.uniform(-60, 60)])
        far = LineString(line).project(Point(at))
        assert far_on(line, nearest(line, at)) == pytest.approx(far, abs=1e-6)


@pytest.mark.parametrize(
    ("heights", "shares"),
    [
        ([0, 100, 300], [0, 0.6, 1]),
        ([0, 50, 120, 200], [1, 0.3, 0.3, 0]),
        ([0, 80, 100], [0, 1, 0]),
        ([-50, 50], [0.2, 1.0]),
    ],
)
def test_shares_between_heights_are_the_cubic_with_the_slopes_that_are_said(
    heights: list[float], shares: list[float]
) -> None:
    """Level at both ends; where two pieces meet, the harmonic mean of the slopes beside, or level at a peak (scipy's Hermite cubic)."""
    x, y = np.array(heights, float), np.array(shares, float)
    slope = np.diff(y) / np.diff(x)
    inner = [2 / (1 / a + 1 / b) if a * b > 0 else 0.0 for a, b in pairwise(slope)]
    at = np.linspace(x[0], x[-1], 101)
    assert smooth_through(at, x, y) == pytest.approx(CubicHermiteSpline(x, y, [0.0, *inner, 0.0])(at))
    beyond = smooth_through(np.array([x[0] - 30, x[-1] + 30]), x, y)
    assert beyond == pytest.approx([y[0], y[-1]])
    assert smooth_through(at, x[:1], y[:1]) == pytest.approx(np.full(101, y[0]))


@pytest.mark.parametrize("share", [0.2, 0.5, 0.8])
def test_a_leg_bends_smoothly_at_the_knee(share: float) -> None:
    """Straight slopes at the ends and the harmonic mean of the two at the knee (scipy's Hermite cubic); 0 above, 1 below."""
    top, knee, low = 700.0, 430.0, 20.0
    one, other = share / (top - knee), (1 - share) / (knee - low)
    down = CubicHermiteSpline([low, knee, top], [1.0, share, 0.0], [-other, -2 * one * other / (one + other), -one])
    at = np.linspace(low, top, 101)
    known = np.array([low, knee, top]), np.array([1.0, share, 0.0])
    assert smooth_through(at, *known, level=False) == pytest.approx(down(at))
    assert smooth_through(np.array([800.0, 10.0]), *known, level=False) == pytest.approx([0.0, 1.0])


def test_a_seam_runs_straight_between_the_ends_of_a_dart() -> None:
    """What it did between them is gone; all else stays, also what lies a millimetre beside an end."""
    line = points([(x, (x - 50) ** 2 / 100) for x in range(0, 101, 10)])
    done = through(line, np.array([31.0, 5.0]), np.array([59.0, 4.0]))
    assert done[:4] == pytest.approx(line[:4])
    assert done[4:6] == pytest.approx(np.array([[31.0, 5.0], [59.0, 4.0]]))
    assert done[6:] == pytest.approx(line[6:])


@pytest.mark.parametrize("by", [6.0, -6.0])
def test_a_bend_goes_by_its_amount_where_the_corner_is_halved(by: float) -> None:
    """Shapely crosses the curve, before and after, with the line that halves the corner: what lies between is the amount."""
    old = BLOCK.back
    new = moved(old, by, do="bend", seam="curve")
    line, centre = old.seams["curve"], old.seams["centre"]
    up = (centre[1] - centre[0]) / np.hypot(*(centre[1] - centre[0]))
    meet = centre[0] + up * (line[0, 1] - centre[0, 1]) / up[1]
    level = np.array([np.sign(line[0, 0] - meet[0]), 0.0])
    half = (up + level) / np.hypot(*(up + level))
    ray = LineString([meet - 50 * half, meet + 200 * half])
    far = [ray.project(ray.intersection(LineString(piece.seams["curve"]))) for piece in (old, new)]
    assert far[0] - far[1] == pytest.approx(by, abs=0.02)
    assert new.seams["curve"][[0, -1]] == pytest.approx(line[[0, -1]])


def test_a_seam_drawn_straight_forgets_its_own_steps_and_no_others() -> None:
    """A fold across the seat leaves steps at both its ends; drawing the side straight takes the one away, the other stays."""
    y = BLOCK.back.levels["hip"] - 20
    folded = moved(BLOCK.back, -8.0, do="wedge", cut=(f"inner at {y} mm", f"outer at {y} mm"))
    ends = {joint.seam for joint in folded.joints}
    assert len(ends) > 1
    seam = "side"
    done = moved(folded, 1.0, do="straight", seam=seam)
    line = LineString(done.seams[seam])
    assert line.length == pytest.approx(np.hypot(*(done.seams[seam][-1] - done.seams[seam][0])))
    assert {joint.seam for joint in done.joints} == ends - {seam}


def test_notches_go_with_a_seam_that_is_exchanged_and_no_others() -> None:
    """Where a seam is drawn anew its notches lie on the new line, nearest to where they were; those of other seams stay."""
    piece = BLOCK.pieces["back"]
    for seam in {notch.seam for notch in piece.notches}:
        bulge = np.sin(np.linspace(0, np.pi, len(piece.seams[seam])))[:, None] * (4.0, 3.0)
        new = points(piece.seams[seam] + bulge)
        for before, after in zip(piece.notches, exchanged(piece, {seam: new}).notches, strict=True):
            if before.seam != seam:
                assert after.at == pytest.approx(before.at)
                continue
            line = LineString(new)
            assert line.distance(Point(after.at)) < 1e-6
            assert Point(after.at).distance(Point(before.at)) == pytest.approx(
                line.distance(Point(before.at)), abs=1e-6
            )


def test_a_notch_that_was_drawn_a_little_beside_its_seam_goes_with_it() -> None:
    """Patterns of others have notches a millimetre beside the edge: they end on the redrawn seam, not where it was."""
    line, middle = BLOCK.back.seams["side"], len(BLOCK.back.seams["side"]) // 2
    places = {"on": line[middle], "inside": line[middle] - [1.0, 0.0], "outside": line[middle] + [1.5, 0.0]}
    old = replace(BLOCK.back, notches=tuple(Notch(name, "side", at) for name, at in places.items()))
    for notch in redraw(old, {"side": old.seams["side"] + [5.0, 0.0]}).notches:
        assert notch.at == pytest.approx(line[middle] + [5.0, 0.0], abs=0.5), notch.name


def test_neighbours_that_both_move_still_meet() -> None:
    """Where two seams are moved by unlike shifts the later one says where their corner lies; a third follows at its end."""
    old = BLOCK.back
    top, outer = old.part.seams[0], old.part.outer[0]
    for one, other in ((5.0, 3.0), (-2.0, 4.0)):
        new = redraw(old, {top: old.top + np.array([0.0, one]), outer: old.seams[outer] + np.array([0.0, other])})
        for seam in old.part.seams:
            assert np.array_equal(new.seams[seam][-1], new.seams[old.part.follows(seam)][0])
        if old.part.follows(top) == outer:
            assert new.seams[top][-1] == pytest.approx(old.seams[outer][0] + [0.0, other])
            assert new.seams[top][-2] == pytest.approx(old.seams[top][-2] + [0.0, one])
        hem = old.part.follows(outer)
        assert new.seams[hem][0] == pytest.approx(old.seams[hem][0] + [0.0, other])
        assert new.seams[hem][-1] == pytest.approx(old.seams[hem][-1])


def test_a_map_takes_all_that_is_drawn_along() -> None:
    """Seams, darts, level lines, notches, joints and holes by the same turn, joints with what lies hidden."""
    cut = carry_out(BLOCK, "overlap-back-wedge", 20.0).pattern.back
    cut = replace(cut, holes=(np.array([60.0, 700.0]),))
    assert any(joint.hidden is not None for joint in cut.joints)
    about = np.array([100.0, 300.0])

    def turn(line: Array) -> Array:
        return rotated(line, about, 0.4)

    done = mapped(cut, turn)
    assert done.outline == pytest.approx(turn(cut.outline))
    for one, other in zip(cut.darts, done.darts, strict=True):
        assert other.ends == pytest.approx(turn(one.ends))
    for one, other in zip(cut.notches, done.notches, strict=True):
        assert other.at == pytest.approx(turn(one.at[None])[0])
    assert done.holes[0] == pytest.approx(turn(cut.holes[0][None])[0])
    for name, line in cut.lines.items():
        assert done.lines[name] == pytest.approx(turn(line))
    for one, other in zip(cut.joints, done.joints, strict=True):
        assert other.at == pytest.approx(turn(one.at))
        assert (one.hidden is None) == (other.hidden is None)
        if one.hidden is not None:
            assert other.hidden == pytest.approx(turn(one.hidden))
