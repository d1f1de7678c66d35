"""What a scan can show at all: the smallest gap and void, from its own voxel size, blur and noise.

The scan is asked with the test that suits a fault best: for a flat gap the mean over the joint's cross-section, seen
along the board's normal through a narrow minus a wide Gaussian window; for a round void a narrow minus a wide Gaussian
spot. How much a fault of given size moves such a reading follows from the blur of the scan's own edges in closed form.
How much the reading wanders without a fault is taken from the sound solder of the same scan, joint by joint and place
by place, so that correlated noise, streaks and uneven solder count as they are. The fault that moves the reading by
DETECTABLE times its spread is the smallest. It is a bound of the image for a fault of known form and place (as the
observer study's ideal test is), not what a detector finds.
"""

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage
from scipy.special import erf

from jointwise.joints.batch import Joints
from jointwise.joints.edges import WIDTH_OF_SIGMA, fit_rim, patch_around
from jointwise.models.rules.filters import blurred
from jointwise.scoring.cut import CutArray
from jointwise.scoring.finding.locate import ArrayFound
from jointwise.scoring.reading.scan import Scan

Vector = NDArray[np.float64]
Volume = NDArray[np.floating]

DETECTABLE: Final = 3.0
"""d' from which a fault counts as shown: the best test then ranks faulty over sound in 98 of 100 pairs."""
WINDOWS: Final = (1.5, 2.2, 3.2)
"""Narrow windows tried, standard deviations in those of the scan's blur; the one that shows most counts. Narrower ones
would show still thinner gaps, were these flat to within a voxel across a whole joint, which real interfaces are not."""
WIDER: Final = 2.0
"""The wide window over the narrow one: it takes away the level and what bends slowly."""
SECTION: Final = 0.4
"""Radius of the cross-section over which a gap is averaged, ball diameters: clear of the blurred outline."""
BULK: Final = (0.25, 0.2)
"""Radius, and half height, within which solder is read for wandering, ball diameters."""
MOST_JOINTS: Final = 64
MOST_EDGES: Final = 16
FEWEST_EDGES: Final = 3
USUAL_BLUR: Final = 0.85
"""Standard deviation of the blur, in voxels, where no edge could be fitted."""
USUAL_WIDTH: Final = 1.08
"""Largest cross-section's diameter over the ball's, after reflow with paste."""


@dataclass(frozen=True)
class Shows:
    """The smallest faults that this scan can show.

    Args:
        gap_um: thinnest flat gap across a joint, µm.
        void_um: smallest round void, its diameter, µm.
        void_area_pct: that void's share of a usual joint's largest cross-section, %.
        voxel_um: voxel size, µm.
        edge_um: 10-90 % width of an edge of solder against air, µm.
        cnr: solder over air, in units of the noise.
        words: how the figures follow from voxel, edge and noise, sentence by sentence.
    """

    gap_um: float
    void_um: float
    void_area_pct: float
    voxel_um: float
    edge_um: float
    cnr: float
    words: tuple[str, ...]


def what_shows(scan: Scan, found: ArrayFound, cut: CutArray) -> Shows | None:
    """The smallest gap and void that a scan can show in one of its packages; None without a joint.

    Args:
        scan: the scan.
        found: where the package lies.
        cut: its joints.
    """
    if not len(cut.joints):
        return None
    sites = cut.joints.table
    pitch, ball = float(sites["pitch_mm"].iloc[0]), float(sites["ball_mm"].iloc[0])
    voxel = scan.lattice.voxel_mm
    sigma, fitted = blur_mm(scan, found, cut, pitch, ball)
    # Cutting draws straight lines between voxels, which blurs by a sixth of a squared voxel on average.
    onto_grid = float(np.hypot(sigma, voxel / np.sqrt(6)))
    gap = smallest_gap_mm(cut.joints, onto_grid)
    void = smallest_void_mm(cut.joints, onto_grid)
    area = 100 * (void / (USUAL_WIDTH * ball)) ** 2
    words = _words(
        1000 * gap, 1000 * void, area, 1000 * voxel, 1000 * WIDTH_OF_SIGMA * sigma, fitted, len(sites)
    )
    return Shows(
        1000 * gap, 1000 * void, area, 1000 * voxel, 1000 * WIDTH_OF_SIGMA * sigma, cut.levels.cnr, words
    )


