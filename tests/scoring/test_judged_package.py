"""One package on the whole way: each detector asked once, limits, alerts, what the scan shows, where the time went."""

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
import yaml
from numpy.typing import NDArray

from jointwise.joints.batch import Joints
from jointwise.joints.grid import Grid
from jointwise.joints.kinds import KINDS
from jointwise.joints.schema import MEASURES
from jointwise.models.bench import Bench, Judge, load_bench, write_rules
from jointwise.models.envelope import Envelope
from jointwise.models.protocol import empty_measures
from jointwise.models.rules.detector import RuleDetector
from jointwise.models.rules.numbers import NUMBERS
from jointwise.models.thresholds import Thresholds
from jointwise.scoring.clock import Clock
from jointwise.scoring.judging.acceptance import Acceptance, read_acceptance
from jointwise.scoring.judging.alerts import alerts_of
from jointwise.scoring.judging.judge import judge_array
from jointwise.scoring.run import score_scan
from jointwise.scoring.scored import Scored
from jointwise.scoring.settings import ArraySettings, ScoreSettings

GRID = Grid((24, 28, 28))
PART = ArraySettings(0.8, 0.46, rows=3, cols=3)
CUTS = Thresholds(((0.5,) * 4,), "f1", None, ((9,) * 4,), ((9,) * 4,))
WIDE = Envelope({"voxels_per_ball": (10.0, 40.0), "cnr": (5.0, None)})


class Counting:
    """A detector that finds a bridge where the name says so, and counts what it is asked."""

    name = "counting"

    def __init__(self, balls: set[str]) -> None:
        self.balls, self.scored, self.measured, self.looked = balls, 0, 0, 0

    def score(self, joints: Joints) -> NDArray[np.float64]:
        self.scored += len(joints)
        return self._scores(joints)

    def measure(self, joints: Joints) -> pd.DataFrame:
        self.measured += len(joints)
        return self._measures(joints)

    def score_and_measure(self, joints: Joints) -> tuple[NDArray[np.float64], pd.DataFrame]:
        self.looked += len(joints)
        return self._scores(joints), self._measures(joints)

    def _scores(self, joints: Joints) -> NDArray[np.float64]:
        scores = np.zeros((len(joints), len(KINDS)))
        scores[joints.table["ball"].isin(self.balls), KINDS.index("bridging")] = 1
        return scores

    def _measures(self, joints: Joints) -> pd.DataFrame:
        return empty_measures(len(joints)).assign(void_projected_area_pct=12.0)


@pytest.fixture(scope="module")
def scan(phantom: Callable[..., Any], tmp_path_factory: pytest.TempPathFactory) -> Path:
    made = phantom(rows=3, cols=3, missing=((0, 2),), clutter=False, seed=3)
    nz, ny, nx = made.volume.shape
    size = f"{nx} {ny} {nz}"
    head = (
        f"ObjectType = Image\nNDims = 3\nDimSize = {size}\nElementType = MET_FLOAT\n"
        "ElementByteOrderMSB = False\nElementSpacing = 0.03 0.03 0.03\nElementDataFile = LOCAL\n"
    )
    path = tmp_path_factory.mktemp("scan") / "board.mha"
    path.write_bytes(head.encode() + made.volume.astype("<f4").tobytes())
    return path


def limits(folder: Path, **words: object) -> Acceptance:
    path = folder / "limits.yaml"
    path.write_text(yaml.safe_dump(words))
    return read_acceptance(path)


def scored(scan: Path, bench: Bench, acceptance: Acceptance | None = None) -> Scored:
    return score_scan(scan, PART, ScoreSettings(batch=4), GRID, bench, acceptance=acceptance)


