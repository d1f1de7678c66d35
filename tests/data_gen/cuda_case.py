"""Two scans of two balls for `test_cuda`, on a card or (run as a program) as C++ and under numba's
CUDA simulator.

NUMBA_ENABLE_CUDASIM=1 NUMBA_DISABLE_JIT=1 python tests/data_gen/cuda_case.py upright OUT.npz
"""

import sys
from dataclasses import replace
from typing import Any, NamedTuple

import numpy as np

from jointwise.data_gen.device import prepared_scene
from jointwise.data_gen.drawing.scan import draw_scan
from jointwise.data_gen.settings import GeneratorSettings
from jointwise.data_gen.settings.board import FamilySettings
from jointwise.data_gen.shapes import solids as sd
from jointwise.data_gen.shapes.build import build_scene
from jointwise.data_gen.shapes.scene import COPPER, LAMINATE, SILICON, Boxes, Joint, Neck, Scene, pack
from jointwise.data_gen.xray.detector import Detector
from jointwise.data_gen.xray.energies import Energies, linearisation
from jointwise.data_gen.xray.geometry import STEADY, ConeBeam, Pose, Wobble, centred_lattice
from jointwise.joints.grid import Grid
from jointwise.joints.lattice import rotation

UPRIGHT = {
    "source_axis_mm": 20.0,
    "source_detector_mm": 60.0,
    "pixel_mm": 0.15,
    "columns": 34,
    "rows": 18,
    "views": 3,
}
POSE = Pose(rotation(1.0, -2.0, 3.0), np.array([0.02, 0.01, -0.03]))
BLURS: dict[str, Any] = {
    "focal_blur_px": 0.4, "scintillator_blur_px": 0.6, "scatter_fraction": 0.1, "scatter_sigma_px": 12.0
}  # fmt: skip
ENERGIES = Energies(
    np.array([[2.0, 1.2], [1.5, 0.9], [0.2, 0.1], [0.3, 0.2]]), np.array([0.4, 0.6]), np.array([0.8, 1.1]),
    np.array([50.0, 80.0]),
)  # fmt: skip
SEED = 5


class Case(NamedTuple):
    """One scan of the two balls."""

    beam: ConeBeam
    wobble: Wobble
    energies: Energies
    detector: Detector
    linearised: bool
    apodisation: str

    @property
    def curve(self):
        """Coefficients of the linearisation, or None."""
        return linearisation(self.energies) if self.linearised else None


CASES = {
    "upright": Case(ConeBeam(**UPRIGHT), STEADY, ENERGIES, Detector(**BLURS), False, "hann"),
    # Everything at once: a leaning axis, a machine that wanders, two alloys, a panel that drifts and has dead pixels.
    "tilted": Case(
        ConeBeam(**UPRIGHT | {"first_angle_deg": 20.0}, axis_tilt_deg=25.0),
        Wobble(detector_shift_mm=0.07, spot_drift_mm=(0.01, -0.02), jitter_deg=0.05, seed=3),
        Energies(
            np.vstack([ENERGIES.mu_per_mm, [3.0, 2.2]]), ENERGIES.weight, ENERGIES.quantum, ENERGIES.energies_kev
        ),
        Detector(
            **BLURS, gain_sd=0.01, gain_drift=0.01, bad_columns=2, bad_pixels=0.03, bad_residual=0.05,
            intensity_drift=-0.05, intensity_sd=0.02, bits=16, glare_fraction=0.08,
        ),
        True,
        "shepp_logan",
    ),
}  # fmt: skip
CENTRES = np.array([[-0.4, 0.0, 0.0], [0.4, 0.0, 0.0]])
HALF = (0.3, 0.3, 0.3)
LATTICE = centred_lattice((14, 14, 32), 0.05)
PIECE = (6, 9, 5)
PIECES = (6, 2, 4), (21, 2, 3)
"""Voxels (z, y, x) and first voxel (x, y, z) of pieces of the lattice that are wanted anyway."""
GRID = Grid((8, 8, 8))
PITCH, BALL = 0.4, 0.4


def scene():
    """Two balls with solids of every role (two alloys, voids that overlap), a neck, lands, a barrel and boxes."""
    hollow = sd.join(
        sd.sphere((-0.4, 0, 0), 0.25),
        *(sd.sphere((-0.38, 0.05, z), 0.08, role=sd.VOID) for z in (0.02, 0.1)),
        sd.sphere((-0.4, 0, -0.12), 0.11, role=sd.GAP),
        sd.sphere((-0.4, 0, -0.13), 0.1, role=sd.KEEP),
        sd.sphere((-0.34, 0, -0.05), 0.03, role=sd.PATCH),
    )
    waist = sd.segment((0.01, 0.0, 1.0), (-0.12, 0.12), origin=(0.4, 0, 0.25))
    mixed = sd.join(
        sd.sphere((0.4, 0, 0), 0.25),
        waist,
        sd.sphere((0.45, 0, -0.1), 0.07, role=sd.VOID),
        sd.sphere((0.4, 0, -0.15), 0.2, role=sd.MIX),
    )
    joints = []
    for col, solids in enumerate((hollow, mixed)):
        centre, radius = sd.enclosing_sphere(sd.of_role(solids, sd.BODY))
        joints.append(
            Joint(0, col, solids, centre, centre, radius, centre[:2], centre[:2], 0.5, 0.2, 0.2, 0.06)
        )
    land = sd.cylinder((-0.4, 0, -0.28), (-0.4, 0, -0.26), 0.2)
    boxes = Boxes(
        np.array([[-1, -1, -0.8], [-1, -1, -0.4], [-0.3, -0.3, 0.3]]),
        np.array([[1, 1, -0.4], [1, 1, -0.38], [0.3, 0.3, 0.5]]),
        np.array([LAMINATE, COPPER, SILICON], np.int8),
    )
    start, end = np.array([-0.25, 0, 0.05]), np.array([0.25, 0, 0.05])
    neck = Neck(sd.cylinder(start, end, 0.06), (0, 1), start, end, 0.011)
    barrel = sd.join(
        sd.cylinder((0.4, 0, -0.7), (0.4, 0, -0.45), 0.1),
        sd.cylinder((0.4, 0, -0.7), (0.4, 0, -0.45), 0.07, sd.VOID),
    )
    return Scene(tuple(joints), (neck,), land, barrel, boxes)