def blur_mm(
    scan: Scan, found: ArrayFound, cut: CutArray, pitch_mm: float, ball_mm: float
) -> tuple[float, int]:
    """Standard deviation of the scan's blur, mm, from the joints' rims, and how many could be fitted.

    The median over evenly chosen joints; a usual blur where fewer than FEWEST_EDGES rims stand out.
    """
    middle = (cut.levels.air + cut.levels.solder) / 2
    centres = cut.joints.table[["x_mm", "y_mm", "z_mm"]].to_numpy()
    half = (pitch_mm / 2, 0.2 * ball_mm)
    sigmas = []
    for n in _spread(len(centres), MOST_EDGES):
        block, lattice = scan.around(centres[n], pitch_mm)
        patch = patch_around(block, lattice, centres[n], found.axes, half)
        rim = fit_rim(patch, pitch_mm, ball_mm, middle)
        if rim is not None:
            sigmas.append(rim.sigma_mm)
    if len(sigmas) < FEWEST_EDGES:
        return USUAL_BLUR * scan.lattice.voxel_mm, 0
    return float(np.median(sigmas)), len(sigmas)


def smallest_gap_mm(joints: Joints, sigma_mm: float) -> float:
    """Thinnest flat gap, mm, that joints' sub-volumes at this blur (standard deviation, mm) show; 0 without noise."""
    _, _, z, ball = _frame(joints)
    means = section_means(joints)
    near = np.abs(z) < BULK[1] * ball

    def shown(window: float) -> float:
        return _smallest(
            _wandering(_band(means, window / (z[1] - z[0]))[:, near]),
            lambda gap: gap_reading(gap, sigma_mm, window),
            ball,
        )

    return min(shown(window * sigma_mm) for window in WINDOWS)


def smallest_void_mm(joints: Joints, sigma_mm: float) -> float:
    """Diameter, mm, of the smallest round void that joints' sub-volumes at this blur show; 0 without noise."""
    x, y, z, ball = _frame(joints)
    steps = np.array([z[1] - z[0], y[1] - y[0], x[1] - x[0]])
    bulk = np.hypot(x[None, :], y[:, None]) < BULK[0] * ball
    near = np.abs(z) < BULK[1] * ball
    some = _spread(len(joints), MOST_JOINTS)
    reach = _core(joints)

    def shown(window: float) -> float:
        read = [_spot(joints.volumes[n][reach].astype(np.float32), window / steps) for n in some]
        inside = np.zeros((len(z), len(y), len(x)), np.bool_)
        inside[near] = bulk
        readings = np.array([values[inside[reach]] for values in read])
        return _smallest(_wandering(readings), lambda d: void_reading(d, sigma_mm, window), ball)

    with ThreadPoolExecutor(len(WINDOWS)) as pool:  # blurring lets other threads run
        return min(pool.map(shown, [window * sigma_mm for window in WINDOWS]))


def gap_reading(gap_mm: float, sigma_mm: float, window_mm: float) -> float:
    """By how much a flat gap darkens the reading of the narrow minus the wide window, in solder over air.

    Seen through a Gaussian of standard deviation s a gap g is erf(g / (2√2 s)) deep; blur and window add in squares.
    """
    narrow, wide = (np.hypot(sigma_mm, w) for w in (window_mm, WIDER * window_mm))
    return float(erf(gap_mm / (2**1.5 * narrow)) - erf(gap_mm / (2**1.5 * wide)))


def void_reading(diameter_mm: float, sigma_mm: float, window_mm: float) -> float:
    """The same of a round void seen through Gaussian spots, in its middle.

    The share of a normal distribution in three dimensions within a radius r of its middle is erf(u) - 2u/√π·exp(-u²),
    u = r / (√2 s).
    """
    narrow, wide = (np.hypot(sigma_mm, w) for w in (window_mm, WIDER * window_mm))
    return _within(diameter_mm / 2, float(narrow)) - _within(diameter_mm / 2, float(wide))


def section_means(joints: Joints) -> Vector:
    """(n, z) mean over the joint's cross-section at every height, of joints evenly chosen."""
    x, y, _, ball = _frame(joints)
    disc = np.hypot(x[None, :], y[:, None]) < SECTION * ball
    some = _spread(len(joints), MOST_JOINTS)
    return np.array(
        [joints.volumes[n].astype(np.float32)[:, disc].mean(axis=1, dtype=np.float64) for n in some]
    )


