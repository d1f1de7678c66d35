"""Pillows whose head leans in them, follows them along their normal, or that lie by the board's land.

Guards: a wedge that closes on the wrong side or changes the mean gap, settings that other draws of a seed notice,
and pillows told apart by what is no fault.
"""

import dataclasses
import math

import numpy as np
import pytest

from jointwise.data_gen.drawing.records import GapRecord
from jointwise.data_gen.drawing.scan import draw_scan
from jointwise.data_gen.settings import DefectSettings, GeneratorSettings
from jointwise.data_gen.shapes import envelope as env
from jointwise.data_gen.shapes.capillary import joint_side
from jointwise.data_gen.shapes.gaps import _high_rim, gap_solids
from jointwise.data_gen.shapes.scene import Infeasible
from jointwise.joints.errors import InputError

H = 0.33
SIDE = joint_side(0.2, 0.2, H, 0.065)
WIDTH = env.radius_at(SIDE, 0.4 * H)


def thickness_um(gap: GapRecord, x: float) -> float:
    """Height of the head's face over the pillow's along z, x rim radii off the axis, from both balls' equations."""
    solids, _ = gap_solids(gap, SIDE, H)
    faces = []
    for k in (0, 1):
        # r^2 <= b t + c t^2 from the vertex up, so the lower face is the smaller root.
        (b, c), (vx, vy, vz) = solids.profile[k][1:3], solids.origin[k]
        r2 = (x * WIDTH - vx) ** 2 + vy**2
        faces.append(vz + (b - math.sqrt(b * b + 4 * c * r2)) / (-2 * c))
    return 1000 * (faces[1] - faces[0])


def dish(wedge: float = 0.0, follow: float = 0.0) -> GapRecord:
    return GapRecord("interface", "dish", 0.4, 10.0, 1.0, (0.0, 0.0), 0.0, (), (wedge, 0.0), follow)


def test_the_gap_of_a_leaning_head_closes_on_the_side_it_leans_to():
    assert thickness_um(dish(), 0.7) == pytest.approx(10.0, abs=1e-6)
    for x in (-0.9, -0.5, 0.0, 0.5, 0.9):
        # A ball moved sideways is no tilted plane: within a tenth of the mean.
        assert thickness_um(dish(0.8), x) == pytest.approx(10.0 * (1.0 - 0.8 * x), abs=1.0)


def test_a_head_that_follows_its_pillow_keeps_the_gap_along_the_normal():
    radius = 2 * env.largest_radius(SIDE)
    middle = thickness_um(dish(follow=1.0), 0.0)
    for x in (0.3, 0.6, 0.9):
        slope = math.sqrt(1.0 - (x * WIDTH / radius) ** 2)
        assert thickness_um(dish(follow=1.0), x) * slope == pytest.approx(
            middle, rel=0.02
        )  # of first order in the gap
    assert thickness_um(dish(follow=1.0), 0.9) > 1.05 * middle


def pillows(scans: int = 40, **changed: object) -> list[tuple[GapRecord, bool]]:
    """Pillows of some boards, and whether each has a notch."""
    settings = GeneratorSettings(defects=dataclasses.replace(DefectSettings(), **changed))
    joints = [j for n in range(scans) for j in draw_scan(settings, 7, n).joints]
    return [(g, j.waist is not None) for j in joints for g in j.gaps if g.place == "interface"]


def test_shares_of_leaning_and_low_pillows_are_what_the_settings_say():
    found = pillows(pillow_wedge=0.5, near_land=0.4, pillow_follow=(0.2, 1.2))
    gaps = [gap for gap, _ in found]
    leaning = np.array([math.hypot(*gap.wedge) for gap in gaps])
    four = 4 * math.sqrt(0.25 / len(gaps))
    assert abs(float((leaning > 0).mean()) - 0.5) < four
    assert leaning.max() < 1.0
    smooth = [gap.level for gap, notched in found if not notched]
    # 0.4 of them, and the lowest sixth of the others.
    assert abs(float(np.mean([level < 0.12 + 0.53 / 6 for level in smooth])) - 0.5) < 4 * math.sqrt(
        0.25 / len(smooth)
    )
    assert min(g.follow for g in gaps) >= 0.2 < 1.0 < max(g.follow for g in gaps) <= 1.2
    # Half of the leaning heads are bonded in one column where the gap closes.
    closed = [g for g in gaps if any(g.wedge) and len(g.patches) == 1 and _same_side(g)]
    assert len(closed) >= 0.4 * (leaning > 0).sum()


def _same_side(gap: GapRecord) -> bool:
    (x, y, _), (u, v) = gap.patches[0], gap.wedge
    return x * u + y * v > 0.999 * math.hypot(x, y) * math.hypot(u, v)


def test_leaning_and_low_pillows_leave_all_else_that_a_seed_draws_as_it_was():
    wider = dataclasses.replace(
        DefectSettings(),
        pillow_wedge=0.6,
        near_land=0.3,
        pillow_follow=(0.0, 1.0),
        pillow_curvature=(0.6, 3.0),
    )
    one, other = (draw_scan(GeneratorSettings(defects=d), 3, 2) for d in (DefectSettings(), wider))
    assert (one.board, one.scanner, one.necks) == (other.board, other.scanner, other.necks)
    changed = 0
    for a, b in zip(one.joints, other.joints, strict=True):
        assert dataclasses.replace(a, gaps=()) == dataclasses.replace(b, gaps=())
        assert [g for g in a.gaps if g.place != "interface"] == [g for g in b.gaps if g.place != "interface"]
        changed += a.gaps != b.gaps
    assert changed > 0


def test_wider_opens_keep_wetted_spots_where_asked():
    for wetted, least in ((20.0, False), (80.0, True)):
        settings = GeneratorSettings(
            defects=dataclasses.replace(DefectSettings(), wetted_um=wetted, leaning=0.0)
        )
        ends = [
            g for n in range(20) for j in draw_scan(settings, 7, n).joints for g in j.gaps if g.form == "cap"
        ]
        assert any(g.patches and g.gap_um > 20.0 for g in ends) == least
        assert not any(g.patches and g.gap_um > wetted for g in ends)


@pytest.mark.parametrize(
    "changed",
    [{"pillow_wedge": 1.2}, {"near_land": -0.1}, {"pillow_curvature": (0.4, 2.0)}, {"pillow_follow": (0.0, 4.0)},
     {"wetted_um": 500.0}],
)  # fmt: skip
def test_pillows_that_cannot_be_are_refused(changed: dict[str, object]):
    with pytest.raises(InputError, match=f"defects.*{next(iter(changed))}"):
        DefectSettings(**changed)


def test_a_free_end_whose_rim_leaves_the_joint_is_infeasible_and_no_fault():
    """As in a wide leaning gap of a low joint: the scan is drawn anew instead of ending the run."""
    with pytest.raises(Infeasible, match="flank"):
        _high_rim(SIDE, H, 0.0, H / 2, 0.01)
    assert 0.0 < _high_rim(SIDE, H, 0.0, 0.6, 0.55) < 0.85 * H
