"""Pitch and ball found where they were not told, and asked for where the balls leave them open."""

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from scipy import ndimage

from jointwise.joints.errors import InputError
from jointwise.scoring.finding.locate import locate
from jointwise.scoring.finding.pitch import other_pitch
from jointwise.scoring.reading.scan import Scan
from jointwise.scoring.settings import ArrayWanted, ScoreSettings

Make = Callable[..., Any]
EVERY_OTHER = tuple((r, c) for r in range(6) for c in range(6) if (r + c) % 2)


def with_vias(made: Any) -> Scan:
    """The phantom with a piece of metal under the middle of every two and every four balls."""
    board, volume = made.board, np.zeros(made.lattice.shape, np.float32)
    sites = made.truth[["x_mm", "y_mm", "z_mm"]].to_numpy().reshape(board.rows, board.cols, 3)
    between = [
        (sites[:, 1:] + sites[:, :-1]) / 2,
        (sites[1:] + sites[:-1]) / 2,
        (sites[1:, 1:] + sites[:-1, :-1]) / 2,
    ]
    places = np.concatenate([part.reshape(-1, 3) for part in between]) - 0.3 * board.ball * made.axes[:, 2]
    x, y, z = np.rint(made.lattice.to_index(places)).astype(int).T
    volume[z, y, x] = 1.0
    blob = ndimage.gaussian_filter(volume, 2.0)
    return Scan(Path("vias.mha"), made.volume + 2.4 * blob / blob.max(), made.lattice)


def test_vias_between_the_balls_do_not_halve_the_pitch(phantom: Make) -> None:
    made = phantom(rows=5, cols=5)
    found = locate(with_vias(made), ArrayWanted(pitch_mm=None, ball_mm=None), ScoreSettings())
    assert found.pitch_mm == pytest.approx(made.board.pitch, rel=0.01)
    assert found.sites["present"].sum() == 25


@pytest.mark.slow
def test_a_chequered_array_leaves_the_pitch_open(phantom: Make) -> None:
    made = phantom(rows=6, cols=6, missing=EVERY_OTHER)
    scan = Scan(Path("chequered.mha"), made.volume, made.lattice)
    with pytest.raises(InputError, match=r"1\.13 mm.*0\.8.* mm; give array\.pitch_mm"):
        locate(scan, ArrayWanted(pitch_mm=None, ball_mm=0.46), ScoreSettings())
    found = locate(scan, ArrayWanted(pitch_mm=0.8, ball_mm=None), ScoreSettings())
    assert found.array.ball_mm == pytest.approx(0.46, rel=0.1)
    assert len(found.sites) == 18


@pytest.mark.slow
@pytest.mark.parametrize("ball", [0.32, 0.66])
def test_balls_of_rare_size_are_found_with_the_pitch(phantom: Make, ball: float) -> None:
    made = phantom(rows=5, cols=5, ball=ball)
    scan = Scan(Path("rare.mha"), made.volume, made.lattice)
    found = locate(scan, ArrayWanted(pitch_mm=0.8, ball_mm=None), ScoreSettings())
    assert found.array.ball_mm == pytest.approx(ball, rel=0.1)


@pytest.mark.parametrize(
    ("keep", "other"),
    [
        (lambda r, c: (r >= 0) & (c >= 0), None),
        (lambda r, c: (r < 2) | (r > 3) | (c < 2) | (c > 3), None),
        (lambda r, c: (r % 2 == 0) & (c >= 0), None),
        (lambda r, c: (r + c) % 2 == 0, 2**0.5),
        (lambda r, c: abs(r - 2.5) + abs(c - 2.5) < 3.5, 0.5**0.5),
        (lambda r, c: (r % 2 == 0) & (c % 2 == 0), 2.0),
    ],
    ids=["full", "hollow", "every other row", "chequered", "diamond", "twice as fine"],
)
def test_what_another_pitch_would_fit(keep: Callable[..., Any], other: float | None) -> None:
    row, col = np.indices((6, 6)).reshape(2, -1)
    held = np.broadcast_to(keep(row, col), row.shape)
    assert other_pitch(row[held], col[held]) == (other if other is None else pytest.approx(other))
