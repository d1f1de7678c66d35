"""From a file to results: cut, judge, write and report, with a plain detector made here."""

from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
import SimpleITK

from jointwise.joints.batch import Joints
from jointwise.joints.errors import InputError
from jointwise.joints.grid import Grid
from jointwise.joints.kinds import KINDS
from jointwise.joints.schema import COLUMNS, MEASURES, RULES, SCORES
from jointwise.models.bench import Bench, Judge
from jointwise.models.envelope import Envelope
from jointwise.models.thresholds import Thresholds
from jointwise.scoring.judging.judge import WHICH_WAY, judge_array, suspicion
from jointwise.scoring.report.cautions import warnings
from jointwise.scoring.run import score_scan, write_results
from jointwise.scoring.scored import Scored
from jointwise.scoring.settings import ArraySettings, ScoreSettings

WHEN = datetime(2026, 1, 2, 3, 4)
PART = ArraySettings(pitch_mm=0.8, ball_mm=0.46, component="U7")
CUTS = Thresholds(((0.5,) * 4,), "false_calls", 0.01, ((20,) * 4,), ((80,) * 4,))
OTHER = replace(CUTS, criterion="f1", false_calls=None)
GRID = Grid((24, 28, 28))
MISSING, BRIDGED, VOIDED = "B3", {"C3", "C4"}, "D4"


