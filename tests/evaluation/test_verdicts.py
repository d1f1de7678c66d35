"""Verdicts: kept and read back whole; what does not fit together is refused in words."""

from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow.parquet as pq
import pytest

from jointwise.evaluation.verdicts import Verdicts, read_verdicts, write_verdicts
from jointwise.joints.errors import InputError


def example(n: int = 12, seed: int = 0) -> Verdicts:
    """Joints of three boards, one ball missing, one label unknown; two detectors and a reader."""
    rng = np.random.default_rng(seed)
    present = np.ones(n, np.int64)
    present[3] = 0
    truth = (rng.random((n, 4)) < 0.4).astype(np.float64)
    truth[5, 1] = np.nan
    truth[3] = np.nan
    scores = {
        who: np.where(present[:, None] == 1, rng.random((n, 4)), np.nan) for who in ("learned", "rules")
    }
    table = pd.DataFrame(
        {"scan": [f"scan_{i % 3}" for i in range(n)], "board_id": [f"board_{i % 3}" for i in range(n)]}
    ).assign(ball=[f"A{i}" for i in range(n)], present=present, gap_um=rng.random(n))
    cuts = {who: np.full((n, 4), 0.5) for who in scores}
    readers = {"reader_1": np.where(np.isnan(truth), np.nan, 1 - truth)}
    outside = {"learned": rng.random(n) < 0.5}
    return Verdicts("example", "made up", table, truth, scores, cuts, readers, outside, {"rules": 0.01})


def test_what_is_written_is_read_back(tmp_path: Path) -> None:
    one = example()
    other = read_verdicts(write_verdicts(one, tmp_path / "verdicts.parquet"))
    assert (other.name, other.provenance, other.seconds) == (one.name, one.provenance, one.seconds)
    pd.testing.assert_frame_equal(other.table, one.table)
    np.testing.assert_array_equal(other.truth, one.truth)
    for part in ("scores", "cuts", "readers", "outside"):
        assert list(getattr(other, part)) == list(getattr(one, part))
        for who, values in getattr(one, part).items():
            np.testing.assert_array_equal(getattr(other, part)[who], values)


def test_a_missing_score_of_a_joint_that_is_there_is_refused() -> None:
    one = example()
    scores = {**one.scores, "rules": one.scores["rules"].copy()}
    scores["rules"][0, 2] = np.nan
    with pytest.raises(InputError, match="found 1 without"):
        Verdicts("example", "made up", one.table, one.truth, scores, one.cuts)


def test_a_doubled_joint_is_refused_by_name() -> None:
    one = example()
    table = one.table.assign(ball="A1", scan="scan_0")
    with pytest.raises(InputError, match="scan_0 A1 twice"):
        Verdicts("example", "made up", table, one.truth, one.scores, one.cuts)


def test_an_unknown_kind_is_refused_by_name(tmp_path: Path) -> None:
    path = write_verdicts(example(), tmp_path / "verdicts.parquet")
    stored = pq.read_table(path)
    names = [name.replace("rules_score_void", "rules_score_crack") for name in stored.column_names]
    pq.write_table(stored.rename_columns(names).replace_schema_metadata(stored.schema.metadata), path)
    with pytest.raises(InputError, match="found 'crack'"):
        read_verdicts(path)


@pytest.mark.parametrize("text", [b"", b"PAR1 nothing", b"kind,score\n"])
def test_another_file_is_refused(tmp_path: Path, text: bytes) -> None:
    (tmp_path / "verdicts.parquet").write_bytes(text)
    with pytest.raises(InputError, match="found no Parquet file"):
        read_verdicts(tmp_path / "verdicts.parquet")


def test_no_file_a_folder_another_table_and_no_row_are_told_apart(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="found no such file"):
        read_verdicts(tmp_path / "none.parquet")
    with pytest.raises(InputError, match="found a folder"):
        read_verdicts(tmp_path)
    pd.DataFrame({"a": [1]}).to_parquet(tmp_path / "other.parquet")
    with pytest.raises(InputError, match="found another table, not verdicts"):
        read_verdicts(tmp_path / "other.parquet")
    empty = write_verdicts(example().take(np.zeros(12, bool)), tmp_path / "empty.parquet")
    with pytest.raises(InputError, match="verdicts without a row"):
        read_verdicts(empty)


@pytest.mark.parametrize("value", [7.0, -0.25])
def test_a_score_that_is_no_share_is_refused_by_joint_detector_and_kind(value: float) -> None:
    one = example()
    scores = {**one.scores, "rules": one.scores["rules"].copy()}
    scores["rules"][4, 2] = value
    with pytest.raises(InputError, match=f"scan_1 A4, bridging by rules: {value:g}"):
        Verdicts("example", "made up", one.table, one.truth, scores, one.cuts)


def test_rows_are_taken_with_all_that_belongs_to_them() -> None:
    one, rows = example(), np.array([7, 2])
    part = one.take(rows)
    assert list(part.table["ball"]) == ["A7", "A2"]
    assert list(part.table.index) == [0, 1]
    np.testing.assert_array_equal(part.calls("rules"), one.calls("rules")[rows])
    np.testing.assert_array_equal(part.readers["reader_1"], one.readers["reader_1"][rows])
    assert part.boards.tolist() == [0, 1]
