"""What 50, 100 and 200 labelled joints of a shifted domain bring: the learning curve of fine-tuning.

    python bench/fine_tuning.py --model FOLDER --labelled STORE --test STORE --held-out STORE --work FOLDER
        [--domain NAME] [--csv FILE] [--picture FILE]

The stores are simulated; `labelled` and `test` are of one shift and of other boards, made for instance by

    lab="shift=bismuth family=bga_0800 family.rows=[4,5] family.cols=[4,5] defects=training"
    jointwise generate $lab joints=300 seed=702 out=out/bismuth
    jointwise generate $lab joints=230 seed=703 out=out/bismuth_test

`held-out` is of the domain that the model was trained for, so that forgetting shows. The labelled joints are stripped
of their truth, as scoring keeps a lab's. Each draw takes 200 of them; its first 50 and 100 are the smaller sets. The
truth is written into a label sheet as a person would fill it (a gap under `THIN` voxel, or a marginal joint: cannot
tell), and `jointwise train init_from=…` runs as it does for a lab. `scratch` is the demo's small network trained on 200
anew (experiment=quick). Trainings lie in `work`; cut off, the same call goes on.

Rows: domain, trained (joints; 0 before), how (before, tuned, scratch), draw, set (shifted, held_out), kind, measure,
value, low, high, n, with_kind, boards. Measures: ap (kind `mean`: of all four), gain (ap less that before, the same
boards drawn in both), recall and precision at the model's cuts, calibration_error; of sound joints false_calls.
Intervals: 95 %, whole boards drawn anew; thin gaps count nowhere.
"""

from __future__ import annotations

import argparse
import json
import time
from pathlib import Path
from typing import Any

import matplotlib.pyplot as plt
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from jointwise.commands import hydra_wrapper
from jointwise.commands.registry import load
from jointwise.evaluation.labels.filled import COLUMNS
from jointwise.evaluation.labels.sheet import draw_sheet
from jointwise.evaluation.statistics.bootstrap import Resampling, resampled_average_precision
from jointwise.evaluation.statistics.measures import count
from jointwise.joints.atomic import write_text
from jointwise.joints.batch import Joints
from jointwise.joints.kinds import KINDS, TITLES
from jointwise.joints.schema import MEASURES
from jointwise.joints.store import Store, StoreWriter
from jointwise.models.calibration import calibration_error
from jointwise.models.folder import load_model
from jointwise.train.data import known_truth
from jointwise.train.run import train

SIZES = (50, 100, 200)
THIN = 0.1
HELD = 300
BOARDS_DRAWN = 1000

Floats = NDArray[np.float64]
Rows = list[dict[str, Any]]


def sheet_of(store: Store, draw: int, size: int, path: Path) -> Path:
    """The label sheet of the first `size` joints of a draw, filled with the truth."""
    # Which joints a count takes is the seed's alone; smaller counts nest.
    drawn = draw_sheet(store.table, store.fingerprint, "truth_itself", draw, None, size)
    table = store.table.iloc[list(drawn.rows)].reset_index(drop=True)
    truth = known_truth(table, THIN)
    untold = np.isnan(truth).any(axis=1)
    cells = {kind: ["" if u else int(t) for t, u in zip(truth[:, k], untold, strict=True)]
             for k, kind in enumerate(KINDS)}  # fmt: skip
    rows = table[["scan", "ball"]].assign(reader="truth_itself", **cells, sure="", note="")
    rows = rows.assign(cannot_tell=untold.astype(int))[list(COLUMNS)]
    write_text(path, rows.to_csv(index=False, lineterminator="\n"))
    return path


def as_scanned(store: Store, folder: Path) -> Path:
    """The joints as `jointwise score store=…` keeps them: no truth, no measures, no seed, all of one split."""
    unknown = dict.fromkeys((*KINDS, *MEASURES), np.nan)
    with StoreWriter(folder, store.grid, None, {"made_by": "bench/fine_tuning.py"}) as writer:
        for number, joints in enumerate(store.shard_by_shard()):
            table = joints.table.assign(**unknown, split="train")
            writer.add(f"scan_{number:05d}", Joints(joints.volumes, table, joints.grid))
    return folder


def trained(words: list[str], out: Path) -> Path:
    """`jointwise train` with these words, without tracking; the model folder."""
    usual = [
        "tracking.enabled=false",
        "rules=false",
        "novelty=false",
        "device=cpu",
        "threads=2",
        f"out={out}",
    ]
    with hydra_wrapper.session(load("train")) as active:
        cfg = hydra_wrapper.settings(active, [*words, *usual])
    begun = time.perf_counter()
    model = train(cfg)
    print(f"{out.name}: {time.perf_counter() - begun:.0f} s", flush=True)
    return model


