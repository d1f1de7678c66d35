"""The small scan that ships with the project: one board of our own generator, reconstructed as a whole volume.

    python -m jointwise.data_gen.demo_scan demo_sets/demo_scan.mha

The scenario is invented: the processor of a greenhouse climate controller, 6 x 6 balls at 0.8 mm, one of them missing.
Beside the scan lie the truth of its joints (CSV) and the record that it is a pure function of (JSON).
"""

import sys
from dataclasses import replace
from pathlib import Path
from typing import Any

from jointwise.data_gen.drawing.record_json import to_json
from jointwise.data_gen.drawing.records import ScanRecord
from jointwise.data_gen.drawing.scan import draw_scan
from jointwise.data_gen.scan import simulate_volume
from jointwise.data_gen.settings import (
    DefectSettings,
    FamilySettings,
    GeneratorSettings,
    ProcessSettings,
    ScanSettings,
)
from jointwise.joints.atomic import write_text
from jointwise.joints.errors import InputError
from jointwise.joints.kinds import KINDS

SEED = 36
"""One site without a ball, and each fault at least three times."""

SETTINGS = GeneratorSettings(
    family=replace(FamilySettings(), rows=(6, 6), cols=(6, 6)),
    process=replace(
        ProcessSettings(), mixed=0.0, oblong=0.0, fanout_rate=0.0, land_trace_rate=0.0, chip_rate=0.0
    ),
    # Plain faults of a size that a small model finds: no layers, films or hair-thin gaps and bridges.
    defects=replace(
        DefectSettings(),
        rim_bond=0.0,
        missing=0.03,
        head_in_pillow=0.12,
        non_wet=0.12,
        bridging=0.12,
        voids_finding=0.15,
        voids_sheet=0.0,
        voids_shrinkage=0.0,
        near_sheet=0.0,
        film=0.0,
        slender=0.0,
        bridge_three=0.0,
        pillow_gap_um=(15.0, 50.0),
        open_gap_um=(20.0, 70.0),
    ),
    # A well-kept bench scanner (configs/scanner/bench_upright.yaml), few views.
    scan=ScanSettings(
        mounts=("upright",),
        kvp=(100, 160),
        filter_al_mm=(0.5, 1.5),
        filter_cu_mm=(0.1, 0.6),
        voxels_per_ball=(20.0, 20.0),
        views=(300, 300),
        photons_per_pixel=(4.0e3, 1.0e5),
        scatter_fraction=(0.0, 0.2),
        detector_blur_px=(0.2, 0.6),
        hann_cutoff=(0.7, 1.6),
        gain_drift=(0.0, 1.0e-3),
        bad_columns=(0, 1),
        bad_pixels=(0.0, 2.0e-4),
        bad_residual=(0.0, 0.01),
        intensity_drift=0.01,
        intensity_sd=(0.0, 1.0e-3),
        read_noise=(1.0, 12.0),
        jitter_deg=(0.0, 0.01),
        spot_drift_um=3.0,
        apodisations=("hann",),
        linearised=0.0,
        tilt_deg=1.5,
        in_plane_deg=3.0,
        glare_fraction=(0.0, 0.0),
        square=0.0,
        storage=("uint16",),
    ),
)
TRUTH_COLUMNS = [
    *("ball", "row", "col", "x_mm", "y_mm", "z_mm", "present", *KINDS),
    *("void_projected_area_pct", "gap_um", "contact_fraction", "bridge_neck_um"),
]
MARGIN_MM = 0.35


def demo_record() -> ScanRecord:
    """Everything random of the demo scan."""
    return draw_scan(SETTINGS, SEED, 0)


def write_demo_scan(path: Path) -> None:
    """Write the scan as compressed MetaImage (uint16), and `.truth.csv` and `.record.json` of the same stem."""
    import SimpleITK as sitk

    record = demo_record()
    volume, lattice, table = simulate_volume(record, MARGIN_MM)
    # SimpleITK carries no types.
    image: Any = sitk.GetImageFromArray(volume)
    image.SetSpacing(lattice.spacing_mm)
    image.SetOrigin(lattice.origin_mm)
    # ITK decides by the ending whether header and voxels share a file, so the name aside must end alike.
    aside = path.with_name(f".writing-{path.name}")
    sitk.WriteImage(image, str(aside), useCompression=True)
    aside.replace(path)
    write_text(path.with_suffix(".truth.csv"), table[TRUTH_COLUMNS].round(5).to_csv(index=False))
    write_text(path.with_suffix(".record.json"), to_json(record))


if __name__ == "__main__":
    if len(sys.argv) != 2:
        raise InputError("expected one argument, the .mha file to write")
    write_demo_scan(Path(sys.argv[1]))
