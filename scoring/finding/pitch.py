"""Pitch and ball of an array of which neither was told.

Balls of several sizes are looked for, from large to small: vias, and lands between the balls, answer only to the
small sizes, and often to a finer lattice. In each layer that answers, the distance of nearest neighbours gives a first
pitch, and the lattice the exact one. What is surest is tried first; the caller says whether joints stand on it.
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from jointwise.joints.errors import InputError
from jointwise.scoring.finding.balls import Candidates
from jointwise.scoring.finding.first_look import FirstLook, best_layer, fits, nearest
from jointwise.scoring.finding.not_found import NotFound, Seen
from jointwise.scoring.finding.plane import Plane, find_plane
from jointwise.scoring.finding.search import Search

FEWEST_VOXELS_PER_BALL = 5.0
BALL_LADDER_MM = (0.78, 0.6, 0.46, 0.35, 0.27, 0.21, 0.16)
ABOUT_BALL = (1.0, 1.25, 0.8)  # sizes to look for where the ball was told
USUAL_SHARE = 0.6  # ball over pitch; 0.56 to 0.65 in use
RARE_SHARES = (0.45, 0.8)
LAYERS = 3
# Places known to a voxel of the thinned scan make the nearest neighbour seem nearer, by up to a fifth of a pitch.
PITCH_OVER_NEAREST = (1.0, 1.09, 1.18)
STRAY_SHARE = 0.05  # of the balls, beside a coarser lattice that holds all others
ALIKE = (
    0.55  # another lattice fills its rectangle about as well: a full square one filled 1, turned by 45° 0.36
)
WIDENING = 1.09  # diameter of a joint's outline over that of its ball before reflow, plus paste: 1.07 to 1.12


@dataclass
class Pitches:
    """Pitches that something in a scan surely answers to, mm; those of large balls first, then those of most balls.

    Args:
        search: the scan.
        ball_mm: ball, if that is known.
    """

    search: Search
    ball_mm: float | None
    _seen: list[FirstLook] = field(default_factory=list)

    def __iter__(self) -> Iterator[float]:
        """One by one, so that no more is looked for than is needed."""
        for ball in self._sizes():
            looks = _looks(self.search, ball)
            self._seen += looks
            for look in sorted((look for look in looks if look.certain), key=_weight, reverse=True):
                pitch = look.lattice.pitch_mm
                if USUAL_SHARE * pitch / self.search.scan.lattice.voxel_mm >= FEWEST_VOXELS_PER_BALL:
                    yield pitch

    def none_holds(self, refused: Mapping[float, InputError]) -> NotFound:
        """The refusal after all were tried, and why each did not hold."""
        path = self.search.scan.path
        remedy = "check that the scan shows the array, or give array.pitch_mm and array.ball_mm"
        if not refused:
            sentence = f"expected a ball grid array in {path}, found no regular layer of balls of any pitch; {remedy}"
        elif len(refused) == 1:
            sentence = str(next(iter(refused.values())))
        else:
            apart = ", ".join(f"{pitch:.3g}" for pitch in refused)
            sentence = (
                f"expected a ball grid array in {path}, found metal {apart} mm apart, but no joints of one size with "
                f"both ends on any of these lattices; {remedy}"
            )
        return NotFound(sentence, self._picture())

    def _sizes(self) -> list[float]:
        voxel = self.search.scan.lattice.voxel_mm
        sizes = [share * self.ball_mm for share in ABOUT_BALL] if self.ball_mm else BALL_LADDER_MM
        return [ball for ball in sizes if ball / voxel >= FEWEST_VOXELS_PER_BALL]

    def _picture(self) -> Seen:
        """The best of unsure guesses, for the picture."""
        sizes = self._sizes() or [BALL_LADDER_MM[0]]
        ball = sizes[len(sizes) // 2]
        candidates = self.search.candidates(ball / USUAL_SHARE, ball)
        layer = find_plane(candidates, ball, self.search.max_tilt_deg)
        within = np.zeros(len(candidates), bool) if layer is None else layer[1]
        pitches = tuple((look.lattice.pitch_mm, int(look.own.sum())) for look in self._seen)
        return Seen(self.search.scan, candidates, within, pitches[:3])


def other_pitch(row: NDArray[np.int64], col: NDArray[np.int64]) -> float | None:
    """Another pitch, in pitches, of which the balls at these sites (n,) may be an array just as well.

    A chequered array is also a full one of √2 times the pitch that is turned by 45°, and a lattice too fine by 2 has
    balls at every other row and column only: a pitch that was not told is open then.
    """
    z = (col - col.min()) + 1j * (row - row.min())
    parity = (z.real + z.imag) % 2
    odd = min(parity.mean(), 1 - parity.mean())
    lines = [min(v.mean(), 1 - v.mean()) for v in (z.real % 2, z.imag % 2)]
    if max(lines) <= STRAY_SHARE:
        return 2.0
    if odd <= STRAY_SHARE:
        coarse = z[parity == round(parity.mean())]
        coarser = (coarse - coarse[0]) / (1 + 1j)
        return 2**0.5 if _filled(coarser) > ALIKE * _filled(z) else None
    return 0.5**0.5 if _filled(z * (1 + 1j)) > ALIKE * _filled(z) else None


def _filled(z: NDArray[np.complex128]) -> float:
    """Share of the rectangle around sites that they fill."""
    return len(z) / float((np.ptp(z.real) + 1) * (np.ptp(z.imag) + 1))


def _weight(look: FirstLook) -> float:
    """How much speaks for it: balls on the lattice, and how well they lie there."""
    return look.share * float(look.own.sum())


def _looks(search: Search, ball: float) -> list[FirstLook]:
    """What the layers of candidates of one size answer to."""
    candidates = search.candidates(ball / USUAL_SHARE, ball)
    found, left = [], candidates
    for _ in range(LAYERS):
        layer = find_plane(left, ball, search.max_tilt_deg)
        if layer is None or layer[1].sum() < 2:
            break
        plane, within = layer
        apart = nearest(left.take(within).points_mm @ plane.axes[:, :2])
        near = _near(candidates, plane, ball)
        looks = [best_layer(near, share * apart, ball, search.max_tilt_deg) for share in PITCH_OVER_NEAREST]
        found += [look for look in looks if look is not None and fits(look)]
        left = left.take(~within)
    return found


def _near(candidates: Candidates, plane: Plane, ball: float) -> Candidates:
    height = np.abs(candidates.points_mm[:, 2] - plane.z_at(candidates.points_mm[:, :2]))
    return candidates.take(height < ball)