def judged(model: Path, joints: Joints, base: Floats | None) -> tuple[Rows, Floats]:
    """Rows of every measure, and the mean average precision in every replicate.

    Args:
        model: folder of the network.
        joints: with truth.
        base: that of the model before, or None.
    """
    detector, truth = load_model(model), known_truth(joints.table, THIN)
    scores = detector.score(joints)
    called = detector.card.thresholds.called(scores, joints.table)
    boards, names = pd.factorize(joints.table["board_id"])
    weights = Resampling(len(names), BOARDS_DRAWN).weights
    rows: Rows = []

    def add(kind: str, measure: str, values: Floats | float, n: int, with_kind: int) -> None:
        values = np.atleast_1d(np.asarray(values, dtype=np.float64))
        low, high = np.nanquantile(values[1:], [0.025, 0.975]) if len(values) > 1 else (np.nan, np.nan)
        rows.append({"kind": kind, "measure": measure, "value": values[0], "low": low, "high": high, "n": n,
                     "with_kind": with_kind, "boards": len(names)})  # fmt: skip

    def shares(part: NDArray[np.bool_], of: NDArray[np.bool_]) -> Floats:
        """Share in every replicate."""
        sums = np.zeros((len(names), 2))
        np.add.at(sums, boards, np.column_stack([part & of, of]).astype(np.float64))
        part_of, whole = (weights @ sums).T
        with np.errstate(invalid="ignore"):
            return np.asarray(part_of / whole)

    every = []
    for k, kind in enumerate(KINDS):
        known = ~np.isnan(truth[:, k])
        counts = count(truth[known, k], called[known, k])
        told = (counts.n, counts.faulty)
        every.append(resampled_average_precision(truth[known, k], scores[known, k], boards[known], weights))
        add(kind, "ap", every[-1], *told)
        add(kind, "recall", shares(called[:, k], truth[:, k] == 1), *told)
        add(kind, "precision", shares(truth[:, k] == 1, called[:, k] & known), *told)
        add(kind, "calibration_error", calibration_error(truth[:, k], scores[:, k]), *told)
    sound = (truth == 0).all(axis=1)
    add("sound", "false_calls", shares(called.any(axis=1), sound), int(sound.sum()), 0)
    mean = np.mean(every, axis=0)
    add("mean", "ap", mean, len(truth), int((truth == 1).any(axis=1).sum()))
    if base is not None:
        add("mean", "gain", mean - base, len(truth), int((truth == 1).any(axis=1).sum()))
    return rows, mean


class Judged:
    """What every model says of both sets; kept in `work`, so that a call that was cut off goes on.

    Args:
        sets: shifted and held_out.
        work: folder for the rows of each model, and the replicates of the first.
        domain: name of the shift.
    """

    def __init__(self, sets: dict[str, Joints], work: Path, domain: str) -> None:
        self.sets, self.work, self.domain = sets, work, domain
        self.rows: Rows = []
        self.base: dict[str, Floats] = {}

    def add(self, model: Path, how: str, size: int, draw: int) -> None:
        """Judge one model, unless that was done."""
        for name, joints in self.sets.items():
            path = self.work / f"{self.domain}_{how}_{size}_{draw}_{name}.json"
            if not path.is_file():
                rows, mean = judged(model, joints, self.base.get(name))
                write_text(path, json.dumps({"rows": rows, "mean": mean.tolist()}))
            kept = json.loads(path.read_text())
            self.base.setdefault(name, np.array(kept["mean"]))
            head = {"domain": self.domain, "trained": size, "how": how, "draw": draw, "set": name}
            self.rows += [head | row for row in kept["rows"]]


def measure(args: argparse.Namespace) -> pd.DataFrame:
    """Train and judge everything."""
    store, held = Store(args.labelled), Store(args.held_out)
    some = np.sort(np.random.default_rng(0).permutation(len(held))[:HELD])
    sets = {"shifted": Store(args.test).read(), "held_out": held.read(some)}
    result = Judged(sets, args.work, args.domain)
    scanned = as_scanned(store, args.work / f"{args.domain}_scanned")
    result.add(args.model, "before", 0, 0)

    def data(draw: int, size: int) -> list[str]:
        sheet = sheet_of(store, draw, size, args.work / f"{args.domain}_{draw}_{size}.csv")
        return [f"data={scanned}", f"labels={sheet}", f"seed={draw}"]

    for draw in range(args.draws):
        for size in SIZES:
            out = args.work / f"{args.domain}_{draw}_{size}"
            result.add(trained([f"init_from={args.model}", *data(draw, size)], out), "tuned", size, draw)
        words = ["experiment=quick", *data(draw, SIZES[-1])]
        result.add(trained(words, args.work / f"{args.domain}_{draw}_scratch"), "scratch", SIZES[-1], draw)
    return pd.DataFrame(result.rows)


