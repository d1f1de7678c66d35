"""What verdicts say in a card: rates by kind, detection curves, calibration, abstention, and where it works."""

import itertools
import math
from collections.abc import Iterator, Sequence
from functools import lru_cache
from pathlib import Path
from typing import Any, Final

import numpy as np
import pandas as pd

from jointwise.evaluation import measured
from jointwise.evaluation.measured import Resampled
from jointwise.evaluation.model_card.sources import Source
from jointwise.evaluation.model_card.words import Lines, between, share, table
from jointwise.evaluation.report import calibration, pod
from jointwise.evaluation.report.cells import written
from jointwise.evaluation.report.pod_words import pod_findings
from jointwise.evaluation.statistics.bootstrap import Resampling, interval, resampled_sums
from jointwise.evaluation.statistics.measures import Bools, count, shares, wilson
from jointwise.evaluation.table import ANY, stops
from jointwise.evaluation.targets import SIZE_MEASURES
from jointwise.evaluation.verdicts import Verdicts, read_verdicts
from jointwise.joints.errors import InputError
from jointwise.joints.kinds import KINDS, TITLES

GAPS: Final = ("non_wet", "head_in_pillow")
IN_VOXELS: Final = tuple(one for one in SIZE_MEASURES if one.unit == "voxels")
BAR: Final = 0.9
"""Recall that a slice is held against: 9 times of 10, as detection curves have it."""
SLICES: Final = (
    ("voxels_per_ball", "{} voxels per ball", (0.0, 17.0, 25.0, math.inf)),
    ("cnr", "contrast to noise {}", (0.0, 15.0, 40.0, math.inf)),
    ("pitch_mm", "pitch {} mm", (0.0, 0.575, 0.9, math.inf)),
    ("views", "{} views", (0.0, 360.0, 720.0, math.inf)),
    ("kvp", "{} kV", (0.0, 105.0, 135.0, math.inf)),
)
GAP_EDGES: Final = (0.0, 0.25, 0.5, 1.0, 2.0, math.inf)
VOID_EDGES: Final = (5.0, 7.0, 10.0, 20.0, math.inf)
NEAR_VOIDS: Final = (0.0, 1.0, 3.0, 5.0)


def held_out(source: Source, path: Path) -> Lines:
    """Rates of every kind, false calls and escapes."""
    verdicts = _of(source, path)
    weights = measured.board_weights(verdicts)
    found = measured.resampled(verdicts, weights)
    stopped = measured.stopped_table(verdicts, weights)
    return [_size(verdicts), "", *_rates(verdicts, found), *_stopped(stopped, list(verdicts.scores))]


def curves(source: Source, path: Path) -> Lines:
    """From which size on each kind is found, sizes in voxels of the scan."""
    rows = []
    for row in _judged(source, path):
        said = [
            str(row["kind_title"]),
            str(row["title"]),
            str(row["detector"]),
            f"{row['n']:,}, {row['misses']:,} missed",
        ]
        if row["refused"]:
            rows.append([*said, f"no curve: {row['reason']}", "", str(row["proof"])])
        else:
            a90 = between(row["a90"], row["a90_low"], row["a90_high"], "number")
            rows.append([*said, a90, written(row["a90_95"], "number"), "; ".join(row["limits"])])
    head = ("kind", "size, in voxels", "detector", "targets", "a90 (95 % by boards)", "a90/95", "limits")
    return [
        "Found 9 times of 10 from a90 on; a90/95 is its upper 95 % bound (hit and miss, MIL-HDBK-1823A).",
        "",
        *table(head, rows),
    ]


def in_short(source: Source, path: Path) -> Lines:
    """From which size on flaws are found, false calls, and the limit of voids, one sentence each."""
    verdicts, who = _of(source, path), source.detector
    rows = [row for row in _judged(source, path) if row["detector"] == who]
    told = [one.text for one in pod_findings(rows, several=False)]
    calls = stops(verdicts.truth, verdicts.present, verdicts.calls(who))[ANY]
    sound = share(int(calls.false_call.sum()), int(calls.sound.sum()))
    return [
        *(f"- {text}" for text in told),
        f"- {who}: calls something on {sound} of the wholly sound joints, nothing on "
        f"{share(int(calls.escape.sum()), int(calls.faulty.sum()))} of the faulty ones (Wilson 95 %).",
        *(f"- {text}" for text in _void_limit(verdicts, who)),
        "",
    ]


