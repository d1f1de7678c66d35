"""Does a network know when it is asked about scans unlike its training, and where it is wrong?

    python bench/transfer/shifted.py --model models/reference --usual STORE --shifted STORE [STORE ...] --out CSV

Three scores of strangeness, each the median over a scan's joints: `features` (models/familiar.py), `ranges` (voxels per
ball, noise and lanes, models/envelope.py), `novelty` (models/novelty.py). Features and novelty are measured on one half
of the usual store's boards and asked about the other, both ways round; of shifted joints the two answers are averaged.

The CSV has the columns set, score, measure, value, n. Of scans (n scans): `auroc` of telling them from the usual ones,
`outside`, share beyond the limit. Of joints (n joints, wrong where any kind is called falsely or missed): `auroc_wrong`
of telling the wrong from the right by the score, `wrong`, and `wrong_kept`, the same among the nine in ten that the
score finds least strange. `confidence` is no strangeness: the least distance of log odds from the cut.
"""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.stats import rankdata

from jointwise.joints.schema import truth_array
from jointwise.joints.store import Store
from jointwise.models.envelope import SCAN
from jointwise.models.familiar import Familiar, fit_familiar, medians
from jointwise.models.folder import load_model
from jointwise.models.learned import LearnedDetector
from jointwise.models.novelty import SoundJoints, cells_of, fit_sound

Floats = NDArray[np.float64]
PIECE = 64
KEPT = 0.9


class Asked(NamedTuple):
    """What a network said of a set of joints."""

    table: pd.DataFrame
    truth: Floats
    features: NDArray[np.float32]
    cells: Floats
    scores: Floats


def ask(detector: LearnedDetector, folder: Path) -> Asked:
    """Scores, features and coarse cells of a store's joints."""
    store = Store(folder)
    rows = np.flatnonzero(store.table["present"].to_numpy() == 1)
    parts = []
    for start in range(0, len(rows), PIECE):
        joints = store.read(rows[start : start + PIECE])
        parts.append((detector.features(joints), cells_of(joints.volumes), detector.score(joints)))
    table = store.table.iloc[rows].reset_index(drop=True)
    features, cells, scores = (np.concatenate(part) for part in zip(*parts, strict=True))
    return Asked(table, truth_array(table), features, cells, scores)


def fitted(usual: Asked, part: NDArray[np.bool_]) -> tuple[Familiar, SoundJoints]:
    """Both measured on some of the usual joints."""
    sound = part & (usual.truth == 0).all(axis=1)
    table = usual.table[part].reset_index(drop=True)
    return fit_familiar(usual.features[part], usual.truth[part], table), fit_sound(usual.cells[sound])


def confidence(detector: LearnedDetector, asked: Asked) -> Floats:
    """How near to a cut the nearest score lies, (n,): greater is less sure."""
    p = np.clip(asked.scores, 1e-6, 1 - 1e-6)
    cuts = np.clip(detector.card.thresholds.cuts(asked.table, asked.scores), 1e-6, 1 - 1e-6)
    return np.asarray(-np.abs(np.log(p / (1 - p)) - np.log(cuts / (1 - cuts))).min(axis=1))


def wrong(detector: LearnedDetector, asked: Asked) -> NDArray[np.bool_]:
    """Joints (n,) with a false or a missed call of any kind."""
    called = detector.card.thresholds.called(asked.scores, asked.table)
    return np.asarray(((called != (asked.truth == 1)) & ~np.isnan(asked.truth)).any(axis=1))


def auroc(low: Floats, high: Floats) -> float:
    """Chance that a value of `high` is above one of `low`, ties counting half."""
    if not len(low) or not len(high):
        return float("nan")
    ranks = rankdata(np.concatenate([low, high]))[len(low) :]
    return float((ranks.mean() - (len(high) + 1) / 2) / len(low))


def of_scans(values: Floats, table: pd.DataFrame) -> Floats:
    """One value per scan."""
    first = ~table.duplicated(list(SCAN)).to_numpy()
    return medians(values, table)[first]


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--model", type=Path, required=True)
    parser.add_argument("--usual", type=Path, required=True, help="store of joints like those of training")
    parser.add_argument("--shifted", type=Path, nargs="+", required=True)
    parser.add_argument("--out", type=Path, required=True)
    given = parser.parse_args()
    detector = load_model(given.model)
    usual = ask(detector, given.usual)
    _, board = np.unique(usual.table["board_id"], return_inverse=True)
    half = board % 2 == 0
    pair = (fitted(usual, half), fitted(usual, ~half))

    def strange(asked: Asked, at_home: bool) -> dict[str, Floats]:
        """Each score of each joint; of usual joints by the half they do not belong to."""
        both = [
            (familiar.unlike(familiar.distance(asked.features), asked.table), sound.novelty(asked.cells))
            for familiar, sound in pair
        ]
        features, novelty = (
            np.where(half, both[1][i], both[0][i]) if at_home else (both[0][i] + both[1][i]) / 2
            for i in (0, 1)
        )
        ranges = np.minimum(detector.card.envelope.distance(asked.table), 1e6)
        return {"features": features, "ranges": ranges, "novelty": novelty}

    home = strange(usual, True)
    rows: list[dict[str, Any]] = []
    sets = {"usual": (usual, home)}
    for folder in given.shifted:
        asked = ask(detector, folder)
        sets[folder.name if folder.name not in sets else f"{folder.parent.name}_{folder.name}"] = (
            asked,
            strange(asked, False),
        )
    for name, (asked, scores) in sets.items():
        bad = wrong(detector, asked)
        rows.append({"set": name, "score": "", "measure": "wrong", "value": bad.mean(), "n": len(bad)})
        for score, values in scores.items():
            here = of_scans(values, asked.table)
            rows.append({"set": name, "score": score, "measure": "auroc", "n": len(here)})
            rows[-1]["value"] = auroc(of_scans(home[score], usual.table), here)
            if score != "novelty":
                rows.append({"set": name, "score": score, "measure": "outside", "n": len(here)})
                rows[-1]["value"] = float((here > 1).mean())
        for score, values in {**scores, "confidence": confidence(detector, asked)}.items():
            kept = values <= np.quantile(values, KEPT)
            head = {"set": name, "score": score}
            rows.append(
                {**head, "measure": "auroc_wrong", "value": auroc(values[~bad], values[bad]), "n": len(bad)}
            )
            rows.append({**head, "measure": "wrong_kept", "value": bad[kept].mean(), "n": int(kept.sum())})
    frame = pd.DataFrame(rows)[["set", "score", "measure", "value", "n"]].round(4)
    frame.to_csv(given.out, index=False)
    wide = frame.assign(what=frame["score"] + " " + frame["measure"]).pivot(
        index="set", columns="what", values="value"
    )
    print(wide.T.to_string())


if __name__ == "__main__":
    main()
