"""A first, coarse look: candidates, their plane, their lattice; and what to say when there is none."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from jointwise.joints.lattice import Vector
from jointwise.scoring.finding.ball_lattice import BallLattice, find_lattice
from jointwise.scoring.finding.balls import Candidates
from jointwise.scoring.finding.extent import own_points
from jointwise.scoring.finding.not_found import NotFound, Seen
from jointwise.scoring.finding.plane import Plane, find_plane
from jointwise.scoring.finding.search import Search
from jointwise.scoring.reading.scan import Scan
from jointwise.scoring.settings import ArraySettings

PLANES = 4  # layers tried: a board may carry parts on both sides
LEAST_SHARE = 0.9  # response per point, of 2: at least about half of the patch lies on the lattice
CERTAIN_SHARE, CERTAIN_SITES = 1.4, 9  # before another pitch is named to the user
FEWEST_BALLS = 4
PITCH_OFF = 0.07  # a lattice that wandered farther off the pitch when it grew is another one
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
        candidates: all that was looked at, in the layer or not.
        within: which of those lie in the layer.
    """

    plane: Plane
    lattice: BallLattice
    share: float
    points_mm: Vector
    places_mm: Vector
    own: NDArray[np.bool_]
    candidates: Candidates
    within: NDArray[np.bool_]

    @property
    def certain(self) -> bool:
        """Whether chance or another part's regular metal can hardly answer so well."""
        return self.share > CERTAIN_SHARE and int(self.own.sum()) >= CERTAIN_SITES

    def seen(self, scan: Scan) -> Seen:
        """What was seen, should it turn out to be no array."""
        guess = (self.lattice.pitch_mm, int(self.own.sum()))
        return Seen(scan, self.candidates, self.within, (guess,))

    def no_balls(self, scan: Scan) -> str:
        """The sentence for metal on a lattice that is not round as balls are."""
        return (
            f"expected a ball grid array in {scan.path}, found {int(self.own.sum())} pieces of metal "
            f"{self.lattice.pitch_mm:.3g} mm apart that are not round as joints are; check array= and that the whole "
            "array is in the scan"
        )


def first_look(search: Search, array: ArraySettings, told: bool = True) -> FirstLook:
    """The layer and the lattice that fit the given pitch best.

    Args:
        search: the scan.
        array: the part.
        told: the pitch was told, so that a refusal is to say which one fits instead.

    Raises:
        NotFound: no ball grid array, or one of another pitch; names the pitch that was seen.
    """
    scan = search.scan
    candidates = search.candidates(array.pitch_mm, array.ball_mm)
    look = best_layer(candidates, array.pitch_mm, array.ball_mm, search.max_tilt_deg)
    if look is not None and fits(look):
        return look
    other = _pitch_seen(search, array) if told else None
    guesses = () if other is None else ((other.lattice.pitch_mm, int(other.own.sum())),)
    if look is not None:
        within, guesses = look.within, (*guesses, (look.lattice.pitch_mm, int(look.own.sum())))
    else:
        layer = find_plane(candidates, array.ball_mm, search.max_tilt_deg)
        within = np.zeros(len(candidates), bool) if layer is None else layer[1]
    seen = Seen(scan, candidates, within, guesses)
    if not told:
        raise NotFound(
            f"expected a ball grid array in {scan.path}, found metal {array.pitch_mm:.3g} mm apart but no layer of "
            "balls; check that the scan shows the array, or give array.pitch_mm and array.ball_mm",
            seen,
        )
    if other is None:
        raise NotFound(
            f"expected a ball grid array of {array.pitch_mm:g} mm pitch in {scan.path}, found no regular layer of "
            "balls; check that the scan shows the array, that array= is the right one and that the board is "
            f"tilted by less than {search.max_tilt_deg:g}°",
            seen,
        )
    raise NotFound(
        f"expected a pitch of {array.pitch_mm:g} mm (array.pitch_mm), found balls about "
        f"{other.lattice.pitch_mm:.3g} mm apart in {scan.path}; choose the array that fits, or check the voxel size "
        "in the file",
        seen,
    )


def best_layer(candidates: Candidates, pitch: float, ball: float, max_tilt_deg: float) -> FirstLook | None:
    """The layer that answers most strongly to a lattice of the pitch; None where none does."""
    best, strongest = None, 0.0
    left = np.arange(len(candidates))
    for _ in range(PLANES):
        found = find_plane(candidates.take(left), ball, max_tilt_deg)
        if found is None:
            break
        plane, within = found
        layer = np.zeros(len(candidates), bool)
        layer[left[within]] = True
        response, look = _answer(plane, candidates, layer, pitch)
        if look is not None and response > strongest:
            best, strongest = look, response
        left = left[~within]
    return best


def _answer(
    plane: Plane, candidates: Candidates, within: NDArray[np.bool_], pitch: float
) -> tuple[float, FirstLook | None]:
    """How strongly a layer answers to a lattice of the pitch."""
    layer = candidates.take(within)
    places = layer.points_mm @ plane.axes[:, :2]
    found = find_lattice(places, layer.strength, pitch)
    if found is None:
        return 0.0, None
    lattice, share = found
    own = own_points(lattice, places)
    if own.sum() >= CERTAIN_SITES:  # another part's balls in the patch do not count against this one
        share = max(share, _share_about(lattice, places, own))
    if share < LEAST_SHARE or abs(lattice.pitch_mm / pitch - 1) > PITCH_OFF:
        return 0.0, None
    look = FirstLook(plane, lattice, share, layer.points_mm, places, own, candidates, within)
    return share * int(own.sum()), look


def _share_about(lattice: BallLattice, places: Vector, own: NDArray[np.bool_]) -> float:
    """Response per point (2 = perfect) of all points next to the array's own."""
    distance, _ = cKDTree(places[own]).query(places)
    near = places[distance < 1.2 * lattice.pitch_mm]
    z = (near[:, 0] + 1j * near[:, 1] - lattice.origin) / lattice.step
    return float(sum(np.abs(np.exp(2j * np.pi * part).mean()) ** 2 for part in (z.real, z.imag)))


def fits(look: FirstLook) -> bool:
    """Whether it is the lattice itself that was found, not a multiple of it."""
    if look.own.sum() < FEWEST_BALLS:
        return False
    return nearest(look.places_mm[look.own]) / look.lattice.pitch_mm < FARTHEST_NEIGHBOUR


def nearest(places: Vector) -> float:
    """Median distance to the nearest other point, mm."""
    distance, _ = cKDTree(places).query(places, k=2)
    return float(np.median(distance[:, 1]))


def _pitch_seen(search: Search, array: ArraySettings) -> FirstLook | None:
    """What answers to the usual pitch that fits best, for the message; None where none does."""
    best = None
    for pitch in USUAL_PITCHES:
        ball = 0.6 * pitch
        if ball / search.scan.lattice.voxel_mm < 5 or abs(pitch / array.pitch_mm - 1) < 0.05:
            continue
        look = best_layer(search.candidates(pitch, ball), pitch, ball, search.max_tilt_deg)
        if look is None or not look.certain or not fits(look):
            continue
        if best is None or look.own.sum() > best.own.sum():
            best = look
    return best