def _void_limit(verdicts: Verdicts, who: str) -> Lines:
    """What calls near the limit of the void's area are worth."""
    if "void_projected_area_pct" not in verdicts.table:
        return []
    area, k = _numbers(verdicts, "void_projected_area_pct"), KINDS.index("void")
    above = (area >= VOID_EDGES[0]) & (area < VOID_EDGES[1])
    below = verdicts.known[:, k] & (verdicts.truth[:, k] == 0)
    below &= (area >= NEAR_VOIDS[-2]) & (area < NEAR_VOIDS[-1])
    called = int((verdicts.calls(who)[:, k] & below).sum())
    return [
        f"{who}: near the limit of {VOID_EDGES[0]:g} % of the area, of voids from {VOID_EDGES[0]:g} to under "
        f"{VOID_EDGES[1]:g} % it calls {share(*_hits(verdicts, who, 'void', above))}; of joints with "
        f"{NEAR_VOIDS[-2]:g} to under {NEAR_VOIDS[-1]:g} %, which are none, {share(called, int(below.sum()))}."
    ]


def calibrated(source: Source, path: Path) -> Lines:
    """Whether its scores are probabilities."""
    verdicts = _of(source, path)
    drawn, rows = Resampling(measured.n_boards(verdicts)), []
    for k, kind in enumerate(KINDS):
        one = calibration.judge(verdicts, source.detector, k, drawn)
        joints, error = f"{one.n:,}, {one.positives:,} with it", between(*one.error[:3])
        chance, brier = written(one.chance, "rate"), between(*one.brier_interval[:3])
        rows.append([TITLES[kind], joints, error, chance, brier])
    head = ("kind", "joints", "expected calibration error", "by chance alone", "Brier score")
    return [
        "Expected calibration error over ten bins of equal width; 95 % by resampled boards, less the draws' own bias.",
        "",
        *table(head, rows),
    ]


def abstained(source: Source, path: Path) -> Lines:
    """How much goes to review because the detector does not know such scans, and how often it errs on the rest."""
    verdicts, who = _of(source, path), source.detector
    if who not in verdicts.outside:
        return ["Not measured: the file does not say which joints lie outside the training.", ""]
    review: Bools = np.asarray(np.asarray(verdicts.outside[who], bool) & verdicts.present)
    column = f"{who}_review"
    if column in verdicts.table:
        review = np.asarray(review | (verdicts.table[column].to_numpy(dtype=bool) & verdicts.present))
    known = verdicts.known
    wrong: Bools = np.asarray(((verdicts.calls(who) != (verdicts.truth == 1)) & known).any(axis=1))
    judged: Bools = np.asarray(known.any(axis=1))
    groups = (("kept", judged & ~review), ("sent to review", judged & review), ("all", judged))
    rows = [[name, _board_share(verdicts, wrong, mask)] for name, mask in groups]
    return [
        f"Sent to review (outside the training's scans{', or held back' if column in verdicts.table else ''}): "
        f"{_board_share(verdicts, review, verdicts.present)}.",
        "",
        "A joint is judged wrongly if any kind of known truth is called and absent, or present and not called.",
        "",
        *table(("joints", "judged wrongly"), rows),
    ]


def sizes(source: Source, path: Path) -> Lines:
    """Recall by the size of the flaw: what it cannot see."""
    verdicts, who, rows = _of(source, path), source.detector, []
    if {"gap_um", "voxel_um"} <= set(verdicts.table):
        gap = _numbers(verdicts, "gap_um") / _numbers(verdicts, "voxel_um")
        rows += [
            [TITLES[kind], f"gap in voxels: {name}", share(*_hits(verdicts, who, kind, mask))]
            for kind in GAPS
            for name, mask in _bins(gap, GAP_EDGES)
        ]
    if "void_projected_area_pct" in verdicts.table:
        area = _numbers(verdicts, "void_projected_area_pct")
        for name, mask in _bins(area, VOID_EDGES):
            rows.append(["void", f"area in %: {name}", share(*_hits(verdicts, who, "void", mask))])
        if "voxels_per_ball" in verdicts.table:
            few = _numbers(verdicts, "voxels_per_ball") < 20
            near = few & (area >= VOID_EDGES[0]) & (area < VOID_EDGES[1])
            name = f"area in %: {VOID_EDGES[0]:g} to under {VOID_EDGES[1]:g}, under 20 voxels per ball"
            rows.append(["void", name, share(*_hits(verdicts, who, "void", near))])
    return [
        *table(("kind", "size", "recall, Wilson 95 %, found of faulty"), rows),
        *_sound_voids(verdicts, who),
    ]


