"""The contact sheet: which joints it shows, where it cuts them, what it says about them."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from matplotlib.figure import Figure
from matplotlib.image import imread
from matplotlib.text import Text
from scipy import ndimage

from jointwise.evaluation.pictures import contact_sheet as sheet
from jointwise.evaluation.pictures import joint_picture, slices
from jointwise.joints.batch import Joints
from jointwise.joints.errors import InputError
from jointwise.joints.grid import Grid
from jointwise.joints.kinds import KINDS
from tests.models.conftest import Phantom, joints_of

GRID = Grid((24, 28, 28))
PITCH, BALL = 0.8, 0.5
VOID, NECK = (0.08, -0.05, 0.05), (0.4, 0.03, -0.08)
"""Where the painted void and the neck's middle lie, x, y, z in mm."""


def phantom(kind: str | None, noise: float = 0.04, mirror: tuple[int, ...] = ()) -> np.ndarray:
    """A flattened ball between two copper lands with four neighbours, and one defect."""
    x, y, z = np.meshgrid(*GRID.offsets_mm(PITCH, BALL), indexing="ij")
    metal = np.zeros(x.shape, bool)
    for dx, dy in ((0, 0), (PITCH, 0), (-PITCH, 0), (0, PITCH), (0, -PITCH)):
        metal |= ((x - dx) ** 2 + (y - dy) ** 2 + z**2 < 0.27**2) & (abs(z) < 0.185)
    volume = metal.astype(float)
    volume[(abs(z) > 0.185) & (abs(z) < 0.22) & (np.hypot(x, y) < 0.2)] = 0.32
    if kind == "void":
        volume[sum((a - c) ** 2 for a, c in zip((x, y, z), VOID, strict=True)) < 0.07**2] = 0
    if kind == "non_wet":
        volume[(abs(z + 0.16) < 0.025) & (np.hypot(x, y) < 0.27)] = 0
    if kind == "bridging":
        volume[(np.hypot(y - NECK[1], z - NECK[2]) < 0.06) & (x > 0)] = 1
    if kind == "head_in_pillow":
        volume[(abs(z - 0.03) < 0.015) & (np.hypot(x, y) < 0.3)] = 0
    volume = ndimage.gaussian_filter(volume.transpose(2, 1, 0), 0.6)
    volume += np.random.default_rng(3).normal(0, noise, volume.shape)
    return np.flip(volume, mirror).astype(np.float32)


@pytest.fixture(scope="module")
def joints() -> Joints:
    """Four joints of each kind and of none."""
    kinds = [*KINDS, None] * 4
    table = pd.DataFrame(
        {
            "scan": "s1",
            "ball": [f"B{number}" for number in range(20)],
            "present": 1,
            "pitch_mm": PITCH,
            "ball_mm": BALL,
            "voxels_per_ball": 25.0,
            "gap_um": [30.0 if kind == "head_in_pillow" else np.nan for kind in kinds],
            **{name: [float(name == kind) for kind in kinds] for name in KINDS},
        }
    )
    return Joints(np.array([phantom(kind) for kind in kinds], dtype=np.float16), table, GRID)


@pytest.fixture(scope="module")
def scores(joints: Joints) -> dict[str, np.ndarray]:
    """Two detectors; `rules` misses every bridge, and calls one sound joint (row 4) a void."""
    truth = joints.table[list(KINDS)].to_numpy(float)
    learned, rules = 0.1 + 0.8 * truth, 0.2 + 0.6 * truth
    rules[:, 2] = 0.1
    rules[4, 0] = 0.77
    return {"learned": learned, "rules": rules}


THRESHOLDS = {"learned": np.full(4, 0.5), "rules": np.full(4, 0.5)}


def at_mm(voxel: slices.Voxel) -> np.ndarray:
    """x, y, z in mm from the box's centre of a (z, y, x) voxel."""
    offsets = GRID.offsets_mm(PITCH, BALL)
    return np.array([offsets[axis][voxel[2 - axis]] for axis in range(3)])


@pytest.mark.parametrize("mirror", [(), (0,), (1,), (2,), (0, 1, 2)])
def test_cuts_go_through_the_defect(mirror: tuple[int, ...]) -> None:
    """Within two voxels of where it was painted, in every mirror image."""
    sign = np.array([-1 if 2 - axis in mirror else 1 for axis in range(3)])
    two_voxels = 2 * np.array(GRID.spacing_mm(PITCH, BALL))
    found = {
        kind: at_mm(slices.evidence_voxel(phantom(kind, mirror=mirror), kind, GRID, PITCH, BALL))
        for kind in KINDS
    }
    assert (abs(found["void"] - sign * VOID) <= two_voxels).all()
    assert (abs(found["bridging"] - sign * NECK) <= two_voxels).all()
    assert abs(found["non_wet"][2] - sign[2] * -0.16) <= two_voxels[2]
    assert abs(found["head_in_pillow"][2] - sign[2] * 0.03) <= two_voxels[2]


