"""A spectrum boiled down to a few energies that transmit like the whole of it.

The projector evaluates one exponential per ray and energy, so eight fitted energies instead of some three
hundred bins decide its speed. The fit is a non-negative least squares over random thicknesses of solder,
copper, laminate and silicon, with the energies moved until nothing improves; what it costs in accuracy is
measured by :func:`worst_error` and tested.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import nnls

from jointwise.data_gen.shapes.scene import SECOND, SOLDER
from jointwise.data_gen.xray.attenuation import basis_mu_per_mm
from jointwise.data_gen.xray.spectra import Spectrum, detected, filtered, tube_spectrum
from jointwise.joints.errors import InputError

Array = NDArray[np.float64]

LARGEST_MM = (8.0, 1.5, 40.0, 8.0)
"""Thickness of solder, copper, laminate and silicon up to which the fit is made (a ray along a board)."""

FAINTEST = 3e-4
"""Transmission below which errors count absolutely: electronic noise and the clamp drown such rays."""

_ROUNDS = 20
"""Most rounds of moving energies; 5 to 10 are usual."""


@dataclass(frozen=True)
class Energies:
    """Energies that stand for a spectrum seen by an energy-integrating detector.

    Behind lengths L (mm, one per material) the signal relative to air is
    ``S = Σ_k weight[k]·exp(-Σ_m mu[m, k]·L[m])`` and the variance of a compound Poisson signal with N
    detected quanta in air is ``(1/N)·Σ_k weight[k]·quantum[k]·exp(-Σ_m mu[m, k]·L[m])``.

    Args:
        mu_per_mm: (4, k) or (5, k), materials in the order of :mod:`jointwise.data_gen.shapes.scene`; without the
            fifth row all solder is of one alloy.
        weight: (k,), share of the signal in air, sums to 1.
        quantum: (k,), quantum energy over the mean detected quantum energy in air.
        energies_kev: (k,), for information.
    """

    mu_per_mm: Array
    weight: Array
    quantum: Array
    energies_kev: Array

    def of_materials(self, count: int) -> Array:
        """Attenuation (count, k) per mm of the first materials; the second alloy's is the solder's if there is none."""
        rows = (
            self.mu_per_mm
            if len(self.mu_per_mm) > SECOND
            else np.vstack([self.mu_per_mm, self.mu_per_mm[:1]])
        )
        return rows[:count]

    def signal(self, lengths_mm: Array) -> Array:
        """Signal relative to air behind lengths (n, 4 or 5) in mm, shape (n,)."""
        depth = lengths_mm @ self.of_materials(lengths_mm.shape[1])
        return np.asarray(np.exp(-depth) @ self.weight)

    def variance(self, lengths_mm: Array) -> Array:
        """Variance of the signal for one detected quantum in air, lengths (n, 4 or 5) in mm, shape (n,)."""
        depth = lengths_mm @ self.of_materials(lengths_mm.shape[1])
        return np.asarray(np.exp(-depth) @ (self.weight * self.quantum))


def all_energies(quanta: Spectrum, alloy: str, second_alloy: str | None = None) -> Energies:
    """Every bin of a detected spectrum, unreduced: the reference for :func:`reduce`."""
    keep = quanta.photons > 1e-7 * quanta.photons.max()
    energies, photons = quanta.energies_kev[keep], quanta.photons[keep]
    signal = energies * photons
    mean = signal.sum() / photons.sum()
    mu = basis_mu_per_mm(alloy, energies)
    if second_alloy is not None:
        mu = np.vstack([mu, basis_mu_per_mm(second_alloy, energies)[:1]])
    return Energies(mu, signal / signal.sum(), energies / mean, energies)


def sample_lengths(count: int, seed: int, materials: int = 4) -> Array:
    """Random thicknesses (count, materials) in mm; the first row is air.

    Thin and thick ones are equally likely on a square-root scale, and materials are often absent. Any part of the
    solder is of the second alloy where that counts among the materials.
    """
    rng = np.random.default_rng(seed)
    lengths = np.asarray(LARGEST_MM) * rng.random((count, 4)) ** 2
    lengths *= rng.random((count, 4)) < (0.9, 0.4, 0.6, 0.3)
    if materials > SECOND:
        share = np.clip(rng.uniform(-0.3, 1.3, count), 0.0, 1.0)
        lengths = np.column_stack([lengths, share * lengths[:, 0]])
        lengths[:, 0] *= 1.0 - share
    lengths[0] = 0.0
    return np.asarray(lengths)


def reduce(full: Energies, count: int = 8, seed: int = 1) -> Energies:
    """The best `count` energies of a spectrum, found by moving each between its neighbours until none helps.

    Raises:
        InputError: fewer than two energies are asked for.
    """
    if count < 2:
        raise InputError(f"expected at least two energies to fit, found {count}")
    lengths = sample_lengths(400, seed, len(full.mu_per_mm))
    bins = np.exp(-lengths @ full.mu_per_mm)
    table = _compress(bins, bins @ full.weight, air=20.0)
    # Two alloys put a second edge into the spectrum, and one start may then settle in a poor corner.
    starts = (0.0, 0.3) if len(full.mu_per_mm) > SECOND else (0.0,)
    chosen = min((_exchange(*table, count, low) for low in starts), key=lambda found: found[1])[0]
    weight = _fit(*_compress(bins[:, chosen], bins @ full.weight, air=20.0))[0]
    chosen, weight = chosen[weight > 0], weight[weight > 0]
    weight /= weight.sum()
    second = _fit(*_compress(bins[:, chosen], bins @ (full.weight * full.quantum), air=1.0))[0]
    return Energies(full.mu_per_mm[:, chosen], weight, second / weight, full.energies_kev[chosen])


def _compress(bins: Array, target: Array, air: float) -> tuple[Array, Array]:
    """The relative least-squares problem with as many rows as columns (the triangular factor of it).

    Row 0 is air, by which everything is divided later, so it weighs `air` times the others.
    """
    scale = 1.0 / (target + FAINTEST)
    scale[0] *= air
    weighted = np.column_stack([bins, target]) * scale[:, None]
    table = np.asarray(np.linalg.qr(weighted, mode="r"))
    return table[:, :-1], table[:, -1]


def _exchange(bins: Array, target: Array, count: int, share: float) -> tuple[NDArray[np.intp], float]:
    """Indices of `count` columns that fit `target` well, and the residual: each in turn moves to the best place
    between its neighbours, until a whole round changes nothing. They start evenly spread above that `share` of them."""
    last = bins.shape[1] - 1
    chosen = np.unique(
        np.linspace(share * last, last, min(count, last + 1) + 2).round().astype(np.intp)[1:-1]
    )
    best = _fit(bins[:, chosen], target)[1]
    for _ in range(_ROUNDS):
        before = best
        for i in range(len(chosen)):
            low = chosen[i - 1] + 1 if i else 0
            high = chosen[i + 1] if i + 1 < len(chosen) else last + 1
            for place in range(low, high, max(1, (high - low) // 24)):
                trial = chosen.copy()
                trial[i] = place
                residual = _fit(bins[:, trial], target)[1]
                if residual < best:
                    best, chosen = residual, trial
        if best > 0.98 * before:
            break
    return chosen, best


def _fit(bins: Array, target: Array) -> tuple[Array, float]:
    """Non-negative coefficients and residual; columns are nearly alike, so many steps are allowed."""
    coefficients, residual = nnls(bins, target, maxiter=100 * bins.shape[1])
    return np.asarray(coefficients), float(residual)


def worst_error(few: Energies, full: Energies, seed: int = 2) -> float:
    """Largest error of the line integral -ln S over random thicknesses with S above :data:`FAINTEST`."""
    lengths = sample_lengths(4000, seed, len(full.mu_per_mm))
    true = full.signal(lengths)
    seen = true > FAINTEST
    return float(np.max(np.abs(np.log(few.signal(lengths)[seen] / true[seen]))))


LINEARISED_TO = 7.0
"""Line integral up to which a hardening correction is fitted (a thousandth of the light); straight beyond."""


def linearisation(energies: Energies, material: int = SOLDER, degree: int = 5) -> Array:
    """Polynomial that undoes beam hardening behind one material: measured -ln S to a number linear in thickness.

    The line it aims at is the measured curve's slope at zero thickness, so thin objects keep their level. The fit is
    over thickness steps whose line integral is even between 0 and :data:`LINEARISED_TO`.

    Returns:
        Coefficients c of c[0]·p + c[1]·p² + …, shape (degree,).
    """
    mu = energies.of_materials(material + 1)[material]
    start = float(mu @ energies.weight)
    thickness = np.linspace(0.0, LINEARISED_TO / float(mu.min()), 4001)
    measured = -np.log(np.exp(-thickness[:, None] * mu) @ energies.weight)
    p = np.linspace(0.0, LINEARISED_TO, 401)[1:]
    wanted = start * np.interp(p, measured, thickness)
    powers = p[:, None] ** np.arange(1, degree + 1)
    # Relative errors count: the correction must be right for thin solder too.
    return np.asarray(np.linalg.lstsq(powers / p[:, None], wanted / p, rcond=None)[0])


def linearised(line_integrals: NDArray[np.float32], coefficients: Array) -> NDArray[np.float32]:
    """Line integrals after :func:`linearisation`'s polynomial, straight below 0 and beyond the fit."""
    p = np.clip(line_integrals, np.float32(0.0), np.float32(LINEARISED_TO))
    out = np.zeros_like(p)
    for c in coefficients[::-1]:
        out = (out + np.float32(c)) * p
    k = np.arange(1, len(coefficients) + 1)
    end = np.float32(np.sum(k * coefficients * LINEARISED_TO ** (k - 1)))
    beyond = line_integrals - p
    return np.asarray(out + np.where(beyond > 0, end, np.float32(coefficients[0])) * beyond, np.float32)


@lru_cache(maxsize=256)
def scan_energies(
    kilovolts: float,
    aluminium_mm: float,
    copper_mm: float,
    scintillator_mm: float,
    alloy: str,
    count: int = 8,
    second_alloy: str | None = None,
) -> Energies:
    """Fitted energies of a tube behind aluminium and copper filters, seen by a CsI detector.

    Args:
        kilovolts: tube voltage, 80 to 160 kV.
        aluminium_mm: filter, mm.
        copper_mm: filter, mm.
        scintillator_mm: thickness of the CsI, mm.
        alloy: solder on the board.
        count: number of energies; 0 keeps every bin.
        second_alloy: alloy of the metal inside MIX, if it differs.

    Raises:
        InputError: a value is outside what is stored.
    """
    spectrum = filtered(tube_spectrum(kilovolts), {"Al": aluminium_mm, "Cu": copper_mm})
    full = all_energies(detected(spectrum, scintillator_mm), alloy, second_alloy)
    return reduce(full, count) if count else full
