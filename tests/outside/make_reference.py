"""Regenerate tests/outside/stored (needs the extra `reference`): python tests/outside/make_reference.py

Each function returns what one package says about one case; the tests compare with the stored values every time and,
where the package is installed, with the package itself (marker `reference`).
"""

from __future__ import annotations

import json
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np

STORED = Path(__file__).with_name("stored")

# Cases: the tests read the same numbers, so that both sides compute the same thing.
ELLIPSOID = {"centre": [1.0, -0.5, 0.7], "semi_axes": [3.0, 2.0, 1.5], "turn_about_y_deg": 25.0}
ELLIPSOID_BEAM = {
    "sod": 100.0,
    "sdd": 400.0,
    "pixel": 1.6,
    "columns": 24,
    "rows": 20,
    "angles_deg": [0, 37, 90, 200],
}
FDK_BEAM = {"sod": 60.0, "sdd": 180.0, "pixel": 0.6, "columns": 64, "rows": 48, "views": 60}
FDK_SPHERE = {"centre": [1.0, 0.5, -1.5], "radius": 3.0}
FDK_GRID = {"points": [12, 9, 12], "spacing": 0.9}
SPECTRA = [
    (80, 1.0, 0.1),
    (100, 1.0, 0.1),
    (120, 1.0, 0.1),
    (125, 1.0, 0.5),
    (130, 1.0, 0.5),
    (160, 1.0, 0.5),
]
ELEMENTS = ("Al", "Si", "Cu", "Ag", "Sn", "Cs", "I", "Pb", "Bi")
ENERGIES_KEV = (20.0, 30.0, 40.0, 60.0, 80.0, 100.0, 120.0, 150.0)


def _rtk() -> tuple[Any, Any, Any]:
    import itk
    from itk import RTK

    return itk, RTK, itk.Image[itk.F, 3]


def _rtk_geometry(rtk: Any, sod: float, sdd: float, angles_deg: Any) -> Any:
    geometry = rtk.ThreeDCircularProjectionGeometry.New()
    for angle in angles_deg:
        geometry.AddProjection(sod, sdd, float(angle))
    return geometry


def _rtk_blank(rtk: Any, image: Any, size: list[int], spacing: list[float]) -> Any:
    source = rtk.ConstantImageSource[image].New()
    source.SetSize(size)
    source.SetSpacing(spacing)
    source.SetOrigin([-(n - 1) * s / 2 for n, s in zip(size, spacing, strict=True)])
    source.SetConstant(0.0)
    source.Update()
    return source.GetOutput()


def rtk_ellipsoid_lengths() -> np.ndarray:
    """Path lengths (view, row, column) in mm through ELLIPSOID by itk-rtk's ray-ellipsoid filter."""
    itk, rtk, image = _rtk()
    beam = ELLIPSOID_BEAM
    size = [beam["columns"], beam["rows"], len(beam["angles_deg"])]
    rays = rtk.RayEllipsoidIntersectionImageFilter[image, image].New()
    rays.SetInput(_rtk_blank(rtk, image, size, [beam["pixel"], beam["pixel"], 1.0]))
    rays.SetGeometry(_rtk_geometry(rtk, beam["sod"], beam["sdd"], beam["angles_deg"]))
    rays.SetDensity(1.0)
    rays.SetCenter(ELLIPSOID["centre"])
    rays.SetAxis(ELLIPSOID["semi_axes"])
    rays.SetAngle(ELLIPSOID["turn_about_y_deg"])
    rays.Update()
    return np.array(itk.array_from_image(rays.GetOutput()))


def rtk_fdk(projections: np.ndarray) -> np.ndarray:
    """Volume (z, y, x) of the FDK grid from projections (view, row, column) by itk-rtk, plain ramp."""
    itk, rtk, image = _rtk()
    beam = FDK_BEAM
    stack = itk.image_from_array(np.ascontiguousarray(projections, np.float32))
    stack.SetSpacing([beam["pixel"], beam["pixel"], 1.0])
    stack.SetOrigin(
        [-(beam["columns"] - 1) * beam["pixel"] / 2, -(beam["rows"] - 1) * beam["pixel"] / 2, 0.0]
    )
    fdk = rtk.FDKConeBeamReconstructionFilter[image].New()
    fdk.SetInput(0, _rtk_blank(rtk, image, FDK_GRID["points"], [FDK_GRID["spacing"]] * 3))
    fdk.SetInput(1, stack)
    angles = 360.0 * np.arange(beam["views"]) / beam["views"]
    fdk.SetGeometry(_rtk_geometry(rtk, beam["sod"], beam["sdd"], angles))
    fdk.GetRampFilter().SetTruncationCorrection(0.0)
    fdk.GetRampFilter().SetHannCutFrequency(0.0)
    fdk.Update()
    return np.array(itk.array_from_image(fdk.GetOutput()))


