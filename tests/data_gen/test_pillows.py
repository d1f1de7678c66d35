"""Pillows whose head leans in them, follows them along their normal, that lie by the board's land or fall to one side.

Guards: a wedge that closes on the wrong side or changes the mean gap, settings that other draws of a seed notice,
pillows told apart by what is no fault, and a face that falls to the wrong side or down to the land.
"""

import dataclasses
import json
import math
import sys
from hashlib import sha256
from pathlib import Path

import numpy as np
import pytest

from jointwise.data_gen.drawing.record_json import to_json
from jointwise.data_gen.drawing.records import GapRecord, JointRecord, WaistRecord
from jointwise.data_gen.drawing.scan import draw_scan
from jointwise.data_gen.settings import DefectSettings, GeneratorSettings
from jointwise.data_gen.shapes import build, truth
from jointwise.data_gen.shapes import envelope as env
from jointwise.data_gen.shapes import solids as sd
from jointwise.data_gen.shapes.build import build_scene
from jointwise.data_gen.shapes.capillary import joint_side
from jointwise.data_gen.shapes.gaps import _high_rim, gap_solids
from jointwise.data_gen.shapes.scene import Infeasible
from jointwise.data_gen.shapes.solids import BODY, GAP, KEEP
from jointwise.joints.errors import InputError

sys.path.insert(0, str(Path(__file__).parent))
from rounded import rounded

H = 0.33
SIDE = joint_side(0.2, 0.2, H, 0.065)
WIDTH = env.radius_at(SIDE, 0.4 * H)


def thickness_um(gap: GapRecord, x: float) -> float:
    """Height of the head's face over the pillow's along z, x rim radii off the axis, from both balls' equations."""
    pillow, head = faces(gap, x)
    return 1000 * (head - pillow)


def faces(gap: GapRecord, x: float) -> list[float]:
    """Heights in mm of the pillow's and of the head's face, x rim radii off the axis."""
    solids, _ = gap_solids(gap, SIDE, H)
    width, found = env.radius_at(SIDE, gap.level * H), []
    for k in (0, 1):
        # r^2 <= b t + c t^2 from the vertex up, so the lower face is the smaller root.
        (b, c), (vx, vy, vz) = solids.profile[k][1:3], solids.origin[k]
        r2 = (x * width - vx) ** 2 + vy**2
        found.append(vz + (b - math.sqrt(b * b + 4 * c * r2)) / (-2 * c))
    return found


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


LEVEL_AT_MOST = 0.3
"""How far the lowest point of a pillow lies off its axis whose face does not fall, over its rim's radius."""
MOUNDS = {
    "fullest": 0.66,
    "waist": 0.45,
    "waist_um": (5, 140),
    "waist_per_height": 0.3,
    "waist_split": (0.7, 1.05),
}


def sloping(slope: float, level: float = 0.4, gap_um: float = 20.0) -> GapRecord:
    """A head that leans to +x on a pillow whose lowest point lies `slope` rim radii to the other side."""
    return GapRecord("interface", "dish", level, gap_um, 1.0, (-slope, 0.0), 0.0, (), (0.6, 0.0), 0.5)


def test_a_sloping_pillow_is_lowest_where_it_stands_open():
    """Lowest as far to the open side as drawn; there the gap is widest, and the rim far below the other side's."""
    places = np.linspace(-0.99, 0.99, 100)
    for slope in (0.4, 0.8, 1.2):
        low = sloping(slope, 0.25)
        heights = [faces(low, x)[0] for x in places]
        assert places[np.argmin(heights)] == pytest.approx(-min(slope, 0.99), abs=0.02)
        assert heights[-1] - heights[0] > 0.2 * H
        assert thickness_um(low, -0.9) > 30.0 > 10.0 > thickness_um(low, 0.9)
        # On a higher rim it falls less: its other side must stay below the package's land.
        assert (
            faces(sloping(slope, 0.4), -0.99)[0]
            < 0.2 * H
            < 0.5 * H
            < faces(sloping(slope, 0.4), 0.99)[0]
            < 0.65 * H
        )
    level = [faces(sloping(0.0), x)[0] for x in (-0.9, 0.9)]
    assert level[0] == pytest.approx(level[1], abs=1e-9)


