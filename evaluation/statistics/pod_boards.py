"""How far a90 moves if boards, not joints, are drawn anew."""

import numpy as np

from jointwise.evaluation.statistics.measures import Bools, Floats
from jointwise.evaluation.statistics.pod import Curve
from jointwise.evaluation.statistics.pod_likelihood import derivatives, predictor_at


def a90_of_boards(
    size: Floats, hit: Bools, boards: Floats, curve: Curve, rounds: int = 2000, seed: int = 0
) -> tuple[float, float]:
    """95 % interval of a90 (percentiles) if boards, not joints, are drawn anew, each with all its targets.

    Each round refits the curve to the drawn boards, the sizes gathered in at most 100 bins of equal count at their mean
    logarithm. A round without a rising curve has no a90; it counts as infinite. The floor stays as it is.

    Args:
        size, hit: as for :func:`fit_pod`.
        boards: (n,) whole numbers, the board of each target.
        curve: fitted to all of them.
        rounds: how often boards are drawn.
        seed: decides the draw.
    """
    order = np.lexsort((boards, hit, size))
    x, y, place = np.log(size)[order], hit[order], np.unique(boards[order], return_inverse=True)[1]
    count, bins = int(place.max()) + 1, np.arange(len(x)) * min(len(x), 100) // len(x)
    centres = np.bincount(bins, x) / np.bincount(bins)
    tables = []
    for outcome in (y, ~y):
        table = np.zeros((count, len(centres)))
        np.add.at(table, (place[outcome], bins[outcome]), 1)
        tables.append(table)
    draws = np.random.default_rng(seed).multinomial(count, np.full(count, 1 / count), rounds)
    lines = _refits(centres, draws @ tables[0], draws @ tables[1], curve)
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        sizes = np.exp((predictor_at(0.9, curve.link, curve.floor) - lines[:, 0]) / lines[:, 1])
    low, high = np.quantile(np.where(lines[:, 1] > 0, sizes, np.inf), (0.025, 0.975), method="inverted_cdf")
    return float(low), float(high)


def _refits(x: Floats, hits: Floats, misses: Floats, curve: Curve) -> Floats:
    """Lines (rounds, 2) of counts (rounds, bins), by Fisher's scoring from the curve; NaN where it does not settle."""
    middle = float(x.mean())
    z, open_rounds = x - middle, np.arange(len(hits))
    lines = np.tile([curve.intercept + curve.slope * middle, curve.slope], (len(hits), 1))
    with np.errstate(all="ignore"):
        for _ in range(25):
            h, m, line = hits[open_rounds], misses[open_rounds], lines[open_rounds]
            up, down, scale = derivatives(line[:, :1] + line[:, 1:] * z, curve.link, curve.floor)
            score, scale = h * up - m * down, (h + m) * scale
            u0, u1 = score.sum(axis=1), score @ z
            i00, i01, i11 = scale.sum(axis=1), scale @ z, scale @ (z * z)
            step = np.stack([i11 * u0 - i01 * u1, i00 * u1 - i01 * u0], 1) / (i00 * i11 - i01 * i01)[:, None]
            lines[open_rounds] += step
            open_rounds = open_rounds[~(np.abs(step[:, 1]) < 1e-4 * np.abs(line[:, 1]))]
            if not len(open_rounds):
                break
    lines[open_rounds] = np.nan
    lines[:, 0] -= lines[:, 1] * middle
    return np.asarray(lines)
