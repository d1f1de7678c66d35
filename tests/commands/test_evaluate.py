"""`jointwise evaluate`: what it writes, what it takes, what it refuses in one sentence, nothing half-written."""

import dataclasses
import re
import shlex
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from jointwise.commands.main import main
from jointwise.evaluation.subjects import told_apart
from jointwise.evaluation.verdicts import Verdicts, read_verdicts, write_verdicts
from jointwise.joints.batch import Joints
from jointwise.joints.grid import Grid
from jointwise.joints.kinds import KINDS
from jointwise.joints.schema import MEASURES
from jointwise.joints.store import StoreWriter
from jointwise.models.bench import Bench, Judge
from jointwise.models.thresholds import Thresholds

GRID = Grid((8, 8, 8))


def made_up(n: int, name: str = "set", seed: int = 0, detectors: int = 2, boards: int = 12) -> Verdicts:
    """Joints of generated look with everything slices ask for; scores follow the truth with noise of their own."""
    rng = np.random.default_rng(seed)
    truth = (rng.random((n, 4)) < 0.08).astype(np.float64)
    present = (rng.random(n) > 0.01).astype(np.int64)
    gap = np.where(truth[:, 1] + truth[:, 3] > 0, rng.gamma(2, 10, n), np.nan)
    board = np.arange(n) % boards
    table = pd.DataFrame(
        {"scan": [f"scan_{b:03d}" for b in board], "board_id": [f"board_{b:03d}" for b in board]}
    )
    table = table.assign(
        component="bga", ball=[f"A{i}" for i in range(n)], row=np.arange(n) // boards % 20, col=np.arange(n) % 20,
        present=present, pitch_mm=rng.choice([0.5, 0.8], n), ball_mm=0.4, voxel_um=20.0, cnr=rng.uniform(5, 80, n),
        voxels_per_ball=rng.uniform(12, 30, n), gap_um=gap, contact_fraction=np.where(np.isnan(gap), np.nan, 0.1),
        void_projected_area_pct=np.where(truth[:, 0] == 1, rng.uniform(5, 40, n), rng.uniform(0, 5, n)),
        void_largest_pct=np.where(truth[:, 0] == 1, rng.uniform(4, 30, n), rng.uniform(0, 4, n)),
        bridge_neck_um=np.where(truth[:, 2] == 1, rng.uniform(10, 200, n), np.nan), marginal=0, split="test",
    )  # fmt: skip
    truth[present == 0] = np.nan
    names = ("learned", "rules", "shipped")[:detectors]
    scores = {
        who: np.where(
            present[:, None] == 1,
            1 / (1 + np.exp(-(4 * (np.nan_to_num(truth) - 0.6) + rng.normal(0, 1 + 0.3 * k, (n, 4))))),
            np.nan,
        )
        for k, who in enumerate(names)
    }
    cuts = {who: np.full((n, 4), 0.5) for who in names}
    readers = {"reader_1": np.where(rng.random((n, 4)) < 0.03, 1 - truth, truth)}
    return Verdicts(name, "Made up by a test.", table, truth, scores, cuts, readers, seconds={"rules": 0.01})


def refused(capsys: pytest.CaptureFixture[str], *words: str) -> str:
    """The one sentence with which a command line is refused."""
    assert main(list(words)) == 2
    said = capsys.readouterr().err
    assert said.count("\n") == 1
    assert "Traceback" not in said
    return said


class Flat:
    """Scores a joint by its mean value, the same for every kind."""

    name = "flat"

    def score(self, joints: Joints) -> np.ndarray:
        return np.repeat(joints.volumes.astype(np.float64).mean(axis=(1, 2, 3))[:, None], 4, axis=1)

    def measure(self, joints: Joints) -> pd.DataFrame:
        return pd.DataFrame(np.nan, index=range(len(joints)), columns=list(MEASURES))


@pytest.fixture
def bench(monkeypatch: pytest.MonkeyPatch) -> None:
    """A detector in the place of a model folder."""
    cuts = Thresholds(((0.5,) * 4,), "f1", None, ((1,) * 4,), ((1,) * 4,))
    monkeypatch.setattr("jointwise.models.bench.load_bench", lambda *_: Bench(rules=Judge(Flat(), cuts)))


