"""Joints for training, in memory: one contiguous float16 array and one of labels."""

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd
import torch
from numpy.typing import NDArray
from torch import Tensor

from jointwise.joints.errors import InputError
from jointwise.joints.kinds import KINDS
from jointwise.joints.masks import mask_shape
from jointwise.joints.schema import SAMPLE_COLUMNS, require_columns, truth_array
from jointwise.joints.store import SPLITS, Store
from jointwise.models.protocol import SIZE_COLUMNS
from jointwise.models.sizes import sizes_of
from jointwise.train.stores import fingerprints, folders, told_of_labels

ORDER, LIMIT, AUGMENT = 1, 2, 3
"""Which of the seed's random streams is meant."""

FACTS = ("voxels_per_ball", "cnr", "pitch_mm", "ball_mm", "voxel_um", "noise")
"""Columns whose range is told in facts.json, where a store has them."""

WITH_GAP = ("non_wet", "head_in_pillow")
"""Kinds that part a joint; `gap_um` is the gap of the one the joint has."""

SHARE_OF_CARD = 0.6
"""Part of a card's free memory that joints may take; the rest is for the network and its gradients."""


@dataclass(frozen=True)
class Split:
    """Joints of one split.

    Args:
        volumes: (n, z, y, x) float16, in the processor's memory or on a card, see :func:`resident`.
        truth: (n, 4) float32 of 1, 0 or NaN (not counted).
        table: their n rows.
        sizes: (n, 3) float32 of models.sizes, NaN where not known; None where they are not learned.
        masks: (n, mask, z, y, x) uint8 of joints.masks, on a card or not; None where they are not learned.
    """

    volumes: Tensor
    truth: Tensor
    table: pd.DataFrame
    sizes: Tensor | None = None
    masks: Tensor | None = None

    def __len__(self) -> int:
        return len(self.truth)


def known_truth(table: pd.DataFrame, least_gap_voxels: float = 0.0) -> NDArray[np.float64]:
    """Labels (n, 4) that count: those of `truth_array`, less the kinds whose gap is too thin to be in the scan.

    Args:
        table: rows of a store.
        least_gap_voxels: a joint that has non_wet or head_in_pillow by a mean gap below so many voxels of its scan
            does not count for that kind (NaN); a gap or voxel that is not known counts. 0 lets all count.

    Raises:
        InputError: gaps are asked for, and the table has none.
    """
    truth = truth_array(table)
    if least_gap_voxels:
        require_columns(table, ("gap_um", "voxel_um"), "the table of joints")
        gap, voxel = (
            table[name].to_numpy(dtype=np.float64, na_value=np.nan) for name in ("gap_um", "voxel_um")
        )
        thin = gap < least_gap_voxels * voxel
        for kind in WITH_GAP:
            column = truth[:, KINDS.index(kind)]
            column[thin & (column == 1)] = np.nan
    return truth


def load_split(
    store: Store,
    name: str,
    seed: int = 0,
    limit: int = 0,
    least_gap_voxels: float = 0.0,
    sizes: bool = False,
    masks: bool = False,
    some_kinds: bool = False,
) -> Split:
    """Read a split into memory; joints of which no kind is known are left out.

    Args:
        store: opened store.
        name: train or validation.
        seed: decides which joints stay under a limit.
        limit: at most so many joints; 0 takes all.
        least_gap_voxels: see :func:`known_truth`.
        sizes: whether the sizes of voids, gaps and necks are wanted too.
        masks: whether the masks are wanted too.
        some_kinds: whether kinds may be there of which no truth is known; at least one is known in any case.

    Raises:
        InputError: the split is empty, knows no truth of some kind, holds values that are not finite, does not fit in
            memory, or has no masks where they are wanted.
    """
    require_columns(store.table, (*SAMPLE_COLUMNS, *SIZE_COLUMNS), f"the store {store.folder}")
    rows = store.split(name)
    truth = known_truth(store.table.iloc[rows], least_gap_voxels)
    known = ~np.isnan(truth)
    bare = [kind for kind, column in zip(KINDS, known.T, strict=True) if not column.any()]
    if bare and not (some_kinds and len(bare) < len(KINDS)):
        raise InputError(
            f"expected joints with known truth of every kind in the split {name!r} of {store.folder}, found none for "
            f"{', '.join(bare)}; generate more boards or fill those columns in"
        )
    rows = rows[known.any(axis=1)]
    if 0 < limit < len(rows):
        rows = np.sort(np.random.default_rng([seed, LIMIT]).choice(rows, limit, replace=False))
    try:
        joints = store.read(rows, masks=True) if masks else store.read(rows)
    except MemoryError as error:
        size = len(rows) * (2 * np.prod(store.grid.shape) + masks * np.prod(mask_shape(store.grid))) / 2**30
        raise InputError(
            f"expected {size:.1f} GiB of free memory for {len(rows)} joints, found less; set limit=… to use fewer"
        ) from error
    if not all(_finite(volume) for volume in joints.volumes):
        raise InputError(f"expected finite values in {store.folder}, found others; run jointwise verify")
    labels = torch.from_numpy(known_truth(joints.table, least_gap_voxels).astype(np.float32))
    known_sizes = torch.from_numpy(sizes_of(joints.table).astype(np.float32)) if sizes else None
    known_masks = None if joints.masks is None else torch.from_numpy(joints.masks)
    return Split(torch.from_numpy(joints.volumes), labels, joints.table, known_sizes, known_masks)


