"""Labelled sets: bytes and back, what is refused, and the set that ships with the repository."""

import dataclasses
import json
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from jointwise.evaluation.labels.labelled_set import FACTS, MOST_BYTES, Tables, likeness, read_set, write_set
from jointwise.evaluation.labels.storage import pack, score_change, unpack
from jointwise.joints.batch import Joints
from jointwise.joints.errors import InputError
from jointwise.joints.grid import Grid
from jointwise.joints.kinds import KINDS
from jointwise.joints.schema import MEASURES
from jointwise.models.bench import Bench, Judge
from jointwise.models.thresholds import Thresholds

SMALL = Grid((8, 9, 10))
PROVENANCE = "drawn at random in a test"
SHIPPED = Path(__file__).resolve().parents[2] / "demo_sets"


def made(grid: Grid = SMALL, n: int = 6, missing: int = 2) -> tuple[dict[str, Joints], Tables]:
    """One scan of n sites, one of them empty, with two readers; the joints' values are told apart by their mean."""
    balls = [f"A{i + 1}" for i in range(n)]
    sites = pd.DataFrame({"scan": "s", "board_id": "s", "ball": balls, "row": 0, "col": range(n)})
    sites[["x_mm", "y_mm", "z_mm"]] = 0.25
    sites["present"] = [int(i != missing) for i in range(n)]
    sites["pitch_mm"], sites["ball_mm"] = 0.8, 0.5
    truth = sites[["scan", "ball", "present"]].copy()
    truth[list(KINDS)] = 0
    truth["contact_fraction"] = np.nan
    truth.loc[[0, 1], "head_in_pillow"] = 1
    truth.loc[[0, 1, 3], "contact_fraction"] = [
        0.24,
        0.26,
        0.9,
    ]  # a pillow, a marginal one, no gap by its labels
    there = sites[sites["present"] == 1]
    labels = pd.concat([there[["scan", "ball"]].assign(reader=r) for r in ("one", "two")], ignore_index=True)
    labels[list(KINDS)] = 0
    labels["cannot_tell"] = ((labels["reader"] == "two") & (labels["ball"] == "A5")).astype(int)
    labels.loc[labels["ball"] == "A5", "void"] = 1
    rng = np.random.default_rng(3)
    noise = 0.1 * rng.standard_normal((len(there), *grid.shape), dtype=np.float32)
    volumes = noise + there["col"].to_numpy(dtype=np.float32).reshape(-1, 1, 1, 1)
    cut = Joints(volumes.astype(np.float16), there.reset_index(drop=True), grid)
    # Labels arrive in any order.
    return {"s": cut}, Tables(sites, labels.sample(frac=1, random_state=1), truth)


def test_bytes_keep_every_value_to_half_a_level() -> None:
    rng = np.random.default_rng(0)
    volumes = (rng.standard_normal((3, 8, 8, 8)) * [[[[0.1]]], [[[1.0]]], [[[30.0]]]]).astype(np.float16)
    packed = pack(volumes)
    back = unpack(packed).astype(np.float64)
    rounding = np.abs(volumes.astype(np.float64)) * 2.0**-11 + 1e-6  # float16 carries eleven bits
    assert (np.abs(back - volumes) <= 0.5001 * packed.level.reshape(-1, 1, 1, 1) + 2 * rounding).all()
    assert packed.codes.reshape(3, -1).min(axis=1).tolist() == [0, 0, 0]
    assert packed.codes.reshape(3, -1).max(axis=1).tolist() == [255, 255, 255]
    # A byte is really what is lost: no joint comes back exactly.
    assert (np.abs(back - volumes).reshape(3, -1).max(axis=1) > 0.4 * packed.level).all()


def test_a_joint_of_one_value_comes_back_as_it_was() -> None:
    flat = np.full((1, 8, 8, 8), 0.75, np.float16)
    assert np.array_equal(unpack(pack(flat)), flat)


def test_values_that_are_not_finite_are_refused() -> None:
    with pytest.raises(InputError, match="finite sub-volumes"):
        pack(np.full((1, 2, 2, 2), np.inf, np.float32))


