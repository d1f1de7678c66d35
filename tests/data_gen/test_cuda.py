"""The card's kernels against the CPU: built as C++ where there is a g++ (the few that numba compiles under its
simulator), on a card where there is one."""

import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
import torch

from jointwise.data_gen import device as dv
from jointwise.data_gen.shapes.scene import pack
from jointwise.data_gen.xray import reconstruct as rc
from jointwise.data_gen.xray.cuda import compiled, detect, fdk
from jointwise.data_gen.xray.cuda import project as project_on_card
from jointwise.data_gen.xray.cuda.panel import COARSE
from jointwise.data_gen.xray.detector import Detector, line_integrals
from jointwise.data_gen.xray.energies import linearised
from jointwise.data_gen.xray.projector import Projections, project
from jointwise.joints.cutting import resample
from jointwise.joints.lattice import rotation

sys.path.insert(0, str(Path(__file__).parent))
import cuda_case as case
import cuda_cpp

pytestmark = pytest.mark.slow


@pytest.mark.parametrize(
    ("source", "of", "names"),
    [
        ("project", project_on_card, ("WIDE", "TALL", "THREADS", "TILES", "LISTED", "COARSE")),
        ("detect", detect, ("WIDE", "TALL", "THREADS")),
        ("fdk", fdk, ("RUN", "WIDE", "DEEP", "THREADS")),
    ],
)
def test_sizes_are_those_of_the_source(source, of, names):
    text = Path(compiled.__file__).with_name(f"{source}.cu").read_text(encoding="utf-8")
    for name in names:
        assert f"#define {name} {getattr(of, name)}\n" in text


@pytest.mark.skipif(not torch.cuda.is_available(), reason="no CUDA card")
def test_scans_by_turns_on_a_card_have_the_bits_of_each_alone():
    scans = [case.small_scan(number) for number in range(5)]
    alone = [dv.sub_volumes(scan, case.SMALL_GRID)[0].cpu() for scan in scans]
    assert not torch.equal(alone[0], alone[1])
    for one, (volumes, lost) in zip(alone, dv.sub_volumes_many(iter(scans), case.SMALL_GRID), strict=True):
        assert torch.equal(one, volumes.cpu())
        assert int(lost) == 0


@pytest.fixture(scope="module", params=["upright", "tilted"])
def name(request):
    return request.param


@pytest.fixture(scope="module", params=["built", "card"])
def ours(request, name, tmp_path_factory):
    if request.param == "card":
        if not torch.cuda.is_available():
            pytest.skip("no CUDA card")
        return case.on_card(name)
    if cuda_cpp.GPP is None:
        pytest.skip("no g++")
    out = tmp_path_factory.mktemp("cuda") / "out.npz"
    # Uncompiled, the shared functions take the simulator's arrays.
    simulate = {"NUMBA_ENABLE_CUDASIM": "1", "NUMBA_DISABLE_JIT": "1"}
    program = [sys.executable, "-W", "ignore", case.__file__, name, str(out)]
    subprocess.run(program, env=os.environ | simulate, check=True, timeout=600)
    return dict(np.load(out))


@pytest.fixture(scope="module")
def scan(name):
    return case.CASES[name]


@pytest.fixture(scope="module")
def expected(scan):
    return project(
        pack(case.scene(), np.float64), scan.beam, scan.energies, pose=case.POSE, wobble=scan.wobble,
        dtype=np.float64,
    )  # fmt: skip


def measured(ours, scan):
    """What the CPU's detector makes of the card's signal."""
    views = Projections(ours["signal"], ours["variance"])
    integrals = line_integrals(views, scan.detector, case.SEED)
    return linearised(integrals, scan.curve) if scan.linearised else integrals


def test_projections_agree_with_float64(ours, expected):
    error = np.log(ours["signal"] / expected.signal)
    assert np.sqrt(np.mean(error**2)) < 1e-4
    assert np.abs(error).max() < 2e-3
    np.testing.assert_allclose(ours["variance"], expected.variance, rtol=2e-3)
    assert expected.signal.min() < 0.5
    assert ours["lost"] == 0


def test_projector_tells_what_blocks_of_pixels_lack(ours):
    views, rows, columns = ours["signal"].shape
    firsts = np.arange(0, rows, COARSE), np.arange(0, columns, COARSE)
    # Some blocks reach beyond the detector.
    assert rows % COARSE
    assert columns % COARSE
    ones = np.ones((views, rows, columns))
    sums, counts = (
        np.add.reduceat(np.add.reduceat(image, firsts[0], axis=1), firsts[1], axis=2)
        for image in (ours["signal"].astype(np.float64), ones)
    )
    np.testing.assert_allclose(ours["absorbed"], 1.0 - sums / counts, atol=1e-6)


def test_detector_agrees_without_noise(ours, scan):
    # Scatter meets the focal blur in another order on the card, which moves it by less than this; 16 bits are one
    # step of 2.3e-5 over a signal of 0.3 at least.
    step = 1e-4 if scan.detector.bits else 0.0
    np.testing.assert_allclose(ours["integrals"], measured(ours, scan), atol=5e-5 + step)


def test_the_everything_case_differs_from_a_plain_detector(ours, scan):
    plain = line_integrals(Projections(ours["signal"], ours["variance"]), Detector(**case.BLURS), case.SEED)
    assert (np.abs(ours["integrals"] - plain).max() > 0.02) == scan.linearised


def test_noise_has_its_mean_and_variance_and_repeats(ours):
    drawn = np.exp(-ours["drawn"].astype(np.float64))
    np.testing.assert_array_equal(ours["drawn"][0], ours["drawn"][1])
    count = drawn[0].size
    assert abs(drawn[0].mean() - 0.5) < 4 * np.sqrt(0.5 / 1000 / count)
    assert abs(drawn[0].var() / (0.5 / 1000) - 1) < 4 * np.sqrt(2 / count)


def test_volume_and_boxes_agree(ours, scan):
    runs = rc.voxels_around(case.LATTICE, case.CENTRES, np.eye(3), case.HALF)
    volume = rc.reconstruct(measured(ours, scan), scan.beam, runs, 0.9, scan.apodisation)
    volume = np.ascontiguousarray(volume)
    level = volume.max()
    np.testing.assert_array_equal(ours["volume"] != 0, volume != 0)
    # One step of the converter is some 1e-4 of a line integral where it is used.
    most = 1e-3 if scan.detector.bits else 1e-5
    assert np.sqrt(np.mean((ours["volume"] - volume) ** 2)) < most * level
    # Half precision rounds every sample to 1 part in 2,000; three views hardly average that.
    assert np.sqrt(np.mean((ours["narrow"] - volume) ** 2)) < (most + 3e-4) * level
    nz, ny, nx = case.PIECE
    for piece, (x, y, z) in zip(ours["straight"], case.PIECES, strict=True):
        same = volume[z : z + nz, y : y + ny, x : x + nx]
        np.testing.assert_allclose(piece, same, atol=10 * most * level)
        assert np.ptp(same) > 0.1 * level
    turn = rotation(0, 0, 2.0)
    boxes = [
        resample(ours["volume"], case.LATTICE, c, turn, case.GRID, case.PITCH, case.BALL)
        for c in case.CENTRES
    ]
    np.testing.assert_allclose(ours["boxes"], boxes, atol=2e-5 * level)
