"""What 50, 100 and 200 labelled joints of a shifted domain bring: the learning curve of fine-tuning.

    python bench/fine_tuning.py [--model FOLDER] [--work FOLDER] [--device cuda] [--domains NAME …] [--draws N]
        [--development] [--set KEY=VALUE …] [--csv FILE] [--picture FILE]

Makes what is missing below `work`: of every domain (`DOMAINS`) as one lab would scan it (`LAB`), a pool to label and a
test set of other boards, and a set of what the network was trained for, so that forgetting shows. `window`: the lab
exports its scans with a grey scale that ends at 0.6 of the solder level, as one set up to see the board does. Of 14
domains tried on 171 joints it cost the start most; eight of these, it among them, were looked for only after labels had
brought nothing in `scatter` and `bismuth` (bench/fine_tuning_development.csv). It is applied to joints as cut.
The pool is stripped of its truth, as scoring keeps a lab's joints. A draw is six boards, no board in two draws; 50
joints are of two of them, 100 of three, 200 of six. The truth is written into a label sheet as a person would fill it
(a gap under `THIN` voxel, or a marginal joint: cannot
tell), and `jointwise train init_from=…` runs as for a lab; `recalibrated` is the same with learn=none: only the
calibration is fitted on the labels. Cut off, the same call goes on. `--development` takes other seeds and one draw:
there recipes (`--set`) are chosen.

Rows: domain, trained (joints; 0 before), how (before, recalibrated, tuned), draw (all: mean over draws), set (shifted;
plain: the same test joints before their export; old), kind (mean: over the four), measure, value, low, high, change,
change_low, change_high, n, with_kind, boards. Measures: ap; recall and precision at the model's cuts; of sound joints
false_calls. `change`: less what the model before has, the same boards drawn in both. Intervals: 95 %, whole test
boards drawn anew; thin gaps count nowhere.
"""

from __future__ import annotations

import argparse
import math
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any, NamedTuple

import matplotlib.pyplot as plt
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from jointwise.commands import hydra_wrapper
from jointwise.commands.registry import load
from jointwise.evaluation.labels.filled import COLUMNS
from jointwise.evaluation.statistics.bootstrap import Resampling, resampled_average_precision
from jointwise.joints.atomic import sha256, write_text
from jointwise.joints.batch import Joints
from jointwise.joints.cutting import scale
from jointwise.joints.kinds import KINDS, TITLES
from jointwise.joints.levels import combine, lane_level, read_levels
from jointwise.joints.schema import MEASURES
from jointwise.joints.store import MANIFEST, Store, StoreWriter
from jointwise.models.folder import WEIGHTS, load_model
from jointwise.train.data import known_truth
from jointwise.train.run import train

BOARDS = {50: 2, 100: 3, 200: 6}
"""Labelled joints, and of how many boards."""
THIN = 0.1
BOARDS_DRAWN = 1000
LAB = (
    "family=bga_0800",
    "family.rows=[6,7]",
    "family.cols=[6,7]",
    "defects=training",
    "scanner.mounts=[upright]",
    "scanner.voxels_per_ball=[18,24]",
    "scanner.photons_per_pixel=[1000,4000]",
    "scanner.views=[300,500]",
)
OLD = ("family=training", "defects=training", "scanner=every_scan", "boards=12", "seed=7600")
DEVELOPMENT = 100
"""What is added to seeds for choosing recipes."""
TEST_BOARDS = 20


class Domain(NamedTuple):
    """How a lab's joints differ.

    Args:
        words: more words for `jointwise generate`.
        seeds: of pool and test.
        top: where the grey scale of the exported file ends, in units of the solder level.
    """

    words: tuple[str, ...]
    seeds: tuple[int, int]
    top: float = math.inf


DOMAINS = {
    "window": Domain((), (7630, 7631), 0.6),
    "scatter": Domain(("shift=scatter",), (7610, 7611)),
    "bismuth": Domain(("shift=bismuth",), (7620, 7621)),
}
HOWS = {"recalibrated": ("learn=none",), "tuned": ()}

Floats = NDArray[np.float64]
Said = dict[tuple[str, str], Floats]
"""Measures by kind and name: the value, then every replicate's."""


def made(words: tuple[str, ...], out: Path, device: str) -> Store:
    """The store that `jointwise generate` makes with these words."""
    command = load("generate")
    where = [f"device={device}", f"out={out}"]
    with hydra_wrapper.session(command) as active:
        cfg = hydra_wrapper.settings(active, [*words, *where])
    command.run(cfg)
    return Store(out)