@pytest.mark.parametrize("slope", [0.3, 0.7, 1.2])
def test_a_steeply_sloping_pillow_keeps_its_wedge(slope: float):
    """Where its face falls to the open side, the head need not climb: the gap there is as wide as asked."""
    ratio = [thickness_um(sloping(slope, 0.4), x) / 20.0 for x in (-0.8, 0.0, 0.8)]
    # A wedge of 0.6 of the mean, on a round face: within a fifth of the mean.
    assert ratio == pytest.approx([1 + 0.6 * 0.8, 1.0, 1 - 0.6 * 0.8], abs=0.2)


@pytest.mark.parametrize("rim", [0.12, 0.2, 0.38])
@pytest.mark.parametrize("slope", [0.31, 0.7, 1.2])
def test_a_sloping_pillow_leaves_solder_on_the_land(rim: float, slope: float):
    """A film of a twentieth of the joint's height; a pillow whose face is level keeps more where it has room."""
    widest = 700 * (rim - 0.04) * H
    for gap_um in (1.0, widest):
        lowest = gap_solids(sloping(slope, rim, gap_um), SIDE, H)[0].origin[0][2]
        assert lowest >= 0.05 * H - 1e-12
    still = gap_solids(sloping(LEVEL_AT_MOST, 0.25, 1.0), SIDE, H)[0].origin[0][2]
    assert still == pytest.approx(0.12 * H - 0.0005)


def test_shares_of_sloping_pillows_are_what_the_settings_say():
    found = pillows(25, head_in_pillow=0.8, pillow_wedge=0.6, pillow_slope=0.4, near_land=0.2)
    leaning = [(gap, notched) for gap, notched in found if any(gap.wedge)]
    slopes = [(gap, notched) for gap, notched in leaning if math.hypot(*gap.tilt) > LEVEL_AT_MOST]
    assert abs(len(slopes) / len(leaning) - 0.4) < 4 * math.sqrt(0.25 / len(leaning))
    assert all(any(gap.wedge) for gap, _ in found if math.hypot(*gap.tilt) > LEVEL_AT_MOST)
    # The lowest point lies opposite to where the gap closes, however far.
    for gap, _ in slopes:
        (x, y), (u, v) = gap.tilt, gap.wedge
        assert x * u + y * v == pytest.approx(-math.hypot(x, y) * math.hypot(u, v))
    far = [math.hypot(*gap.tilt) for gap, _ in slopes]
    assert 0.3 <= min(far) < 0.5 < 1.0 < max(far) <= 1.2
    assert {gap.form for gap, _ in slopes} == {"dish"}
    # On a smooth joint its rim lies in the lower half of the range, at a notch where the notch is.
    assert max(gap.level for gap, notched in slopes if not notched) <= 0.12 + 0.5 * 0.53
    assert max(gap.level for gap, notched in slopes if notched) > 0.12 + 0.6 * 0.53
    assert not [gap for gap, _ in pillows(5, pillow_wedge=0.6) if math.hypot(*gap.tilt) > LEVEL_AT_MOST]


