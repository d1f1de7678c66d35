"""What detectors and readers say of the same joints, beside the truth: the one form every figure is computed from.

Kept as one Parquet file, so that a finished evaluation can be judged anew, compared and cited without volumes or
models. Its columns: what is known of each site (`table`), the truth as the kinds' names, and per detector and reader
NAME_score_KIND, NAME_cut_KIND, NAME_outside and NAME_label_KIND; name, provenance and run times lie in the file's
metadata.
"""

import json
import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq

from jointwise.evaluation.parquet import read_parquet
from jointwise.evaluation.statistics import measures
from jointwise.evaluation.statistics.measures import Bools, Floats
from jointwise.joints.atomic import replacing
from jointwise.joints.errors import InputError
from jointwise.joints.kinds import KINDS
from jointwise.joints.schema import present_array, require_columns, truth_array

FORMAT: Final = "jointwise verdicts 1"
META: Final = b"jointwise"
EXPECTED: Final = "verdicts as `jointwise evaluate` writes them (verdicts_NAME.parquet)"
KEY: Final = ("scan", "component", "ball")
DISTANCE: Final = "_distance"
"""Ending of a table's column DETECTOR_distance: how far the joint's scan lies from the detector's training scans."""
NAMES: Final = re.compile(r"[a-z][a-z0-9_]*")
"""Names of detectors and readers, because they stand in column names."""


@dataclass(frozen=True)
class Verdicts:
    """Every site of a set of joints, what is true there and what everybody says of it.

    Args:
        name: of the set, as tables call it.
        provenance: where scans and labels come from; stands wherever figures of the set appear.
        table: n rows, index 0 … n-1: `scan`, `board_id`, `ball`, `present` at least; what slices look at (pitch_mm,
            voxels_per_ball, cnr, gap_um, voxel_um, bridge_neck_um, void measures, row, col, component) where known.
        truth: (n, 4) 1, 0 or NaN (marginal, unknown or no ball), columns in the order of KINDS.
        scores: detector -> (n, 4) in [0, 1]; NaN only where there is no ball.
        cuts: detector -> (n, 4), the score from which on each joint is called.
        readers: reader -> (n, 4) 1, 0 or NaN (could not tell, or no ball).
        outside: detector -> (n,) whether the joint's scan lies outside what the detector was trained on.
        seconds: detector -> seconds per joint that scoring took; absent where it was not timed.

    Raises:
        InputError: parts that do not fit each other, doubled joints, missing scores or cuts.
    """

    name: str
    provenance: str
    table: pd.DataFrame
    truth: Floats
    scores: Mapping[str, Floats]
    cuts: Mapping[str, Floats]
    readers: Mapping[str, Floats] = field(default_factory=dict)
    outside: Mapping[str, Bools] = field(default_factory=dict)
    seconds: Mapping[str, float] = field(default_factory=dict)

    def __post_init__(self) -> None:
        require_columns(self.table, ("scan", "board_id", "ball", "present"), f"the joints of {self.name}")
        key = [name for name in KEY if name in self.table]
        twice = self.table.duplicated(key)
        if twice.any():
            scan, ball = self.table.loc[twice, ["scan", "ball"]].iloc[0]
            raise InputError(
                f"expected every joint of {self.name} once, found {scan} {ball} twice; leave one out"
            )
        measures.counted(self.truth, self.present)
        if set(self.scores) != set(self.cuts):
            raise InputError(
                f"expected scores and cuts of the same detectors in {self.name}, found scores of "
                f"{', '.join(self.scores) or 'nobody'} and cuts of {', '.join(self.cuts) or 'nobody'}"
            )
        for who in (*self.scores, *self.readers):
            if not NAMES.fullmatch(who):
                raise InputError(
                    f"expected a name of lower case letters, digits and _, found {who!r}; rename it"
                )
        for labels in self.readers.values():
            measures.counted(labels, self.present)
        for detector in self.scores:
            self.calls(detector)
            self._refuse_scores_beyond(detector)

    def __len__(self) -> int:
        return len(self.table)

    @property
    def present(self) -> Bools:
        """Where a ball is, (n,)."""
        return present_array(self.table)

    @property
    def boards(self) -> np.ndarray:
        """The board of each joint as a whole number from 0, in the order of their names, (n,).

        Joints of one board are not independent.
        """
        return np.asarray(pd.factorize(self.table["board_id"], sort=True)[0], dtype=np.int64)

    @property
    def known(self) -> Bools:
        """Which joints count for which kind, (n, 4): a ball is there and the truth is known."""
        return measures.counted(self.truth, self.present)

    def calls(self, detector: str) -> Bools:
        """Which kinds a detector calls, (n, 4)."""
        return measures.calls(self.scores[detector], self.cuts[detector], self.present)

    def _refuse_scores_beyond(self, detector: str) -> None:
        """Scores outside [0, 1], named by the first of them."""
        scores = np.asarray(self.scores[detector])
        beyond = np.argwhere((scores < 0) | (scores > 1))
        if len(beyond):
            row, k = beyond[0]
            scan, ball = self.table.iloc[row][["scan", "ball"]]
            raise InputError(
                f"expected scores from 0 to 1 in {self.name}, found {len(beyond)} outside, the first {scan} {ball}, "
                f"{KINDS[k]} by {detector}: {scores[row, k]:g}; score the set again"
            )

    def take(self, rows: Any) -> "Verdicts":
        """The sites of the given rows (numbers or a mask), in that order."""
        part = {
            name: {who: np.asarray(values)[rows] for who, values in getattr(self, name).items()}
            for name in ("scores", "cuts", "readers", "outside")
        }
        table = self.table.iloc[np.arange(len(self))[rows]].reset_index(drop=True)
        return Verdicts(self.name, self.provenance, table, self.truth[rows], seconds=self.seconds, **part)