def exported(joints: Joints, top: float) -> Joints:
    """Joints of one scan as from a file whose grey scale ends at `top`: clipped there, and the levels read anew."""
    if not math.isfinite(top):
        return joints
    table, clipped = joints.table, np.minimum(joints.volumes.astype(np.float32), top)
    pitch, ball = (float(table[name].iloc[0]) for name in ("pitch_mm", "ball_mm"))
    offsets = joints.grid.offsets_mm(pitch, ball)
    levels = combine([read_levels(box, offsets, pitch, ball) for box in clipped])
    volumes = scale(clipped, levels).astype(np.float16)
    told = {"cnr": levels.cnr, "lane": lane_level(volumes, offsets, pitch, ball)}
    return Joints(volumes, table.assign(**told), joints.grid)


def read_exported(store: Store, top: float) -> Joints:
    """All joints of a store, each scan exported."""
    scans = [exported(joints, top) for joints in store.shard_by_shard()]
    table = pd.concat([joints.table for joints in scans], ignore_index=True)
    return Joints(np.concatenate([joints.volumes for joints in scans]), table, store.grid)


def as_scanned(store: Store, folder: Path, top: float) -> Path:
    """The joints as `jointwise score store=…` keeps them: no truth, no measures, no seed, all of one split."""
    if (folder / MANIFEST).exists() and len(Store(folder)) == len(store):
        return folder
    unknown = dict.fromkeys((*KINDS, *MEASURES), np.nan)
    with StoreWriter(folder, store.grid, None, {"made_by": "bench/fine_tuning.py"}) as writer:
        for number, part in enumerate(store.shard_by_shard()):
            joints = exported(part, top)
            table = joints.table.assign(**unknown, split="train")
            writer.add(f"scan_{number:05d}", Joints(joints.volumes, table, joints.grid))
    return folder


