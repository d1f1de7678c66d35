"""Pairs with and without a known fault. Guards: members that differ by more than the fault, bits that wander."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from jointwise.data_gen.drawing.record_json import to_json
from jointwise.data_gen.drawing.scan import draw_scan
from jointwise.data_gen.drawing.voids import LARGEST
from jointwise.data_gen.pairs import (
    SOUND,
    another_scan,
    generate_pairs,
    pair_joints,
    pair_records,
    sound_board,
    with_fault,
)
from jointwise.data_gen.settings import FamilySettings, GeneratorSettings, ProcessSettings, ScanSettings
from jointwise.data_gen.settings.pairs import LARGEST_VOID, PairSettings, Task
from jointwise.joints.batch import Joints
from jointwise.joints.errors import InputError
from jointwise.joints.grid import Grid
from jointwise.joints.kinds import KINDS
from jointwise.joints.store import Store

GRID = Grid((24, 28, 28))
SETTINGS = GeneratorSettings(
    family=FamilySettings(rows=(3, 3), cols=(3, 3)),
    process=ProcessSettings(profile="quadric"),
    scan=ScanSettings(
        mounts=("upright",), kvp=(160, 160), filter_cu_mm=(0.5, 0.5), voxels_per_ball=(12.0, 12.0), views=(120, 120),
        pixels_mm=(0.2,), scatter_fraction=(0.0, 0.0), glare_fraction=(0.0, 0.0), hann_cutoff=(1.0, 1.0),
        centre_error_voxels=0.0, height_error_voxels=0.0, plane_error_deg=0.0, level_error=0.0,
    ),
)  # fmt: skip
PAIRS = PairSettings(boards=3, known_boards=1, head_in_pillow=(0.0, 1.0), non_wet=(1.0,), void=(6.0,))
NOTHING, PILLOW, OPEN, VOID = (task.name for task in PAIRS.tasks)


@pytest.fixture(scope="module")
def known() -> Joints:
    """The members of a board without noise."""
    return pair_joints(SETTINGS, PAIRS, 5, 0, GRID)


def of(joints: Joints, task: str) -> np.ndarray:
    return joints.volumes[(joints.table["task"] == task).to_numpy()].astype(np.float64)


def test_without_noise_a_fault_of_no_size_changes_nothing(known: Joints) -> None:
    np.testing.assert_array_equal(of(known, NOTHING), of(known, SOUND))


def test_without_noise_a_pair_differs_at_its_joint_and_hardly_elsewhere(known: Joints) -> None:
    """More than eight tenths of a void's change (squared) lie within a third of a ball from its middle, the rest at the
    outline that the gas pushes outwards; nearly all of a gap's lies within the joint and a voxel round it."""
    row = known.table.iloc[0]
    x, y, z = np.meshgrid(*GRID.offsets_mm(row["pitch_mm"], row["ball_mm"]), indexing="ij")
    x, y, z = (a.transpose(2, 1, 0) / row["ball_mm"] for a in (x, y, z))
    near = {VOID: x**2 + y**2 + z**2 < 0.33**2, PILLOW: np.hypot(x, y) < 0.7, OPEN: np.hypot(x, y) < 0.7}
    least = {VOID: 0.8, PILLOW: 0.95, OPEN: 0.95}
    for task, where in near.items():
        change = (of(known, task) - of(known, SOUND)) ** 2
        assert change.max() > 0.01
        assert change[:, where].sum() > least[task] * change.sum()


def test_the_fault_is_the_one_asked_for(known: Joints) -> None:
    table = known.table.set_index("task")
    voxel = table["voxel_um"].iloc[0]
    assert table.loc[PILLOW, "gap_um"].to_numpy() == pytest.approx(voxel, rel=0.02)
    assert table.loc[OPEN, "gap_um"].to_numpy() == pytest.approx(voxel, rel=0.1)
    assert table.loc[VOID, "void_projected_area_pct"].to_numpy() == pytest.approx(6.0, rel=0.05)
    asked = {PILLOW: "head_in_pillow", OPEN: "non_wet", VOID: "void", SOUND: None, NOTHING: None}
    for task, kind in asked.items():
        assert (table.loc[task, list(KINDS)] == [float(k == kind) for k in KINDS]).all(axis=None)