def write_verdicts(verdicts: Verdicts, path: Path) -> Path:
    """Write as one Parquet file, whole or not at all."""
    columns: dict[str, Any] = {name: verdicts.table[name] for name in verdicts.table if name not in KINDS}
    columns |= dict(zip(KINDS, verdicts.truth.T, strict=True))
    for part, word in ((verdicts.scores, "score"), (verdicts.cuts, "cut"), (verdicts.readers, "label")):
        for who, values in part.items():
            columns |= {f"{who}_{word}_{kind}": values[:, k] for k, kind in enumerate(KINDS)}
    columns |= {f"{who}_outside": values for who, values in verdicts.outside.items()}
    meta = {
        "format": FORMAT, "name": verdicts.name, "provenance": verdicts.provenance, "seconds": dict(verdicts.seconds),
        "detectors": list(verdicts.scores), "readers": list(verdicts.readers), "outside": list(verdicts.outside),
    }  # fmt: skip
    table = pa.Table.from_pandas(pd.DataFrame(columns), preserve_index=False)
    table = table.replace_schema_metadata({**(table.schema.metadata or {}), META: json.dumps(meta).encode()})
    with replacing(path) as aside:
        pq.write_table(table, aside)
    return path


def read_verdicts(path: Path) -> Verdicts:
    """Inverse of :func:`write_verdicts`.

    Raises:
        InputError: no such file, another file, no row, a kind that is not known, or parts that do not fit each other.
    """
    stored = read_parquet(path, EXPECTED, "give a file that `jointwise evaluate` wrote")
    try:
        meta = json.loads((stored.schema.metadata or {})[META])
        if meta["format"] != FORMAT:
            raise ValueError(meta["format"])
        names, readers, outside = list(meta["detectors"]), list(meta["readers"]), list(meta["outside"])
        seconds = {str(who): float(value) for who, value in meta["seconds"].items()}
        name, provenance = str(meta["name"]), str(meta["provenance"])
    except (KeyError, TypeError, ValueError, AttributeError) as error:
        raise InputError(
            f"expected {EXPECTED} at {path}, found another table, not verdicts of this format; give a file that "
            "`jointwise evaluate` wrote, or evaluate again"
        ) from error
    if not stored.num_rows:
        raise InputError(f"expected {EXPECTED} at {path}, found verdicts without a row; evaluate again")
    frame = stored.to_pandas(ignore_metadata=True)
    _refuse_unknown_kinds(frame, (*names, *readers), path)

    def of(who: str, word: str) -> Floats:
        columns = [f"{who}_{word}_{kind}" for kind in KINDS]
        require_columns(frame, columns, str(path))
        return np.asarray(frame[columns].to_numpy(dtype=np.float64, na_value=np.nan))

    require_columns(frame, (*KINDS, "present", *(f"{who}_outside" for who in outside)), str(path))
    own = {
        f"{who}_{word}_{kind}"
        for who in (*names, *readers)
        for word in ("score", "cut", "label")
        for kind in KINDS
    }
    own |= {*KINDS, *(f"{who}_outside" for who in outside)}
    return Verdicts(
        name,
        provenance,
        frame[[column for column in frame if column not in own]],
        truth_array(frame),
        {who: of(who, "score") for who in names},
        {who: of(who, "cut") for who in names},
        {who: of(who, "label") for who in readers},
        {who: frame[f"{who}_outside"].to_numpy(dtype=bool) for who in outside},
        seconds,
    )


def _refuse_unknown_kinds(frame: pd.DataFrame, who: tuple[str, ...], path: Path) -> None:
    for column in map(str, frame.columns):
        for name in who:
            for word in ("score", "cut", "label"):
                kind = column.removeprefix(f"{name}_{word}_")
                if kind != column and kind not in KINDS:
                    raise InputError(
                        f"expected kinds among {', '.join(KINDS)} in {path}, found {kind!r}; rename it"
                    )
