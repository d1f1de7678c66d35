"""What the best linear test could reach on boards whose true gaps and voids are known, beside what a network reaches.

    python bench/ceiling.py --boards boards/hard boards/hard_2 --model models/reference

The observer studies (`bench/observer.csv`, `observer_opens.csv`: `jointwise observe seed=12 pairs.boards=11`, the
second with pairs.non_wet=[0.1,0.25,0.5,1] and no other task) give d' of a gap of known form and place. From it follows
a binormal model of a whole board: sound joints score N(0, 1), a joint with gap g scores N(d'(g), 1). Three readings of
d': `mean gap`, straight from 0 through the studied gaps at the truth's mean gap, times the board's contrast over noise
(scoring's) against the study's, as where noise is the limit; `rms gap`, the same of the root mean square over the land
of wedges and domes as drawn, bonded patches left out, since a matched test adds up squares; `scan's own`, straight
through d' 3 at the thinnest flat gap that scoring's report says this very scan can show (`scoring/judging/shows.py`).

Voids are called by area, 5 % and more. A round void's area is measured with an error s (points): the study's
(5 - 2) / (d'(5 %) - d'(2 %)), and others beside it. A layer of microvoids is a gap in pieces by the land: its d' is a
non-wet gap's (the study's, or the scan's own), with the root mean square of its voids' mean thickness over the land, as
if no blur ran them together. An
observer that knows the boards' own mix turns both into the chance that 5 % are reached and ranks joints by it.

What this is not: the test knows form and place, which makes it better than any detector can be; it is linear on a few
channels and the study's forms are flat and smooth, which makes it worse than one that knows a shape's other signs
(outline, rim). A network above the line says that the line is no bound there. Other faults among the sound are taken
as sound. Bridges are not studied.

Writes ceiling.csv beside this file: kind, what, n, faulty, measure, value, low, high. `ap` and `recall_at` are the mean
and the 95 % range over boards drawn anew (the same joints, other noise, d' within its interval), `ap_limit` is for
endless boards of that mix, `reaches_0.97` the share of drawn boards at AP 0.97, `times_for_0.97` the factor on every
d' that would give endless boards 0.97; `network_...` is the detector's own.
"""

from __future__ import annotations

import argparse
import json
import math
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import brentq
from scipy.stats import norm

from jointwise.evaluation.statistics.measures import average_precision
from jointwise.joints.kinds import KINDS
from jointwise.models.folder import load_model
from jointwise.models.learned import LearnedDetector
from jointwise.scoring.cut import cut_array
from jointwise.scoring.finding.locate import locate
from jointwise.scoring.judging.shows import DETECTABLE, what_shows
from jointwise.scoring.reading.formats import read_scan
from jointwise.scoring.settings import ArraySettings, ScoreSettings

HERE = Path(__file__).parent
OPENS = ("head_in_pillow", "non_wet")
FALSE_CALLS = 0.02
WANTED = 0.97
LIMIT = 5.0  # per cent of the area that make a void
ERRORS = (0.5, 1.0, 1.5, 2.0, 3.0)
REPEATS = 1000
AREA = "void_projected_area_pct"

Floats = NDArray[np.float64]


class Curve(NamedTuple):
    """d' by size as a study found it, with the ends of its 95 % interval; `cnr` is the study's."""

    size: Floats
    d: Floats
    low: Floats
    high: Floats
    cnr: float


def read_curve(paths: list[Path], kind: str) -> Curve:
    """One kind's sizes, of the last file that has each."""
    rows = pd.concat([pd.read_csv(path) for path in paths])
    rows = rows[rows["kind"] == kind].drop_duplicates("size", keep="last").sort_values("size")
    names = ("size", "ideal_d", "ideal_d_low", "ideal_d_high")
    return Curve(*(rows[name].to_numpy(np.float64) for name in names), float(rows["cnr"].mean()))


def d_of(size: ArrayLike, sizes: Floats, d: Floats) -> Floats:
    """d' between the studied sizes: straight lines from 0, the last one going on."""
    x, y = np.append(0.0, sizes), np.append(0.0, d)
    given = np.asarray(size, np.float64)
    beyond = y[-1] + (given - x[-1]) * (y[-1] - y[-2]) / (x[-1] - x[-2])
    return np.where(given > x[-1], beyond, np.interp(given, x, y))


