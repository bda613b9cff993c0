"""What each kind of move does to the paper by itself, and which of them an alteration makes: facts of the trade."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from moving import BLOCK, moved
from shapely import LineString, Point, Polygon

from fitdiag.knowledge.garment import Move
from fitdiag.pattern.moves import carry_out, lifted, make
from fitdiag.pattern.piece import Dart, Piece, length, points
from fitdiag.problems import ProblemsFoundError

# -- corners, curves and heights --


@pytest.mark.parametrize("which", ["front", "back"])
@pytest.mark.parametrize("by", [12.0, -12.0])
def test_a_crotch_point_goes_out_level_and_fades_down_the_inseam_and_up_the_curve(by: float, which: str) -> None:
    """Evenly to nothing at the knee, where a kink is left for trueing; on the curve ever less, so that it runs in without one."""
    old = BLOCK.pieces[which]
    done = make(old, [Move(do="corner", end="crotch-point", taper={"inseam": "knee", "curve": "all"})], by)
    new = done.piece
    assert new.corner("crotch-point") - old.corner("crotch-point") == pytest.approx([-by, 0.0])  # out is to the left
    for seam in ("waist", "side", "hem", "centre"):
        assert np.array_equal(new.seams[seam], old.seams[seam]), seam
    (kink,) = new.joints[len(old.joints) :]
    assert kink.seam == "inseam"
    assert kink.at == pytest.approx(np.array([old.lines["knee"][0]] * 2), abs=1e-6)
    inseam, curve = (LineString(old.seams[seam]) for seam in ("inseam", "curve"))
    to_knee = inseam.length - inseam.project(Point(kink.at[0]))
    for before, after in zip(old.seams["inseam"], new.seams["inseam"], strict=True):
        left = 1 - (inseam.length - inseam.project(Point(before))) / to_knee
        assert after - before == pytest.approx([-by * max(left, 0.0), 0.0], abs=1e-6)
    for before, after in zip(old.seams["curve"], new.seams["curve"], strict=True):
        left = 1 - curve.project(Point(before)) / curve.length
        assert after - before == pytest.approx([-by * left**2, 0.0], abs=1e-6)
    assert set(done.true) == {"inseam", "curve"}


@pytest.mark.parametrize("by", [12.0, -12.0])
def test_a_corner_that_fades_over_the_whole_of_a_seam_leaves_no_kink_in_it(by: float) -> None:
    """Also on the seam that ends at the corner: ever less from there on, at the middle by a quarter of the amount."""
    old = BLOCK.back
    new = moved(old, by, do="corner", end="crotch-point", taper={"inseam": "all"})
    assert new.joints == old.joints
    line = LineString(old.seams["inseam"])
    shares = [1 - line.project(Point(at), normalized=True) for at in old.seams["inseam"]]
    out = (old.seams["inseam"] - new.seams["inseam"])[:, 0]
    assert out == pytest.approx([by * (1 - share) ** 2 for share in shares], abs=1e-6)
    over_all = moved(old, by, do="corner", end="crotch-point", taper={"inseam": f"{line.length + 50:.0f} mm"})
    assert over_all.joints == old.joints  # a length that the seam does not have ends where the seam ends
    assert over_all.seams["inseam"][0] == pytest.approx(old.seams["inseam"][0])


@pytest.mark.parametrize("by", [10.0, -10.0])
def test_a_corner_of_the_outer_edge_goes_out_to_the_other_side(by: float) -> None:
    """Outward is away from the centre seam, on either edge."""
    old = BLOCK.back
    new = moved(old, by, do="corner", end="side-waist", taper={"side": "hip"})
    assert new.corner("side-waist") - old.corner("side-waist") == pytest.approx([by, 0.0])
    below = old.seams["side"][:, 1] <= old.lines["hip"][-1, 1]
    assert np.array_equal(new.seams["side"][below], old.seams["side"][below])


@pytest.mark.parametrize("by", [9.0, -9.0])
def test_a_corner_moved_up_takes_the_amount_in_height(by: float) -> None:
    """Straight up, and no farther along the curve than is said, measured level: so that down again gives the curve back."""
    old = BLOCK.back
    taper = {"inseam": "knee", "curve": "40 mm"}
    new = moved(old, by, do="corner", end="crotch-point", way="up", taper=taper)
    assert new.corner("crotch-point") - old.corner("crotch-point") == pytest.approx([0.0, by])
    away = np.abs(old.seams["curve"][:, 0] - old.corner("crotch-point")[0])
    rise = new.seams["curve"] - old.seams["curve"]
    assert rise[away >= 40.0] == pytest.approx(0.0 * rise[away >= 40.0])
    assert rise[away < 39.0, 1] == pytest.approx(by * (1 - away[away < 39.0] / 40.0) ** 2)
    back = moved(new, -by, do="corner", end="crotch-point", way="up", taper=taper)
    for seam in ("curve", "inseam"):
        assert back.seams[seam] == pytest.approx(old.seams[seam], abs=0.02)


@pytest.mark.parametrize(("along", "fades"), [("inseam", "curve"), ("curve", "inseam")])
@pytest.mark.parametrize("by", [10.0, -10.0])
def test_a_corner_moved_along_a_seam_makes_it_longer_by_the_amount(by: float, along: str, fades: str) -> None:
    """The seam runs on straight to the new corner; the other seam there fades over the length that is said; both are trued."""
    old = BLOCK.back
    done = make(old, [Move(do="corner", end="crotch-point", way=along, taper={fades: "90 mm"})], by)
    new = done.piece
    assert length(new.seams[along]) - length(old.seams[along]) == pytest.approx(by, abs=0.01)
    longer, shorter = (new, old) if by > 0 else (old, new)
    assert LineString(longer.seams[along]).distance(Point(shorter.corner("crotch-point"))) < 1e-6
    for name in set(old.part.corners) - {"crotch-point"}:
        assert np.array_equal(new.corner(name), old.corner(name)), name
    assert set(done.true) == {"curve", "inseam"}


@pytest.mark.parametrize("which", ["front", "back"])
@pytest.mark.parametrize("by", [10.0, -10.0])
def test_a_curve_slips_down_with_its_level_line(by: float, which: str) -> None:
    """By the amount along the inseam; the crotch line comes down as far as the corner, its ends on the edges, the hip line stays."""
    old = BLOCK.pieces[which]
    done = make(old, [Move(do="slip", seam="curve", line="crotch")], by)
    new = done.piece
    assert length(old.seams["inseam"]) - length(new.seams["inseam"]) == pytest.approx(by, abs=1e-4)
    down = float(old.corner("crotch-point")[1] - new.corner("crotch-point")[1])
    assert 0 < down / by <= 1
    longer, shorter = (old, new) if by > 0 else (new, old)
    assert LineString(longer.seams["inseam"]).distance(Point(shorter.corner("crotch-point"))) < 1e-6
    centre = LineString(old.seams["centre"] if by < 0 else new.seams["centre"])
    top = new.corner("curve-start") if by < 0 else old.corner("curve-start")
    assert centre.distance(Point(top)) < 0.05  # down along the centre, as deep as at the inseam
    assert old.corner("curve-start")[1] - new.corner("curve-start")[1] == pytest.approx(down, abs=0.01)
    assert old.levels["crotch"] - new.levels["crotch"] == pytest.approx(down, abs=1e-6)
    line, outline = new.lines["crotch"], LineString([*new.outline, new.outline[0]])
    assert max(outline.distance(Point(line[end])) for end in (0, -1)) < 1e-6
    assert new.levels["hip"] == pytest.approx(old.levels["hip"])
    assert set(done.true) == {"inseam", "curve"}
    alone = moved(old, by, do="slip", seam="curve")
    assert alone.levels["crotch"] == pytest.approx(old.levels["crotch"])  # not named, the line stays where it was
    assert np.array_equal(alone.outline, new.outline)


@pytest.mark.parametrize("by", [15.0, -15.0])
def test_a_level_line_moved_up_reaches_from_edge_to_edge(by: float) -> None:
    """Higher by the amount, and as long as the piece is wide there; the paper and the other lines stay. None there: nothing."""
    old = BLOCK.front
    done = make(old, [Move(do="line", line="knee")], by)
    new = done.piece
    assert done.true == ()
    assert np.array_equal(new.outline, old.outline)
    assert new.levels["knee"] - old.levels["knee"] == pytest.approx(by)
    y = new.levels["knee"]
    across = LineString([(-2000, y), (2000, y)]).intersection(Polygon(old.outline)).bounds
    assert new.lines["knee"][[0, -1], 0] == pytest.approx([across[0], across[2]], abs=1e-6)
    assert np.array_equal(new.lines["hip"], old.lines["hip"])
    bare = replace(old, lines={name: line for name, line in old.lines.items() if name != "knee"})
    assert lifted(bare, "knee", by) is bare


def test_the_end_of_a_level_line_that_lies_on_no_edge_goes_straight_up() -> None:
    """The hip line of the back ends on the straight extension of the centre seam, beside the curve."""
    old = BLOCK.back
    inner = old.lines["hip"][0]
    assert LineString(old.seams["curve"]).distance(Point(inner)) > 1.0
    assert lifted(old, "hip", -10.0).lines["hip"][0] == pytest.approx(inner - np.array([0.0, 10.0]))


def test_a_grainline_drawn_elsewhere_is_no_change_of_the_paper() -> None:
    """It moves outward by the amount; nothing is to be trued."""
    done = make(BLOCK.back, [Move(do="grain")], 8.0)
    assert done.piece.grain_x - BLOCK.back.grain_x == pytest.approx(8.0)
    assert np.array_equal(done.piece.outline, BLOCK.back.outline)
    assert done.true == ()


# -- parts that slide and turn --


@pytest.mark.parametrize("by", [6.0, 14.0])
def test_a_crotch_section_slides_down_as_one_and_leaves_a_gap_at_the_centre(by: float) -> None:
    """Along the cut from where the curve begins: paper is added there; the inseam takes it up to nothing at the foot of the cut."""
    old = BLOCK.back
    cut = ("curve-start", "inseam 200 mm from crotch-point")
    done = make(old, [Move(do="slide", seam="curve", cut=cut)], by)
    new = done.piece
    start = old.corner("curve-start")
    inseam = LineString(old.seams["inseam"][::-1])
    foot = np.array(inseam.interpolate(200.0).coords[0])
    shift = (foot - start) / np.hypot(*(foot - start)) * by
    assert new.seams["curve"] == pytest.approx(old.seams["curve"] + shift)
    assert new.seams["centre"][1:] == pytest.approx(old.seams["centre"])
    assert length(new.seams["centre"]) - length(old.seams["centre"]) == pytest.approx(by)
    for seam in ("waist", "side", "hem"):
        assert np.array_equal(new.seams[seam], old.seams[seam])
    for before, after in zip(old.seams["inseam"], new.seams["inseam"], strict=True):
        share = max(1 - inseam.project(Point(before)) / 200.0, 0.0)
        assert after - before == pytest.approx(share * shift, abs=1e-6)
    gap, kink = new.joints[len(old.joints) :]
    assert (gap.seam, kink.seam) == ("centre", "inseam")
    assert gap.at == pytest.approx(np.array([start + shift, start]))
    assert kink.at == pytest.approx(np.array([foot, foot]), abs=1e-3)
    assert new.lines["crotch"][0] == pytest.approx(old.lines["crotch"][0] + shift)  # drawn on the section
    assert new.lines["crotch"][-1] == pytest.approx(old.lines["crotch"][-1])
    assert np.array_equal(new.lines["hip"], old.lines["hip"])
    for one, other in zip(old.darts, new.darts, strict=True):
        assert np.array_equal(one.ends, other.ends)
    assert set(done.true) == {"centre", "curve", "inseam"}


@pytest.mark.parametrize("wide", [0, 1])
def test_a_slit_goes_through_the_widest_dart(wide: int) -> None:
    """That dart takes up what the waist gains; the other keeps its width, and the waist with its darts closed its length."""
    middle = [(dart.left + dart.right) / 2 for dart in BLOCK.back.darts]
    widths = [24.0 if number == wide else 10.0 for number in range(2)]
    darts = tuple(
        Dart(at - np.array([width / 2, 0.0]), at + np.array([width / 2, 0.0]), dart.tip)
        for at, width, dart in zip(middle, widths, BLOCK.back.darts, strict=True)
    )
    old = replace(BLOCK.back, darts=darts)
    new = moved(old, 8.0, do="slit", seam="waist", at={"knee": 0, "abdomen": 1})
    grown = [dart.width - width for dart, width in zip(new.darts, widths, strict=True)]
    assert grown[1 - wide] == pytest.approx(0.0, abs=1e-6)
    assert grown[wide] == pytest.approx(length(new.top) - length(old.top), abs=0.5)
    assert grown[wide] > 8.0  # the cut opens by the amount below the waist already


# -- edges --


@pytest.mark.parametrize("seam", ["side", "inseam"])
@pytest.mark.parametrize("by", [10.0, -10.0])
def test_an_edge_drawn_straight_between_heights_is_kinked_where_they_lie(by: float, seam: str) -> None:
    """Out by even steps from one height to the next, to nothing below; a kink for trueing inside the seam, none at its ends."""
    old = BLOCK.back
    levels = {"hem": 0.0, "knee": 0.5, "above-knee": 1.0}
    done = make(old, [Move(do="edge", seams=(seam,), at=levels, drawn="straight")], by)
    out = 1.0 if seam == "side" else -1.0
    edge = -1 if seam == "side" else 0
    heights = [float(old.seams["hem"][0, 1]), old.lines["knee"][edge, 1], old.lines["knee"][edge, 1] + 100.0]
    for before, after in zip(old.seams[seam], done.piece.seams[seam], strict=True):
        share = np.interp(before[1], heights, [0.0, 0.5, 1.0])
        assert after - before == pytest.approx([out * by * share, 0.0], abs=1e-6)
    kinks = done.piece.joints[len(old.joints) :]
    assert [kink.seam for kink in kinks] == [seam, seam]
    assert [kink.at[0, 1] for kink in kinks] == pytest.approx(heights[1:], abs=2.0)  # the edge slants a little there
    smooth = moved(old, by, do="edge", seams=(seam,), at=levels)
    assert smooth.joints == old.joints


def with_hollow_waist(piece: Piece) -> Piece:
    """The piece with its waist 15 mm lower in the middle, no darts."""
    line = LineString(piece.top)
    shares = np.linspace(0.0, 1.0, 61)
    straight = points([line.interpolate(share, normalized=True).coords[0] for share in shares])
    return replace(piece, darts=()).with_seams(waist=straight - np.outer(60.0 * shares * (1 - shares), [0.0, 1.0]))


@pytest.mark.parametrize("by", [12.0, -12.0])
def test_an_edge_let_out_along_the_waist_carries_the_waist_on(by: float) -> None:
    """The centre seam leans from the hip up: by the amount in the direction in which the waist begins, and that grows by as much."""
    old = with_hollow_waist(BLOCK.back)
    new = moved(old, by, do="edge", seams=("centre",), at={"hip": 0, "centre-waist": 1}, drawn="straight", way="waist")
    start, after = old.top[:2]
    way = (start - after) / np.hypot(*(start - after))
    assert new.corner("centre-waist") - start == pytest.approx(by * way)
    assert length(new.top) - length(old.top) == pytest.approx(by, abs=0.05)
    hip, top = float(old.lines["hip"][0, 1]), float(start[1])
    for before, at in zip(old.seams["centre"], new.seams["centre"], strict=True):
        assert at - before == pytest.approx(by * way * max((before[1] - hip) / (top - hip), 0.0), abs=1e-6)


@pytest.mark.parametrize("which", ["front", "back"])
@pytest.mark.parametrize("by", [9.0, -9.0])
def test_a_waist_raised_at_the_side_rises_to_nothing_at_the_centre(by: float, which: str) -> None:
    """Straight up at the side, whose seam runs on to it; both legs of a dart alike, for on the body the dart is closed."""
    old = BLOCK.pieces[which]
    done = make(old, [Move(do="tip", seam="waist", end="side-waist", way="up")], by)
    new = done.piece
    assert new.corner("side-waist") - old.corner("side-waist") == pytest.approx([0.0, by])
    assert new.corner("centre-waist") == pytest.approx(old.corner("centre-waist"))
    assert new.joints == old.joints
    closed = length(old.top) - sum(dart.width for dart in old.darts)
    line, before = LineString(old.top), 0.0
    for one, other in zip(old.darts, new.darts, strict=True):
        far = line.project(Point(one.left)) - before
        before += one.width
        rise = (other.left + other.right) / 2 - (one.left + one.right) / 2
        assert rise[1] == pytest.approx(by * far / closed, abs=0.2)  # the legs are evened
    assert np.array_equal(new.seams["side"][-10:], old.seams["side"][-10:])
    assert done.true == ("waist",)


def test_a_hip_line_ends_where_the_straight_seam_above_it_runs_on_to() -> None:
    """Where the centre seam is tipped by an overlap the hip line, drawn to its extension, keeps its width as well."""
    old, new = BLOCK.back, carry_out(BLOCK, "overlap-back-wedge", 20.0).pattern.back
    gaps = []
    for piece in (old, new):
        (x, y), low = piece.seams["centre"][-2:]
        end = piece.lines["hip"][0]
        gaps.append(end[0] - low[0] - (end[1] - low[1]) * (low[0] - x) / (low[1] - y))
    assert gaps[1] == pytest.approx(gaps[0], abs=0.01)


@pytest.mark.parametrize("by", [-10.0, -24.0])
def test_a_fold_along_the_grain_covers_its_own_width_of_every_edge(by: float) -> None:
    """Both ends of each step lie one above the other, half the fold inward of the old grainline, however the edge runs there."""
    old = with_hollow_waist(BLOCK.back)
    new = moved(old, by, do="widen")
    assert {joint.seam for joint in new.joints} == {"waist", "hem"}
    for joint in new.joints:
        assert joint.at[:, 0] == pytest.approx(np.full(2, old.grain_x + by / 2), abs=1e-6)
        assert joint.hidden is not None
        assert abs(joint.hidden[-1, 0] - joint.hidden[0, 0]) == pytest.approx(-by, abs=1e-6)
        assert max(LineString(old.seams[joint.seam]).distance(Point(at)) for at in joint.hidden) < 1e-6


@pytest.mark.parametrize("do", ["widen", "spread"])
def test_a_fold_that_the_piece_is_too_small_for_is_refused(do: str) -> None:
    """Its far edge would lie off the paper."""
    y = BLOCK.back.levels["hip"]
    cut = {} if do == "widen" else {"cut": (f"inner at {y} mm", f"outer at {y} mm")}
    with pytest.raises(ProblemsFoundError, match="does not reach so far"):
        moved(BLOCK.back, -1900.0, do=do, **cut)


@pytest.mark.parametrize("seam", ["side", "inseam"])
def test_a_slanting_level_counts_where_it_meets_the_edge_that_is_moved(seam: str) -> None:
    """An edge let out from the knee up stays as it was up to its own end of the knee line, be that higher or lower than the other."""
    line = BLOCK.back.lines["knee"]
    old = replace(BLOCK.back, lines={**BLOCK.back.lines, "knee": line + np.array([[0.0, -30.0], [0.0, 30.0]])})
    end = float(old.lines["knee"][-1 if seam == "side" else 0, 1])
    new = moved(old, 10.0, do="edge", seams=(seam,), at={"knee": 0, "thigh": 1}, drawn="straight")
    still = np.abs(new.seams[seam] - old.seams[seam]).max(axis=1) == 0.0
    assert np.array_equal(still, old.seams[seam][:, 1] <= end)


@pytest.mark.parametrize(
    ("at", "trued"),
    [({"hip": 0, "side-waist": 1}, {"side", "waist"}), ({"knee": 0, "thigh": 1, "hip": 0}, {"side"})],
)
def test_the_waist_is_trued_where_the_side_moves_at_it(at: dict[str, float], trued: set[str]) -> None:
    """A side let out at the waist makes the waist longer; one let out at the thigh does not."""
    assert set(make(BLOCK.back, [Move(do="edge", seams=("side",), at=at)], 8.0).true) == trued


def test_a_seam_drawn_straight_keeps_its_ends_and_neighbours() -> None:
    """Its points lie on the straight between, as far along as they were."""
    old = BLOCK.back
    done = make(old, [Move(do="straight", seam="side")], 1.0)
    line, was = done.piece.seams["side"], old.seams["side"]
    assert line[[0, -1]] == pytest.approx(was[[0, -1]])
    whole = LineString(was)
    shares = [whole.project(Point(at), normalized=True) for at in was]
    assert line == pytest.approx(was[0] + np.outer(shares, was[-1] - was[0]))
    assert done.true == ("side",)
    for seam in set(old.part.seams) - {"side"}:
        assert np.array_equal(done.piece.seams[seam], old.seams[seam])


@pytest.mark.parametrize("name", ["hem", "waist"])
def test_a_hem_raised_by_more_than_the_leg_is_refused(name: str) -> None:
    """There is no edge there to draw it on."""
    with pytest.raises(ProblemsFoundError, match="more than there is of the seam"):
        moved(BLOCK.back, -2000.0, do="shift", seam=name)


# -- darts --


@pytest.mark.parametrize("longer", [1.0, -1.0])
def test_a_dart_made_longer_moves_its_point_along_its_middle(longer: float) -> None:
    """By the amount, each of them; its legs stay where they end on the waist, which has nothing to be trued."""
    done = make(BLOCK.back, [Move(do="darts", longer=longer)], 12.0)
    for old, new in zip(BLOCK.back.darts, done.piece.darts, strict=True):
        assert (new.left, new.right) == (pytest.approx(old.left), pytest.approx(old.right))
        middle = (old.left + old.right) / 2
        far = [float(np.hypot(*(dart.tip - middle))) for dart in (old, new)]
        assert far[1] - far[0] == pytest.approx(12.0 * longer)
        assert Point(new.tip).distance(LineString([middle, middle + 3 * (old.tip - middle)])) < 1e-6
    assert done.true == ()
    assert make(BLOCK.back, [Move(do="darts", wider=1.0)], 4.0).true == ("waist",)


@pytest.mark.parametrize("by", [0.0, -1.0])
def test_where_there_is_no_dart_none_is_made_narrower_or_longer(by: float) -> None:
    """It is told, with the piece."""
    with pytest.raises(ProblemsFoundError, match="the back has no dart to change"):
        moved(replace(BLOCK.back, darts=()), by, do="darts", wider=1.0, longer=1.0)


def test_darts_give_no_more_than_they_are_wide() -> None:
    """All but a tenth of a millimetre can be taken; what is more is told."""
    whole = sum(dart.width for dart in BLOCK.back.darts)
    left = moved(BLOCK.back, 0.1 - whole, do="darts", wider=1.0)
    assert sum(dart.width for dart in left.darts) == pytest.approx(0.1)
    with pytest.raises(ProblemsFoundError, match="the darts of the back have no more to give"):
        moved(BLOCK.back, -whole - 0.1, do="darts", wider=1.0)


# -- which alteration, how much, which side --


def test_an_alteration_that_the_rules_do_not_have_is_refused_by_its_name() -> None:
    """With how to list those there are."""
    with pytest.raises(ProblemsFoundError, match="there is no alteration 'lengthen-the-sleeve' to carry out") as found:
        carry_out(BLOCK, "lengthen-the-sleeve", 5.0)
    assert "rules list alterations" in str(found.value.problems[0].hint)


def test_moves_are_made_one_after_another_each_by_its_share() -> None:
    """Half the amount and then a whole turned round are half of it the other way."""
    half, back = Move(do="grain", by=0.5), Move(do="grain", by=-1.0)
    done = make(BLOCK.back, [half, back], 8.0)
    assert [move.by for move in done.did] == pytest.approx([4.0, -8.0])
    assert done.piece.grain_x - BLOCK.back.grain_x == pytest.approx(-4.0)


def test_pieces_that_differ_are_both_altered_from_what_they_were() -> None:
    """Raised on one side first, both sides then grow by the same; those shown are of the right side."""
    uneven = carry_out(BLOCK, "raise-one-hip", 8.0).pattern
    step = carry_out(uneven, "add-hip-width", 6.0)
    assert step.side == "both"
    assert step.pattern.sides == ("left", "right")
    for side in step.pattern.sides:
        before, after = uneven.of(side).back, step.pattern.of(side).back
        assert Polygon(after.outline).area > Polygon(before.outline).area
        assert after.corner("side-waist")[1] == pytest.approx(before.corner("side-waist")[1], abs=0.5)
    assert step.altered["back"].piece.outline == pytest.approx(step.pattern.of("right").back.outline)