def sheet_of(table: pd.DataFrame, draw: int, size: int, path: Path) -> Path:
    """The label sheet of so many joints of a draw, filled with the truth."""
    boards = np.random.default_rng(0).permutation(table["board_id"].unique())
    most, first = max(BOARDS.values()), draw * max(BOARDS.values())
    if first + most > len(boards):
        raise SystemExit(f"expected {first + most} boards for {draw + 1} draws, found {len(boards)}")
    counts = np.full(BOARDS[size], size // BOARDS[size]) + (np.arange(BOARDS[size]) < size % BOARDS[size])
    rows = [
        np.random.default_rng([draw, number]).permutation(
            np.flatnonzero((table["board_id"] == boards[first + number]) & (table["present"] == 1))
        )[:count]
        for number, count in enumerate(counts)
    ]
    table = table.iloc[np.sort(np.concatenate(rows))].reset_index(drop=True)
    truth = known_truth(table, THIN)
    untold = np.isnan(truth).any(axis=1)
    cells = {kind: ["" if u else int(t) for t, u in zip(truth[:, k], untold, strict=True)]
             for k, kind in enumerate(KINDS)}  # fmt: skip
    said = table[["scan", "ball"]].assign(reader="truth_itself", **cells, sure="", note="")
    said = said.assign(cannot_tell=untold.astype(int))[list(COLUMNS)]
    write_text(path, said.to_csv(index=False, lineterminator="\n"))
    return path


def trained(words: list[str], out: Path) -> Path:
    """`jointwise train` with these words, without tracking; the model folder."""
    with hydra_wrapper.session(load("train")) as active:
        cfg = hydra_wrapper.settings(active, [*words, "tracking.enabled=false", f"out={out}"])
    begun = time.perf_counter()
    model = train(cfg.training)
    tuned = load_model(model).card.metrics["tuned"]
    print(f"{out.name}: {time.perf_counter() - begun:.0f} s, {tuned}", flush=True)
    return model


def judged(model: Path, joints: Joints, device: str) -> Said:
    """Every measure of a model on joints with truth, and in every replicate."""
    detector, truth = load_model(model, device), known_truth(joints.table, THIN)
    scores = detector.score(joints)
    called = detector.card.thresholds.called(scores, joints.table)
    boards, names = pd.factorize(joints.table["board_id"])
    weights = Resampling(len(names), BOARDS_DRAWN).weights

    def share(part: NDArray[np.bool_], of: NDArray[np.bool_]) -> Floats:
        sums = np.zeros((len(names), 2))
        np.add.at(sums, boards, np.column_stack([part & of, of]).astype(np.float64))
        part_of, whole = (weights @ sums).T
        with np.errstate(invalid="ignore"):
            return np.asarray(part_of / whole)

    said: Said = {}
    for k, kind in enumerate(KINDS):
        known = ~np.isnan(truth[:, k])
        said[kind, "ap"] = np.asarray(
            resampled_average_precision(truth[known, k], scores[known, k], boards[known], weights)
        )
        said[kind, "recall"] = share(called[:, k], truth[:, k] == 1)
        said[kind, "precision"] = share(truth[:, k] == 1, called[:, k] & known)
    for measure in ("ap", "recall", "precision"):
        said["mean", measure] = np.mean([said[kind, measure] for kind in KINDS], axis=0)
    said["sound", "false_calls"] = share(called.any(axis=1), (truth == 0).all(axis=1))
    return said


def rows_of(said: Said, before: Said, joints: Joints, head: dict[str, Any]) -> list[dict[str, Any]]:
    """One row per measure."""
    truth = known_truth(joints.table, THIN)
    sound, faulty = (truth == 0).all(axis=1), (truth == 1).any(axis=1)
    counts = {
        kind: (int((~np.isnan(t)).sum()), int((t == 1).sum())) for kind, t in zip(KINDS, truth.T, strict=True)
    }
    counts |= {"mean": (len(truth), int(faulty.sum())), "sound": (int(sound.sum()), 0)}
    rows = []
    for (kind, measure), values in said.items():
        row: dict[str, Any] = {"kind": kind, "measure": measure}
        for name, of in (("", values), ("change", values - before[kind, measure])):
            low, high = np.nanquantile(of[1:], [0.025, 0.975])
            row |= {name or "value": of[0], f"{name}_low".strip("_"): low, f"{name}_high".strip("_"): high}
        n, with_kind = counts[kind]
        rows.append(
            head | row | {"n": n, "with_kind": with_kind, "boards": joints.table["board_id"].nunique()}
        )
    return rows


def measure(domain: str, args: argparse.Namespace) -> Iterator[pd.DataFrame]:
    """Make, train and judge everything of one domain; all rows after every draw."""
    words, seeds, top = DOMAINS[domain]
    boards, work, begun = (max(BOARDS.values()) * args.draws, TEST_BOARDS), args.work, time.perf_counter()
    pool, test = (
        made((*LAB, *words, f"boards={n}", f"seed={seed + args.development * DEVELOPMENT}"), work / f"{domain}_{name}",
             args.device) for n, seed, name in zip(boards, seeds, ("pool", "test"), strict=True)
    )  # fmt: skip
    sets = {"shifted": read_exported(test, top), "old": made(OLD, work / "old", args.device).read()}
    sets["plain"] = test.read()
    print(f"{domain}: joints after {time.perf_counter() - begun:.0f} s", flush=True)
    scanned = as_scanned(pool, work / f"{domain}_scanned", top)
    # Another start or recipe is another training.
    runs = work / "_".join(["runs", sha256(args.model / WEIGHTS)[:8], *args.set])
    before = {name: judged(args.model, joints, args.device) for name, joints in sets.items()}
    first = [
        row
        for name, joints in sets.items()
        for row in rows_of(before[name], before[name], joints, head_of(domain, 0, "before", "all", name))
    ]
    del sets["plain"]  # asked of the start alone
    every: dict[tuple[str, int, str], list[Said]] = {}
    for draw in range(args.draws):
        for how, size in ((how, size) for how in HOWS for size in BOARDS):
            sheet = sheet_of(pool.table, draw, size, work / f"{domain}_{draw}_{size}.csv")
            words = [
                f"init_from={args.model}",
                f"data={scanned}",
                f"labels={sheet}",
                f"seed={draw}",
                f"device={args.device}",
            ]
            model = trained([*words, *HOWS[how], *args.set], runs / f"{domain}_{how}_{size}_{draw}")
            for name, joints in sets.items():
                every.setdefault((how, size, name), []).append(judged(model, joints, args.device))
        rows = list(first)
        for (how, size, name), said in every.items():
            mean = {key: np.mean([one[key] for one in said], axis=0) for key in said[0]}
            for number, one in [*enumerate(said), ("all", mean)]:
                rows += rows_of(one, before[name], sets[name], head_of(domain, size, how, str(number), name))
        yield pd.DataFrame(rows)


def head_of(domain: str, trained: int, how: str, draw: str, name: str) -> dict[str, Any]:
    """The columns that tell what was judged."""
    return {"domain": domain, "trained": trained, "how": how, "draw": draw, "set": name}


def curve(ax: Any, part: pd.DataFrame, label: str, style: str) -> None:
    """Means over draws with their intervals, and each draw as a small mark."""
    mean = part[part["draw"] == "all"].sort_values("trained")
    off = np.abs(mean[["low", "high"]].to_numpy(dtype=float).T - mean["value"].to_numpy(dtype=float))
    bars = ax.errorbar(mean["trained"], mean["value"], off, fmt=style, label=label, ms=4, lw=1.5, capsize=2)
    each = part[part["draw"] != "all"]
    ax.plot(each["trained"] + 4, each["value"], style[0], color=bars[0].get_color(), alpha=0.4, ms=3)


def picture(table: pd.DataFrame, path: Path) -> None:
    """Average precision by kind, mean recall and false calls against the number of labelled joints."""
    domains = list(table["domain"].unique())
    figure, axes = plt.subplots(
        len(domains), 3, figsize=(13, 3.8 * len(domains)), squeeze=False, layout="constrained"
    )
    for row, domain in zip(axes, domains, strict=True):
        ours = table[table["domain"] == domain]
        by = {how: ours[ours["how"].isin(["before", how])] for how in HOWS}
        shifted = by["tuned"][(by["tuned"]["set"] == "shifted") & (by["tuned"]["measure"] == "ap")]
        for kind, mark in zip((*KINDS, "mean"), "os^Dv", strict=True):
            curve(row[0], shifted[shifted["kind"] == kind], TITLES.get(kind, "mean of the four"), mark + "-")
        old = by["tuned"]
        old = old[(old["set"] == "old") & (old["measure"] == "ap") & (old["kind"] == "mean")]
        curve(row[0], old, "mean, what it was trained for", "x:")
        for ax, kind, what, words in (
            (row[1], "mean", "recall", "mean recall"),
            (row[2], "sound", "false_calls", "sound joints called"),
        ):
            for name, line in (("shifted", "-"), ("old", ":")):
                for how, mark in (("tuned", "o"), ("recalibrated", "s")):
                    part = by[how]
                    part = part[(part["set"] == name) & (part["kind"] == kind) & (part["measure"] == what)]
                    curve(
                        ax, part, f"{how}, {'shifted' if name == 'shifted' else 'trained for'}", mark + line
                    )
            ax.set(title=f"{words}, at the kept cuts", ylabel="share", ylim=(0, None))
        n, boards = shifted[["n", "boards"]].iloc[-1]
        row[0].set(
            title=f"{domain}: {n} joints of {boards} other boards",
            ylabel="average precision",
            ylim=(None, 1.01),
        )
        for ax in row:
            ax.set_xlabel("labelled joints (0: before)")
            ax.set_xticks([0, *BOARDS])
            ax.spines[["top", "right"]].set_visible(False)
            ax.legend(frameon=False, fontsize=7)
    figure.suptitle(
        "Fine-tuning on simulated joints: mean of the draws, 95 % by test board; draws small", fontsize=11
    )
    figure.savefig(path, dpi=110)


def told(table: pd.DataFrame) -> str:
    """Means over draws as a table in Markdown: value, and in brackets the change with its interval."""
    lines = [
        "| domain | labels | how | mean AP | mean recall | sound called | mean AP where it was trained |",
        "|---" * 7 + "|",
    ]
    every = table[table["draw"] == "all"].set_index(["domain", "trained", "how", "set", "kind", "measure"])

    def cell(*key: str | int) -> str:
        row = every.loc[key]
        change = f" ({row['change']:+.3f}; {row['change_low']:+.3f} to {row['change_high']:+.3f})"
        return f"{row['value']:.3f}{change if row['change_low'] != row['change_high'] else ''}"

    for head in every.index.droplevel(["set", "kind", "measure"]).unique():
        cells = (
            ("shifted", "mean", "ap"),
            ("shifted", "mean", "recall"),
            ("shifted", "sound", "false_calls"),
            ("old", "mean", "ap"),
        )
        lines.append(f"| {' | '.join([*map(str, head), *(cell(*head, *key) for key in cells)])} |")
    return "\n".join(lines)


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--model", type=Path, default=Path("models/reference"))
    parser.add_argument("--work", type=Path, default=Path("out/fine_tuning"))
    parser.add_argument("--device", default="cpu")
    parser.add_argument("--domains", nargs="+", default=["window"], choices=list(DOMAINS))
    parser.add_argument("--draws", type=int, default=3)
    parser.add_argument("--development", action="store_true")
    parser.add_argument("--set", nargs="*", default=[], help="further words for jointwise train")
    parser.add_argument(
        "--csv", type=Path, help="bench/fine_tuning.csv if left out, with --development its neighbour"
    )
    parser.add_argument("--picture", type=Path)
    args = parser.parse_args()
    args.draws = 1 if args.development else args.draws
    name = "bench/fine_tuning_development" if args.development else "bench/fine_tuning"
    args.csv, args.picture = args.csv or Path(f"{name}.csv"), args.picture or Path(f"{name}.png")
    begun = time.perf_counter()
    others = pd.read_csv(args.csv, dtype={"draw": str}) if args.csv.is_file() else pd.DataFrame()
    table = others if "change" in others else pd.DataFrame({"domain": []})
    for domain in args.domains:
        others = table[table["domain"] != domain]
        for ours in measure(domain, args):
            table = pd.concat([others, ours.round(4)], ignore_index=True) if len(others) else ours.round(4)
            write_text(args.csv, table.to_csv(index=False, lineterminator="\n"))
            picture(table, args.picture)
    print(told(table))
    print(f"{args.csv}, {args.picture}: {time.perf_counter() - begun:.0f} s")


if __name__ == "__main__":
    main()