def where(source: Source, path: Path) -> Lines:
    """In which scans it finds 9 of 10: works, does not, or not settled by these joints."""
    verdicts, who, rows = _of(source, path), source.detector, []
    masks = _seeable(verdicts)
    for column, title, edges in SLICES:
        if column not in verdicts.table:
            continue
        for name, mask in _bins(_numbers(verdicts, column), edges):
            for kind in KINDS:
                hits, n = _hits(verdicts, who, kind, mask & masks[kind])
                if n:
                    rows.append([title.format(name), TITLES[kind], share(hits, n), verdict(hits, n)])
    return [
        f"Recall of flaws that a scan can show (gaps from half a voxel on, voids and bridges as labelled). “Works”: "
        f"the interval lies above {BAR:g}; “does not”: below; else these joints do not settle it.",
        "",
        *table(("scans", "kind", "recall, Wilson 95 %, found of faulty", "at 9 of 10"), rows),
    ]


def verdict(hits: int, n: int) -> str:
    """What a recall says against the bar."""
    low, high = wilson(hits, n)
    return "works" if low >= BAR else "does not" if high < BAR else "not settled"


def shifted(source: Source, path: Path) -> Lines:
    """Rates of every kind on a shifted set."""
    verdicts = _of(source, path)
    found = measured.resampled(verdicts, measured.board_weights(verdicts))
    return [f"**{verdicts.name}.** {_size(verdicts)}", "", *_rates(verdicts, found)]


def demo(source: Source, path: Path) -> Lines:
    """Detectors and readers on the same reader-labelled joints."""
    verdicts, rows = _of(source, path), []
    for k, kind in enumerate(KINDS):
        known = verdicts.known[:, k]
        seen = np.ones(len(verdicts), bool)
        if kind in GAPS and {"gap_um", "voxel_um"} <= set(verdicts.table):
            thin = _numbers(verdicts, "gap_um") < _numbers(verdicts, "voxel_um")
            seen = ~(thin & (verdicts.truth[:, k] == 1))
        calls = {who: verdicts.calls(who)[:, k].astype(float) for who in verdicts.scores}
        for who, said in (calls | {name: labels[:, k] for name, labels in verdicts.readers.items()}).items():
            told = known & ~np.isnan(said)
            every = count(verdicts.truth[told, k], said[told] == 1)
            thick = count(verdicts.truth[told & seen, k], said[told & seen] == 1)
            rows.append(
                [TITLES[kind], who, share(every.tp, every.faulty), share(thick.tp, thick.faulty),
                 share(every.tp, every.called)]
            )  # fmt: skip
    head = ("kind", "by", "recall", "recall, gaps from a voxel on", "precision")
    boards = measured.n_boards(verdicts)
    return [
        f"{_size(verdicts)} Wilson 95 %, which takes joints as independent; {boards} boards are too few to resample.",
        "",
        *table(head, rows),
    ]


def _judged(source: Source, path: Path) -> tuple[dict[str, Any], ...]:
    """What detection curves in voxels come to, of each size and detector of the source."""
    return _curves_of(path, (source.detector, *source.beside), path.stat().st_mtime_ns)


@lru_cache(maxsize=2)
def _curves_of(path: Path, names: tuple[str, ...], _: int) -> tuple[dict[str, Any], ...]:
    """The same, kept while the file is unchanged: two sections tell of it, and it takes seconds."""
    verdicts = _read(path, names)
    judged = (pod.judge(verdicts, who, measure) for measure in IN_VOXELS for who in verdicts.scores)
    return tuple(one.row for one in judged if one is not None)


def _of(source: Source, path: Path) -> Verdicts:
    """The verdicts of the source's detectors alone."""
    return _read(path, (source.detector, *source.beside))


def _read(path: Path, names: tuple[str, ...]) -> Verdicts:
    found = read_verdicts(path)
    lacking = [name for name in names if name not in found.scores]
    if lacking:
        raise InputError(
            f"expected the detectors {', '.join(names)} in {path}, found {', '.join(found.scores)}; correct the source"
        )
    parts = {
        name: {who: getattr(found, name)[who] for who in names if who in getattr(found, name)}
        for name in ("scores", "cuts", "outside")
    }
    return Verdicts(found.name, found.provenance, found.table, found.truth, readers=found.readers, **parts)


def _size(verdicts: Verdicts) -> str:
    joints, boards = int(verdicts.present.sum()), measured.n_boards(verdicts)
    return f"{joints:,} joints of {boards} boards. {verdicts.provenance}"