@pytest.mark.parametrize("number", [0, 2])
def test_sloping_pillows_on_mounds_are_pillows_by_their_geometry(number: int):
    """Every joint of a board: metal kept, the gap about as wide as drawn, both lands wetted, the label a pillow's."""
    defects = DefectSettings(
        head_in_pillow=1, non_wet=0, bridging=0, missing=0, near_bridge=0, contact=(0.02, 0.15),
        pillow_wedge=1, pillow_slope=1, **MOUNDS,
    )  # fmt: skip
    record = draw_scan(GeneratorSettings(defects=defects), 11, number)
    table = truth.scene_truth(build_scene(record), 0.004, record.kept)
    gaps = [next(g for g in record.joints[i].gaps if g.place == "interface") for i in record.kept]
    assert all(math.hypot(*gap.tilt) > LEVEL_AT_MOST for gap in gaps)
    metal = np.array([record.joints[i].solder_mm3 for i in record.kept])
    np.testing.assert_allclose(table["metal_mm3"], metal, rtol=4e-3)
    np.testing.assert_allclose(table["gap_um"], [gap.gap_um for gap in gaps], rtol=0.15)
    wetted = table[["contact_board", "contact_package"]].min(axis=1)
    assert (wetted >= truth.SOUND).mean() >= 0.95
    assert (table["head_in_pillow"] == 1).mean() >= 0.95
    assert not (table["head_in_pillow"] == 0).any()
    assert not (table["non_wet"] == 1).any()


LEANING = {"pillow_wedge": 0.5, "near_land": 0.3, "pillow_follow": (0.0, 1.5), "pillow_curvature": (0.6, 3.0)}
AS_BEFORE = {"pillow_slope": 0.0, "fullest": 0.8, "waist_per_height": 0.1, "waist_split": (0.97, 1.03)}


@pytest.mark.parametrize(
    ("changed", "drawn"), [({}, "719cac54a42c87be"), (LEANING, "543e8285df838399"), (AS_BEFORE, "719cac54a42c87be"),
                           (LEANING | AS_BEFORE, "543e8285df838399")]
)  # fmt: skip
def test_without_mounds_a_seed_draws_what_it_drew_before_there_were_any(
    changed: dict[str, object], drawn: str
):
    """Hashes of six scans' records as they were drawn before pillows sloped, and notches had a mouth."""
    settings = GeneratorSettings(defects=dataclasses.replace(DefectSettings(), **changed))
    records = [rounded(json.loads(to_json(draw_scan(settings, 3, number)))) for number in range(6)]
    notches = [joint["waist"] for record in records for joint in record["joints"] if joint["waist"]]
    assert {notch.pop("opening") for notch in notches} == {0.0}
    assert sha256(json.dumps(records, sort_keys=True).encode()).hexdigest()[:16] == drawn


def test_slopes_change_the_gaps_of_leaning_pillows_and_nothing_else():
    none, half = (
        draw_scan(
            GeneratorSettings(defects=dataclasses.replace(DefectSettings(), pillow_slope=share, **LEANING)),
            3,
            2,
        )
        for share in (0.0, 0.5)
    )
    assert (none.board, none.scanner, none.necks) == (half.board, half.scanner, half.necks)
    changed = 0
    for a, b in zip(none.joints, half.joints, strict=True):
        assert dataclasses.replace(a, gaps=()) == dataclasses.replace(b, gaps=())
        for one, other in zip(a.gaps, b.gaps, strict=True):
            assert one == other or any(one.wedge)
            assert one.wedge == other.wedge
            changed += one != other
    assert changed > 0


def notches(**changed: object) -> list[tuple[JointRecord, float]]:
    """Joints of some boards that have a notch, and how deep it is over the height it was drawn for."""
    settings = GeneratorSettings(defects=dataclasses.replace(DefectSettings(), **changed))
    scans = [draw_scan(settings, 7, number) for number in range(20)]
    return [(j, j.waist.depth_um / 1000 / s.board.height_mm) for s in scans for j in s.joints if j.waist]