def _within(radius: float, sigma: float) -> float:
    u = radius / (2**0.5 * sigma)
    return float(erf(u) - 2 * u / np.sqrt(np.pi) * np.exp(-u * u))


def _frame(joints: Joints) -> tuple[Vector, Vector, Vector, float]:
    """Places of the grid points along x, y and z, mm, and the ball's diameter."""
    pitch, ball = (float(joints.table[name].iloc[0]) for name in ("pitch_mm", "ball_mm"))
    x, y, z = joints.grid.offsets_mm(pitch, ball)
    return x, y, z, ball


def _core(joints: Joints) -> tuple[slice, ...]:
    """The middle of the box, wide enough for the wide windows at the rim of the bulk."""
    x, y, z, ball = _frame(joints)
    return tuple(
        slice(*np.searchsorted(axis, (-reach * ball, reach * ball)))
        for axis, reach in ((z, BULK[1] + 0.2), (y, BULK[0] + 0.2), (x, BULK[0] + 0.2))
    )


def _band(profiles: Vector, window: float) -> Vector:
    """Narrow minus wide window along z (steps), of profiles (n, z)."""
    narrow, wide = (
        ndimage.gaussian_filter1d(profiles, w, axis=1, mode="nearest") for w in (window, WIDER * window)
    )
    return np.asarray(narrow - wide)


def _spot(volume: NDArray[np.float32], window: Vector) -> NDArray[np.float32]:
    narrow, wide = (blurred(volume, w.tolist(), nearest=True) for w in (window, WIDER * window))
    return np.asarray(narrow - wide)


def _wandering(readings: Vector) -> float:
    """Spread of readings (joints, places) about each place's median over the joints, robust against the faulty ones.

    What all joints share, such as cupping, is known and does not count. A single joint is held against itself.
    """
    off = readings - (np.median(readings, axis=0) if len(readings) > 2 else np.median(readings))
    few = np.sqrt(len(readings) / max(len(readings) - 1, 1)) if len(readings) > 2 else 1.0
    return float(few * 1.4826 * np.median(np.abs(off)))


def _smallest(spread: float, reading: Callable[[float], float], largest: float) -> float:
    """The size whose reading is DETECTABLE spreads, by halving; the largest if none below it does."""
    wanted = DETECTABLE * spread
    sizes = np.linspace(0.0, largest, 400)
    enough = np.flatnonzero(np.array([reading(size) for size in sizes]) >= wanted)
    if not len(enough):
        return largest
    if enough[0] == 0:
        return 0.0
    low, high = float(sizes[enough[0] - 1]), float(sizes[enough[0]])
    for _ in range(40):
        middle = (low + high) / 2
        low, high = (low, middle) if reading(middle) >= wanted else (middle, high)
    return high


def _spread(n: int, most: int) -> NDArray[np.int64]:
    """Numbers spread evenly over 0 … n - 1, at most so many."""
    return np.unique(np.linspace(0, n - 1, min(n, most)).round().astype(np.int64))


def _words(
    gap_um: float, void_um: float, area_pct: float, voxel_um: float, edge_um: float, fitted: int, joints: int
) -> tuple[str, ...]:
    edge = (
        f"its edges are {edge_um:.3g} µm wide from 10 to 90 % (median of {fitted} rims)"
        if fitted
        else f"no rim of a joint could be fitted, so an edge of {edge_um:.3g} µm from 10 to 90 % is assumed"
    )
    return (
        f"The smallest flat gap across a joint that this image can show is {gap_um:.3g} µm ({gap_um / voxel_um:.2g} "
        f"voxel), the smallest round void {void_um:.3g} µm across ({area_pct:.2g} % of a usual largest section).",
        f"A voxel is {voxel_um:.3g} µm; {edge}; how much solder wanders was read in {min(joints, MOST_JOINTS)} joints "
        "of this scan.",
        f"Shown means d' = {DETECTABLE:g}: the best test for a fault of known form and place would rank a faulty joint "
        "over a sound one 98 times in 100. Blur along the board's normal is taken to be that of the rims.",
        "This is a bound of the image, not of the detector: detectors miss larger faults too, and where this scan is "
        "blurred more along the normal (laminography, tilted mounts) the bound is too good.",
    )