def test_a_set_comes_back_in_the_order_of_its_sites(tmp_path: Path) -> None:
    cuts, tables = made()
    write_set(tmp_path, cuts, tables, PROVENANCE, {"extra": 1})
    back = read_set(tmp_path, "mine")
    assert (back.name, back.provenance, back.missing) == ("mine", PROVENANCE, 1)
    assert list(back.joints.table["ball"]) == ["A1", "A2", "A4", "A5", "A6"]
    assert np.allclose(back.joints.volumes.mean(axis=(1, 2, 3)), [0, 1, 3, 4, 5], atol=0.05)
    assert back.joints.volumes.dtype == np.float16
    assert back.truth[:, 3].tolist() == [1, 1, 0, 0, 0]
    assert back.marginal.tolist() == [False, True, False, False, False]
    assert json.loads((tmp_path / FACTS).read_text())["extra"] == 1


def test_a_reader_that_cannot_tell_gives_no_label_but_an_answer(tmp_path: Path) -> None:
    write_set(tmp_path, *made(), PROVENANCE, {})
    back = read_set(tmp_path, "mine")
    assert set(back.labels) == {"one", "two"}
    assert np.isnan(back.labels["two"][3]).all()
    assert back.answers["two"][3].tolist() == [1, 0, 0, 0]
    assert back.labels["one"][3].tolist() == [1, 0, 0, 0]
    assert np.isnan(back.labels["two"]).any(axis=1).sum() == 1


def test_a_detector_sees_no_label_and_no_truth(tmp_path: Path) -> None:
    write_set(tmp_path, *made(), PROVENANCE, {})
    columns = set(read_set(tmp_path, "mine").joints.table.columns)
    assert not columns & {*KINDS, *MEASURES, "cannot_tell", "reader"}


def test_no_file_is_larger_than_8_mib(tmp_path: Path) -> None:
    cuts, tables = made(Grid(), n=57)
    files = write_set(tmp_path, cuts, tables, PROVENANCE, {})
    assert len([f for f in files if f.suffix == ".safetensors"]) == 2
    assert max(f.stat().st_size for f in files) <= MOST_BYTES
    assert np.allclose(
        read_set(tmp_path, "mine").joints.volumes[:, 24, 28, 28], cuts["s"].volumes[:, 24, 28, 28], atol=0.01
    )


@pytest.mark.parametrize("file", ["s_1.safetensors", "joints.csv", "labels.csv", "truth.csv"])
def test_a_changed_file_is_refused(tmp_path: Path, file: str) -> None:
    write_set(tmp_path, *made(), PROVENANCE, {})
    data = bytearray((tmp_path / file).read_bytes())
    data[-3] ^= 1
    (tmp_path / file).write_bytes(data)
    with pytest.raises(InputError, match=f"{file} .* missing or changed"):
        read_set(tmp_path, "mine")
    (tmp_path / file).unlink()
    with pytest.raises(InputError, match="missing or changed"):
        read_set(tmp_path, "mine")


def test_a_set_half_written_is_no_set(tmp_path: Path) -> None:
    write_set(tmp_path, *made(), PROVENANCE, {})
    cuts, tables = made()
    bad = Joints(cuts["s"].volumes * np.float16(np.nan), cuts["s"].table, SMALL)
    with pytest.raises(InputError, match="finite"):
        write_set(tmp_path, {"s": bad}, tables, PROVENANCE, {})
    with pytest.raises(InputError, match=r"a folder with set\.json"):
        read_set(tmp_path, "mine")


@pytest.mark.parametrize(
    ("text", "said"),
    [("{", "damaged"), ('{"format": "other"}', "found 'other'"), ("[]", "damaged")],
)
def test_facts_that_do_not_read_are_refused(tmp_path: Path, text: str, said: str) -> None:
    (tmp_path / FACTS).write_text(text)
    with pytest.raises(InputError, match=said):
        read_set(tmp_path, "mine")


def test_tables_that_do_not_fit_are_refused(tmp_path: Path) -> None:
    cuts, (sites, labels, truth) = made()
    twice = pd.concat([truth, truth.iloc[[0]]])
    odd = labels.assign(void=2)
    cases = {
        "A1 twice": Tables(sites, labels, twice),
        "only one of them, the first s A1": Tables(sites, labels[labels["ball"] != "A1"], truth),
        "found other values": Tables(sites, odd, truth),
        "the columns cannot_tell": Tables(sites, labels.drop(columns="cannot_tell"), truth),
        r"truth\.csv \(present\)": Tables(sites, labels, truth.assign(present=1)),
    }
    for said, tables in cases.items():
        with pytest.raises(InputError, match=said):
            write_set(tmp_path / "out", cuts, tables, PROVENANCE, {})
    assert not (tmp_path / "out").exists()