def test_notches_are_as_deep_as_asked_and_no_deeper_than_the_joint_allows():
    deep, usual = notches(**MOUNDS), notches()
    shares = np.array([share for _, share in deep])
    assert 0.25 < shares.max() <= 0.3 * (1 + 1e-12)
    depths = np.array([joint.waist.depth_um for joint, _ in deep])
    # Uniform from 5 um to 140 um or 0.3 of the height, whichever is less.
    assert 5.0 <= depths.min() < 12.0 < 80.0 < depths.max() <= 140.0
    assert max(share for _, share in usual) <= 0.1 * (1 + 1e-12)
    assert max(joint.waist.depth_um for joint, _ in usual) <= 40.0
    for found, (low, high) in ((deep, (0.7, 1.05)), (usual, (0.97, 1.03))):
        splits = [joint.waist.split for joint, _ in found]
        edge = 0.1 * (high - low)
        assert low <= min(splits) < low + edge < high - edge < max(splits) <= high
    sound = np.mean([joint.recipe in ("waist", "partial_wetting") for joint, _ in deep])
    assert sound > 0.4  # sound joints have such notches too


def test_grooves_are_some_of_the_notches_and_change_nothing_else():
    """As many and as wide as asked, of sound and failed joints alike; all other numbers stay as they were drawn."""
    changed = {**MOUNDS, "groove": 0.4, "groove_opening": (0.04, 0.3)}
    with_grooves, without = notches(**changed), notches(**MOUNDS)
    mouths = np.array([joint.waist.opening for joint, _ in with_grooves])
    narrow = mouths > 0.0
    assert abs(narrow.mean() - 0.4) < 3 * np.sqrt(0.24 / len(mouths))
    assert 0.04 <= mouths[narrow].min() < 0.05 < 0.25 < mouths.max() <= 0.3
    assert abs(np.median(mouths[narrow]) - np.sqrt(0.04 * 0.3)) < 0.02  # log-uniform
    pillows = np.array([joint.recipe == "head_in_pillow" for joint, _ in with_grooves])
    assert abs(pillows[narrow].mean() - pillows[~narrow].mean()) < 0.12
    for (one, depth), (other, same_depth) in zip(with_grooves, without, strict=True):
        split = 1.0 if one.waist.opening else one.waist.split
        assert one == dataclasses.replace(
            other, waist=dataclasses.replace(other.waist, opening=one.waist.opening, split=split)
        )
        assert depth == same_depth


def test_a_pillow_in_a_groove_leaves_the_lip_above_it_whole():
    """Its face comes out at the groove's bottom: beyond that there is hardly any gap, whatever its curvature."""
    record = draw_scan(GeneratorSettings(), 11, 0)
    sound = next(j for j in record.joints if j.recipe == "sound" and not j.voids)
    frame = build.joint_frame(sound, record.board)
    for curvature in (0.6, 1.0, 3.0):
        gap = GapRecord("interface", "dish", 0.35, 15.0, curvature, (0.0, 0.0), 0.0, ())
        joint = dataclasses.replace(
            sound, recipe="head_in_pillow", waist=WaistRecord(0.35, 70.0, 1.0, 0.3), gaps=(gap,)
        )
        shape = build.solve_shape(joint, frame, joint.solder_mm3, sd.empty())
        ring = env.radius_at(shape.envelope, 0.35 * frame.h)
        assert ring < env.largest_radius(shape.envelope) - 0.05
        x, z = np.meshgrid(np.linspace(0, 0.4, 801), np.linspace(0, frame.h, 401))
        places = np.column_stack([x.ravel(), np.zeros(x.size), z.ravel()])
        hit = {
            role: sd.inside(sd.of_role(shape.solids, role), places).any(axis=0) for role in (BODY, GAP, KEEP)
        }
        open_at = hit[BODY] & hit[GAP] & ~hit[KEEP]
        assert open_at.any()
        beyond = places[open_at, 0] > ring
        assert beyond.mean() < 0.12
        assert places[open_at, 0].max() < ring + 0.045


def test_gaps_are_wider_where_joints_may_be_pressed_farther():
    """A gap may take what height the joint stands above `fullest` of its free height."""
    wide, narrow = ([gap.gap_um for gap, _ in pillows(scans=20, fullest=fullest)] for fullest in (0.66, 0.95))
    assert np.percentile(wide, 90) > 1.2 * np.percentile(narrow, 90)
    assert all(a >= b for a, b in zip(wide, narrow, strict=True))


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
