"""Two evaluations of the same joints: who changed, how, and what does not fit."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from jointwise.commands.main import main
from jointwise.evaluation.changes import (
    CHANGES,
    Matched,
    changes,
    common_detectors,
    match,
    read_runs,
    summary,
    unchanged,
    write_changes,
)
from jointwise.evaluation.statistics.mcnemar import exact
from jointwise.evaluation.verdicts import Verdicts, write_verdicts
from jointwise.joints.errors import InputError
from jointwise.joints.kinds import KINDS
from tests.evaluation.test_verdicts import example


def later(one: Verdicts, seed: int = 9) -> Verdicts:
    """The same joints by a changed `rules`, in another order."""
    scores = np.where(
        np.isnan(one.scores["rules"]), np.nan, np.random.default_rng(seed).random((len(one), 4))
    )
    order = np.random.default_rng(seed).permutation(len(one))
    return replace(one, scores={**one.scores, "rules": scores}).take(order)


def test_the_same_run_twice_changes_nothing() -> None:
    one = example(40)
    matched = match(one, one.take(np.arange(39, -1, -1)))
    counted = summary(changes(matched, "rules"))
    assert (counted[list(CHANGES)] == 0).all(axis=None)
    assert (counted["max_change"] == 0).all()
    assert (counted["p"] == 1).all()
    assert (matched.only_one, matched.only_other, matched.differing) == (0, 0, 0)


def test_each_change_is_counted_as_what_it_is() -> None:
    one = example(80)
    two = later(one)
    every = changes(match(one, two), "rules")
    assert len(every) == 79 * 4
    for row in every.to_dict("records"):
        k, here = KINDS.index(row["kind"]), int(row["ball"][1:])
        there = int(np.flatnonzero(two.table["ball"] == row["ball"])[0])
        assert row["score_one"] == one.scores["rules"][here, k]
        assert row["score_other"] == two.scores["rules"][there, k]
        truth, before, after = one.truth[here, k], row["score_one"] >= 0.5, row["score_other"] >= 0.5
        if before == after:
            assert row["what"] == ""
        elif np.isnan(truth):
            assert row["what"] == ("called now, truth unknown" if after else "call gone, truth unknown")
        else:
            better = {(1, True): "found now", (0, False): "false call gone"}
            worse = {(0, True): "false call now", (1, False): "missed now"}
            assert row["what"] == (better | worse)[int(truth), after]
    counted = summary(every).set_index("kind")
    for kind in KINDS:
        row = counted.loc[kind]
        assert row["only_other"] == row["found now"] + row["false call gone"]
        assert row["only_one"] == row["missed now"] + row["false call now"]
        assert row["p"] == exact(row["only_one"], row["only_other"])
        assert row["n"] == one.known[:, KINDS.index(kind)].sum()


def test_forward_and_back_are_mirror_images() -> None:
    one = example(60)
    there, back = (summary(changes(match(*runs), "rules")) for runs in ((one, later(one)), (later(one), one)))
    pairs = {"found now": "missed now", "false call gone": "false call now", "only_one": "only_other"}
    for here, mirrored in pairs.items():
        assert there[here].tolist() == back[mirrored].tolist()
        assert there[mirrored].tolist() == back[here].tolist()
    np.testing.assert_allclose(there["p"], back["p"])


def test_joints_in_one_run_only_are_counted_and_left_out() -> None:
    one = example(30)
    matched = match(one.take(np.arange(25)), one.take(np.arange(10, 30)))
    assert (len(matched.one), matched.only_one, matched.only_other) == (15, 10, 5)
    assert matched.one.table["ball"].tolist() == matched.other.table["ball"].tolist()
    with pytest.raises(InputError, match="found none of the 5"):
        match(one.take(np.arange(5)), one.take(np.arange(10, 30)))


def test_labels_that_differ_are_refused_or_left_out() -> None:
    one = example(20)
    truth = one.truth.copy()
    truth[7, 2] = 1 - truth[7, 2]
    truth[8, 0] = np.nan
    other = replace(one, truth=truth)
    with pytest.raises(InputError, match="2 labels that differ, first .* A7 bridging"):
        match(one, other)
    matched = match(one, other, "leave_out")
    assert matched.differing == 2
    assert np.isnan(matched.one.truth[[7, 8], [2, 0]]).all()
    assert summary(changes(matched, "rules"))["n"].sum() == one.known.sum() - 2


def test_detectors_of_both_runs_are_compared() -> None:
    one = example(12)
    alone = Verdicts(
        one.name,
        one.provenance,
        one.table,
        one.truth,
        {"rules": one.scores["rules"]},
        {"rules": one.cuts["rules"]},
    )
    assert common_detectors([match(one, alone)]) == ["rules"]
    assert common_detectors([match(one, one)], ["rules"]) == ["rules"]
    with pytest.raises(
        InputError, match="expected learned in both runs, found learned, rules in one and rules"
    ):
        common_detectors([match(one, alone)], ["learned"])


def test_what_is_listed_and_in_which_order(tmp_path: Path) -> None:
    one = example(50)
    every = changes(match(one, later(one)), "rules")
    files = write_changes(every, summary(every), tmp_path, 0.3)
    assert [file.name for file in files] == [
        "changes.csv", "changes.parquet", "changes_summary.csv", "changes_summary.parquet",
    ]  # fmt: skip
    listed = pd.read_parquet(tmp_path / "changes.parquet")
    changed = listed["what"] != ""
    assert changed.sum() == (every["what"] != "").sum()
    assert (listed.loc[~changed, "change"].abs() >= 0.3).all()
    assert changed.tolist() == sorted(changed, reverse=True)
    assert (np.diff(listed.loc[changed, "change"].abs()) <= 0).all()
    assert len(pd.read_csv(tmp_path / "changes.csv")) == len(listed)


@pytest.mark.parametrize("rows", [[0], [3]])
def test_one_joint_and_a_missing_ball(rows: list[int], tmp_path: Path) -> None:
    one = example(12).take(np.array(rows))
    every = changes(match(one, one), "rules")
    counted = summary(every)
    assert len(counted) == (4 if rows == [0] else 0)
    write_changes(every, counted, tmp_path, 0.1)


def test_sets_are_found_by_name(tmp_path: Path) -> None:
    one = example(12)
    for folder, names in (("a", ("first", "second")), ("b", ("second", "third")), ("c", ("other",))):
        for name in names:
            write_verdicts(replace(one, name=name), tmp_path / folder / f"verdicts_{name}.parquet")
    assert [pair[0].name for pair in read_runs(tmp_path / "a", tmp_path / "b")] == ["second"]
    assert len(read_runs(tmp_path / "c", tmp_path / "b" / "verdicts_third.parquet")) == 1
    with pytest.raises(InputError, match="found first, second in .* and other in"):
        read_runs(tmp_path / "a", tmp_path / "c")
    with pytest.raises(InputError, match="run jointwise evaluate"):
        read_runs(tmp_path, tmp_path / "a")


def test_the_command_says_what_changed_and_refuses_what_does_not_fit(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    one = example(30)
    write_verdicts(one, tmp_path / "one" / "verdicts_example.parquet")
    write_verdicts(later(one), tmp_path / "two" / "verdicts_example.parquet")
    write_verdicts(replace(one, truth=1 - one.truth), tmp_path / "three" / "verdicts_example.parquet")
    words = ["compare", f"one={tmp_path / 'one'}", f"out={tmp_path / 'out'}"]
    assert main([*words, f"other={tmp_path / 'two'}"]) == 0
    said = capsys.readouterr().out
    assert "example: 30 joints in both runs" in said
    later_run = tmp_path / "two" / "verdicts_example.parquet"
    assert f"scores=[{later_run}]" in said.splitlines()[-1]
    assert "Only in one: 0 joints" in said
    counted = pd.read_csv(tmp_path / "out" / "changes_summary.csv")
    assert set(counted["detector"]) == {"learned", "rules"}
    assert main([*words, f"other={tmp_path / 'three'}"]) == 2
    refused = capsys.readouterr().err
    assert "labels that differ" in refused
    assert len(refused.strip().splitlines()) == 1
    assert main([*words, f"other={tmp_path / 'three'}", "labels=leave_out"]) == 0
    assert "count as unknown" in capsys.readouterr().out
    assert main([*words, f"other={tmp_path / 'nowhere'}"]) == 2
    assert main([*words, f"other={tmp_path / 'two'}", "labels=guess"]) == 2


def test_an_unchanged_set_is_one_line_and_sets_of_one_run_are_named(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    one = example(30)
    for folder, names in (("a", ("example", "first")), ("b", ("example", "second", "third"))):
        for name in names:
            write_verdicts(replace(one, name=name), tmp_path / folder / f"verdicts_{name}.parquet")
    assert (
        main(["compare", f"one={tmp_path / 'a'}", f"other={tmp_path / 'b'}", f"out={tmp_path / 'out'}"]) == 0
    )
    said = capsys.readouterr().out
    assert "30 joints in both runs, no call and no score of learned, rules changed" in " ".join(said.split())
    assert "McNemar" not in said
    assert f"only in {tmp_path / 'a'}: the set first; not compared" in said
    assert f"only in {tmp_path / 'b'}: the sets second, third; not compared" in said
    nearly = replace(one, scores={**one.scores, "rules": np.clip(one.scores["rules"] + 1e-6, 0, 1)})
    for other in (nearly, one.take(np.arange(29))):
        matched = match(one, other)
        assert not unchanged(matched, summary(changes(matched, "rules")))


def test_two_files_of_one_set_in_a_folder_are_refused(tmp_path: Path) -> None:
    for name in ("example", "copy"):
        write_verdicts(example(), tmp_path / f"verdicts_{name}.parquet")
    with pytest.raises(InputError, match="found 2 files of the sets example"):
        read_runs(tmp_path, tmp_path)


def test_sites_that_cannot_be_told_apart_are_refused() -> None:
    one = example()
    parts = [f"U{i}" for i in range(12)]
    both = replace(one, table=one.table.assign(component=parts, scan="s", ball="A1"))
    with pytest.raises(InputError, match="found two alike"):
        match(both, one)
    assert isinstance(match(both, both), Matched)
