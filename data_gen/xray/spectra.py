"""Tube spectra, filters and the scintillator: from a tube voltage to quanta detected per energy bin."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib import resources

import numpy as np
from numpy.typing import NDArray

from jointwise.data_gen.xray.attenuation import mu_per_mm
from jointwise.joints.errors import InputError

TABLE = "tungsten_spectra.csv"
"""Stored spekpy spectra; tables/make_spectra.py regenerates them and the file's head tells the settings."""


@dataclass(frozen=True)
class Spectrum:
    """Photons per energy bin.

    Args:
        energies_kev: bin centres, shape (n,).
        photons: photons in each bin in any common unit, shape (n,), not negative.
    """

    energies_kev: NDArray[np.float64]
    photons: NDArray[np.float64]

    @property
    def mean_energy_kev(self) -> float:
        """Mean photon energy, weighted by photons."""
        return float(np.sum(self.energies_kev * self.photons) / np.sum(self.photons))

    @property
    def swank_excess(self) -> float:
        """⟨E²⟩/⟨E⟩²: by how much an energy-integrating detector needs more quanta than a counting one."""
        second = float(np.sum(self.energies_kev**2 * self.photons) / np.sum(self.photons))
        return second / self.mean_energy_kev**2


@cache
def _table() -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    text = resources.files("jointwise.data_gen.xray.tables").joinpath(TABLE).read_text(encoding="utf-8")
    lines = [line for line in text.splitlines() if not line.startswith("#")]
    voltages = np.array([float(name.removeprefix("kv_")) for name in lines[0].split(",")[1:]])
    rows = np.array([[float(v) for v in line.split(",")] for line in lines[1:]])
    return voltages, rows[:, 0], rows[:, 1:].T


def tube_spectrum(kilovolts: float) -> Spectrum:
    """Spectrum of a tungsten tube (12° anode) behind its own inherent filtration.

    Between the stored voltages the fluence is interpolated linearly at fixed energy and cut at the voltage.

    Args:
        kilovolts: tube voltage, 80 to 160.

    Raises:
        InputError: the voltage lies outside the stored ones.
    """
    voltages, energies, fluence = _table()
    if not voltages[0] <= kilovolts <= voltages[-1]:
        raise InputError(
            f"expected a tube voltage of {voltages[0]:g} to {voltages[-1]:g} kV, found {kilovolts:g}; "
            "choose one inside or extend data_gen/xray/tables/make_spectra.py"
        )
    upper = int(np.clip(np.searchsorted(voltages, kilovolts), 1, len(voltages) - 1))
    share = (kilovolts - voltages[upper - 1]) / (voltages[upper] - voltages[upper - 1])
    photons = (1.0 - share) * fluence[upper - 1] + share * fluence[upper]
    keep = energies < kilovolts
    return Spectrum(energies[keep], photons[keep])


def filtered(spectrum: Spectrum, filters_mm: Mapping[str, float]) -> Spectrum:
    """The spectrum behind flat filters, given as thickness in mm per material name (0 does nothing)."""
    exponent = np.zeros_like(spectrum.energies_kev)
    for name, thickness_mm in filters_mm.items():
        if thickness_mm < 0:
            raise InputError(f"expected a filter of 0 mm or more of {name}, found {thickness_mm:g}")
        exponent += mu_per_mm(name, spectrum.energies_kev) * thickness_mm
    return Spectrum(spectrum.energies_kev, spectrum.photons * np.exp(-exponent))


def detected(spectrum: Spectrum, scintillator_mm: float) -> Spectrum:
    """The photons absorbed in a CsI scintillator of that thickness (perpendicular, no fluorescence escape)."""
    if scintillator_mm <= 0:
        raise InputError(f"expected a scintillator thicker than 0 mm, found {scintillator_mm:g}")
    absorbed = -np.expm1(-mu_per_mm("CsI", spectrum.energies_kev) * scintillator_mm)
    return Spectrum(spectrum.energies_kev, spectrum.photons * absorbed)


def transmission(spectrum: Spectrum, optical_depth: NDArray[np.float64]) -> float:
    """Signal of an energy-integrating detector behind an object relative to air.

    Args:
        spectrum: detected quanta (see :func:`detected`).
        optical_depth: Σ µ·length per energy bin, shape (n,).
    """
    signal = spectrum.photons * spectrum.energies_kev
    return float(np.sum(signal * np.exp(-optical_depth)) / np.sum(signal))
