"""The bar the rules must clear: generated joints without noise, with large faults, judged on boards they were not
fitted on.

What is large: gaps of three voxels (low joints leave less room: a narrower gap counts neither way), voids of 20 % of
the area, necks of 0.3 ball diameters and more. The scanner is a good one without photon noise, gain errors and scatter;
hardening, blur, starved directions, the file's voxels and the finder's errors stay, and so do the look-alikes (waists,
bulges that nearly touch, partly wetted lands). The faults are plain ones: no leaning ends, low pillows, films or merged
voids; joints of ordinary height, one alloy, round lands. What leans or is pressed low the rules find less often.
"""

from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from jointwise.data_gen.generate import generate
from jointwise.data_gen.settings import (
    DefectSettings,
    FamilySettings,
    GeneratorSettings,
    ProcessSettings,
    ScanSettings,
)
from jointwise.joints.kinds import KINDS
from jointwise.joints.schema import truth_array
from jointwise.joints.store import Store
from jointwise.models.rules.detector import RuleDetector, measure_numbers

BAR = 0.95
BOARDS, PARTS = 12, 4
VOXELS_PER_BALL = 20.0
GAP_UM = 3 * 1000 * 0.5 / VOXELS_PER_BALL

SETTINGS = GeneratorSettings(
    family=FamilySettings(rows=(4, 4), cols=(4, 4)),
    defects=DefectSettings(
        head_in_pillow=0.25,
        non_wet=0.25,
        bridging=0.25,
        missing=0.0,
        voids_finding=0.4,
        voids_near=0.0,
        voids_small=0.0,
        voids_free=0.0,
        voids_sheet=0.0,
        voids_shrinkage=0.0,
        film=0.0,
        via_in_pad=0.0,
        void_area=(0.2, 0.2),
        pillow_gap_um=(GAP_UM, GAP_UM),
        open_gap_um=(GAP_UM, GAP_UM),
        neck_mm_per_ball=(0.3, 0.6),
        slender=0.0,
        leaning=0.0,
        rim_level=(0.35, 0.65),
        void_merged=0.0,
        near_bridge_neck=0.0,
    ),
    process=ProcessSettings(height=(0.92, 1.04), lift=0.02, mixed=0.0, oblong=0.0, offset_far_rate=0.0),
    scan=ScanSettings(
        kvp=(140, 160),
        filter_al_mm=(1.0, 1.0),
        filter_cu_mm=(0.5, 0.5),
        voxels_per_ball=(VOXELS_PER_BALL, VOXELS_PER_BALL),
        views=(240, 240),
        photons_per_pixel=(1e9, 1e9),
        read_noise=(0.0, 0.0),
        gain_sd=(0.0, 0.0),
        gain_drift=(0.0, 0.0),
        bad_columns=(0, 0),
        bad_pixels=(0.0, 0.0),
        intensity_drift=0.0,
        intensity_sd=(0.0, 0.0),
        jitter_deg=(0.0, 0.0),
        spot_drift_um=0.0,
        mounts=("upright",),
        apodisations=("hann",),
        linearised=0.0,
        tilt_deg=1.5,
        in_plane_deg=3.0,
        scatter_fraction=(0.0, 0.0),
        glare_fraction=(0.0, 0.0),
        square=0.0,
        storage=("float32",),
    ),
)


def _judged(
    numbers: dict[str, NDArray[np.float64]], truth: NDArray[np.float64], board: NDArray[np.int64]
) -> NDArray[np.bool_]:
    """Calls (n, 4) of every joint by rules fitted on the boards of the other parts."""
    called = np.zeros(truth.shape, bool)
    for part in range(PARTS):
        out = board % PARTS == part
        detector = RuleDetector.fit_numbers({k: v[~out] for k, v in numbers.items()}, truth[~out])
        called[out] = detector.score_numbers({k: v[out] for k, v in numbers.items()}) >= 0.5
    return called


@pytest.mark.slow
@pytest.mark.xfail(
    strict=True,
    reason="non-wet precision is 0.92 (48 of 52 calls): dry edges now accompany other faults, and the rules call them",
)
def test_large_faults_without_noise_are_found_and_nothing_else_is_called(tmp_path: Path) -> None:
    """Recall and precision of at least 0.95 on each kind, over all boards, each judged by fits on other boards."""
    generate(SETTINGS, tmp_path / "bar", scans=BOARDS, seed=1, workers=2, progress=False)
    joints = Store(tmp_path / "bar").read()
    board = np.unique(joints.table["board_id"], return_inverse=True)[1]
    truth = truth_array(joints.table)
    narrow = joints.table["gap_um"].to_numpy(float) < 0.9 * GAP_UM
    for kind in ("non_wet", "head_in_pillow"):
        truth[narrow & (truth[:, KINDS.index(kind)] == 1), KINDS.index(kind)] = np.nan
    called = _judged(measure_numbers(joints), truth, board)
    report = []
    for k, kind in enumerate(KINDS):
        known = np.isfinite(truth[:, k])
        faulty, call = truth[known, k] == 1, called[known, k]
        hits = int((faulty & call).sum())
        recall, precision = hits / faulty.sum(), hits / call.sum()
        report.append((kind, int(faulty.sum()), round(recall, 3), round(precision, 3)))
    print(report)
    assert all(n >= 25 for _, n, _, _ in report), report
    assert all(recall >= BAR and precision >= BAR for _, _, recall, precision in report), report