def ap_limit(d: Floats, prevalence: float) -> float:
    """Average precision of endless N(d, 1) among N(0, 1): the integral of precision over recall."""
    cut = np.linspace(d.max() + 8.0, -8.0, 4001)
    recall, alarm = norm.sf(cut[:, None] - d).mean(axis=1), norm.sf(cut)
    hits = prevalence * recall
    precision = hits / np.maximum(hits + (1 - prevalence) * alarm, 1e-300)
    return float(np.sum(np.diff(recall) * (precision[1:] + precision[:-1]) / 2))


def times_for(d: Floats, prevalence: float, wanted: float) -> float:
    """The factor on every d' at which endless boards reach an average precision."""
    return float(brentq(lambda times: ap_limit(times * d, prevalence) - wanted, 0.0, 1000.0, xtol=1e-3))


def recall_at(d: Floats, alarm: float) -> float:
    """Share of N(d, 1) beyond the cut that so many of N(0, 1) pass."""
    return float(norm.sf(norm.isf(alarm) - d).mean())


def rms_gap(gap: float, rise: float, rim: float, bonded: float) -> float:
    """Root mean square gap over a land, of mean `gap` where open, all in one unit.

    Args:
        rise: what a wedge adds at the edge, so that its square adds rise²/4 on average over a disc.
        rim: what a dome adds from middle to edge, growing with r²: a variance of rim²/12.
        bonded: share of the land without a gap.
    """
    return math.sqrt((1 - bonded) * (gap**2 + rise**2 / 4 + rim**2 / 12))


def layer_gap(voids: list[Any], land: float) -> float:
    """Root mean square over a land (its radius, mm) of the mean thickness of its flat voids, mm.

    Args:
        voids: of each void its centre and its half axes (r, r, half), mm; an ellipsoid is 4/3 half thick on average.
    """
    squares = [half[0] ** 2 * (4 / 3 * half[2]) ** 2 for _, half in voids]
    return math.sqrt(sum(squares) / land**2)


def large_by_area(seen: Floats, error: float) -> Floats:
    """Chance that an area measured with a normal error reaches the limit."""
    return np.asarray(norm.cdf((seen - LIMIT) / error))


def large_by_layer(seen: Floats, d: Floats, large: NDArray[np.bool_]) -> Floats:
    """Chance that what scores `seen` is one of the `large` among joints that score N(d, 1), by Bayes' rule."""
    values, places = np.unique(d, return_inverse=True)
    share = np.bincount(places) / len(d)
    part = np.bincount(places, large) / len(d)
    likely = norm.pdf(seen[:, None] - values)
    return np.asarray((likely @ part) / np.maximum(likely @ share, 1e-300))


class Site(NamedTuple):
    """What is known of one joint beside the truth's table: a gap's deviation from its mean, a layer of microvoids."""

    uneven_um: float
    layer_um: float
    sort: str


def sites_of(record: dict[str, Any]) -> list[Site]:
    """All sites of a board's record, in order."""
    board, found = record["board"], []
    for joint in record["joints"]:
        top = joint.get("at_package", False)
        land = board["package_land" if top else "board_land"] / 2
        dome = joint.get("dome_radius_mm", math.inf)
        rim = 1000 * (dome - math.sqrt(dome**2 - land**2)) if math.isfinite(dome) else 0.0
        # Mean gap and bonded share are the truth's and come in later; here only what makes a gap uneven.
        uneven = rms_gap(0.0, joint.get("wedge_um", 0.0), rim, 0.0)
        sort = joint.get("voids_sort", "none")
        least = min(board["package_land"], board["board_land"]) / 2
        layer = layer_gap(joint["voids"], least) if sort == "layer" else 0.0
        found.append(Site(uneven, 1000 * layer, sort))
    return found


def shown_um(folder: Path, board: dict[str, Any], grid: Any) -> float:
    """The thinnest flat gap that the scan can show by its own noise and blur."""
    array = ArraySettings(board["pitch"], board["ball"], board["rows"], board["cols"])
    scan, settings = read_scan(folder / "board.mha"), ScoreSettings()
    found = locate(scan, array, settings)
    shows = what_shows(scan, found, cut_array(scan, found, array, settings, grid))
    assert shows is not None
    return shows.gap_um