def test_the_whole_way_with_limits(scan: Path, tmp_path: Path) -> None:
    """Each joint is looked at once by each detector; dispositions, reasons, alerts, bound and seconds are there."""
    learned, rules = Counting({"A1"}), Counting(set())
    bench = Bench(Judge(learned, CUTS, WIDE), Judge(rules, CUTS))
    words: dict[str, object] = {
        "limits": [
            {"kind": "bridging", "name": "no bridge"},
            {"measure": "void_projected_area_pct", "most": 25},
        ],
        "counts": [{"kind": "missing", "most": 0, "name": "all there"}],
        "example": True,
    }
    done = scored(scan, bench, limits(tmp_path, **words))
    assert [(d.looked, d.scored, d.measured) for d in (learned, rules)] == [(8, 0, 0)] * 2
    rows = done.table.set_index("ball")
    assert rows.loc["A1", ["disposition", "reason"]].tolist() == ["reject", "bridging found (no bridge)"]
    assert rows.loc["B2", "disposition"] == "accept"
    assert rows["disposition"].value_counts().to_dict() == {"accept": 7, "reject": 1, "review": 1}
    package = done.packages[0]
    assert any("all there" in words for words in package.alerts)
    assert any("invented" in words for words in package.alerts)
    assert package.shows is not None
    assert package.shows.voxel_um == pytest.approx(30)
    assert list(done.seconds)[:3] == ["scan read", "array found", "joints cut"]
    assert all(seconds > 0 for seconds in done.seconds.values())
    assert done.acceptance is not None


def test_a_scan_unlike_the_training_scans_is_told_on_top_and_left_to_a_person(
    scan: Path, tmp_path: Path
) -> None:
    narrow = replace(WIDE, ranges={"voxels_per_ball": (20.0, 40.0), "cnr": (5.0, None)})
    done = scored(
        scan, Bench(Judge(Counting({"A1"}), CUTS, narrow)), limits(tmp_path, limits=[{"kind": "bridging"}])
    )
    assert (
        done.packages[0]
        .alerts[0]
        .startswith("This scan is unlike those known to counting (voxels per ball: 15.3")
    )
    assert "8 of 8 joints are for review" in done.packages[0].alerts[0]
    there = done.table[done.table["present"] == 1]
    assert set(there["disposition"]) == {"review"}
    assert set(there["reason"]) == {"voxels per ball: 15.3, trained on 20 to 40"}


def test_rules_alone_go_the_whole_way_and_say_so(scan: Path, tmp_path: Path) -> None:
    """Real rules: scores, measures, dispositions; without a card nothing tells whether the scan is like theirs."""
    rng = np.random.default_rng(0)
    truth = (rng.random((60, len(KINDS))) < 0.4).astype(float)
    numbers = {kind: truth[:, [k]] + rng.random((60, len(NUMBERS[kind]))) for k, kind in enumerate(KINDS)}
    write_rules(tmp_path / "rules.json", RuleDetector.fit_numbers(numbers, truth), CUTS, {})
    bench = load_bench(tmp_path, ["rules"])
    done = scored(scan, bench, limits(tmp_path, limits=[{"measure": "void_projected_area_pct", "most": 40}]))
    there = done.table[done.table["present"] == 1]
    assert there[[f"rules_{kind}" for kind in KINDS]].notna().all(axis=None)
    assert there[[f"score_{kind}" for kind in KINDS]].isna().all(axis=None)
    assert there["void_projected_area_pct"].notna().all()
    assert set(done.table["detector"]) == {"rules"}
    assert done.table["disposition"].notna().all()
    assert "no network was asked" in done.packages[0].alerts[-1]
    assert "no range of scans" in done.packages[0].alerts[-1]
    known = Bench(rules=Judge(bench.rules.detector, CUTS, WIDE)) if bench.rules else bench
    assert "training joints in the same folder" in alerts_of(done.table, known, None)[-1]


def test_order_and_batches_of_joints_change_nothing(scan: Path) -> None:
    bench = Bench(Judge(Counting({"A1", "B3"}), CUTS, WIDE))
    cut = scored(scan, bench).packages[0].cut
    every = [judge_array(cut, bench, batch)[["ball", *MEASURES, "findings"]] for batch in (1, 3, 100)]
    for table in every[1:]:
        pd.testing.assert_frame_equal(table, every[0])


def test_a_clock_adds_up_what_is_done_twice() -> None:
    clock = Clock()
    for name in ("a", "b", "a"):
        with clock.step(name):
            pass
    assert list(clock.seconds) == ["a", "b"]
    before = clock.seconds["a"]
    with pytest.raises(ValueError, match="x"), clock.step("a"):
        raise ValueError("x")
    assert clock.seconds["a"] > before