@pytest.mark.parametrize(
    ("radius", "noise", "blur", "away"), [(0.035, 0.05, 0.03, 0.14), (0.04, 0.05, 0.04, 0.1)]
)
def test_a_small_void_is_cut_through_its_middle(
    radius: float, noise: float, blur: float, away: float
) -> None:
    """In grain and cupping, at six places around the axis, also near the blurred rim."""
    for turn in range(6):
        centre = away * np.cos(turn * np.pi / 3), away * np.sin(turn * np.pi / 3), -0.06
        phantoms = [Phantom(voids=((*centre, radius),), noise=noise, blur=blur, cupping=0.3, seed=turn)]
        fine = joints_of(phantoms)
        pitch, ball = (float(fine.table[name].iloc[0]) for name in ("pitch_mm", "ball_mm"))
        voxel = slices.evidence_voxel(fine.volumes[0], "void", fine.grid, pitch, ball)
        place = [o[i] for o, i in zip(fine.grid.offsets_mm(pitch, ball), voxel[::-1], strict=True)]
        assert np.linalg.norm(np.array(place) - centre) < 0.65 * radius


def test_a_bridge_along_y_is_found_too() -> None:
    turned = phantom("bridging").transpose(0, 2, 1)
    x, y, z = at_mm(slices.evidence_voxel(turned, "bridging", GRID, PITCH, BALL))
    assert (x, y, z) == pytest.approx((NECK[1], NECK[0], NECK[2]), abs=0.09)


@pytest.mark.parametrize("kind", [None, *KINDS])
@pytest.mark.parametrize("value", [0.0, 1.0])
def test_a_volume_without_any_structure_still_gives_a_voxel(kind: str | None, value: float) -> None:
    voxel = slices.evidence_voxel(np.full(GRID.shape, value, np.float32), kind, GRID, PITCH, BALL)
    assert all(0 <= index < size for index, size in zip(voxel, GRID.shape, strict=True))


def test_a_sound_joint_is_cut_through_its_middle() -> None:
    assert slices.evidence_voxel(phantom(None), None, GRID, PITCH, BALL) == (12, 14, 14)


def test_choice_runs_from_hardest_to_easiest_and_leaves_out_what_is_unknown() -> None:
    truth = np.zeros((8, 4))
    truth[:5, 0] = 1
    truth[5, 1] = np.nan
    score = np.zeros((8, 4))
    score[:5, 0] = [0.9, 0.1, 0.5, 0.7, 0.3]
    score[6, 3] = 0.6
    present = np.ones(8)
    present[1] = 0
    chosen = sheet.choose(truth, present, {"d": score}, 3)
    assert chosen["void"] == [4, 3, 0], "joint 1 has no ball; ranks 0, 2 and 3 of 4"
    assert chosen["non_wet"] == chosen["bridging"] == chosen["head_in_pillow"] == []
    assert chosen["sound"] == [6, 7], "joint 5 may be faulty; 6 has the higher score"


def test_choice_is_never_longer_than_asked_or_than_there_is() -> None:
    truth = np.zeros((4, 4))
    truth[0, 0] = 1
    chosen = sheet.choose(truth, np.ones(4), {"d": truth}, 2)
    assert chosen["void"] == [0]
    assert len(chosen["sound"]) == 2


@pytest.mark.parametrize(
    ("row", "calls", "word"),
    [
        ("void", [1, 0, 0, 0], "found"),
        ("void", [1, 1, 0, 0], "found"),
        ("void", [0, 1, 0, 0], "other kind"),
        ("void", [0, 0, 0, 0], "missed"),
        ("sound", [0, 0, 0, 0], "no finding"),
        ("sound", [0, 0, 0, 1], "false call"),
    ],
)
def test_verdicts_in_words(row: str, calls: list[int], word: str) -> None:
    assert sheet.verdict(row, calls).word == word


def test_every_verdict_has_its_own_word_and_shape() -> None:
    verdicts = (sheet.FOUND, sheet.MISSED, sheet.WRONG_KIND, sheet.FALSE_CALL, sheet.NO_FINDING)
    assert len({verdict.word for verdict in verdicts}) == len({verdict.shape for verdict in verdicts}) == 5


