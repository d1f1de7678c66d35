"""`jointwise observe`: from nothing to table and picture, the same again from its pairs; what is refused."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from jointwise.commands.main import main
from jointwise.joints.batch import Joints
from jointwise.joints.schema import MEASURES
from jointwise.joints.store import StoreWriter
from jointwise.models.bench import Bench, Judge
from jointwise.models.thresholds import Thresholds
from tests.evaluation.test_observed import pairs

SMALL = [
    "family.rows=[3,3]", "family.cols=[3,3]", "process.profile=quadric", "scanner.views=[60,60]",
    "scanner.voxels_per_ball=[10,10]", "scanner.photons_per_pixel=[200,200]", "pairs.boards=6", "pairs.known_boards=1",
    "pairs.head_in_pillow=[]", "pairs.non_wet=[]", "pairs.void=[6]", "workers=1", "seed=4",
    "detectors=[rules]",
]  # fmt: skip


class Dark:
    """Scores a joint by how little metal is in its middle."""

    name = "dark"

    def score(self, joints: Joints) -> np.ndarray:
        middle = joints.volumes[:, 3:5, 4:6, 4:6].astype(np.float64).mean(axis=(1, 2, 3))
        return np.repeat(np.clip(1.5 - middle, 0, 2)[:, None] / 2, 4, axis=1)

    def measure(self, joints: Joints) -> pd.DataFrame:
        return pd.DataFrame(np.nan, index=range(len(joints)), columns=list(MEASURES))


@pytest.mark.slow
def test_from_nothing_to_table_and_picture_and_again_from_its_pairs(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    first, again = tmp_path / "first", tmp_path / "again"
    assert main(["observe", f"out={first}", *SMALL]) == 0
    table = pd.read_csv(first / "observer.csv")
    assert list(table["detector"]) == ["rules"]
    assert f"observer={first / 'observer.parquet'}" in capsys.readouterr().out.splitlines()[-1]
    assert (table["pairs"] == 30).all()
    assert (table["ideal_d"] > 0).all()
    assert "<svg" in (first / "observer.svg").read_text(encoding="utf-8")[:100]
    assert main(["observe", f"data={first / 'pairs'}", f"out={again}", "detectors=[rules]"]) == 0
    pd.testing.assert_frame_equal(pd.read_csv(again / "observer.csv"), table)


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["pairs.void=[50]"], "from 0 to 36"),
        (["seed=-1"], "seed: expected"),
        (["data=nowhere"], "expected a store of joints"),
    ],
)
def test_what_cannot_be_done_is_said_in_a_sentence(
    words: list[str], said: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["observe", f"out={tmp_path / 'out'}", "detectors=[rules]", *words]) == 2
    error = capsys.readouterr().err
    assert said in error
    assert error.count("\n") == 1


def test_too_few_pairs_are_told_before_anything_is_scanned(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("jointwise.data_gen.pairs.generate_pairs", lambda *_, **__: pytest.fail("scanned"))
    assert main(["observe", f"out={tmp_path / 'out'}", *SMALL, "pairs.boards=3"]) == 2
    assert "for 14 channels whichever board is left out, found 15 of 3 boards" in capsys.readouterr().err
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize(("model", "name"), [("model=any", "learned"), ("", "shipped")])
def test_the_network_that_comes_along_has_a_name_of_its_own(
    model: str, name: str, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """`learned` is the user's network, here and in an evaluation beside which the study is shown."""
    cuts = Thresholds(((0.5,) * 4,), "f1", None, ((1,) * 4,), ((1,) * 4,))
    both = Bench(learned=Judge(Dark(), cuts), rules=Judge(Dark(), cuts))
    for loader in ("load_bench", "load_shipped"):
        monkeypatch.setattr(f"jointwise.models.bench.{loader}", lambda *_: both)
    painted = pairs(0.3)
    table = painted.table.assign(scan="s", component="u", ball=[f"A{i}" for i in range(len(painted))])
    with StoreWriter(tmp_path / "pairs", painted.grid, 0, {}) as writer:
        volumes = painted.volumes.astype(np.float16)
        writer.add("pairs", Joints(volumes, table.assign(split="test", pitch_mm=0.8), painted.grid))
    out = tmp_path / "out"
    assert main(["observe", f"data={tmp_path / 'pairs'}", f"out={out}", *([model] if model else [])]) == 0
    assert list(pd.read_parquet(out / "observer.parquet")["detector"]) == [name, "rules"]
    assert f"observer={out / 'observer.parquet'}" in capsys.readouterr().out.splitlines()[-1]