def test_levels_do_not_tell_the_fault(known: Joints) -> None:
    """Read off a scan in which every judged joint has a gap of a voxel, the solder level would fall by 8 %."""
    assert known.table["cnr"].nunique() == 1


def test_metal_height_and_place_are_the_same_in_both(known: Joints) -> None:
    for name, close in (("metal_mm3", 2e-3), ("height_mm", 0.0), ("x_mm", 0.0), ("z_mm", 0.0)):
        by_pair = known.table.groupby("pair")[name]
        assert (by_pair.max() - by_pair.min()).max() <= close * known.table[name].abs().max()


def test_the_same_seed_gives_the_same_bits_whatever_else_is_asked() -> None:
    one = pair_joints(SETTINGS, replace(PAIRS, head_in_pillow=(), non_wet=()), 5, 1, GRID)
    other = pair_joints(SETTINGS, replace(PAIRS, head_in_pillow=(), non_wet=(), void=(6.0, 2.0)), 5, 1, GRID)
    for task in (SOUND, VOID):
        np.testing.assert_array_equal(of(one, task), of(other, task))
    assert not np.array_equal(
        of(one, SOUND), of(pair_joints(SETTINGS, replace(PAIRS, void=()), 6, 1, GRID), SOUND)
    )


def test_members_of_a_judged_board_have_noise_of_their_own() -> None:
    records = pair_records(SETTINGS, PAIRS, 5, 1)
    assert len({record.scanner.noise_seed for record in records.values()}) == len(records)
    # Nothing else of the scanner differs, and with a fault of no size nothing else at all.
    alike = {to_json(replace(record.scanner, noise_seed=0)) for record in records.values()}
    assert len(alike) == 1
    assert records[NOTHING].joints == records[SOUND].joints
    assert another_scan(records[SOUND], "x") == another_scan(records[SOUND], "x")


def test_judged_joints_have_no_judged_neighbour_and_others_no_fault() -> None:
    board = sound_board(draw_scan(SETTINGS, 5, 2))
    faulty = with_fault(board, Task("void", 5.0, "area_pct"))
    judged = {(j.row, j.col) for j in faulty.joints if j.voids}
    assert judged == {(j.row, j.col) for j in board.joints if j.kept}
    assert len(judged) == 5
    assert not any(abs(r - s) + abs(c - d) == 1 for r, c in judged for s, d in judged)
    assert not faulty.necks
    assert not any(j.gaps or j.bulges for j in faulty.joints)


def test_a_store_goes_on_with_more_boards_but_not_with_other_tasks(tmp_path: Path) -> None:
    fewer = replace(PAIRS, head_in_pillow=(), non_wet=())
    assert list(generate_pairs(SETTINGS, fewer, tmp_path, seed=5, grid=GRID))[-1] == (4, 4)
    first = (tmp_path / "pairs_00001.safetensors").read_bytes()
    more = list(generate_pairs(SETTINGS, replace(fewer, boards=4), tmp_path, seed=5, grid=GRID))
    assert more == [(4, 5), (5, 5)]
    assert (tmp_path / "pairs_00001.safetensors").read_bytes() == first
    table = Store(tmp_path).table
    assert (table["split"] == np.where(table["noise_free"] == 1, "train", "test")).all()
    assert table.groupby("noise_free")["board_id"].nunique().to_dict() == {0: 4, 1: 1}
    assert not table.duplicated(["scan", "ball"]).any()
    with pytest.raises(InputError, match="another config"):
        list(generate_pairs(SETTINGS, PAIRS, tmp_path, seed=5, grid=GRID))


@pytest.mark.parametrize(
    ("given", "said"),
    [
        ({"boards": 2}, "at least 3 boards"),
        ({"gap_unit": "mm"}, "voxel, um"),
        ({"void": (50.0,)}, "from 0 to 36"),
        ({"head_in_pillow": (-0.1,)}, "from 0 to 5"),
        ({"void": (1.0, 1.0)}, "twice"),
        ({"void": (), "head_in_pillow": ()}, "found none"),
    ],
)
def test_what_cannot_be_asked_is_refused(given: dict[str, object], said: str) -> None:
    with pytest.raises(InputError, match=said):
        PairSettings(**given)  # type: ignore[arg-type]


def test_voids_are_no_larger_than_drawn_ones() -> None:
    assert LARGEST_VOID == LARGEST
