"""A board for development from an independent mesh simulator, so that nobody tunes on the demo boards.

    python tests/outside/mesh_board --preset clean --out boards/clean     (packages: extra `mesh`)

Nothing here knows the generator's shapes, projector or detector. Joints are capillary profiles (Young-Laplace by
shooting, not truncated spheres; but balls on a mound, which are cut ellipsoids), revolved to triangle meshes (some
are then drawn to one side, creased or sheared: `outline.py`); voids, gaps and bridges are boolean operations on
meshes (manifold3d); path lengths come from gvxr (Mesa's software renderer does); spectrum by spekpy, attenuation by
xraydb; energy sum, blur, scatter and noise are written below in numpy. Only the reconstruction is the project's
own, because it is held against itk-rtk.

Writes `board.mha` (1/mm), `truth.csv` (measured on the meshes; `joints_truth.csv` is the same), `record.json` (what
was drawn) and `scan.json` (what a lab would tell). Frame of the file: x along columns, y along rows and the rotation
axis, z from board to package. `--check` makes no board but looks at a marker off the axis and at a solid sphere at one
energy, as the preset holds its board.
Needs EGL: on Debian libegl1, libgl1-mesa-dri and the libxcb-* packages that gvxr's library names when it is loaded.
"""

from __future__ import annotations

import argparse
import json
import math
import os
import sys
import time
from dataclasses import asdict, replace
from pathlib import Path

import numpy as np
from board import build
from manifold3d import Manifold
from presets import KINDS, PRESETS, Board
from xrays import (
    Lengths,
    arrays,
    expected,
    geometry_of,
    grouped,
    grouping_error,
    lattice_of,
    measured,
    reconstruct,
    rotation,
    spectrum,
)

from jointwise.joints.names import ball_name

GROUPS = 25
"""Energies are summed in so many groups: transmission stays within 0.001 of air (`grouping_error` in the record)."""


def check(ray_deg: float) -> None:
    """A marker off the axis must appear at its place, and a solid solder sphere at one energy at its attenuation."""
    board = replace(PRESETS["sound"], views=240, ray_deg=ray_deg)
    geometry = geometry_of(board, (0.9, 0.9, 0.7))
    marker, ball = np.array([0.43, -0.37, 0.29]), np.array([-0.3, 0.25, -0.1])
    solids = {
        "solder": Manifold.sphere(0.09, 96).translate(marker) + Manifold.sphere(0.25, 192).translate(ball)
    }
    lengths = Lengths({n: arrays(s) for n, s in solids.items()}, geometry, 2)
    mu = 2.219  # per mm, SAC305 at 80 keV (NIST SRD 126 by weight)
    integrals = []
    for k in range(board.views):
        signal, _ = expected(lengths(2 * math.pi * k / board.views), np.array([[mu]]), np.ones((1, 2)), 2)
        integrals.append(-np.log(signal))
    lattice = lattice_of((0.7, 0.7, 0.5), board.voxel)
    volume = reconstruct(np.array(integrals, np.float32), geometry, lattice, math.inf)
    z, y, x = np.indices(volume.shape)
    at = np.stack([x, y, z], axis=-1) * board.voxel + lattice.origin_mm
    near = np.linalg.norm(at - marker, axis=-1) < 0.14
    weight = np.clip(volume, 0, None)[near]
    off = ((at[near] * weight[:, None]).sum(axis=0) / weight.sum() - marker) / board.voxel
    inner = np.linalg.norm(at - ball, axis=-1) < 0.18
    mean, spread = float(volume[inner].mean()), float(volume[inner].std())
    print(
        f"marker off by {np.round(off, 3).tolist()} voxels (x, y, z); sphere {mean:.4f} +- {spread:.4f} /mm, true {mu}"
    )
    # In laminography no level is right but the middle's.
    level = abs(mean / mu - 1) if ray_deg == 90.0 else 0.0
    if max(abs(off)) > 0.1 or level > 0.01:
        sys.exit("the chain does not hold: no board is made")


