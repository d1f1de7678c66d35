"""A first, coarse look: candidates, their plane, their lattice; and what to say when there is none."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from jointwise.joints.errors import InputError
from jointwise.joints.lattice import Vector
from jointwise.scoring.finding.ball_lattice import BallLattice, find_lattice
from jointwise.scoring.finding.balls import Candidates, find_candidates
from jointwise.scoring.finding.extent import own_points
from jointwise.scoring.finding.plane import Plane, find_plane
from jointwise.scoring.reading.scan import Scan
from jointwise.scoring.settings import ArraySettings

PLANES = 4  # layers tried: a board may carry parts on both sides
LEAST_SHARE = 0.9  # response per point, of 2: at least about half of the patch lies on the lattice
CERTAIN_SHARE, CERTAIN_SITES = 1.4, 9  # before another pitch is named to the user
FEWEST_BALLS = 4
USUAL_PITCHES = (0.4, 0.5, 0.65, 0.8, 1.0, 1.27)
FARTHEST_NEIGHBOUR = 1.6  # median distance of the nearest ball, in pitches; a chequered array has 1.41


@dataclass(frozen=True)
class FirstLook:
    """Candidates in the board's plane and their lattice.

    Args:
        plane: the layer of balls.
        lattice: in the axes of the plane.
        share: response of the lattice per candidate, 2 = perfect.
        points_mm: (n, 3) candidates of the layer, file's frame.
        places_mm: (n, 2) the same in the axes of the plane.
        own: (n,) which of them are the array's own.
    """

    plane: Plane
    lattice: BallLattice
    share: float
    points_mm: Vector
    places_mm: Vector
    own: NDArray[np.bool_]

    def no_balls(self, scan: Scan) -> str:
        """The sentence for metal on a lattice that is not round as balls are."""
        return (
            f"expected a ball grid array in {scan.path}, found {int(self.own.sum())} pieces of metal "
            f"{self.lattice.pitch_mm:.3g} mm apart that are not round as joints are; check array= and that the whole "
            "array is in the scan"
        )


def first_look(scan: Scan, array: ArraySettings, max_tilt_deg: float) -> FirstLook:
    """The layer and the lattice that fit the given pitch best.

    Raises:
        InputError: no ball grid array, or one of another pitch; names the pitch that was seen.
    """
    look = _best_layer(scan, array.pitch_mm, array.ball_mm, max_tilt_deg)
    if look is None or not _fits(look):
        seen = _pitch_seen(scan, array, max_tilt_deg)
        if seen is None:
            raise InputError(
                f"expected a ball grid array of {array.pitch_mm:g} mm pitch in {scan.path}, found no regular layer of "
                "balls; check that the scan shows the array, that array= is the right one and that the board is "
                f"tilted by less than {max_tilt_deg:g}°"
            )
        raise InputError(
            f"expected a pitch of {array.pitch_mm:g} mm (array.pitch_mm), found balls about {seen:.3g} mm apart in "
            f"{scan.path}; choose the array that fits, or check the voxel size in the file"
        )
    return look


def _best_layer(scan: Scan, pitch: float, ball: float, max_tilt_deg: float) -> FirstLook | None:
    candidates = find_candidates(scan.volume, scan.lattice, pitch, ball)
    best, strongest = None, 0.0
    for _ in range(PLANES):
        found = find_plane(candidates, ball, max_tilt_deg)
        if found is None:
            break
        plane, within = found
        response, look = _answer(plane, candidates.take(within), pitch)
        if look is not None and response > strongest:
            best, strongest = look, response
        candidates = candidates.take(~within)
    return best


def _answer(plane: Plane, layer: Candidates, pitch: float) -> tuple[float, FirstLook | None]:
    """How strongly a layer answers to a lattice of the pitch."""
    places = layer.points_mm @ plane.axes[:, :2]
    found = find_lattice(places, layer.strength, pitch)
    if found is None or found[1] < LEAST_SHARE:
        return 0.0, None
    lattice, share = found
    own = own_points(lattice, places)
    return share * int(own.sum()), FirstLook(plane, lattice, share, layer.points_mm, places, own)


def _fits(look: FirstLook) -> bool:
    """Whether it is the lattice itself that was found, not a multiple of it."""
    if look.own.sum() < FEWEST_BALLS:
        return False
    return _nearest(look.places_mm[look.own]) / look.lattice.pitch_mm < FARTHEST_NEIGHBOUR


def _nearest(places: Vector) -> float:
    """Median distance to the nearest other point, mm."""
    distance, _ = cKDTree(places).query(places, k=2)
    return float(np.median(distance[:, 1]))


def _pitch_seen(scan: Scan, array: ArraySettings, max_tilt_deg: float) -> float | None:
    """The usual pitch that fits best, for the message; None where none does."""
    best, most = None, 0
    for pitch in USUAL_PITCHES:
        ball = 0.6 * pitch
        if ball / scan.lattice.voxel_mm < 5 or abs(pitch / array.pitch_mm - 1) < 0.05:
            continue
        look = _best_layer(scan, pitch, ball, max_tilt_deg)
        certain = look is not None and look.share > CERTAIN_SHARE and look.own.sum() >= CERTAIN_SITES
        if look is not None and certain and _fits(look) and look.own.sum() > most:
            best, most = look.lattice.pitch_mm, int(look.own.sum())
    return best