def load_table(folders: list[Path], model: Path) -> pd.DataFrame:
    """Truth, the network's scores, calls and measured area, and what is known of each joint that is there."""
    sys.path.insert(0, str(HERE / "transfer"))
    import boards as transfer

    detector = load_model(model, "cpu")
    assert isinstance(detector, LearnedDetector)
    _, judge, grid = next(transfer.detectors([model], None, "cpu"))
    tables = []
    for folder in folders:
        board = transfer.load_board(folder, grid, False)
        table = transfer.scored(judge, board)
        table["cnr"] = float(board.joints.table["cnr"].median())
        measured = detector.measure(board.joints)[AREA].to_numpy()
        table["area_seen"] = np.append(measured, np.nan)[board.place]
        record = json.loads((folder / "record.json").read_text(encoding="utf-8"))
        table["voxel_um"] = 1000 * record["board"]["voxel"]
        table["shown_um"] = shown_um(folder, record["board"], grid)
        order = pd.read_csv(folder / "truth.csv").query("present == 1").index
        sites = pd.DataFrame(sites_of(record)).iloc[order].reset_index(drop=True)
        tables.append(pd.concat([table.reset_index(drop=True), sites], axis=1))
    return pd.concat(tables, ignore_index=True)


def drawn_opens(rng: np.random.Generator, d: Floats, error: Floats, sound: int) -> pd.DataFrame:
    """AP and recall of boards drawn anew; d' is off by one draw for all sizes, studied on the same boards."""
    rows = []
    for _ in range(REPEATS):
        true_d = np.maximum(d + error * rng.standard_normal(), 0.0)
        rows.append(scores_told(true_d + rng.standard_normal(len(d)), rng.standard_normal(sound)))
    return pd.DataFrame(rows)


def scores_told(some: Floats, none: Floats) -> dict[str, float]:
    """AP, and recall at the cut that the set false-call rate of endless sound joints allows."""
    truth = np.append(np.ones(len(some)), np.zeros(len(none)))
    ap = average_precision(truth, np.append(some, none))
    return {"ap": ap, f"recall_at_{FALSE_CALLS:g}": float((some > norm.isf(FALSE_CALLS)).mean())}


def summed(head: dict[str, Any], drawn: pd.DataFrame) -> Iterator[dict[str, Any]]:
    """Mean and 95 % range of each drawn measure, and how often the wanted AP is reached."""
    for name in drawn:
        low, high = np.quantile(drawn[name], [0.025, 0.975])
        yield head | {"measure": name, "value": drawn[name].mean(), "low": low, "high": high}
    yield head | {"measure": f"reaches_{WANTED:g}", "value": float((drawn["ap"] >= WANTED).mean())}


def network_rows(head: dict[str, Any], table: pd.DataFrame, kind: str) -> Iterator[dict[str, Any]]:
    truth, called = table[kind].to_numpy(float), table[f"call_{kind}"].to_numpy(bool)
    ap = average_precision(truth, table[f"score_{kind}"])
    yield head | {"measure": "network_ap", "value": ap}
    yield head | {"measure": "network_recall", "value": float(called[truth == 1].mean())}


def readings(faulty: pd.DataFrame, curve: Curve) -> Iterator[tuple[str, Floats, Floats]]:
    """Three ways to read d' of joints, and its standard error."""
    mean, uneven = faulty["voxels"].to_numpy(), (faulty["uneven_um"] / faulty["voxel_um"]).to_numpy()
    rms = np.sqrt((1 - faulty["contact_fraction"].to_numpy()) * (mean**2 + uneven**2))
    by_cnr = faulty["cnr"].to_numpy() / curve.cnr
    error = (curve.high - curve.low) / (2 * norm.isf(0.025))
    for what, gap in (("mean gap", mean), ("rms gap", rms)):
        yield what, d_of(gap, curve.size, curve.d) * by_cnr, d_of(gap, curve.size, error) * by_cnr
    yield "scan's own", DETECTABLE * (faulty["gap_um"] / faulty["shown_um"]).to_numpy(), np.zeros(len(mean))


def of_opens(
    rng: np.random.Generator, table: pd.DataFrame, kind: str, curve: Curve
) -> Iterator[dict[str, Any]]:
    known = table[table[kind].notna()]
    faulty, sound = known[known[kind] == 1], known[known[kind] == 0]
    for part, use in (("", faulty["voxels"] >= 0), (" under 0.5 voxel", faulty["voxels"] < 0.5)):
        some = faulty[use]
        head = {"kind": kind, "n": len(sound) + len(some), "faulty": len(some)}
        yield from network_rows(head | {"what": "all" + part}, pd.concat([sound, some]), kind)
        for reading, d, error in readings(some, curve):
            told, share = head | {"what": reading + part}, len(some) / head["n"]
            yield told | {"measure": "ap_limit", "value": ap_limit(d, share)}
            yield told | {"measure": f"times_for_{WANTED:g}", "value": times_for(d, share, WANTED)}
            yield told | {"measure": "recall_at_0.005", "value": recall_at(d, 0.005)}
            yield from summed(told, drawn_opens(rng, d, error, len(sound)))