def placed(board: Board, solids: dict, rows: list[dict]) -> tuple[dict, np.ndarray, np.ndarray, tuple]:
    """Meshes turned into the file's frame, that turn and shift, and half the size of the region to see."""
    turn = rotation(*board.tilt, board.turn)
    middle = np.mean([r["centre"] for r in rows], axis=0)
    shift = np.array([0.3, -0.2, 0.4]) * board.voxel - turn @ middle
    meshes = {name: (v @ turn.T + shift, f) for name, (v, f) in ((n, arrays(s)) for n, s in solids.items())}
    # Half a pitch beyond the outer balls in the plane; scoring cuts 0.65 balls to either side along the normal.
    size = [board.cols * board.pitch / 2, board.rows * board.pitch / 2, board.ball * 0.5]
    margin = np.array([0.3, 0.3, 0.5 * board.ball])
    return meshes, turn, shift, tuple(float(h) for h in np.abs(turn) @ np.array(size) + margin)


def scanned(board: Board, meshes: dict, geometry: dict, sub: int) -> np.ndarray:
    """Line integrals (view, row, column) as the detector gives them."""
    began = time.time()
    lengths = Lengths(meshes, geometry, sub)
    mu, weights = grouped(lengths.names, *spectrum(board), GROUPS)
    rng = np.random.default_rng([board.seed, 1])
    gain = 1 + board.gain_sd * rng.standard_normal((geometry["rows"], geometry["columns"]))
    bad = np.random.default_rng([board.seed, 2])
    gain[:, bad.integers(geometry["columns"], size=board.bad_columns)] += (
        board.bad_residual * bad.standard_normal(board.bad_columns)
    )
    integrals = np.empty((board.views, geometry["rows"], geometry["columns"]), np.float32)
    for k in range(board.views):
        signal, spread = expected(lengths(2 * math.pi * k / board.views), mu, weights, sub)
        integrals[k] = measured(signal, spread, board, board.pixel / board.voxel, gain, rng)
        if k % 50 == 0:
            print(f"view {k} of {board.views}, {time.time() - began:.0f} s", flush=True)
    return integrals


def image_quality(volume: np.ndarray, lattice, rows: list[dict], pitch: float, turn: np.ndarray) -> dict:
    """Level and noise in 5x5x3 voxels in the middle of sound joints, and of the air amid four joints."""

    def cubes(places) -> np.ndarray:
        found = []
        for place in places:
            x, y, z = np.rint((place - lattice.origin_mm) / lattice.spacing_mm[0]).astype(int)
            found.append(volume[z - 1 : z + 2, y - 2 : y + 3, x - 2 : x + 3].ravel())
        return np.array(found)

    at = np.array([[r["x_mm"], r["y_mm"], r["z_mm"]] for r in rows if r["note"] == "sound"])
    inner = [r for r in rows if r["row"] and r["col"] and "bridge" not in r["note"]]
    amid = np.array([[r["x_mm"], r["y_mm"], r["z_mm"]] for r in inner]) - turn @ [pitch / 2, pitch / 2, 0]
    solder, air = cubes(at), cubes(amid)
    noise = float(np.sqrt(air.var(axis=1, ddof=1).mean()))
    levels = float(np.median(solder)), float(np.median(air))
    return {
        "solder": levels[0],
        "air": levels[1],
        "noise_in_air": noise,
        "cnr": (levels[0] - levels[1]) / noise,
    }


