"""The observer study of a store of pairs and its section: painted joints whose answer is known."""

import math
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from jointwise.evaluation.observed import members, read_study, study
from jointwise.evaluation.report.observer import observer_section
from jointwise.evaluation.report.section import Figure, Paragraph
from jointwise.evaluation.report.section import Grid as Listing
from jointwise.joints.batch import Joints
from jointwise.joints.errors import InputError
from jointwise.joints.grid import Grid

GRID = Grid((8, 10, 10))
KNOWN, JUDGED, SITES = 2, 12, 8
Z, Y, X = np.mgrid[-3.5:4, -4.5:5, -4.5:5]
BALL = np.exp(-(Z**2 + Y**2 + X**2) / 18.0)
HOLE = np.exp(-(Z**2 + Y**2 + X**2) / 2.0)
BEST = HOLE - BALL * (HOLE * BALL).sum() / (BALL**2).sum()
"""The hole as seen by a test that does not mind how large the ball is: the best one in white noise."""


def pairs(depth: float) -> Joints:
    """Balls in white noise, with and without a hole in the middle; boards without noise first."""
    rng, volumes, rows = np.random.default_rng(3), [], []
    for board in range(KNOWN + JUDGED):
        for task in ("sound", "void_2_area_pct"):
            for site in range(SITES):
                size = 1.0 + 0.1 * rng.normal()
                box = size * BALL - (depth * HOLE if task != "sound" else 0.0)
                volumes.append(box + (0.25 * rng.normal(size=box.shape) if board >= KNOWN else 0.0))
                rows.append(
                    {"board_id": f"b{board}", "task": task, "pair": f"b{board}:{site}", "present": 1, "size": 2.0}
                    | {"asked": "void", "unit": "area_pct", "noise_free": int(board < KNOWN)}
                )  # fmt: skip
    table = pd.DataFrame(rows).assign(
        voxel_um=25.0, voxels_per_ball=20.0, cnr=9.0, ball_mm=0.5, gap_um=np.nan, void_projected_area_pct=2.0
    )
    return Joints(np.array(volumes), table, GRID)


def told(joints: Joints, seed: int = 1) -> pd.DataFrame:
    """A detector that knows the best test, and one that guesses; scores of noise-free joints are not needed."""
    best = np.array([-(box * BEST).sum() for box in joints.volumes])
    guess = np.random.default_rng(seed).normal(size=len(joints))
    judged = joints.table["noise_free"].to_numpy() == 0
    scores = {
        name: np.where(judged, s, np.nan)[:, None] * np.ones(4)
        for name, s in (("knows", best), ("guesses", guess))
    }
    calls = {name: score > np.nanmedian(score) for name, score in scores.items()}
    return study(joints, scores, calls)


@pytest.fixture(scope="module")
def frame() -> pd.DataFrame:
    return told(pairs(0.3))


def test_the_detector_that_knows_is_efficient_and_the_one_that_guesses_is_not(frame: pd.DataFrame) -> None:
    rows = frame.set_index("detector")
    assert rows.loc["knows", "pairs"] == JUDGED * SITES
    assert rows.loc["knows", "boards"] == JUDGED
    assert rows.loc["knows", "efficiency_low"] < 1.0 < rows.loc["knows", "efficiency_high"]
    assert rows.loc["guesses", "efficiency"] < 0.05
    assert rows["ideal_d"].nunique() == 1
    best = 0.3 * math.sqrt(float((BEST**2).sum())) / 0.25
    assert rows["ideal_d_low"].iloc[0] < best < rows["ideal_d_high"].iloc[0]
    assert rows.loc["knows", "size_um"] == pytest.approx(1000 * 0.5 * math.sqrt(0.02))


def test_nothing_painted_is_nothing_found() -> None:
    joints = pairs(0.3)
    sound = (joints.table["noise_free"] == 0).to_numpy()
    there = joints.table["task"] != "sound"
    volumes = joints.volumes.copy()
    volumes[(sound & there).to_numpy()] += 0.3 * HOLE  # filled again on the boards that are judged
    frame = told(Joints(volumes, joints.table, GRID))
    assert set(frame["note"]) == {"nothing to find"}
    text = " ".join(b.text for b in observer_section(frame).blocks if isinstance(b, Paragraph))
    assert "it is not shown that the scan holds anything" in text