def drawn_voids(rng: np.random.Generator, table: pd.DataFrame, error: float, d: Floats) -> pd.DataFrame:
    """AP of boards drawn anew, joints ranked by the chance that their voids reach the limit."""
    area, truth = table[AREA].to_numpy(), table["void"].to_numpy(float)
    layer = (table["sort"] == "layer").to_numpy()
    round_area = np.where(layer, 0.0, area)
    rows = []
    for _ in range(REPEATS):
        by_area = large_by_area(round_area + error * rng.standard_normal(len(area)), error)
        by_layer = large_by_layer(d + rng.standard_normal(len(area)), d, layer & (truth == 1))
        rows.append({"ap": average_precision(truth, 1 - (1 - by_area) * (1 - by_layer))})
    return pd.DataFrame(rows)


def of_voids(
    rng: np.random.Generator, table: pd.DataFrame, voids: Curve, opens: Curve
) -> Iterator[dict[str, Any]]:
    table = table.copy()
    table["sort"] = table["sort"].replace("small_void", "void")
    layers = (
        d_of(table["layer_um"] / table["voxel_um"], opens.size, opens.d) * table["cnr"].to_numpy() / opens.cnr
    )
    own = DETECTABLE * (table["layer_um"] / table["shown_um"]).to_numpy()
    at = dict(zip(voids.size, voids.d, strict=True))
    allowed = (5.0 - 2.0) / (at[5.0] - at[2.0])
    parts = {"round": table["sort"] != "layer", "layers": table["sort"] != "void", "all": table["sort"] != ""}
    for part, use in parts.items():
        some = table[use].reset_index(drop=True)
        head = {"kind": "void", "n": len(some), "faulty": int(some["void"].sum())}
        yield from network_rows(head | {"what": part}, some, "void")
        for error in (allowed, *ERRORS) if part != "layers" else (allowed,):
            what = f"{part}, area to {error:.2f} points"
            yield from summed(head | {"what": what}, drawn_voids(rng, some, error, layers[use.to_numpy()]))
        if part != "round":
            drawn = drawn_voids(rng, some, allowed, own[use.to_numpy()])
            yield from summed(
                head | {"what": f"{part}, area to {allowed:.2f} points, layers as scan's own"}, drawn
            )
    for sort in ("none", "void", "layer"):
        rows = (table["sort"] == sort).to_numpy()
        off = (table["area_seen"] - table[AREA])[rows]
        head = {"kind": "void", "what": f"joints with {sort}", "n": int(rows.sum())}
        yield head | {"measure": "network_area_bias", "value": off.mean()}
        yield head | {"measure": "network_area_sd", "value": off.std()}
    large = (table["sort"] == "layer").to_numpy() & (table["void"] == 1).to_numpy()
    for reading, d in (("study", layers[large]), ("scan's own", own[large])):
        head = {"kind": "void", "what": f"layers of 5 % and more, {reading}", "n": int(large.sum())}
        yield head | {"measure": "d", "value": float(np.median(d)), "low": d.min(), "high": d.max()}
        yield head | {"measure": f"recall_at_{FALSE_CALLS:g}", "value": recall_at(d, FALSE_CALLS)}


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--boards", type=Path, nargs="+", required=True, help="of tests/outside/mesh_board")
    parser.add_argument("--model", type=Path, default=Path("models/reference"))
    parser.add_argument(
        "--studies", type=Path, nargs="+", default=[HERE / "observer.csv", HERE / "observer_opens.csv"]
    )
    parser.add_argument("--out", type=Path, default=HERE / "ceiling.csv")
    given = parser.parse_args()
    table = load_table(given.boards, given.model)
    rng = np.random.default_rng(0)
    curves = {kind: read_curve(given.studies, kind) for kind in KINDS if kind != "bridging"}
    rows = [row for kind in OPENS for row in of_opens(rng, table, kind, curves[kind])]
    rows += of_voids(rng, table, curves["void"], curves["non_wet"])
    names = ["kind", "what", "n", "faulty", "measure", "value", "low", "high"]
    frame = pd.DataFrame(rows).reindex(columns=names).astype({"faulty": "Int64"})
    print(frame.round(3).to_string(index=False))
    frame.round(4).to_csv(given.out, index=False)


if __name__ == "__main__":
    main()
