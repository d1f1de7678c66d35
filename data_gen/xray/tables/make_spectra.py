"""Regenerate tungsten_spectra.csv with spekpy: python -m jointwise.data_gen.xray.tables.make_spectra

The file holds photon fluence per 0.5 keV bin at 1 m per mAs behind the tube's inherent (target) filtration
only; filters are applied by our own attenuation when a spectrum is used.
"""

from __future__ import annotations

import io
from pathlib import Path

import numpy as np

TARGET = Path(__file__).with_name("tungsten_spectra.csv")
VOLTAGES_KV = tuple(range(80, 161, 10))
ANODE_DEG, BIN_KEV = 12, 0.5


def make() -> str:
    """Text of the table: comment lines with the settings, then energy_kev and one column per voltage."""
    import spekpy

    energies = np.arange(1.25, VOLTAGES_KV[-1], BIN_KEV)
    columns = [energies]
    for kilovolts in VOLTAGES_KV:
        tube = spekpy.Spek(kvp=kilovolts, th=ANODE_DEG, dk=BIN_KEV)
        centres, per_kev = tube.get_spectrum(diff=True)
        fluence = np.zeros_like(energies)
        fluence[np.searchsorted(energies, centres)] = per_kev * BIN_KEV
        columns.append(fluence)
    out = io.StringIO()
    out.write(
        f"# spekpy {spekpy.__version__}: Spek(kvp, th={ANODE_DEG}, dk={BIN_KEV}), other settings default\n"
        "# (physics spekpy-v2-casim, mu_data_source pene, tungsten reflection target, no added filter)\n"
        "# photons per cm2 per mAs at 1 m in each 0.5 keV bin; energy_kev is the bin's centre\n"
    )
    out.write(",".join(["energy_kev", *(f"kv_{kilovolts}" for kilovolts in VOLTAGES_KV)]) + "\n")
    for row in np.stack(columns, axis=1):
        out.write(f"{row[0]:g}," + ",".join(f"{value:.5g}" for value in row[1:]) + "\n")
    return out.getvalue()


if __name__ == "__main__":
    TARGET.write_text(make(), encoding="utf-8")
