"""A board for development from an independent mesh simulator, so that nobody tunes on the demo boards.

    python tests/outside/mesh_board --preset clean --out boards/clean     (packages: extra `mesh`)

Nothing here knows the generator's shapes, projector or detector. Joints are capillary profiles (Young-Laplace by
shooting, not truncated spheres), revolved to triangle meshes; voids, gaps and bridges are boolean operations on
meshes (manifold3d); path lengths come from gvxr (Mesa's software renderer does); spectrum by spekpy, attenuation by
xraydb; energy sum, blur, scatter and noise are written below in numpy. Only the reconstruction is the project's own,
because it is held against itk-rtk.

Writes `board.mha` (1/mm), `truth.csv` (measured on the meshes), `record.json` (what was drawn). Frame of the file:
x along columns, y along rows and the rotation axis, z from board to package. `--check` makes no board but looks at a
marker off the axis and at a solid sphere at one energy.
Needs EGL: on Debian libegl1, libgl1-mesa-dri and the libxcb-* packages that gvxr's library names when it is loaded.
"""

from __future__ import annotations

import argparse
import json
import math
import os
import sys
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
from board import build
from manifold3d import Manifold
from presets import KINDS, PRESETS, Board
from xrays import (
    Lengths,
    arrays,
    attenuation,
    expected,
    geometry_of,
    lattice_of,
    measured,
    reconstruct,
    rotation,
    spectrum,
)


def check() -> None:
    """A marker off the axis must appear at its place, and a solid solder sphere at one energy at its attenuation."""
    board = replace(PRESETS["sound"], views=240)
    geometry = geometry_of(board, (0.9, 0.9, 0.7))
    marker, ball = np.array([0.43, -0.37, 0.29]), np.array([-0.3, 0.25, -0.1])
    solids = {
        "solder": Manifold.sphere(0.09, 96).translate(marker) + Manifold.sphere(0.25, 192).translate(ball)
    }
    lengths = Lengths({n: arrays(s) for n, s in solids.items()}, geometry, 2)
    mu = 2.219  # per mm, SAC305 at 80 keV (NIST SRD 126 by weight)
    integrals = []
    for k in range(board.views):
        signal, _ = expected(
            lengths(2 * math.pi * k / board.views), np.array([[mu]]), np.ones(1), np.ones(1), 2
        )
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
    if max(abs(off)) > 0.1 or abs(mean / mu - 1) > 0.01:
        sys.exit("the chain does not hold: no board is made")


def run(board: Board, folder: Path, sub: int) -> None:
    import pandas as pd
    import SimpleITK as sitk

    from jointwise.joints.names import ball_name

    began = time.time()
    solids, rows, record = build(board)
    turn = rotation(*board.tilt, board.turn)
    middle = np.mean([r["centre"] for r in rows], axis=0)
    shift = np.array([0.3, -0.2, 0.4]) * board.voxel - turn @ middle
    meshes = {name: (v @ turn.T + shift, f) for name, (v, f) in ((n, arrays(s)) for n, s in solids.items())}
    reach = np.abs(turn) @ np.array(
        [board.cols * board.pitch / 2, board.rows * board.pitch / 2, board.ball * 0.5]
    )
    half = tuple(float(h) for h in reach + np.array([0.3, 0.3, 0.35]))
    geometry = geometry_of(board, half) | {"shift": board.axis_px * board.pixel}
    print(
        f"meshes: {sum(len(f) for _, f in meshes.values())} triangles after {time.time() - began:.0f} s; {geometry}"
    )
    lengths = Lengths(meshes, geometry, sub)
    kev, quanta = spectrum(board)
    weight = kev * quanta / (kev * quanta).sum()
    quantum = kev / (kev * quanta).sum()
    mu = np.stack([attenuation(name, kev) for name in lengths.names])
    rng = np.random.default_rng([board.seed, 1])
    gain = 1 + board.gain_sd * rng.standard_normal((geometry["rows"], geometry["columns"]))
    integrals = np.empty((board.views, geometry["rows"], geometry["columns"]), np.float32)
    for k in range(board.views):
        signal, spread = expected(lengths(2 * math.pi * k / board.views), mu, weight, quantum, sub)
        integrals[k] = measured(signal, spread, board, board.pixel / board.voxel, gain, rng)
        if k % 50 == 0:
            print(f"view {k} of {board.views}, {time.time() - began:.0f} s", flush=True)
    lattice = lattice_of(half, board.voxel)
    volume = reconstruct(integrals, geometry | {"shift": 0.0}, lattice, board.hann)
    folder.mkdir(parents=True, exist_ok=True)
    image = sitk.GetImageFromArray(volume)
    image.SetSpacing(lattice.spacing_mm)
    image.SetOrigin(lattice.origin_mm)
    sitk.WriteImage(image, str(folder / "board.mha"), useCompression=True)
    for r in rows:
        x, y, z = turn @ np.array(r.pop("centre")) + shift
        r |= {"ball": ball_name(r["row"], r["col"]), "x_mm": float(x), "y_mm": float(y), "z_mm": float(z)}
    names = [
        *("ball", "row", "col", "x_mm", "y_mm", "z_mm", "present", *KINDS),
        *("void_projected_area_pct", "void_volume_pct", "gap_um", "contact_fraction", "bridge_neck_um"),
    ]
    pd.DataFrame(rows).reindex(columns=names).round(5).to_csv(folder / "truth.csv", index=False)
    record |= {
        "geometry": geometry,
        "rotation": turn.tolist(),
        "shift_mm": shift.tolist(),
        "energies_kev": len(kev),
    }
    (folder / "record.json").write_text(json.dumps(record, indent=1) + "\n", encoding="utf-8")
    counts = pd.DataFrame(rows)[list(KINDS)].sum().to_dict()
    print(f"{folder}: {volume.shape} voxels, {counts}, {time.time() - began:.0f} s")


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--preset", choices=sorted(PRESETS), default="clean")
    parser.add_argument("--out", type=Path, help="folder of the board; needed unless --check")
    parser.add_argument("--seed", type=int, help="another board of the same preset")
    parser.add_argument("--sub-rays", type=int, default=2, help="rays per pixel edge, intensities averaged")
    parser.add_argument(
        "--check", action="store_true", help="only hold marker and sphere against what they are"
    )
    given = parser.parse_args()
    os.environ.setdefault("XDG_RUNTIME_DIR", "/tmp")
    if given.check:
        check()
        return
    if given.out is None:
        parser.error("expected --out FOLDER, found none")
    board = PRESETS[given.preset]
    run(board if given.seed is None else replace(board, seed=given.seed), given.out, given.sub_rays)


if __name__ == "__main__":
    main()
