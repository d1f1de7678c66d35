"""Detectors on joints with truth: each joint is called at the cut of its own noise, each detector is timed."""

import dataclasses
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from jointwise.evaluation.judged import scored, scores_of
from jointwise.evaluation.labels.storage import score_change
from jointwise.evaluation.report.shift import distance_table
from jointwise.evaluation.statistics import measures
from jointwise.evaluation.subjects import judge, of_store
from jointwise.evaluation.verdicts import read_verdicts, write_verdicts
from jointwise.joints.batch import Joints
from jointwise.joints.errors import InputError
from jointwise.joints.grid import Grid
from jointwise.joints.kinds import KINDS
from jointwise.joints.schema import MEASURES
from jointwise.joints.store import Store, StoreWriter
from jointwise.models.bench import Bench, Judge
from jointwise.models.envelope import Envelope
from jointwise.models.thresholds import Thresholds

GRID = Grid((8, 8, 8))
BOTH = ((1,) * 4,) * 2
CLASSES = Thresholds(((0.3,) * 4, (0.7,) * 4), "f1", None, BOTH, BOTH, (0.1,))


@dataclass
class Level:
    """Scores a joint by its mean value, the same for every kind."""

    name: str = "level"

    def score(self, joints: Joints) -> np.ndarray:
        return np.repeat(joints.volumes.astype(np.float64).mean(axis=(1, 2, 3))[:, None], 4, axis=1)

    def measure(self, joints: Joints) -> pd.DataFrame:
        return pd.DataFrame(np.nan, index=range(len(joints)), columns=list(MEASURES))


def quiet(*_: object) -> None:
    """Nobody is told."""


def store(folder: Path, joints: Joints) -> Store:
    """The joints as a store of generated ones."""
    with StoreWriter(folder / "store", GRID, 0, {}) as writer:
        writer.add("scan_0", joints)
    return Store(folder / "store")


def joints(level: float) -> Joints:
    """Two clean joints and three noisy ones of one grey level; the first of each is faulty in every kind."""
    table = pd.DataFrame({"cnr": [50.0, 50.0, 4.0, 4.0, np.nan]})
    table = table.assign(present=1, pitch_mm=0.8, ball_mm=0.5, split="test")
    table = table.assign(scan="s", board_id="b", ball=[f"A{i}" for i in range(5)])
    table = table.assign(**{kind: [1.0, 0.0, 1.0, 0.0, 0.0] for kind in KINDS})
    return Joints(np.full((5, *GRID.shape), level, np.float16), table, GRID)


def test_noisy_joints_are_judged_at_the_cuts_of_their_noise(tmp_path: Path) -> None:
    """All score 0.5: over the clean cut of 0.3, under the noisy one of 0.7."""
    one = judge(
        of_store(store(tmp_path, joints(0.5)), "set", "test"), Bench(rules=Judge(Level(), CLASSES)), quiet
    )
    assert one.cuts["rules"][:, 0].tolist() == [0.3, 0.3, 0.7, 0.7, 0.7]
    assert one.calls("rules")[:, 0].tolist() == [True, True, False, False, False]
    counts = measures.count(one.truth[:, 0], one.calls("rules")[:, 0])
    assert counts == (1, 1, 1, 2)


def test_how_far_scans_lie_from_those_of_training_goes_along(tmp_path: Path) -> None:
    """The detector saw 20 to 60 of contrast to noise: the usual store lies inside, the noisy one beyond."""
    bench = Bench(
        rules=Judge(Level(), CLASSES),
        learned=Judge(Level(), CLASSES, Envelope({"voxels_per_ball": (10.0, 30.0), "cnr": (20.0, 60.0)}, 9)),
    )
    sets = []
    for name, cnr in (("usual", 35.0), ("noisy", 5.0)):
        table = joints(0.5).table.assign(
            cnr=cnr, voxels_per_ball=17.0, scan=list("aabbb"), board_id=list("aabbb")
        )
        one = of_store(store(tmp_path / name, dataclasses.replace(joints(0.5), table=table)), name, "test")
        sets.append(judge(one, bench, quiet))
    assert sets[0].table["learned_distance"].max() < 1 < sets[1].table["learned_distance"].min()
    assert "rules_distance" not in sets[0].table
    path = write_verdicts(sets[1], tmp_path / "verdicts.parquet")
    assert distance_table(sets[0], [read_verdicts(path)])["auroc"].tolist() == [1.0]


def test_what_a_store_knows_goes_along_but_for_whole_drawings(tmp_path: Path) -> None:
    table = joints(0.5).table.assign(joint_record="{}", neck_records="[]", gap_um=3.0)
    subject = of_store(store(tmp_path, dataclasses.replace(joints(0.5), table=table)), "set", "test")
    assert {"neck_records", "gap_um", "cnr", "marginal", "split"} <= set(subject.table)
    assert not {"joint_record", *KINDS} & set(subject.table)
    assert "Simulated" in subject.provenance
    one = judge(subject, Bench(rules=Judge(Level(), CLASSES)), quiet)
    assert one.seconds["rules"] > 0
    assert not one.outside["rules"].any()
    np.testing.assert_array_equal(one.scores["rules"], np.full((5, 4), 0.5))


def test_marginal_joints_of_a_store_have_no_truth(tmp_path: Path) -> None:
    table = joints(0.5).table.assign(non_wet=[1.0, 0.0, np.nan, 0.0, 0.0], present=[1, 1, 1, 1, 0])
    subject = of_store(store(tmp_path, dataclasses.replace(joints(0.5), table=table)), "set", "test")
    assert subject.table["marginal"].tolist() == [0, 0, 1, 0, 0]
    assert np.isnan(subject.truth[4]).all()


def test_a_store_without_truth_is_refused(tmp_path: Path) -> None:
    table = joints(0.5).table.assign(**dict.fromkeys(KINDS, np.nan))
    with pytest.raises(InputError, match="expected joints with known truth"):
        of_store(store(tmp_path, dataclasses.replace(joints(0.5), table=table)), "set", "test")


def test_every_joint_is_read_once_and_scored_in_its_place() -> None:
    read: list[int] = []
    levels = np.linspace(0, 1, 150)

    def some(rows: np.ndarray) -> Joints:
        read.extend(rows.tolist())
        volumes = levels[rows].astype(np.float32)[:, None, None, None] * np.ones(GRID.shape, np.float32)
        return Joints(volumes, pd.DataFrame(index=range(len(rows))), GRID)

    told: list[int] = []
    bench = Bench(rules=Judge(Level(), CLASSES), learned=Judge(Level(), CLASSES))
    result = scored(some, 150, bench, lambda done, *_: told.append(done))
    assert read == list(range(150))
    assert told == [64, 128, 150]
    for who in ("learned", "rules"):
        np.testing.assert_allclose(result.scores[who][:, 0], levels, atol=1e-6)
        assert result.seconds[who] > 0
    assert scores_of(joints(0.25), bench, quiet)["rules"].tolist() == [[0.25] * 4] * 5


def test_calls_that_change_are_counted_at_the_cuts_of_their_noise() -> None:
    """From 0.5 to 0.75 the three noisy joints cross their cut, the clean ones were over theirs."""
    change = score_change(joints(0.5), joints(0.75), Bench(rules=Judge(Level(), CLASSES)), quiet)
    assert change["calls_changed"].tolist() == [3] * 4