def _finite(volume: NDArray[np.float16]) -> bool:
    """Whether no exponent says NaN or infinite; numpy's own test takes ten times as long for float16."""
    return bool(((volume.view(np.uint16) & 0x7C00) != 0x7C00).all())


def resident(split: Split, device: torch.device) -> Split:
    """The split with its volumes, masks and labels on a CUDA card, as far as they fit there; else as it is.

    At most `SHARE_OF_CARD` of the memory that is free is taken; volumes come first, then masks.
    """
    if device.type != "cuda":
        return split
    left = SHARE_OF_CARD * torch.cuda.mem_get_info(device)[0]
    placed: dict[str, Tensor] = {}
    for name in ("volumes", "masks"):
        values = getattr(split, name)
        if values is not None and values.nbytes <= left:
            placed[name] = values.to(device)
            left -= values.nbytes
    sizes = None if split.sizes is None else split.sizes.to(device)
    return replace(split, **placed, truth=split.truth.to(device), sizes=sizes)


def taken(volumes: Tensor, rows: Tensor, device: torch.device) -> Tensor:
    """Some of the volumes as float32 on the device.

    Args:
        volumes: (n, z, y, x) float16, on the device or in the processor's memory.
        rows: which, on the side of `volumes`.
        device: where they are wanted. A card gets them through pinned memory, without being waited for.
    """
    return gathered(volumes, rows, device).float()


def gathered(values: Tensor, rows: Tensor, device: torch.device) -> Tensor:
    """Some rows of values, as they are, on the device; see :func:`taken`."""
    if values.device.type == device.type:
        return values[rows]
    staged = torch.empty((len(rows), *values.shape[1:]), dtype=values.dtype, pin_memory=True)
    torch.index_select(values, 0, rows, out=staged)
    return staged.to(device, non_blocking=True)


def epoch_order(n: int, seed: int, epoch: int) -> NDArray[np.int64]:
    """Order in which the n training joints come in one epoch; a function of (seed, epoch) alone."""
    return np.random.default_rng([seed, ORDER, epoch]).permutation(n)


def steps_per_epoch(n: int, batch: int) -> int:
    """Steps of one epoch. All batches are full: the joints left over come in another epoch's order."""
    return max(1, n // batch)


def positive_weights(truth: Tensor, highest: float) -> Tensor:
    """Weight (4,) of a joint with the kind against one without: their ratio, between 1 and `highest`.

    Args:
        truth: (n, 4) of 1, 0 or NaN.
        highest: at most this, so that a handful of joints does not rule the training; 1 weighs equally.
    """
    with_kind = (truth == 1).sum(dim=0).float()
    without = (truth == 0).sum(dim=0).float()
    ratio = without / with_kind.clamp(min=1)
    return torch.where(with_kind > 0, ratio, 1.0).clamp(1.0, highest)


def facts(store: Store) -> dict[str, Any]:
    """What the store holds, JSON-safe: joints, scans, boards, class counts per split, ranges of sizes and noise."""
    table = store.table
    splits = {name: table[table["split"] == name] for name in SPLITS}
    return {
        "store": str(folders(store)[0]),
        "more_stores": [str(folder) for folder in folders(store)[1:]],
        "fingerprint": store.fingerprint,
        "fingerprints": fingerprints(store),
        "labels": told_of_labels(store),
        "grid": store.grid.to_json(),
        "joints": len(table),
        "scans": int(table["scan"].nunique()),
        "boards": int(table["board_id"].nunique()),
        "splits": {name: _counts(part) for name, part in splits.items()},
        "ranges": {name: _range(table[name]) for name in FACTS if name in table},
    }


def _counts(part: pd.DataFrame) -> dict[str, Any]:
    truth = truth_array(part)
    kinds = {
        kind: {
            "with": int((truth[:, k] == 1).sum()),
            "without": int((truth[:, k] == 0).sum()),
            "not_counted": int(np.isnan(truth[:, k]).sum()),
        }
        for k, kind in enumerate(KINDS)
    }
    return {"joints": len(part), "boards": int(part["board_id"].nunique()), "kinds": kinds}


def _range(column: pd.Series) -> dict[str, float | None]:
    """Least, median and greatest finite value; null where there is none."""
    values = column.to_numpy(dtype=np.float64)
    values = values[np.isfinite(values)]
    if not len(values):
        return {"least": None, "median": None, "greatest": None}
    return {
        "least": float(values.min()),
        "median": float(np.median(values)),
        "greatest": float(values.max()),
    }
