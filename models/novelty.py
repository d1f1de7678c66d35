"""The novelty detector: knows sound joints only, and says how unlike them a joint is.

A sub-volume is averaged to coarse cells. The principal axes of sound training joints, in all mirror images and turns
about the board normal, span what sound joints do; what is left of a joint beyond them is set against what is left of
sound joints, cell by cell, and the cells that stand out most are averaged. That is one number, whatever the fault: it
tells that a joint is odd, not what is odd about it. No label of a fault goes into it. What makes it four probabilities
is a rising line per kind fitted on validation labels, as every detector's calibration is.
"""

import json
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from safetensors import SafetensorError
from safetensors.numpy import load, save

from jointwise.joints.atomic import sha256, write_bytes, write_text
from jointwise.joints.batch import Joints
from jointwise.joints.errors import InputError
from jointwise.joints.grid import Grid
from jointwise.joints.kinds import N_KINDS
from jointwise.models.calibration import Calibration, fit_calibration
from jointwise.models.names import NOVELTY_FILE
from jointwise.models.protocol import check_batch, empty_measures
from jointwise.models.thresholds import Thresholds

FORMAT: Final = "jointwise-novelty-1"
NOVELTY_TENSORS: Final = "novelty.safetensors"

CELLS: Final = (12, 14, 14)
"""Coarse cells along z, y, x; fewer where the grid has fewer voxels."""
KEEP: Final = 0.98
"""Share of the variance of sound joints that the principal axes span."""
OUTSTANDING: Final = 0.005
"""Share of the cells that count: those that stand out most."""
FLOOR: Final = 0.5
"""A cell's scale is never far below that of the middle cell, or still air would be the first to stand out."""
LEVEL: Final = 0.01
"""Slope of a kind about which novelty says nothing, or too few joints do."""
LEAST: Final = 10
"""Sound joints needed."""

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]
MEDIAN_NORMAL: Final = 0.674490
"""Median of the absolute value of a standard normal number."""


@dataclass(frozen=True)
class SoundJoints:
    """What sound joints look like, in p cells.

    Args:
        mean: (p,) mean of each cell.
        axes: (k, p) principal axes, orthonormal.
        scale: (p,) standard deviation of what the axes leave of sound joints.
        joints: sound joints it was fitted on.
    """

    mean: Singles
    axes: Singles
    scale: Singles
    joints: int

    def novelty(self, cells: Floats) -> Floats:
        """Logarithm of the oddity of joints, (n,), of their cells (n, z, y, x).

        The mean squared deviation of the outstanding cells, in units of the scale, over the size of the joint's middle
        deviation where that is above 1: noise lifts both, a fault only the first.
        """
        x = cells.reshape(len(cells), len(self.mean)) - self.mean.astype(np.float64)
        axes = self.axes.astype(np.float64)
        size = np.abs(x - (x @ axes.T) @ axes) / self.scale
        count = max(1, int(OUTSTANDING * size.shape[1]))
        outstanding = np.partition(size, -count, axis=1)[:, -count:]
        middle = np.median(size, axis=1) / MEDIAN_NORMAL
        return np.asarray(np.log((outstanding**2).mean(axis=1) + 1e-6) - np.log(np.maximum(middle, 1)))


def cells_of(volumes: NDArray[np.floating]) -> Floats:
    """Means over coarse cells, (n, z, y, x), of sub-volumes (n, z, y, x)."""
    means: NDArray[np.floating] = np.asarray(volumes, dtype=np.float32)
    for axis, wanted in enumerate(CELLS, start=1):
        size = means.shape[axis]
        count = min(wanted, size)
        starts = np.arange(count) * size // count
        widths = np.diff(np.append(starts, size)).reshape([-1 if i == axis else 1 for i in range(4)])
        means = np.add.reduceat(means, starts, axis=axis) / widths.astype(np.float32)
    return np.asarray(means, dtype=np.float64)


def fit_sound(cells: Floats) -> SoundJoints:
    """Learn what sound joints look like.

    Args:
        cells: (n, z, y, x) from :func:`cells_of`, of sound joints only.

    Raises:
        InputError: too few joints, or all alike.
    """
    n, shape = len(cells), cells.shape[1:]
    if n < LEAST:
        raise InputError(
            f"expected at least {LEAST} sound training joints for the novelty detector, found {n}; "
            "take more joints, or leave it out with novelty=false"
        )
    flat, turned = cells.reshape(n, -1), _turned(shape)
    mean = np.mean([flat.mean(axis=0)[order] for order in turned], axis=0)
    centred = flat - mean
    once = centred.T @ centred / n
    # The mean over all mirror images and turns of every joint, without making them.
    spread = np.mean([once[np.ix_(order, order)] for order in turned], axis=0)
    values, vectors = np.linalg.eigh(spread)
    values, vectors = np.maximum(values[::-1], 0), vectors[:, ::-1]
    total = values.sum()
    if not total > 0:
        raise InputError("expected sound joints that differ, found copies of one; take other joints")
    count = int(np.searchsorted(np.cumsum(values), KEEP * total)) + 1
    # Turns make pairs of axes with equal variance: a cut between the two would depend on how the joint lies.
    while count < len(values) and values[count] > values[count - 1] * (1 - 1e-6):
        count += 1
    count = min(count, len(values) - 1)
    axes = vectors[:, :count]
    left = np.maximum(np.diag(spread) - (axes**2 * values[:count]).sum(axis=1), 0)
    scale = np.sqrt(left + FLOOR**2 * np.median(left) + 1e-9)
    kept = [np.ascontiguousarray(part, np.float32) for part in (mean, axes.T, scale)]
    return SoundJoints(kept[0], kept[1], kept[2], n)


