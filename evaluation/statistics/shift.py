"""How well a distance tells shifted scans from unshifted ones."""

import numpy as np
from numpy.typing import ArrayLike

from jointwise.evaluation.statistics.bootstrap import BoardInterval, Resampling, interval
from jointwise.evaluation.statistics.measures import Floats, shares
from jointwise.joints.errors import InputError


def shift_area(
    reference: ArrayLike, reference_board: ArrayLike, shifted: ArrayLike, shifted_board: ArrayLike
) -> BoardInterval:
    """Area under the ROC curve of a distance, shifted scans against those of the reference.

    The chance that a shifted scan has the larger distance, ties half. Boards of either set are resampled on their own.

    Args:
        reference, shifted: distances (n,), infinite ones too, none missing.
        reference_board, shifted_board: (n,) the board of each scan.

    Raises:
        InputError: a distance is missing.

    Example:
        >>> shift_area([0.0, 0.2], [0, 1], [0.2, 0.9], [0, 1]).value
        0.875
    """
    low, high = np.asarray(reference, np.float64), np.asarray(shifted, np.float64)
    if np.isnan(low).any() or np.isnan(high).any():
        raise InputError("expected a distance of every scan, found none for some; evaluate those sets again")
    if not len(low) or not len(high):
        return BoardInterval(np.nan, np.nan, np.nan, 0)
    above = (high[:, None] > low[None, :]) + 0.5 * (high[:, None] == low[None, :])
    own, other = _weights(shifted_board, 1), _weights(reference_board, 0)
    won = np.einsum("ri,ij,rj->r", own, above, other, optimize=True)
    fewest = min(len(np.unique(np.asarray(board))) for board in (reference_board, shifted_board))
    return interval(shares(won, own.sum(axis=1) * other.sum(axis=1)), fewest)


def _weights(board: ArrayLike, seed: int) -> Floats:
    """How often each scan counts in every replicate, (1 + replicates, scans)."""
    names, index = np.unique(np.asarray(board), return_inverse=True)
    return np.asarray(Resampling(len(names), seed=seed).weights[:, index])