@pytest.mark.parametrize(("width", "bar"), [(1200, 200), (600, 100), (2100, 500), (80, 20), (0.9, 0.2)])
def test_scale_bar_is_a_round_length(width: float, bar: float) -> None:
    assert joint_picture.scale_bar_um(width) == pytest.approx(bar)


def test_greys_are_even_in_lightness() -> None:
    """Back through the sRGB curve to L*: equal steps."""
    srgb = joint_picture.uniform_grey()(np.arange(256))[:, 0]
    linear = np.where(srgb <= 0.04045, srgb / 12.92, ((srgb + 0.055) / 1.055) ** 2.4)
    lightness = np.where(linear > 0.008856, 116 * np.cbrt(linear) - 16, 903.3 * linear)
    np.testing.assert_allclose(lightness, np.linspace(0, 100, 256), atol=0.05)


def words_of(figure: Figure) -> list[str]:
    return [text.get_text() for text in figure.findobj(Text) if text.get_text()]


def test_the_sheet_says_what_it_shows(joints: Joints, scores: dict[str, np.ndarray], tmp_path: Path) -> None:
    figure = sheet.contact_sheet(joints, scores, THRESHOLDS, title="20 simulated joints")
    words = words_of(figure)
    assert sum(text.startswith("x–z, y = ") for text in words) == 15
    assert sum(text.startswith("y–z, x = ") for text in words) == 15
    assert sum(text.startswith("x–y, z = ") for text in words) == 15
    assert words.count("200 µm") == 45, "a scale bar in every picture"
    assert words.count("▲ missed") == 3, "rules misses all three bridges shown"
    assert words.count("■ false call") == 1
    assert "hardest: s1 · B4" in words, "the sound joint with the false call comes first"
    assert words.count("4 of 20 joints") == 5
    assert any("gap 30 µm (1.5 voxels)" in text for text in words)
    assert {"20 simulated joints", "0 = air", "1 = solder", "0.77 call", "yes", "no"} <= set(words)
    path = sheet.save(figure, tmp_path / "pictures" / "sheet.png")
    image = imread(path)
    assert [item.name for item in path.parent.iterdir()] == ["sheet.png"]
    assert image.shape[1] == round(sheet.WIDTH * sheet.DPI)
    assert (image[:20] == 1).all(), "the page is white"


def test_no_word_runs_over_another_or_off_the_page(joints: Joints, scores: dict[str, np.ndarray]) -> None:
    """The widest words there are: long detector names, calls of every kind."""
    loud = {"a long detector name": np.ones((20, 4)), "rules": scores["rules"]}
    limits = {name: np.full(4, 0.05) for name in loud}
    rows = {"void": [0, 5, 10], "bridging": [2, 7], "sound": [4]}
    figure = sheet.contact_sheet(joints, loud, limits, title="20 simulated joints", rows=rows)
    figure.canvas.draw()
    texts = [text for text in figure.findobj(Text) if text.get_text() and text.get_visible()]
    boxes = [text.get_window_extent() for text in texts]
    for number, box in enumerate(boxes):
        assert box.x0 >= 0, texts[number].get_text()
        assert box.x1 <= figure.bbox.x1, texts[number].get_text()
        for other in range(number):
            assert not box.overlaps(boxes[other]), (texts[number].get_text(), texts[other].get_text())


def test_kinds_without_joints_and_unclear_truth_are_said(
    joints: Joints, scores: dict[str, np.ndarray]
) -> None:
    table = joints.table.assign(bridging=0.0)
    table.loc[0, "non_wet"] = np.nan
    figure = sheet.contact_sheet(
        Joints(joints.volumes, table, GRID), scores, THRESHOLDS, title="t", rows={"void": [0], "bridging": []}
    )
    words = words_of(figure)
    assert "no such joint in this set" in words
    assert "unclear" in words
    assert sum(text.startswith("only one: ") for text in words) == 1


def test_refused_in_one_sentence(joints: Joints, scores: dict[str, np.ndarray]) -> None:
    bare = Joints(joints.volumes, joints.table.drop(columns="pitch_mm"), GRID)
    with pytest.raises(InputError, match="pitch_mm"):
        sheet.contact_sheet(bare, scores, THRESHOLDS, title="t")
    with pytest.raises(InputError, match="1 to 3 joints per row"):
        sheet.contact_sheet(joints, scores, THRESHOLDS, title="t", per_row=4)
    with pytest.raises(InputError, match="no thresholds of learned"):
        sheet.contact_sheet(joints, scores, {"rules": THRESHOLDS["rules"]}, title="t")
    with pytest.raises(InputError, match="no scores"):
        sheet.contact_sheet(joints, {}, {}, title="t")