def test_kinds_may_be_empty_only_where_a_reader_could_not_tell(tmp_path: Path) -> None:
    cuts, tables = made()
    untold = tables.labels["cannot_tell"] == 1
    empty = tables.labels.astype(dict.fromkeys(KINDS, float))
    empty.loc[untold, list(KINDS)] = np.nan
    write_set(tmp_path, cuts, tables._replace(labels=empty), PROVENANCE, {})
    back = read_set(tmp_path, "mine")
    assert np.isnan(back.labels["two"]).all(axis=1).tolist() == [False, False, False, True, False]
    empty.loc[~untold, "void"] = np.nan
    with pytest.raises(InputError, match="found other values"):
        write_set(tmp_path, cuts, tables._replace(labels=empty), PROVENANCE, {})


def test_a_set_of_unknown_origin_is_not_written(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="where scans and labels come from"):
        write_set(tmp_path, *made(), " ", {})


def test_a_sub_volume_short_is_refused(tmp_path: Path) -> None:
    cuts, tables = made()
    with pytest.raises(InputError, match="every present joint of s"):
        write_set(tmp_path, {"s": cuts["s"].take([0, 1])}, tables, PROVENANCE, {})


@dataclass
class Mean:
    """Scores a joint by its mean value over ten, the same for every kind."""

    name: str = "mean"

    def score(self, joints: Joints) -> np.ndarray:
        mean = joints.volumes.astype(np.float64).mean(axis=(1, 2, 3)) / 10
        return np.repeat(mean[:, None], 4, axis=1)

    def measure(self, joints: Joints) -> pd.DataFrame:
        return pd.DataFrame(np.nan, index=range(len(joints)), columns=list(MEASURES))


def test_change_of_scores_is_the_difference_and_counts_crossed_thresholds() -> None:
    cut = made()[0]["s"]
    moved = Joints(cut.volumes + np.float16(0.5), cut.table, cut.grid)
    bench = Bench(
        rules=Judge(Mean(), Thresholds(((0.12, 0.12, 1.0, 0.9),), "f1", None, ((1,) * 4,), ((1,) * 4,)))
    )
    change = score_change(cut, moved, bench, lambda *_: None)
    assert change["kind"].tolist() == list(KINDS)
    assert change["max_change"].to_numpy() == pytest.approx(0.05, abs=1e-3)
    assert change["mean_change"].to_numpy() == pytest.approx(0.05, abs=1e-3)
    # Means over ten are about 0, 0.1, 0.3 …: only the second goes from 0.10 to 0.15, over 0.12.
    assert change["calls_changed"].tolist() == [1, 1, 0, 0]


def test_the_shipped_demo_sets_are_whole_small_and_say_what_they_are() -> None:
    demo = read_set(SHIPPED, "demo")
    assert (len(demo.joints), demo.missing) == (239, 5)
    assert demo.joints.grid == Grid()
    assert list(demo.labels) == ["reader_1", "reader_2", "adjudicated"]
    assert max(path.stat().st_size for path in SHIPPED.iterdir()) <= MOST_BYTES
    for words in ("imulated", "third-party simulator", "automated", "no inspector"):
        assert words in demo.provenance
        assert words in (SHIPPED / "README.md").read_text(encoding="utf-8")


def test_the_shipped_joints_lie_in_the_middle_of_their_boxes() -> None:
    demo = read_set(SHIPPED, "demo")
    volumes = demo.joints.volumes.astype(np.float32)
    middle = volumes[:, 18:30, 24:32, 24:32].mean(axis=(1, 2, 3))
    lanes = volumes[:, 18:30][:, :, [8, 47]][..., [8, 47]].mean(axis=(1, 2, 3))
    assert np.median(middle) > 0.7
    assert abs(np.median(lanes)) < 0.15
    # A large void may fill the middle of a joint.
    assert (middle > lanes + 0.3).mean() > 0.95


def test_likeness_knows_joints_of_a_set_again_and_no_others() -> None:
    shipped = read_set(SHIPPED, "demo")
    rows = [np.flatnonzero(shipped.joints.table["scan"] == name) for name in ("board_01", "board_02")]
    one, two = (shipped.joints.take(r) for r in rows)
    noise = np.random.default_rng(0).normal(0, 0.05, one.volumes.shape).astype(np.float16)
    noisy = Joints(one.volumes + noise, one.table, one.grid)
    assert likeness(noisy, shipped) > 0.8
    assert likeness(noisy, dataclasses.replace(shipped, joints=two)) < 0.45
    moved = Joints(np.roll(one.volumes, 1, axis=0), one.table, one.grid)
    assert likeness(moved, shipped) < 0.45
    assert likeness(one.take([0, 1, 2]), shipped) == 0.0