def _rates(verdicts: Verdicts, found: dict[str, Resampled]) -> Lines:
    frame, boards = measured.measured_table(verdicts, found), measured.n_boards(verdicts)
    rows = []
    for row in frame[frame["kind"].isin(KINDS)].to_dict("records"):
        tp, fp, fn = (int(row[name]) for name in ("tp", "fp", "fn"))
        ap = interval(found[row["detector"]].ap[:, KINDS.index(row["kind"])], boards)
        rows.append(
            [TITLES[row["kind"]], row["detector"], _both(row, "recall", tp, tp + fn),
             _both(row, "precision", tp, tp + fp), between(*ap[:3])]
        )  # fmt: skip
    head = ("kind", "detector", "recall: Wilson; by boards", "precision: Wilson; by boards", "AP (by boards)")
    return table(head, rows)


def _both(row: dict[str, float], name: str, part: int, whole: int) -> str:
    """A rate with Wilson's interval, and that of resampled boards where there are enough."""
    low, high = row.get(f"{name}_boards_low", math.nan), row.get(f"{name}_boards_high", math.nan)
    if not whole or math.isnan(low):
        return share(part, whole)
    return f"{share(part, whole)}; {written(low, 'rate')} to {written(high, 'rate')}"


def _stopped(frame: pd.DataFrame, detectors: Sequence[str]) -> Lines:
    rows = []
    for row in frame[frame["kind"] == "any"].to_dict("records"):
        calls, sound = int(row["false_calls"]), int(row["sound"])
        escapes, faulty = int(row["escapes"]), int(row["faulty"])
        rows.append(
            [row["detector"], _both(row, "false_call_rate", calls, sound), _both(row, "escape_rate", escapes, faulty)]
        )  # fmt: skip
    head = (
        "detector",
        "sound joints with any call: Wilson; by boards",
        "faulty joints without any: Wilson; by boards",
    )
    return table(head, sorted(rows, key=lambda row: detectors.index(row[0])))


def _board_share(verdicts: Verdicts, part: Bools, whole: Bools) -> str:
    """A share with Wilson's interval and, where enough boards hold such joints, that of resampled boards."""
    sums = resampled_sums(
        np.column_stack([part & whole, whole]), verdicts.boards, measured.board_weights(verdicts)
    )
    drawn = measured.beside("share", shares(sums[:, 0], sums[:, 1]), len(np.unique(verdicts.boards[whole])))
    return _both(drawn, "share", int((part & whole).sum()), int(whole.sum()))


def _hits(verdicts: Verdicts, who: str, kind: str, mask: Bools) -> tuple[int, int]:
    k = KINDS.index(kind)
    faulty = verdicts.known[:, k] & (verdicts.truth[:, k] == 1) & mask
    return int((verdicts.calls(who)[:, k] & faulty).sum()), int(faulty.sum())


def _seeable(verdicts: Verdicts) -> dict[str, Bools]:
    """Per kind, joints whose flaw a scan can show."""
    every = np.ones(len(verdicts), bool)
    if not {"gap_um", "voxel_um"} <= set(verdicts.table):
        return dict.fromkeys(KINDS, every)
    wide = _numbers(verdicts, "gap_um") >= 0.5 * _numbers(verdicts, "voxel_um")
    return {kind: wide if kind in GAPS else every for kind in KINDS}


def _sound_voids(verdicts: Verdicts, who: str) -> Lines:
    """Void calls on joints under the limit of 5 %: the other side of a limit that noise blurs."""
    if "void_projected_area_pct" not in verdicts.table:
        return []
    k, area = KINDS.index("void"), _numbers(verdicts, "void_projected_area_pct")
    sound, calls = verdicts.known[:, k] & (verdicts.truth[:, k] == 0), verdicts.calls(who)[:, k]
    rows = [
        [f"{name} %", share(int((calls & sound & mask).sum()), int((sound & mask).sum()))]
        for name, mask in _bins(area, NEAR_VOIDS)
    ]
    return table(("void area under the limit", "called void though it is not, Wilson 95 %"), rows)


def _numbers(verdicts: Verdicts, name: str) -> np.ndarray:
    return np.asarray(verdicts.table[name].to_numpy(dtype=np.float64, na_value=np.nan))


def _bins(values: np.ndarray, edges: Sequence[float]) -> Iterator[tuple[str, Bools]]:
    """Each class of values: its name and its members; a value that is not known is in none."""
    for low, high in itertools.pairwise(edges):
        name = f"{low:g} to under {high:g}" if math.isfinite(high) else f"{low:g} and more"
        if low == 0.0:
            name = f"under {high:g}"
        yield name, (values >= low) & (values < high)
