"""What is drawn over a slice lies where the fault was drawn, as large as it was."""

from collections.abc import Callable

import numpy as np
import pytest
from numpy.typing import NDArray

from jointwise.joints.grid import Grid
from jointwise.scoring.report.evidence import find_spot, measured_spot
from jointwise.scoring.report.outlines import Cut, Traced, strokes, trace, trace_outline
from tests.scoring.made import BALL, GAP, GRID, LAND, NECK, PITCH, RADIUS, VOID, drawn

LEVEL = Cut("z", "x", "y", 0.0)
UPRIGHT = Cut("y", "x", "z", 0.0)


def traced(kind: str, gap: str = "") -> Traced:
    """A drawn joint, measured."""
    found = trace(drawn(kind), GRID, PITCH, BALL, gap)
    assert found is not None
    return found


def lines(joint: Traced, cut: Cut, kind: str) -> list[NDArray[np.float64]]:
    """The points of all strokes of a kind."""
    return [stroke.points for stroke in strokes(joint, cut) if stroke.kind == kind]


@pytest.mark.parametrize("how", [trace, trace_outline])
def test_solder_ends_where_it_was_drawn(how: Callable[..., Traced | None]) -> None:
    joint = how(drawn(), GRID, PITCH, BALL)
    assert joint is not None
    own = min(lines(joint, LEVEL, "solder"), key=lambda line: float(np.abs(line.mean(axis=0)).max()))
    radius = np.hypot(*own.T)
    assert radius.mean() == pytest.approx(1000 * RADIUS, abs=8)
    assert radius.std() < 6
    upright = min(lines(joint, UPRIGHT, "solder"), key=lambda line: float(np.abs(line.mean(axis=0)).max()))
    assert np.abs(upright[:, 1]).max() == pytest.approx(1000 * LAND, abs=12)
    assert joint.lands_um == pytest.approx((-1000 * LAND, 1000 * LAND), abs=15)


def test_nothing_else_is_drawn_over_a_sound_joint() -> None:
    for cut in (LEVEL, UPRIGHT):
        assert {stroke.kind for stroke in strokes(traced(""), cut)} == {"solder"}


def test_a_void_is_outlined_in_its_place() -> None:
    x, y, z, radius = (1000 * v for v in VOID)
    (outline,) = lines(traced("void"), Cut("z", "x", "y", z), "void")
    np.testing.assert_allclose(outline.mean(axis=0), (x, y), atol=15)
    assert np.ptp(outline, axis=0) == pytest.approx((2 * radius, 2 * radius), abs=45)
    assert lines(traced("void"), Cut("z", "x", "y", -140.0), "void") == []


def test_a_gap_is_drawn_at_its_height_and_only_where_asked_for() -> None:
    drawn_lines = lines(traced("head_in_pillow", "surface"), UPRIGHT, "gap")
    points = np.concatenate(drawn_lines)
    assert np.median(points[:, 1]) == pytest.approx(1000 * GAP[0], abs=12)
    assert np.ptp(points[:, 0]) > 1.2e3 * RADIUS
    assert lines(traced("head_in_pillow"), UPRIGHT, "gap") == []
    assert lines(traced("head_in_pillow", "surface"), LEVEL, "gap") == []


def test_the_end_of_the_solder_is_drawn_at_the_suspect_land() -> None:
    joint = traced("", "land")
    ends = np.concatenate(lines(joint, UPRIGHT, "end"))
    assert np.abs(ends[:, 1]) == pytest.approx(1000 * LAND, abs=25)
    assert len({np.sign(z) for z in ends[:, 1]}) == 1


def test_a_neck_is_a_bar_as_long_as_it_is_thick() -> None:
    joint = traced("bridging")
    for cut in (LEVEL, Cut("y", "x", "z", 0.0)):
        (bar,) = lines(joint, cut, "neck")
        assert np.linalg.norm(bar[1] - bar[0]) == pytest.approx(joint.neck_um)
        assert bar[0, 0] == bar[1, 0]  # across the lane, which runs along x
        assert RADIUS * 1000 < bar[0, 0] < 1000 * (PITCH - RADIUS)
    assert joint.neck_um == pytest.approx(2000 * NECK[1], rel=0.25)
    assert lines(joint, UPRIGHT, "neck")[0].mean(axis=0)[1] == pytest.approx(1000 * NECK[0], abs=30)
    assert lines(joint, Cut("x", "y", "z", 0.0), "neck") == []  # a plane along which the lane does not run


def test_pictures_go_through_what_was_measured() -> None:
    x, y, z = GRID.offsets_mm(PITCH, BALL)

    def place(kind: str, gap: str = "") -> tuple[float, float, float]:
        spot = measured_spot(traced(kind, gap), GRID, PITCH, BALL, [kind])
        assert spot is not None
        k, j, i = spot.place
        return x[i], y[j], z[k]

    assert place("void") == pytest.approx(VOID[:3], abs=0.03)
    assert place("head_in_pillow", "surface")[2] == pytest.approx(GAP[0], abs=0.015)
    assert place("bridging") == pytest.approx((PITCH / 2, 0, NECK[0]), abs=0.09)
    assert measured_spot(traced(""), GRID, PITCH, BALL, ["void"]) is None
    assert measured_spot(traced(""), GRID, PITCH, BALL, []) is None


def test_no_ball_no_lines() -> None:
    assert trace(np.zeros(GRID.shape, np.float32), GRID, PITCH, BALL) is None
    assert trace_outline(np.zeros(GRID.shape, np.float32), GRID, PITCH, BALL) is None


def test_slices_go_through_the_evidence() -> None:
    grid, pitch, ball = Grid(), 0.8, 0.46
    x, y, z = grid.offsets_mm(pitch, ball)
    zz, yy, xx = np.meshgrid(z, y, x, indexing="ij")
    solid = (np.sqrt(xx**2 + yy**2 + zz**2) < 0.25).astype(np.float32)
    place = (0.08, -0.05, 0.03)
    hole = solid * (np.sqrt((xx - place[0]) ** 2 + (yy - place[1]) ** 2 + (zz - place[2]) ** 2) > 0.05)
    k, j, i = find_spot(hole, grid, pitch, ball, ["void"]).place
    np.testing.assert_allclose((x[i], y[j], z[k]), place, atol=0.035)
    gap = solid * (abs(zz + 0.07) > 0.012)
    assert z[find_spot(gap, grid, pitch, ball, ["head_in_pillow"]).place[0]] == pytest.approx(-0.07, abs=0.02)
    neck = np.maximum(solid, (yy < 0) & (np.hypot(xx, zz + 0.1) < 0.05))
    k, j, i = find_spot(neck, grid, pitch, ball, ["void", "bridging"]).place
    np.testing.assert_allclose((x[i], y[j], z[k]), (0, -0.4, -0.1), atol=0.06)
    assert find_spot(solid, grid, pitch, ball, []).place == (24, 28, 28)