@dataclass
class Plain:
    """Calls a bridge where the lanes to a neighbour are bright, a void where the middle holds something dark."""

    name: str = "plain"
    gap: float = np.nan

    def score(self, joints: Joints) -> np.ndarray:
        assert joints.volumes.dtype == np.float32
        v, scores = joints.volumes, np.zeros((len(joints), 4))
        n = joints.grid.shape[1]
        lane, mid = round(n / 6), slice(n // 2 - 3, n // 2 + 3)
        z = slice(joints.grid.shape[0] // 2 - 3, joints.grid.shape[0] // 2 + 3)
        lanes = [v[:, z, mid, lane], v[:, z, mid, -lane - 1], v[:, z, lane, mid], v[:, z, -lane - 1, mid]]
        scores[:, 2] = np.clip(np.max([side.max(axis=(1, 2)) for side in lanes], axis=0), 0, 0.99)
        core = v[:, z, n // 2 - 3 : n // 2 + 3, n // 2 - 3 : n // 2 + 3].reshape(len(joints), -1)
        scores[:, 0] = np.clip(1.2 * (1 - np.quantile(core, 0.04, axis=1)), 0, 1)
        return scores

    def measure(self, joints: Joints) -> pd.DataFrame:
        table = pd.DataFrame(np.nan, index=range(len(joints)), columns=list(MEASURES))
        return table.assign(void_projected_area_pct=4.25, gap_um=self.gap)


RULES_ONLY = Bench(rules=Judge(Plain(), OTHER))
BOTH = Bench(rules=Judge(Plain("rules", 7.0), OTHER), learned=Judge(Plain("net"), CUTS))


@pytest.fixture(scope="module")
def scan_file(phantom: Callable[..., Any], tmp_path_factory: pytest.TempPathFactory) -> Path:
    made = phantom(missing=((1, 2),), bridges=(((2, 2), (2, 3)), ((3, 1), (4, 1))), voids=((3, 3),))
    image = SimpleITK.GetImageFromArray(made.volume)
    image.SetSpacing(made.lattice.spacing_mm)
    image.SetOrigin(made.lattice.origin_mm)
    path = tmp_path_factory.mktemp("scan") / "board 7 & co.mha"
    SimpleITK.WriteImage(image, str(path), True)
    return path


@pytest.fixture(scope="module")
def scored(scan_file: Path) -> Scored:
    return score_scan(scan_file, PART, ScoreSettings(batch=7), GRID, BOTH)


def with_package(scored: Scored, bench: Bench, **changes: Any) -> Scored:
    """The same scan with another bench and a changed package."""
    return replace(scored, bench=bench, packages=(replace(scored.packages[0], **changes),))


def test_table_says_what_was_found(scored: Scored) -> None:
    table = scored.table
    assert list(table.columns) == list(COLUMNS)
    assert len(table) == 30
    finds = table.set_index("ball")["findings"]
    assert finds[MISSING] == "missing"
    assert set(finds[finds == "bridging"].index) == BRIDGED | {"D2", "E2"}
    assert finds[VOIDED] == "void"
    assert finds.isna().sum() == 30 - 6
    assert set(table["scan"]) == {"board 7 & co"}
    assert set(table["component"]) == {"U7"}
    assert set(table["detector"]) == {"net"}
    assert set(table["thresholds_id"]) == {CUTS.identity}
    assert table[[*KINDS, "disposition", "reason"]].isna().all(axis=None)
    assert table["voxels_per_ball"].iloc[0] == pytest.approx(0.46 / 0.03)


def test_a_missing_ball_has_no_scores_and_the_others_all(scored: Scored) -> None:
    there = scored.table["present"] == 1
    scores = scored.table[[*SCORES, *RULES]]
    assert scores[there].notna().all(axis=None)
    assert scores[~there].isna().all(axis=None)
    assert scored.table.loc[~there, list(MEASURES)].isna().all(axis=None)


def test_measures_come_from_the_deciding_detector_and_gaps_in_them_from_the_other(scored: Scored) -> None:
    there = scored.table[scored.table["present"] == 1]
    assert (there["void_projected_area_pct"] == 4.25).all()
    assert (there["gap_um"] == 7.0).all()
    assert there["bridge_neck_um"].isna().all()


def test_batches_and_threads_change_nothing(scan_file: Path, scored: Scored) -> None:
    again = score_scan(scan_file, PART, ScoreSettings(batch=1000, workers=3), GRID, BOTH)
    pd.testing.assert_frame_equal(again.table, scored.table)


def test_rules_alone_decide_without_a_learned_detector(scored: Scored) -> None:
    table = judge_array(scored.packages[0].cut, RULES_ONLY, 16)
    assert set(table["detector"]) == {"plain"}
    assert table[list(SCORES)].isna().all(axis=None)
    assert list(table["findings"].fillna("")) == list(scored.table["findings"].fillna(""))


def test_joints_are_cut_where_they_are(scored: Scored) -> None:
    """Solder fills the middle of every sub-volume, air the corners; levels are those of the scan."""
    volumes = scored.packages[0].cut.joints.volumes.astype(float)
    assert volumes.shape == (29, *GRID.shape)
    z, y, x = (n // 2 for n in GRID.shape)
    middles = volumes[:, z - 1 : z + 1, y - 2 : y + 2, x - 2 : x + 2].mean(axis=(1, 2, 3))
    assert np.abs(middles - 0.95).max() < 0.25
    lanes = volumes[:, z, 4:6, 4:6].mean(axis=(1, 2))
    assert np.abs(lanes).max() < 0.15


def test_envelope(scored: Scored) -> None:
    wide = Judge(Plain(), CUTS, Envelope({"voxels_per_ball": (10, 40), "cnr": (5, None)}))
    assert (judge_array(scored.packages[0].cut, Bench(rules=wide), 64)["out_of_envelope"] == 0).all()
    narrow = replace(wide, envelope=Envelope({"voxels_per_ball": (20, 40), "cnr": (5, None)}))
    table = judge_array(scored.packages[0].cut, Bench(rules=narrow), 64)
    assert (table["out_of_envelope"] == table["present"]).all()
    there = table["present"] == 1
    assert set(table.loc[there, "disposition"]) == {"review"}
    assert set(table.loc[there, "reason"]) == {"voxels per ball: 15.3, trained on 20 to 40"}
    assert table.loc[~there, ["disposition", "reason"]].isna().all(axis=None)
    assert list(table["findings"].fillna("")) == list(scored.table["findings"].fillna(""))  # they stay
    sites = scored.packages[0].cut.sites.assign(in_field=scored.packages[0].cut.sites["ball"] != "A1")
    table = judge_array(replace(scored.packages[0].cut, sites=sites), Bench(rules=wide), 64)
    assert list(table.loc[table["out_of_envelope"] == 1, "ball"]) == ["A1"]
    assert list(table.loc[table["disposition"].notna(), "ball"]) == ["A1"]
    assert "edge of the scan" in table.set_index("ball").loc["A1", "reason"]
    said = warnings(table, scored.packages[0].found, PART)
    assert said[-1] == "1 of 30 joints are for review since the edge of the scan cuts them off."


class Torn(Plain):
    """Believes that the joint with a void is parted, half in one way and half in the other."""

    def score(self, joints: Joints) -> np.ndarray:
        return super().score(joints)[:, [0]] * np.array([[0, 0.5, 0, 0.45]])


def test_a_joint_parted_whichever_way_is_found_and_for_review(scored: Scored) -> None:
    """Neither way reaches its cut, their sum does: the likelier is named, and the table says that it is not sure."""
    cuts = replace(CUTS, values=((0.6,) * 4,), parted=(0.475,))
    cut = scored.packages[0].cut
    alone = judge_array(cut, Bench(learned=Judge(Torn(), replace(cuts, parted=()))), 64).set_index("ball")
    assert alone["findings"].dropna().to_dict() == {MISSING: "missing"}
    bench = Bench(learned=Judge(Torn(), cuts))
    table = judge_array(cut, bench, 64).set_index("ball")
    assert table["findings"].dropna().to_dict() == {MISSING: "missing", VOIDED: "non_wet"}
    assert table["reason"].dropna().to_dict() == {VOIDED: WHICH_WAY}
    assert table["disposition"].dropna().to_dict() == {VOIDED: "review"}
    assert (table["out_of_envelope"] == 0).all()
    assert ((suspicion(table, bench) >= 0) == table["findings"].notna()).all()


def test_the_cuts_are_those_of_the_scans_noise(scored: Scored, tmp_path: Path) -> None:
    """Of two classes the scan, which has some noise, is in the noisier: nothing reaches its cuts of 1."""
    both = ((1,) * 4,) * 2
    cuts = Thresholds(((0.5,) * 4, (1.0,) * 4), "false_calls", 0.01, both, both, (0.1,))
    noise = 1 / scored.table["cnr"].iloc[0]
    assert 0 < noise < np.inf
    for edge, found in ((noise / 2, 1), (noise * 2, 6)):
        bench = Bench(learned=Judge(Plain("net"), replace(cuts, edges=(edge,))))
        table = judge_array(scored.packages[0].cut, bench, 64)
        assert table["findings"].notna().sum() == found
        assert ((suspicion(table, bench) >= 0) == table["findings"].notna()).all()
    write_results(with_package(scored, bench, table=table), tmp_path / "out", WHEN)
    page = (tmp_path / "out" / "report.html").read_text()
    assert "1 of 2 (1 is the cleanest)" in page
    assert "finding from 0.5<" in page


def test_suspicion_orders_missing_then_certain_then_the_rest(scored: Scored) -> None:
    order = scored.table.assign(suspicion=suspicion(scored.table, BOTH)).sort_values(
        "suspicion", ascending=False
    )
    assert order["ball"].iloc[0] == MISSING
    called = order["findings"].notna().to_numpy()
    assert called[:6].all()
    assert not called[6:].any()
    assert order["suspicion"].between(-1, 2).all()


def test_somebody_has_to_judge() -> None:
    with pytest.raises(InputError, match="at least one detector"):
        Bench()


def test_settings_of_scoring_are_checked(scan_file: Path) -> None:
    for wrong, words in (
        ({"package_side": "top"}, "package_side"),
        ({"grey_slope": -1.0}, "grey_slope"),
        ({"batch": 0}, "batch"),
        ({"max_tilt_deg": 90.0}, "max_tilt_deg"),
    ):
        with pytest.raises(InputError, match=f"^{words}"):
            score_scan(scan_file, PART, ScoreSettings(**wrong), GRID, RULES_ONLY)