def run(preset: str, board: Board, folder: Path, sub: int) -> None:
    began = time.time()
    solids, rows, record = build(board)
    meshes, turn, shift, half = placed(board, solids, rows)
    geometry = geometry_of(board, half) | {"shift": board.axis_px * board.pixel}
    triangles = sum(len(f) for _, f in meshes.values())
    print(f"meshes: {triangles} triangles after {time.time() - began:.0f} s; {geometry}")
    integrals = scanned(board, meshes, geometry, sub)
    lattice = lattice_of(half, board.voxel)
    print(f"reconstruction of {lattice.shape} after {time.time() - began:.0f} s", flush=True)
    volume = reconstruct(integrals, geometry | {"shift": 0.0}, lattice, board.hann)
    for r in rows:
        x, y, z = turn @ np.array(r.pop("centre")) + shift
        r |= {"ball": ball_name(r["row"], r["col"]), "x_mm": float(x), "y_mm": float(y), "z_mm": float(z)}
    record |= {"geometry": geometry, "rotation": turn.tolist(), "shift_mm": shift.tolist()}
    record |= {"preset": preset, "energy_groups": GROUPS, "grouping_error": grouping_error(board, GROUPS)}
    record["quality"] = image_quality(volume, lattice, rows, board.pitch, turn)
    record["minutes"] = (time.time() - began) / 60
    write(folder, board, volume, lattice, rows, record)


def write(folder: Path, board: Board, volume: np.ndarray, lattice, rows: list[dict], record: dict) -> None:
    import pandas as pd
    import SimpleITK as sitk

    folder.mkdir(parents=True, exist_ok=True)
    image = sitk.GetImageFromArray(volume)
    image.SetSpacing(lattice.spacing_mm)
    image.SetOrigin(lattice.origin_mm)
    sitk.WriteImage(image, str(folder / "board.mha"), useCompression=False)
    names = [
        *("ball", "row", "col", "x_mm", "y_mm", "z_mm", "present", *KINDS),
        *(
            "void_projected_area_pct",
            "void_volume_pct",
            "gap_um",
            "contact_fraction",
            "bridge_neck_um",
            "note",
        ),
    ]
    table = pd.DataFrame(rows).reindex(columns=names)
    table[list(KINDS)] = table[list(KINDS)].fillna(0).astype(int)
    for name in ("truth.csv", "joints_truth.csv"):
        table.round(5).to_csv(folder / name, index=False)
    empty = filter(board.left_empty, range(board.rows * board.cols))
    facts = {
        "name": folder.name,
        "units": "linear attenuation, 1/mm",
        "package_side": "high z",
        "depopulated": [ball_name(*divmod(i, board.cols)) for i in empty],
        "pitch_mm": board.pitch,
        "ball_mm": board.ball,
        "rows": board.rows,
        "cols": board.cols,
        "voxel_mm": board.voxel,
        "size_xyz": list(volume.shape[::-1]),
        "origin_mm": list(lattice.origin_mm),
        "scan": asdict(board),
        "measured": record["quality"],
    }
    for name, text in (("record.json", record), ("scan.json", facts)):
        (folder / name).write_text(json.dumps(text, indent=1) + "\n", encoding="utf-8")
    counts = table[list(KINDS)].sum().to_dict()
    print(f"{folder}: {volume.shape} voxels, {counts}, {record['quality']}, {record['minutes']:.1f} minutes")


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--preset", choices=sorted(PRESETS), default="clean")
    parser.add_argument("--out", type=Path, help="folder of the board; needed unless --check")
    parser.add_argument("--seed", type=int, help="another board of the same preset")
    parser.add_argument("--joints", type=int, help="so many rows and columns instead of the preset's")
    parser.add_argument("--views", type=int, help="so many views instead of the preset's")
    parser.add_argument(
        "--photons", type=float, help="so many open-beam quanta a pixel instead of the preset's"
    )
    parser.add_argument("--sub-rays", type=int, default=2, help="rays per pixel edge, intensities averaged")
    parser.add_argument(
        "--check", action="store_true", help="only hold marker and sphere against what they are"
    )
    given = parser.parse_args()
    os.environ.setdefault("XDG_RUNTIME_DIR", "/tmp")
    if given.check:
        check(PRESETS[given.preset].ray_deg)
        return
    if given.out is None:
        parser.error("expected --out FOLDER, found none")
    asked = {"seed": given.seed, "views": given.views, "photons": given.photons}
    asked |= {"rows": given.joints, "cols": given.joints}
    board = replace(PRESETS[given.preset], **{k: v for k, v in asked.items() if v is not None})
    run(given.preset, board, given.out, given.sub_rays)


if __name__ == "__main__":
    main()
