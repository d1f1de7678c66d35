"""A store of a lab's joints with the truth that people wrote into a label sheet, split for a training.

Scoring cuts such joints (`jointwise score store=…`) and knows no truth of them. Here the kinds are what the readers of
a sheet say, several readers merged as an evaluation merges them; a joint without a row, or that nobody could tell, is
not known and stays out. What the store calls test is never trained on.
"""

from collections.abc import Sequence
from hashlib import sha256
from pathlib import Path
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from jointwise.evaluation.labels.adjudication import adjudicate, rule_for
from jointwise.evaluation.labels.filled import read_labels
from jointwise.evaluation.labels.sheet import TABLE
from jointwise.joints.errors import InputError
from jointwise.joints.kinds import KINDS
from jointwise.joints.schema import require_columns
from jointwise.joints.store import Shard, Store

LEAST: Final = 4
"""Labelled joints with a kind, and without it, from which it counts: fewer would teach how often it came up."""
PARTS: Final = 3
"""One in so many labelled joints is for validation, where the store does not say which."""
TRIES: Final = 400
"""Ways of parting joints that are drawn; the one that shares out every kind most evenly is taken."""

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]


class Labelled(Store):
    """A store with people's labels for truth.

    Where labelled joints lie in the splits train and validation both, they stay there. Else about one in `PARTS` of
    them becomes validation: whole boards where there are several, else single joints.

    Args:
        folder: of the store.
        labels: the sheet, as `jointwise labels check=… out=…` keeps it.

    Raises:
        InputError: no such store or sheet, a sheet of other joints, joints that may not be trained on, or too few
            labels to learn any kind from.
    """

    def __init__(self, folder: Path, labels: Path) -> None:
        super().__init__(folder)
        self.labels, self._changed = labels, pd.DataFrame()
        table = self.table
        require_columns(table, ("scan", "board_id", "ball", "present", "split", *KINDS), str(folder))
        said = read_labels(labels, table)
        rule = rule_for(said)
        truth, usable = adjudicate(said, rule), (table["split"] != "test").to_numpy()
        self._refuse(table, truth, usable)
        sides = [_sides(column) for column in truth[usable].T]
        self.left_out = [kind for kind, both in zip(KINDS, sides, strict=True) if min(both) < LEAST]
        if len(self.left_out) == len(KINDS):
            found = ", ".join(f"{k} {a} and {b}" for k, (a, b) in zip(KINDS, sides, strict=True))
            raise InputError(
                f"expected at least {LEAST} joints with and {LEAST} without a kind in {labels}, found {found}; label "
                "more joints, faulty and sound ones"
            )
        truth[:, [KINDS.index(kind) for kind in self.left_out]] = np.nan
        split = table["split"].to_numpy(dtype=object)
        known = np.flatnonzero(usable & ~np.isnan(truth).all(axis=1))
        self.readers, self.joints, self.boards = (
            list(said),
            len(known),
            table["board_id"].iloc[known].nunique(),
        )
        self.kept_by = "split"
        if len({*split[known]}) < 2:
            self.kept_by = "board" if self.boards > 1 else "joint"
            part = parted(table.iloc[known], truth[known], PARTS)
            split[known] = np.where(part == 0, "validation", "train")
        self._changed = pd.DataFrame(truth, columns=list(KINDS)).assign(split=split)
        del self.table  # it is read anew, with the labels

    @property
    def fingerprint(self) -> str:
        """Hash over the store's own fingerprint and the sheet."""
        return sha256(super().fingerprint.encode() + self.labels.read_bytes()).hexdigest()

    def told(self) -> list[str]:
        """In sentences: who labelled how much, what is kept back, and what does not count."""
        how = {
            "split": "the store's own split tells what is for validation",
            "board": "whole boards are kept back",
            "joint": "they are of one board, so joints of that same board are kept back, which flatters: label a "
            "second board",
        }[self.kept_by]
        lines = [f"{self.joints} joints of {self.boards} boards labelled by {', '.join(self.readers)}; {how}"]
        if self.left_out:
            lines.append(
                f"{', '.join(self.left_out)} cannot be learned from these labels: under {LEAST} joints with or without"
            )
        return lines

    def _refuse(self, table: pd.DataFrame, truth: Floats, usable: Bools) -> None:
        """Refuse labels that leave nothing to train on, or joints kept for judging."""
        known = ~np.isnan(truth).all(axis=1)
        if not (known & usable).any():
            found = (
                f"all {int(known.sum())} in the split test" if known.any() else "none that anybody could tell"
            )
            raise InputError(
                f"expected labelled joints to learn from in {self.labels}, found {found}; label joints outside it"
            )
        if "judging_only" in table and table["judging_only"].astype(bool).to_numpy()[known & usable].any():
            raise InputError(
                f"expected joints that may be trained on in {self.folder}, found some marked as for judging only; "
                "take others"
            )

    def _read_table(self, shard: Shard, names: Sequence[str] | None = None) -> pd.DataFrame:
        table = super()._read_table(shard, names)
        start = int(self._starts[self.shards.index(shard)])
        told = self._changed.iloc[start : start + len(table)].reset_index(drop=True)
        return table.assign(**{name: told[name] for name in told if name in table})


def open_store(folder: Path, labels: Path | None = None) -> Store:
    """A store with its own truth, or with that of a label sheet: the one given, else labels.csv in its folder."""
    own = folder / TABLE
    sheet = labels or (own if own.is_file() else None)
    return Store(folder) if sheet is None else Labelled(folder, sheet)


def parted(table: pd.DataFrame, truth: Floats, parts: int) -> NDArray[np.int64]:
    """Which part, from 0, each joint is in: whole boards where there are several, every kind shared out evenly.

    Args:
        table: (n) rows of the joints.
        truth: (n, 4) of 1, 0 or NaN.
        parts: how many; no more than there are boards, or joints of the one board.
    """
    boards = pd.factorize(table["board_id"])[0]
    groups = boards if boards.max(initial=0) > 0 else np.arange(len(table))
    rng, n = np.random.default_rng(0), int(groups.max()) + 1
    parts = min(parts, n)
    # Joints by group with each kind, without each kind, and in all.
    columns = np.column_stack([truth == 1, truth == 0, np.ones(len(truth))]).astype(np.float64)
    held = np.zeros((n, columns.shape[1]))
    np.add.at(held, groups, columns)
    held = held[:, held.sum(axis=0) > 0]
    draws = rng.permuted(np.tile(np.arange(n) % parts, (TRIES, 1)), axis=1)
    shares = np.stack([(draws == part) @ held for part in range(parts)], axis=1) / held.sum(axis=0)
    off = ((shares - 1 / parts) ** 2).sum(axis=(1, 2))
    return np.asarray(draws[np.argmin(off)][groups])


def _sides(column: Floats) -> tuple[int, int]:
    return int((column == 1).sum()), int((column == 0).sum())