def picture(table: pd.DataFrame, path: Path) -> None:
    """Average precision of each kind, false calls and the old domain against the number of labelled joints."""
    domains = list(table["domain"].unique())
    figure, axes = plt.subplots(
        len(domains), 3, figsize=(12, 3.6 * len(domains)), squeeze=False, layout="constrained"
    )
    for row, domain in zip(axes, domains, strict=True):
        ours = table[table["domain"] == domain]
        marks = dict(zip((*KINDS, "mean"), "os^Dv", strict=True))
        for ax, name in zip(row, ("shifted", "held_out"), strict=False):
            for kind, mark in marks.items():
                part = ours[(ours["set"] == name) & (ours["kind"] == kind) & (ours["measure"] == "ap")]
                tuned = part[part["how"] != "scratch"]
                mean = tuned.groupby("trained")["value"].mean()
                (line,) = ax.plot(mean.index, mean, mark + "-", label=TITLES.get(kind, "mean of the four"), ms=4,
                                  lw=2.5 if kind == "mean" else 1)  # fmt: skip
                ax.plot(tuned["trained"], tuned["value"], mark, color=line.get_color(), alpha=0.35, ms=3)
                anew = part[part["how"] == "scratch"]
                ax.plot(anew["trained"] + 12, anew["value"], mark, mfc="none", color=line.get_color(), ms=5)
            words = f"{domain}, other boards" if name == "shifted" else "what the model was trained for"
            n, boards = part[["n", "boards"]].iloc[0]
            ax.set(
                title=f"{words}: {n} joints of {boards} boards", ylabel="average precision", ylim=(0, 1.02)
            )
        for name, mark in (("shifted", "o-"), ("held_out", "s--")):
            part = ours[(ours["set"] == name) & (ours["measure"] == "false_calls")]
            tuned = part[part["how"] != "scratch"]
            mean = tuned.groupby("trained")["value"].mean()
            (line,) = row[2].plot(
                mean.index, mean, mark, label=domain if name == "shifted" else "what it was trained for"
            )
            row[2].plot(tuned["trained"], tuned["value"], mark[0], color=line.get_color(), alpha=0.35, ms=3)
            anew = part[part["how"] == "scratch"]
            row[2].plot(anew["trained"] + 12, anew["value"], mark[0], mfc="none", color=line.get_color())
        row[2].set(title="sound joints with any call, at the kept cuts", ylabel="share", ylim=(0, None))
        row[2].legend(frameon=False, fontsize=8)
        for ax in row:
            ax.set_xlabel("labelled joints (0: before; hollow: trained anew on 200)")
            ax.set_xticks([0, *SIZES])
            ax.spines[["top", "right"]].set_visible(False)
    axes[0][0].legend(frameon=False, fontsize=8)
    figure.suptitle(
        "Fine-tuning on simulated joints: draws of labelled joints (small) and their mean", fontsize=11
    )
    figure.savefig(path, dpi=110)


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    for name in ("model", "labelled", "test", "held-out", "work"):
        parser.add_argument(f"--{name}", type=Path, required=True)
    parser.add_argument("--domain", default="bismuth")
    parser.add_argument("--draws", type=int, default=3)
    parser.add_argument("--csv", type=Path, default=Path("bench/fine_tuning.csv"))
    parser.add_argument("--picture", type=Path, default=Path("bench/fine_tuning.png"))
    args = parser.parse_args()
    begun = time.perf_counter()
    table = measure(args).round(4)
    before = pd.read_csv(args.csv) if args.csv.is_file() else table.iloc[:0]
    table = pd.concat([before[before["domain"] != args.domain], table], ignore_index=True)
    write_text(args.csv, table.to_csv(index=False, lineterminator="\n"))
    picture(table, args.picture)
    print(f"{args.csv}, {args.picture}: {time.perf_counter() - begun:.0f} s")


if __name__ == "__main__":
    main()