def store(folder: Path, n: int = 4, change: Callable[[pd.DataFrame], pd.DataFrame] = lambda t: t) -> Path:
    """Joints of every other kind; the first two are bright."""
    table = pd.DataFrame(
        {"scan": "s", "board_id": "b", "component": "u", "ball": [f"A{i}" for i in range(n)]}
    )
    table = table.assign(row=0, col=range(n), present=1, split="test", pitch_mm=0.8, ball_mm=0.5, cnr=20.0)
    table = table.assign(**{kind: [float(i % 2 == k % 2) for i in range(n)] for k, kind in enumerate(KINDS)})
    light = np.where(np.arange(n) < 2, 0.9, 0.1).astype(np.float16)
    volumes = light[:, None, None, None] * np.ones(GRID.shape, np.float16)
    with StoreWriter(folder, GRID, 0, {}) as writer:
        writer.add("scan_0", Joints(volumes, change(table), GRID))
    return folder


@pytest.mark.slow
@pytest.mark.usefixtures("bench")
def test_stores_and_ready_scores_go_into_one_report(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    ready = write_verdicts(made_up(60, "earlier"), tmp_path / "verdicts_earlier.parquet")
    one, out = store(tmp_path / "my joints"), tmp_path / "out"
    words = [
        f"sets=[{one}]",
        f"scores=[{ready}]",
        "model=any",
        f"out={out}",
        f"tracking.folder={tmp_path / 't'}",
    ]
    assert main(["evaluate", *words, "prevalence.void=0.01"]) == 0
    said = capsys.readouterr().out
    assert f"wrote {out / 'report.html'}" in said
    kept = ",".join(str(out / f"verdicts_{name}.parquet") for name in ("my joints", "earlier"))
    assert f"scores=[{kept}]" in said.splitlines()[-1]
    assert "my joints: 4 joints" in said
    assert re.search(r"earlier: (59|60) joints", said)
    report = (out / "report.html").read_text(encoding="utf-8")
    assert "void 0.01, as given" in report
    assert report.count("<img") == 4  # every joint of the store is judged wrongly somewhere
    assert "Made up by a test." in report
    assert "Simulated joints" in report
    for name in ("my joints", "earlier"):
        assert len(read_verdicts(out / f"verdicts_{name}.parquet").scores["rules"]) in (4, 60)
    assert (out / "tables" / "failures_my_joints.csv").is_file()
    assert (out / "tables" / "failures_earlier.parquet").is_file()
    assert "in MLflow" in said


@pytest.mark.slow
@pytest.mark.usefixtures("bench")
def test_everything_is_told_to_mlflow(tmp_path: Path) -> None:
    from mlflow.tracking import MlflowClient

    out = tmp_path / "out"
    words = [
        f"data={store(tmp_path / 'joints')}",
        "model=any",
        f"out={out}",
        f"tracking.folder={tmp_path / 't'}",
    ]
    assert main(["evaluate", *words]) == 0
    client = MlflowClient(f"sqlite:///{tmp_path / 't' / 'mlflow.db'}")
    (run,) = [
        run
        for experiment in client.search_experiments()
        for run in client.search_runs([experiment.experiment_id])
    ]
    assert run.data.tags["mlflow.runName"] == "evaluate joints"
    assert run.data.metrics["joints/rules/void/misses"] == 1.0
    assert np.isfinite(list(run.data.metrics.values())).all()
    files = {item.path for item in client.list_artifacts(run.info.run_id)}
    assert files == {path.name for path in out.iterdir()}
    tables = {item.path for item in client.list_artifacts(run.info.run_id, "tables")}
    assert tables == {f"tables/{path.name}" for path in (out / "tables").iterdir()}
    assert run.inputs.dataset_inputs[0].dataset.name == "joints"


@pytest.mark.slow
def test_ready_scores_need_no_model_and_give_the_same_figures(tmp_path: Path) -> None:
    ready = write_verdicts(made_up(200), tmp_path / "verdicts_set.parquet")
    for out in ("a", "b"):
        words = [f"scores=[{ready}]", f"out={tmp_path / out}", "tracking.enabled=false"]
        assert main(["evaluate", *words]) == 0
        ready = tmp_path / "a" / "verdicts_set.parquet"
    assert {path.name for path in (tmp_path / "a").iterdir()} == {
        "report.html",
        "tables",
        "verdicts_set.parquet",
    }
    for path in sorted((tmp_path / "a" / "tables").glob("*.csv")):
        assert path.read_bytes() == (tmp_path / "b" / "tables" / path.name).read_bytes()


def filled(folder: Path, joints: Path, capsys: pytest.CaptureFixture[str], **sheet: str) -> str:
    """A label sheet of a store made, filled and checked through the command line: the command named next."""
    asked = [f"{key}={value}" for key, value in sheet.items()]
    assert main(["labels", f"joints={joints}", f"sheet={folder / 'sheet'}", "reader=reader_a", *asked]) == 0
    rows = pd.read_csv(folder / "sheet" / "labels.csv", dtype=str).assign(**dict.fromkeys(KINDS, "0"))
    rows.loc[0, "void"] = "1"
    rows.to_csv(folder / "sheet" / "labels.csv", index=False)
    check = [f"joints={joints}", f"check={folder / 'sheet' / 'labels.csv'}", f"out={folder / 'kept'}"]
    assert main(["labels", *check]) == 0
    return capsys.readouterr().out.rstrip().splitlines()[-1].removeprefix("next  ")


@pytest.mark.slow
@pytest.mark.usefixtures("bench")
def test_a_filled_sheet_is_a_reader_even_where_nobody_knows_the_truth(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The sheet holds joints of both splits; only those of the judged split count."""
    blind = store(
        tmp_path / "own",
        6,
        lambda t: t.drop(columns=list(KINDS)).assign(split=["test"] * 4 + ["train"] * 2),
    )
    program, command, *words = shlex.split(filled(tmp_path, blind, capsys))
    assert (program, command) == ("jointwise", "evaluate")
    assert {f"data={blind}", "split=test", f"labels={tmp_path / 'kept' / 'labels.csv'}"} <= set(words)
    words = [word for word in words if not word.startswith("model=")]
    assert main([command, *words, "model=any", f"out={tmp_path / 'out'}", "tracking.enabled=false"]) == 0
    judged = read_verdicts(tmp_path / "out" / "verdicts_own.parquet")
    assert np.nansum(judged.readers["reader_a"]) <= 1
    assert judged.table["labelled"].tolist() == [1] * 4
    assert np.isnan(judged.truth).all()
    assert (tmp_path / "out" / "tables" / "readers_own.csv").is_file()


@pytest.mark.usefixtures("bench")
def test_labels_that_cannot_be_used(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    joints = store(tmp_path / "own", 6, lambda t: t.assign(split=["test"] * 4 + ["train"] * 2))
    filled(tmp_path, joints, capsys, split="train")
    labels = tmp_path / "kept" / "labels.csv"
    out = [f"out={tmp_path / 'out'}", "tracking.enabled=false", "model=any", f"labels={labels}"]
    assert "found labels of others only" in refused(capsys, "evaluate", f"data={joints}", *out)
    assert "labels: expected one set" in refused(capsys, "evaluate", f"sets=[{joints},demo]", *out)
    rows = pd.read_csv(labels, dtype=str)
    rows.assign(ball="Z9").to_csv(labels, index=False)
    assert "of joints that are not there" in refused(capsys, "evaluate", f"data={joints}", *out)
    rows.assign(reader="rules").to_csv(labels, index=False)
    assert "found 'rules'" in refused(capsys, "evaluate", f"data={joints}", *out)
    assert "found no such file" in refused(capsys, "evaluate", f"data={joints}", *out, f"labels={tmp_path}/x")
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize(
    "change",
    [
        lambda one: one.take(np.array([0])),
        lambda one: dataclasses.replace(one, truth=np.where(np.isnan(one.truth), np.nan, 0.0)),
        lambda one: dataclasses.replace(one, truth=np.full_like(one.truth, np.nan)),
        lambda one: dataclasses.replace(one, table=one.table.assign(present=0), truth=np.full_like(one.truth, np.nan)),
        lambda one: dataclasses.replace(one, table=one.table[["scan", "board_id", "ball", "present"]], readers={}),
        lambda one: dataclasses.replace(one, scores={"rules": one.scores["rules"]}, cuts={"rules": one.cuts["rules"]}),
        lambda one: dataclasses.replace(one, readers={"nobody": np.full_like(one.truth, np.nan)}),
    ],
    ids=["one joint", "no faulty joint", "truth unknown", "all missing", "bare table", "one detector", "reader silent"],
)  # fmt: skip
def test_sets_at_the_edge_get_a_report(
    tmp_path: Path, change: Callable[[Verdicts], Verdicts], capsys: pytest.CaptureFixture[str]
) -> None:
    ready = write_verdicts(change(made_up(60)), tmp_path / "verdicts_set.parquet")
    words = [f"scores=[{ready}]", f"out={tmp_path / 'out'}", "tracking.enabled=false"]
    assert main(["evaluate", *words]) == 0
    report = (tmp_path / "out" / "report.html").read_text(encoding="utf-8")
    assert not re.search(r"\bnan\b", report)
    last = f"next  jointwise compare one={ready} other={tmp_path / 'out' / ready.name}"
    assert capsys.readouterr().out.splitlines()[-1].replace("'", "") == last


def test_what_is_missing_is_asked_for(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert "found neither" in refused(capsys, "evaluate", "model=any")
    assert "for `model`, found none" in refused(capsys, "evaluate", f"data={tmp_path}")
    assert "found no such file" in refused(capsys, "evaluate", f"scores=[{tmp_path / 'no.parquet'}]")
    model = f"model={tmp_path / 'model'}"
    said = refused(capsys, "evaluate", model, f"sets=[{tmp_path / 'nothing'}]", f"out={tmp_path / 'out'}")
    assert "nothing" in said or "detectors" in said
    assert list(tmp_path.iterdir()) == []


def test_two_evaluations_of_one_set_are_named_after_file_or_folder(tmp_path: Path) -> None:
    def names(*files: str, others: tuple[str, ...] = ()) -> list[str]:
        return [one.name for one in told_apart([(tmp_path / file, made_up(5)) for file in files], others)]

    assert names("verdicts_set.parquet") == ["set"]
    assert names("verdicts_set.parquet", "verdicts_new.parquet") == ["set", "new"]
    assert names("old/verdicts_set.parquet", "new/verdicts_set.parquet") == ["set_old", "set_new"]
    assert names("new.parquet", others=("Set",)) == ["new"]
    assert names("old/verdicts_set.parquet", others=("set",)) == ["set_old"]


@pytest.mark.usefixtures("bench")
def test_sets_given_twice_or_under_one_name(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    one, two = store(tmp_path / "a" / "joints"), store(tmp_path / "b" / "joints")
    ready = write_verdicts(made_up(20, "Joints"), tmp_path / "verdicts_joints.parquet")
    bare = [f"out={tmp_path / 'out'}", "tracking.enabled=false"]
    out = [*bare, "model=any"]
    assert "found" in (said := refused(capsys, "evaluate", f"sets=[{one},{one}]", *out))
    assert "twice" in said
    assert "names differ" in refused(capsys, "evaluate", f"sets=[{one},{two}]", *out)
    assert "twice" in refused(capsys, "evaluate", f"scores=[{ready},{ready}]", *bare)
    assert not (tmp_path / "out").exists()


@pytest.mark.usefixtures("bench")
def test_stores_that_cannot_be_judged(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = [f"out={tmp_path / 'out'}", "tracking.enabled=false", "model=any"]
    blind = store(tmp_path / "blind", change=lambda t: t.assign(**dict.fromkeys(KINDS, np.nan)))
    bare = store(tmp_path / "bare", change=lambda t: t.drop(columns=list(KINDS)))
    double = store(tmp_path / "double", change=lambda t: t.assign(ball="A1"))
    assert "known truth" in refused(capsys, "evaluate", f"data={blind}", *out)
    assert "expected the columns void" in refused(capsys, "evaluate", f"data={bare}", *out)
    assert "A1 twice" in refused(capsys, "evaluate", f"data={double}", *out)
    assert "split 'validation'" in refused(capsys, "evaluate", f"data={double}", "split=validation", *out)
    assert "expected one of the sets" in refused(
        capsys, "evaluate", f"data={store(tmp_path / 'joints')}", "reference=other", *out
    )
    assert not (tmp_path / "out").exists()


def test_an_unknown_detector(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    words = [f"data={store(tmp_path / 'joints')}", f"model={tmp_path}", f"out={tmp_path / 'out'}"]
    assert "found nobody" in refused(capsys, "evaluate", *words, "detectors=[nobody]")
    assert not (tmp_path / "out").exists()


def spoilt(path: Path, change: Callable[[pd.DataFrame], pd.DataFrame]) -> Path:
    """Verdicts whose columns somebody has changed."""
    write_verdicts(made_up(40), path)
    stored = pq.read_table(path)
    frame = change(stored.to_pandas(ignore_metadata=True))
    table = pa.Table.from_pandas(frame, preserve_index=False)
    pq.write_table(table.replace_schema_metadata(stored.schema.metadata), path)
    return path


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (lambda t: t.assign(rules_score_void=np.nan), "without; score the set again"),
        (lambda t: t.drop(columns="rules_score_void"), "rules_score_void"),
        (lambda t: t.rename(columns={"rules_score_void": "rules_score_crack"}), "found 'crack'"),
        (lambda t: t.assign(ball="A1", scan="s"), "A1 twice"),
        (lambda t: t.assign(void=0.5), "expected 0 or 1 in truth"),
        (lambda t: t.assign(rules_cut_void=np.nan), "threshold"),
        (lambda t: t.drop(columns="present"), "present"),
        (lambda t: t.assign(rules_score_void=7.0), "scan_000 A0, void by rules: 7"),
        (lambda t: t.iloc[:0], "without a row"),
    ],
)
def test_spoilt_scores(
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    change: Callable[[pd.DataFrame], pd.DataFrame],
    said: str,
) -> None:
    path = spoilt(tmp_path / "verdicts_set.parquet", change)
    assert said in refused(capsys, "evaluate", f"scores=[{path}]", f"out={tmp_path / 'out'}")
    assert not (tmp_path / "out").exists()


def test_odd_settings(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    ready = write_verdicts(made_up(20), tmp_path / "verdicts_set.parquet")
    words = ["evaluate", f"scores=[{ready}]", f"out={tmp_path / 'out'}"]
    assert "share of joints between 0 and 1" in refused(capsys, *words, "prevalence.void=3")
    assert "did you mean" in refused(capsys, *words, "prevalence.crack=0.1")
    assert "observer study" in refused(capsys, *words, f"observer={tmp_path / 'none.parquet'}")
    said = refused(capsys, *words, f"observer={ready}")
    assert "found a table without kind" in said
    assert "Error" not in said
    assert "pictures" in refused(capsys, *words, "pictures=-1")
    assert "adjudicat" in refused(capsys, *words, "adjudication=nobody").lower()
    assert not (tmp_path / "out").exists()


def test_what_has_no_effect_on_ready_scores_is_refused(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    ready = write_verdicts(dataclasses.replace(made_up(20), readers={}), tmp_path / "verdicts_set.parquet")
    words = ["evaluate", f"scores=[{ready}]", f"out={tmp_path / 'out'}"]
    assert "found lerned; correct it" in refused(capsys, *words, "detectors=[lerned]")
    for name, given in (("detectors", "[rules]"), ("shipped", "true"), ("model", "any")):
        assert f"no effect; leave {name} out" in refused(capsys, *words, f"{name}={given}")
    said = refused(capsys, *words, "adjudication=foo")
    assert "adjudication: expected labels of readers to settle, found none in set;" in said
    assert not (tmp_path / "out").exists()


def test_an_out_where_a_file_stands(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    ready = write_verdicts(made_up(20), tmp_path / "verdicts_set.parquet")
    for out in (ready, ready / "below"):
        said = refused(capsys, "evaluate", f"scores=[{ready}]", f"out={out}")
        assert f"out: expected a folder at {out}, found the file {ready}" in said
    assert list(tmp_path.iterdir()) == [ready]


@pytest.mark.slow
def test_five_thousand_ready_joints_take_under_a_minute(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The bound of the issue, on two cores, with every section the report has."""
    ready = write_verdicts(made_up(5000, detectors=3, boards=50), tmp_path / "verdicts_set.parquet")
    begun = time.perf_counter()
    assert main(["evaluate", f"scores=[{ready}]", f"out={tmp_path / 'out'}", "tracking.enabled=false"]) == 0
    seconds = time.perf_counter() - begun
    with capsys.disabled():
        print(f"\n5,000 joints, 3 detectors: {seconds:.1f} s")
    assert seconds < 60
    assert (tmp_path / "out" / "report.html").stat().st_size < 15e6