def test_members_are_matched_by_pair_and_both_must_hold_a_ball() -> None:
    joints = pairs(0.3)
    table = joints.table.sample(frac=1.0, random_state=4).reset_index(drop=True)
    table.loc[table["pair"].eq("b5:2") & table["task"].ne("sound"), "present"] = 0
    sound, faulty = members(table, "void_2_area_pct", table["noise_free"].to_numpy() == 0)
    assert len(sound) == JUDGED * SITES - 1
    assert (table["pair"].to_numpy()[sound] == table["pair"].to_numpy()[faulty]).all()
    assert (table["task"].to_numpy()[sound] == "sound").all()


def test_a_store_that_holds_no_pairs_is_refused() -> None:
    joints = pairs(0.3)
    for table, said in (
        (joints.table.drop(columns="task"), "columns task"),
        (joints.table.assign(noise_free=0), "one sort only"),
    ):
        with pytest.raises(InputError, match=said):
            study(Joints(joints.volumes, table, GRID), {}, {})


def test_the_section_tells_n_method_and_both_measures(frame: pd.DataFrame) -> None:
    section = observer_section(frame)
    grid = next(b for b in section.blocks if isinstance(b, Listing))
    assert len(grid.frame) == 2
    assert {"efficiency", "ideal_d", "auc"} <= {c.name for c in grid.columns}
    assert "jackknife over boards" in grid.caption
    figure = next(b for b in section.blocks if isinstance(b, Figure))
    assert isinstance(figure.svg, str)
    assert figure.svg.startswith("<svg")
    assert f"{JUDGED * SITES} pairs of {JUDGED} boards" in figure.caption
    assert section.numbers["observer/void/2_area_pct/knows/efficiency"] == pytest.approx(
        frame.set_index("detector").loc["knows", "efficiency"]
    )
    assert not any("unreliable" in b.text for b in section.blocks if isinstance(b, Paragraph))


def test_few_boards_are_said_to_be_few_and_no_study_to_be_none(frame: pd.DataFrame) -> None:
    few = observer_section(frame.assign(boards=5))
    assert any("Only 5 boards" in b.text for b in few.blocks if isinstance(b, Paragraph))
    none = observer_section(frame.iloc[:0])
    assert [b.role for b in none.blocks if isinstance(b, Paragraph)] == ["warning"]


def test_a_table_read_back_gives_the_same_section(frame: pd.DataFrame, tmp_path) -> None:  # type: ignore[no-untyped-def]
    frame.to_csv(tmp_path / "observer.csv", index=False)
    again = observer_section(pd.read_csv(tmp_path / "observer.csv"))
    assert [type(b) for b in again.blocks] == [type(b) for b in observer_section(frame).blocks]


def test_a_study_is_read_from_parquet_and_csv(frame: pd.DataFrame, tmp_path: Path) -> None:
    frame.to_parquet(tmp_path / "observer.parquet", index=False)
    frame.to_csv(tmp_path / "observer.csv", index=False)
    pd.testing.assert_frame_equal(read_study(tmp_path / "observer.parquet"), frame)
    pd.testing.assert_frame_equal(read_study(tmp_path / "observer.csv").assign(note=frame["note"]), frame)
    assert len(read_study(Path(__file__).parents[2] / "bench" / "observer.csv"))


def test_what_is_no_study_is_told_in_words(frame: pd.DataFrame, tmp_path: Path) -> None:
    (tmp_path / "text.parquet").write_text("nothing")
    (tmp_path / "empty.csv").write_text("")
    frame.drop(columns=["note", "cnr"]).to_csv(tmp_path / "lacking.csv", index=False)
    frame.assign(kind="crack").to_parquet(tmp_path / "kinds.parquet")
    for name, said in (
        ("none.parquet", "no such file"), ("none.csv", "no such file"), ("text.parquet", "no Parquet file"),
        ("empty.csv", "no table in CSV"), ("lacking.csv", "a table without cnr, note"), ("kinds.parquet", "no study"),
    ):  # fmt: skip
        with pytest.raises(InputError, match=f"found .*{said}"):
            read_study(tmp_path / name)
