"""A scan of two balls for `test_cuda`, on the CPU or (run as a program) under numba's CUDA simulator.

NUMBA_ENABLE_CUDASIM=1 NUMBA_DISABLE_JIT=1 python tests/data_gen/cuda_case.py OUT.npz
"""

import sys

import numpy as np

from jointwise.data_gen.shapes import solids as sd
from jointwise.data_gen.shapes.scene import COPPER, LAMINATE, SILICON, Boxes, Joint, Scene, pack
from jointwise.data_gen.xray.detector import Detector
from jointwise.data_gen.xray.energies import Energies
from jointwise.data_gen.xray.geometry import ConeBeam, Pose, centred_lattice
from jointwise.joints.grid import Grid
from jointwise.joints.lattice import rotation

BEAM = ConeBeam(source_axis_mm=20.0, source_detector_mm=60.0, pixel_mm=0.15, columns=34, rows=18, views=3)
POSE = Pose(rotation(1.0, -2.0, 3.0), np.array([0.02, 0.01, -0.03]))
DETECTOR = Detector(focal_blur_px=0.4, scintillator_blur_px=0.6, scatter_fraction=0.1, scatter_sigma_px=12.0)
ENERGIES = Energies(
    np.array([[2.0, 1.2], [1.5, 0.9], [0.2, 0.1], [0.3, 0.2]]), np.array([0.4, 0.6]), np.array([0.8, 1.1]),
    np.array([50.0, 80.0]),
)  # fmt: skip
CENTRES = np.array([[-0.4, 0.0, 0.0], [0.4, 0.0, 0.0]])
HALF = (0.3, 0.3, 0.3)
LATTICE = centred_lattice((14, 14, 32), 0.05)
GRID = Grid((8, 8, 8))
PITCH, BALL = 0.4, 0.4


def scene():
    """A ball with a void, one without, a land, a copper plane, laminate and silicon."""
    hollow = sd.join(sd.sphere((-0.4, 0, 0), 0.25), sd.sphere((-0.38, 0.05, 0.02), 0.08, role=sd.VOID))
    joints = []
    for col, solids in enumerate((hollow, sd.sphere((0.4, 0, 0), 0.25))):
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
    return Scene(tuple(joints), (), land, sd.empty(), boxes)


def on_card():
    """Signal, variance, line integrals, volume and boxes by the kernels."""
    import torch

    from jointwise.data_gen.xray.cuda import cut, fdk
    from jointwise.data_gen.xray.cuda import load as loads
    from jointwise.data_gen.xray.cuda.card import card
    from jointwise.data_gen.xray.cuda.detect import Measure
    from jointwise.data_gen.xray.cuda.project import project, shadows

    device = card()
    sent = loads.on_card(loads.load(pack(scene()), BEAM, ENERGIES, pose=POSE), device)
    lost = torch.zeros(1, dtype=torch.int32, device=device)
    signal, variance = project(sent, shadows(sent, device), 0, BEAM.views, device, lost)
    measure = Measure(DETECTOR, BEAM, 5, device)
    ramp = fdk.Ramp(BEAM, 0.9, device)
    wanted = fdk.wanted_voxels(LATTICE, CENTRES, np.eye(3), HALF, device)
    sums = fdk.Backprojection(BEAM, LATTICE, wanted, device)
    sums.add(ramp(measure(signal, variance, 0)), 0, ramp.scale)
    boxes = cut.resample(sums.volume, LATTICE, CENTRES, rotation(0, 0, 2.0), GRID, PITCH, BALL)
    # Noise: one even field twice.
    field = torch.full((1, 18, 34), 0.5, device=device)
    noisy = Measure(Detector(photons=1000.0), BEAM, 5, device)
    drawn = [noisy(field, field, 7, weighted=False).cpu().numpy() for _ in range(2)]
    return {
        "signal": signal.cpu().numpy(),
        "variance": variance.cpu().numpy(),
        "integrals": measure(signal, variance, 0, weighted=False).cpu().numpy(),
        "volume": sums.volume.cpu().numpy(),
        "boxes": boxes.cpu().numpy(),
        "drawn": np.array(drawn),
        "lost": lost.cpu().numpy(),
    }


if __name__ == "__main__":
    np.savez(sys.argv[1], **on_card())
