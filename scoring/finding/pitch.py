"""Pitch and ball of an array of which neither was told.

Balls of several sizes are looked for; in the layer that answers, the distance of nearest neighbours gives a first
pitch, and the lattice the exact one.
"""

from dataclasses import dataclass

import numpy as np

from jointwise.scoring.finding.balls import Candidates
from jointwise.scoring.finding.first_look import FirstLook, best_layer, fits, nearest
from jointwise.scoring.finding.not_found import NotFound, Seen
from jointwise.scoring.finding.plane import Plane, find_plane
from jointwise.scoring.finding.search import Search

FEWEST_VOXELS_PER_BALL = 5.0
BALL_LADDER_MM = (0.16, 0.21, 0.27, 0.35, 0.46, 0.6, 0.78)
USUAL_SHARE = 0.6  # ball over pitch; 0.56 to 0.65 in use
LAYERS = 3
WIDENING = 1.09  # diameter of a joint's outline over that of its ball before reflow, plus paste: 1.07 to 1.12


@dataclass(frozen=True)
class Guess:
    """A pitch that something in the scan answers to.

    Args:
        look: what answers.
        ball_mm: ball by which it was looked for.
    """

    look: FirstLook
    ball_mm: float

    @property
    def weight(self) -> float:
        """How much speaks for it: balls on the lattice, and how well they lie there."""
        return self.look.share * float(self.look.own.sum())


def find_pitch(search: Search, ball_mm: float | None) -> float:
    """The pitch of the array with most balls, mm.

    Args:
        search: the scan.
        ball_mm: ball, if that is known.

    Raises:
        NotFound: no lattice that is sure.
    """
    voxel = search.scan.lattice.voxel_mm
    sizes = [ball_mm] if ball_mm else [b for b in BALL_LADDER_MM if b / voxel >= FEWEST_VOXELS_PER_BALL]
    guesses: list[Guess] = []
    for ball in sizes:
        guesses += _guesses(search, ball)
    sure = [guess for guess in guesses if guess.look.certain]
    if sure:
        return max(sure, key=lambda guess: guess.weight).look.lattice.pitch_mm
    raise NotFound(
        f"expected a ball grid array in {search.scan.path}, found no regular layer of balls of any pitch; check that "
        "the scan shows the array, or give array.pitch_mm and array.ball_mm",
        _seen(search, guesses, sizes),
    )


def _guesses(search: Search, ball: float) -> list[Guess]:
    """What the layers of candidates of one size answer to."""
    candidates = search.candidates(ball / USUAL_SHARE, ball)
    found, left = [], candidates
    for _ in range(LAYERS):
        layer = find_plane(left, ball, search.max_tilt_deg)
        if layer is None or layer[1].sum() < 2:
            break
        plane, within = layer
        apart = nearest(left.take(within).points_mm @ plane.axes[:, :2])
        look = best_layer(_near(candidates, plane, ball), apart, ball, search.max_tilt_deg)
        if look is not None and fits(look):
            found.append(Guess(look, ball))
        left = left.take(~within)
    return found


def _near(candidates: Candidates, plane: Plane, ball: float) -> Candidates:
    height = np.abs(candidates.points_mm[:, 2] - plane.z_at(candidates.points_mm[:, :2]))
    return candidates.take(height < ball)


def _seen(search: Search, guesses: list[Guess], sizes: list[float]) -> Seen:
    """The best of unsure guesses, for the picture."""
    ball = sizes[len(sizes) // 2] if sizes else BALL_LADDER_MM[-1]
    candidates = search.candidates(ball / USUAL_SHARE, ball)
    layer = find_plane(candidates, ball, search.max_tilt_deg)
    within = np.zeros(len(candidates), bool) if layer is None else layer[1]
    pitches = tuple((g.look.lattice.pitch_mm, int(g.look.own.sum())) for g in guesses)
    return Seen(search.scan, candidates, within, pitches[:3])
