"""The gallery. Guards: joints on the wrong sheet, words that are not the truth, a layer of microvoids not cut."""

import json

import numpy as np
import pandas as pd

from jointwise.evaluation.pictures.contact_sheet import save
from jointwise.evaluation.pictures.gallery import (
    LOOKALIKES,
    cut_place,
    gallery_sheet,
    layer_voxel,
    lookalike,
    picked,
    truth_lines,
)
from jointwise.joints.batch import Joints
from jointwise.joints.grid import Grid
from jointwise.joints.kinds import KINDS

GRID = Grid((48, 40, 40))


def drawn(**changes: object) -> str:
    return json.dumps({"voids": [], "gaps": [], "waist": None, "bulges": []} | changes)


def layer(place: str, count: int = 12) -> list[dict[str, object]]:
    return [{"place": place, "level": 0.5, "flatness": 0.5, "diameter_mm": 0.02} for _ in range(count)]


def table() -> pd.DataFrame:
    n = 60
    kinds = {kind: (np.arange(n) % 6 == k).astype(float) for k, kind in enumerate(KINDS)}
    rows = pd.DataFrame(kinds).assign(
        scan="scan_00001", ball=[f"A{i + 1}" for i in range(n)], board_id="b", present=1, pitch_mm=0.8, ball_mm=0.5,
        height_mm=0.36, voxels_per_ball=25.0, voxel_um=20.0, cnr=31.4, metal_mm3=0.0726,
        void_projected_area_pct=np.where(np.arange(n) % 6 == 0, np.arange(n), 0.0), void_volume_pct=0.0,
        void_largest_pct=0.0, void_interface_pct=0.0, gap_um=np.where(np.isin(np.arange(n) % 6, (1, 3)), 7.6, np.nan),
        contact_fraction=np.nan, bridge_neck_um=np.nan, clearance_um=np.inf,
    )  # fmt: skip
    rows["joint_record"] = [drawn(waist={}) if i % 12 == 4 else drawn() for i in range(n)]
    rows.loc[5, "present"] = 0
    return rows


def test_every_sheet_holds_its_own_joints_and_the_void_sheet_runs_from_small_to_large() -> None:
    rows = table()
    chosen = picked(rows, 0, 7)
    for k, kind in enumerate(KINDS):
        assert len(chosen[kind]) == 7
        assert all(row % 6 == k for row in chosen[kind])
    areas = rows["void_projected_area_pct"].to_numpy()[chosen["void"]]
    assert (np.diff(areas) > 0).all()
    assert areas[0] == 0.0
    assert areas[-1] == 54.0
    assert {row % 6 for row in chosen[LOOKALIKES]} == {4, 5}
    assert 5 not in picked(rows, 0, 60)[LOOKALIKES]


def test_rare_look_alikes_come_as_early_as_plain_joints() -> None:
    rows = table()
    names = [lookalike(rows.iloc[row]) for row in picked(rows, 0, 4)[LOOKALIKES]]
    assert sorted(names) == ["plain", "plain", "waist without a gap", "waist without a gap"]


def test_words_under_a_joint_are_its_truth_with_units() -> None:
    rows = table()
    rows.loc[6, "bridging"] = np.nan
    words = truth_lines(rows.iloc[6], "void")
    assert words[1] == "truth: void, bridging marginal"
    assert words[2] == "voids 6.0 % of area"
    assert words[4] == "25 voxels per ball (20 µm) · cnr 31 · 0.073 mm³"
    assert "gap 8 µm" in truth_lines(rows.iloc[1], "non_wet")[3]


def test_a_layer_of_microvoids_is_cut_where_it_lies() -> None:
    """7.5 µm off the land and half a void's 10 µm height: 12.5 µm inside either end of 360 µm."""
    rows = table()
    step = GRID.spacing_mm(0.8, 0.5)[2]
    for place, z in (("board", 0.0125 - 0.18), ("package", 0.18 - 0.0125)):
        index = layer_voxel(rows.iloc[0], layer(place), GRID.shape, GRID)[0]
        assert abs((index - 23.5) * step - z) <= step / 2
        record = rows.iloc[0].copy()
        record["joint_record"] = drawn(voids=layer(place))
        assert cut_place(np.zeros(GRID.shape, np.float16), record, "void", GRID)[0] == index


def test_a_land_that_is_not_wetted_is_cut_in_its_gap() -> None:
    record = table().iloc[1].copy()
    for place, z in (("board", 0.03 - 0.18), ("package", 0.18 - 0.03)):
        record["joint_record"] = drawn(gaps=[{"place": place, "gap_um": 60.0, "form": "cap"}])
        index = cut_place(np.zeros(GRID.shape, np.float16), record, "non_wet", GRID)[0]
        assert abs((index - 23.5) * GRID.spacing_mm(0.8, 0.5)[2] - z) <= 0.5 * GRID.spacing_mm(0.8, 0.5)[2]


def test_a_sheet_is_drawn(tmp_path) -> None:  # type: ignore[no-untyped-def]
    rows = table().iloc[[0, 6, 12, 18, 24]].reset_index(drop=True)
    volumes = np.random.default_rng(0).random((5, *GRID.shape)).astype(np.float16)
    path = save(gallery_sheet(Joints(volumes, rows, GRID), "void", 10, "Simulated"), tmp_path / "void.png")
    assert path.stat().st_size > 20_000