SMALL_GRID = Grid((16, 16, 16), pitches=1.2, balls=1.92)


def small_scan(number):
    """2x2 joints ready for a card, straight onto `SMALL_GRID`."""
    settings = GeneratorSettings(family=FamilySettings(rows=(2, 2), cols=(2, 2), ball_range_mm=(0.5, 0.5)))
    record = draw_scan(settings, 1, number)
    scanner = replace(
        record.scanner, mount="upright", axis_tilt_deg=0.0, ray_deg=90.0, voxel_mm=0.06, voxels_per_ball=8.0,
        pixel_mm=0.3, sod_mm=40.0, sdd_mm=200.0, detector_rows=64, detector_columns=64, views=24,
        tilt_x_deg=0.0, tilt_y_deg=0.0, in_plane_deg=0.0, plane_error_deg=(0.0, 0.0),
    )  # fmt: skip
    record = replace(record, scanner=scanner)
    return prepared_scene(record, build_scene(record), SMALL_GRID, truth=False)


def on_card(name):
    """Signal, variance, line integrals, volume and boxes of one case by the kernels."""
    import torch

    from jointwise.data_gen.xray.cuda import cut, fdk
    from jointwise.data_gen.xray.cuda import load as loads
    from jointwise.data_gen.xray.cuda import panel as panels
    from jointwise.data_gen.xray.cuda.card import card
    from jointwise.data_gen.xray.cuda.detect import Measure
    from jointwise.data_gen.xray.cuda.project import project, shadows

    device, case = card(), CASES[name]
    beam = case.beam
    sent = loads.on_card(
        loads.load(pack(scene()), beam, case.energies, pose=POSE, wobble=case.wobble), device
    )
    lost = torch.zeros(1, dtype=torch.int32, device=device)
    signal, variance, absorbed = project(sent, shadows(sent, device), 0, beam.views, device, lost)

    def measure(detector, curve=None):
        panel = panels.panel_on_card(panels.panel(detector, beam, SEED, curve), device)
        return Measure(detector, panel, device)

    of_case = measure(case.detector, case.curve)
    ramp = fdk.Ramp(beam.columns, beam.voxel_mm, 0.9, device, apodisation=case.apodisation)
    wanted = fdk.wanted_voxels(LATTICE, CENTRES, np.eye(3), HALF, device)
    sums = fdk.Backprojection(beam, LATTICE, wanted, device)
    sums.add(ramp(of_case(signal, variance, 0, absorbed)), 0, ramp.scale)
    halves = fdk.Ramp(beam.columns, beam.voxel_mm, 0.9, device, "float16", apodisation=case.apodisation)
    narrow = fdk.Backprojection(beam, LATTICE, wanted, device)
    narrow.add(halves(of_case(signal, variance, 0, narrow=True)), 0, halves.scale)
    # Straight onto pieces of that lattice: the same voxels as in the whole.
    origins = np.array([LATTICE.origin_mm + LATTICE.voxel_mm * np.array(first) for first in PIECES])
    straight = fdk.Backprojection(beam, replace(LATTICE, shape=PIECE), None, device, origins)
    straight.add(ramp(of_case(signal, variance, 0)), 0, ramp.scale)
    boxes = cut.resample(sums.volume, LATTICE, CENTRES, rotation(0, 0, 2.0), GRID, PITCH, BALL)
    # Noise: one even field twice. Views in two groups: what drifts must know the view's number.
    field = torch.full((1, beam.rows, beam.columns), 0.5, device=device)
    noisy = measure(Detector(photons=1000.0))
    drawn = [noisy(field, field, 2, weighted=False).cpu().numpy() for _ in range(2)]
    parts = [of_case(signal[a:b], variance[a:b], a, weighted=False) for a, b in ((0, 1), (1, beam.views))]
    return {
        "signal": signal.cpu().numpy(),
        "variance": variance.cpu().numpy(),
        "absorbed": absorbed.cpu().numpy(),
        "integrals": torch.cat(parts).cpu().numpy(),
        "volume": sums.volume.cpu().numpy(),
        "straight": straight.volume.cpu().numpy(),
        "narrow": narrow.volume.cpu().numpy(),
        "boxes": boxes.cpu().numpy(),
        "drawn": np.array(drawn),
        "lost": lost.cpu().numpy(),
    }


if __name__ == "__main__":
    import cuda_cpp

    cuda_cpp.use()
    np.savez(sys.argv[2], **on_card(sys.argv[1]))