def fdk_projections() -> np.ndarray:
    """Exact chords (view, row, column) through FDK_SPHERE in FDK_BEAM, by a formula of their own."""
    beam = FDK_BEAM
    u = (np.arange(beam["columns"]) - (beam["columns"] - 1) / 2) * beam["pixel"]
    v = (np.arange(beam["rows"]) - (beam["rows"] - 1) / 2) * beam["pixel"]
    out = []
    for angle in 2 * np.pi * np.arange(beam["views"]) / beam["views"]:
        outward = np.array([np.sin(angle), 0.0, np.cos(angle)])
        across, along = np.array([np.cos(angle), 0.0, -np.sin(angle)]), np.array([0.0, 1.0, 0.0])
        rays = u[None, :, None] * across + v[:, None, None] * along - beam["sdd"] * outward
        rays /= np.linalg.norm(rays, axis=-1, keepdims=True)
        to_centre = np.asarray(FDK_SPHERE["centre"]) - beam["sod"] * outward
        away = np.sum(to_centre**2) - (rays @ to_centre) ** 2
        out.append(2 * np.sqrt(np.maximum(FDK_SPHERE["radius"] ** 2 - away, 0.0)))
    return np.array(out)


def spekpy_spectra() -> list[dict[str, float]]:
    """Mean energy in keV and first half-value layers in mm of the SPECTRA by spekpy."""
    import spekpy

    rows = []
    for kvp, aluminium, copper in SPECTRA:
        tube = spekpy.Spek(kvp=kvp, th=12, dk=0.5).filter("Al", aluminium).filter("Cu", copper)
        values = {
            "mean_kev": tube.get_emean(),
            "hvl_al_mm": tube.get_hvl(),
            "hvl_cu_mm": tube.get_hvl(matl="Cu"),
        }
        rows.append(
            {"kvp": kvp, "al_mm": aluminium, "cu_mm": copper} | {k: float(v) for k, v in values.items()}
        )
    return rows


def xraylib_attenuation() -> dict[str, list[float]]:
    """Total mass attenuation in cm²/g of ELEMENTS at ENERGIES_KEV by xraylib."""
    import xraylib

    numbers = {symbol: xraylib.SymbolToAtomicNumber(symbol) for symbol in ELEMENTS}
    return {s: [float(xraylib.CS_Total(z, e)) for e in ENERGIES_KEV] for s, z in numbers.items()}


def versions() -> dict[str, str]:
    """Versions of the reference packages."""
    from importlib.metadata import version

    return {name: version(name) for name in ("itk-rtk", "spekpy", "xraylib")}


RESULTS: dict[str, tuple[str, Callable[[], Any]]] = {
    "rtk_ellipsoid_lengths": ("itk-rtk", lambda: np.round(rtk_ellipsoid_lengths().astype(float), 4).tolist()),
    "rtk_fdk": ("itk-rtk", lambda: np.round(rtk_fdk(fdk_projections()).astype(float), 5).tolist()),
    "spekpy_spectra": ("spekpy", spekpy_spectra),
    "xraylib_attenuation": ("xraylib", xraylib_attenuation),
}
"""What is stored: the package that says it, and how to ask."""


def main(wanted: list[str]) -> None:
    """Write every stored file anew; or, given names of results, print the first as JSON and write nothing."""
    if wanted:
        print(json.dumps(RESULTS[wanted[0]][1]()))
        return
    STORED.mkdir(exist_ok=True)
    for name, (_, ask) in RESULTS.items():
        text = json.dumps({"made_with": versions(), "values": ask()}, separators=(",", ":"))
        (STORED / f"{name}.json").write_text(text + "\n", encoding="utf-8")


if __name__ == "__main__":
    main(sys.argv[1:])
