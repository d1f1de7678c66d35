"""How strongly each material of a board attenuates X-rays, from the Elam tables by way of xraydb.

The Elam tables agree with NIST Standard Reference Database 126 within 0.1 % at its tabulated energies and
keep absorption edges sharp; finely gridded tables that interpolate across an edge do not.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from typing import Any

import numpy as np
import xraydb
from numpy.typing import NDArray

from jointwise.joints.errors import InputError

LOWEST_KEV, HIGHEST_KEV = 1.0, 500.0


@dataclass(frozen=True)
class Material:
    """A homogeneous material: weight fractions of its elements (they sum to 1) and density in g/cm³."""

    density_g_per_cm3: float
    weights: Mapping[str, float]


def compound(formula: str) -> dict[str, float]:
    """Weight fractions of the elements in a chemical formula such as ``"SiO2"``."""
    masses = {e: n * xraydb.atomic_mass(e) for e, n in xraydb.chemparse(formula).items()}
    total = sum(masses.values())
    return {element: mass / total for element, mass in masses.items()}


def mixture(parts: Mapping[str, float]) -> dict[str, float]:
    """Weight fractions of the elements in a mixture of compounds given by weight (any common scale)."""
    whole = sum(parts.values())
    weights: dict[str, float] = {}
    for formula, part in parts.items():
        for element, weight in compound(formula).items():
            weights[element] = weights.get(element, 0.0) + weight * part / whole
    return weights


# Laminate: 60 % E-glass (oxides by weight as listed) and 40 % epoxy, free of halogens; our own mix.
_E_GLASS = {"SiO2": 55.0, "CaO": 20.0, "Al2O3": 15.0, "B2O3": 8.0, "MgO": 2.0}
_FR4 = {formula: 0.6 * part / 100.0 for formula, part in _E_GLASS.items()} | {"C21H24O4": 0.4}

MATERIALS: Mapping[str, Material] = {
    "SAC305": Material(7.38, {"Sn": 0.965, "Ag": 0.030, "Cu": 0.005}),
    "Sn63Pb37": Material(8.419, {"Sn": 0.63, "Pb": 0.37}),
    "Sn42Bi58": Material(8.550, {"Sn": 0.42, "Bi": 0.58}),
    "FR-4": Material(1.85, mixture(_FR4)),
    "CsI": Material(4.51, compound("CsI")),
    # Densities of the pure elements as listed by NIST Standard Reference Database 126.
    "Al": Material(2.699, {"Al": 1.0}),
    "Cu": Material(8.96, {"Cu": 1.0}),
    "Si": Material(2.33, {"Si": 1.0}),
    "Sn": Material(7.31, {"Sn": 1.0}),
    "Ag": Material(10.5, {"Ag": 1.0}),
    "Pb": Material(11.35, {"Pb": 1.0}),
}
"""Materials by name; solder alloys carry the trade's names."""

ALLOYS = ("SAC305", "Sn63Pb37", "Sn42Bi58")
"""Solder alloys a board may be drawn with."""


def material(name: str) -> Material:
    """The stored material of that name.

    Raises:
        InputError: there is none.
    """
    if name not in MATERIALS:
        known = ", ".join(MATERIALS)
        raise InputError(f"expected a material out of {known}, found {name!r}; choose one of these")
    return MATERIALS[name]


def mass_attenuation(weights: Mapping[str, float], energies_kev: NDArray[Any]) -> NDArray[np.float64]:
    """Total mass attenuation with coherent scattering, in cm²/g, of a mixture by weight.

    Args:
        weights: weight fraction per element symbol.
        energies_kev: photon energies in keV, any shape, within 1 to 500.

    Returns:
        Array of the energies' shape.

    Raises:
        InputError: an energy lies outside the range for which the tables are trusted.
    """
    energies = np.asarray(energies_kev, dtype=np.float64)
    if energies.size and not (energies.min() >= LOWEST_KEV and energies.max() <= HIGHEST_KEV):
        raise InputError(
            f"expected photon energies within {LOWEST_KEV:g} to {HIGHEST_KEV:g} keV, found "
            f"{energies.min():g} to {energies.max():g}; choose a tube voltage inside the range"
        )
    total = np.zeros(energies.shape)
    for element, weight in weights.items():
        total += weight * np.asarray(xraydb.mu_elam(element, energies * 1000.0)).reshape(energies.shape)
    return total


def mu_per_mm(name: str, energies_kev: NDArray[Any]) -> NDArray[np.float64]:
    """Linear attenuation per mm of a named material at the given energies in keV (same shape)."""
    entry = material(name)
    return mass_attenuation(entry.weights, energies_kev) * entry.density_g_per_cm3 / 10.0


@cache
def _basis_rows(alloy: str, energies_kev: tuple[float, ...]) -> NDArray[np.float64]:
    grid = np.array(energies_kev)
    rows = np.stack([mu_per_mm(name, grid) for name in (alloy, "Cu", "FR-4", "Si")])
    rows.setflags(write=False)
    return rows


def basis_mu_per_mm(alloy: str, energies_kev: NDArray[Any]) -> NDArray[np.float64]:
    """Attenuation per mm of solder, copper, laminate and silicon, shape (4, n); read-only.

    The rows follow the material numbers of :mod:`jointwise.data_gen.shapes.scene`.

    Raises:
        InputError: the alloy is not a solder this room knows.
    """
    if alloy not in ALLOYS:
        raise InputError(f"expected a solder alloy out of {', '.join(ALLOYS)}, found {alloy!r}; choose one")
    return _basis_rows(alloy, tuple(float(e) for e in np.asarray(energies_kev)))