def _turned(shape: tuple[int, ...]) -> list[NDArray[np.int64]]:
    """Orders of the cells under mirror images in the board plane and turns about its normal."""
    places = np.arange(int(np.prod(shape))).reshape(shape)
    turns = range(4) if shape[1] == shape[2] else (0, 2)
    return [np.rot90(one, k, (1, 2)).ravel() for one in (places, places[:, :, ::-1]) for k in turns]


@dataclass(frozen=True)
class NoveltyDetector:
    """Scores joints by how unlike sound ones they are.

    Args:
        sound: what sound joints look like.
        calibration: from novelty to a probability per kind, fitted on validation joints.
        grid: of the sub-volumes it takes.
    """

    sound: SoundJoints
    calibration: Calibration
    grid: Grid

    @property
    def name(self) -> str:
        """How tables call it."""
        return "novelty"

    @classmethod
    def fit(
        cls, sound_cells: Floats, validation_cells: Floats, validation_truth: Floats, grid: Grid
    ) -> "NoveltyDetector":
        """Learn sound joints, then calibrate.

        Args:
            sound_cells: cells of sound training joints.
            validation_cells, validation_truth: cells and labels (n, 4) of validation joints.
            grid: of the sub-volumes.

        Raises:
            InputError: too few sound joints.
        """
        sound = fit_sound(sound_cells)
        return cls(sound, _calibrated(validation_truth, sound.novelty(validation_cells)), grid)

    def score(self, joints: Joints) -> Floats:
        """Scores (n, 4) in [0, 1]; all four rise with the same number.

        Raises:
            InputError: the batch is refused by `check_batch`, or lies on another grid.
        """
        self._check(joints)
        return self.score_cells(cells_of(joints.volumes))

    def score_cells(self, cells: Floats) -> Floats:
        """The same from cells averaged before (:func:`cells_of`)."""
        return self.calibration(_columns(self.sound.novelty(cells)))

    def measure(self, joints: Joints) -> pd.DataFrame:
        """Nothing: it measures no sizes; n rows of NaN under schema.MEASURES."""
        self._check(joints)
        return empty_measures(len(joints))

    def _check(self, joints: Joints) -> None:
        check_batch(joints)
        if joints.grid != self.grid:
            raise InputError(
                f"expected sub-volumes on the grid {self.grid.to_json()} the novelty detector was fitted on, found "
                f"{joints.grid.to_json()}; cut the scan on that grid"
            )


def _calibrated(truth: Floats, novelty: Floats) -> Calibration:
    """A rising line per kind; where none is found, one that says little more than how common the kind is."""
    found = fit_calibration(truth, _columns(novelty))
    slopes, offsets = list(found.slopes), list(found.offsets)
    for k in (k for k, n in enumerate(found.counted) if n == 0):
        share = (np.count_nonzero(truth[:, k] == 1) + 1) / (np.count_nonzero(~np.isnan(truth[:, k])) + 2)
        slopes[k] = LEVEL
        offsets[k] = float(np.log(share / (1 - share)) - LEVEL * np.mean(novelty))
    return Calibration(tuple(slopes), tuple(offsets), found.counted)


def _columns(novelty: Floats) -> Floats:
    return np.repeat(novelty[:, None], N_KINDS, axis=1)


def write_novelty(
    folder: Path, detector: NoveltyDetector, thresholds: Thresholds, data: Mapping[str, Any]
) -> None:
    """Write novelty.safetensors and then novelty.json, which knows its hash.

    Args:
        folder: of the detectors.
        detector: fitted.
        thresholds: chosen on validation joints.
        data: what it was fitted on (fingerprint, numbers of joints).
    """
    sound = detector.sound
    tensors = {"mean": sound.mean, "axes": sound.axes, "scale": sound.scale}
    write_bytes(folder / NOVELTY_TENSORS, save(tensors))
    text = {
        "format": FORMAT,
        "data": dict(data),
        "sound_joints": sound.joints,
        "grid": detector.grid.to_json(),
        "calibration": detector.calibration.to_json(),
        "thresholds": thresholds.to_json(),
        "tensors_sha256": sha256(folder / NOVELTY_TENSORS),
    }
    write_text(folder / NOVELTY_FILE, json.dumps(text, indent=1, allow_nan=False))


def read_novelty(folder: Path) -> tuple[NoveltyDetector, Thresholds]:
    """Inverse of :func:`write_novelty`.

    Raises:
        InputError: a file is missing, damaged, of another format or belongs to another.
    """
    try:
        text = json.loads((folder / NOVELTY_FILE).read_text(encoding="utf-8"))
        if text["format"] != FORMAT:
            raise ValueError(f"its format is {text['format']!r}")
        if sha256(folder / NOVELTY_TENSORS) != text["tensors_sha256"]:
            raise ValueError("its tensors are others")
        tensors = load((folder / NOVELTY_TENSORS).read_bytes())
        sound = SoundJoints(tensors["mean"], tensors["axes"], tensors["scale"], int(text["sound_joints"]))
        calibration, grid = Calibration.from_json(text["calibration"]), Grid.from_json(text["grid"])
        return NoveltyDetector(sound, calibration, grid), Thresholds.from_json(text["thresholds"])
    except (OSError, ValueError, KeyError, TypeError, AttributeError, SafetensorError) as error:
        raise InputError(
            f"expected a novelty detector ({NOVELTY_FILE} and {NOVELTY_TENSORS}) in {folder}, found none that reads "
            f"; fit it with jointwise train"
        ) from error
