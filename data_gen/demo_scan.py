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
from jointwise.data_gen.settings import DefectSettings, FamilySettings, GeneratorSettings, ScanSettings
from jointwise.joints.atomic import write_text
from jointwise.joints.errors import InputError
from jointwise.joints.kinds import KINDS

SEED = 11
SETTINGS = GeneratorSettings(
    family=replace(FamilySettings(), rows=(6, 6), cols=(6, 6)),
    defects=replace(
        DefectSettings(),
        missing=0.03,
        head_in_pillow=0.12,
        non_wet=0.12,
        bridging=0.12,
        pillow_gap_um=(15.0, 50.0),
        open_gap_um=(20.0, 70.0),
    ),
    scan=ScanSettings(
        mounts=("upright",),
        kvp=(100, 160),
        filter_cu_mm=(0.1, 0.6),
        voxels_per_ball=(20.0, 20.0),
        views=(300, 300),
        photons_per_pixel=(4.0e3, 1.0e5),
        scatter_fraction=(0.0, 0.2),
        apodisations=("hann",),
        linearised=0.0,
        tilt_deg=1.5,
        in_plane_deg=3.0,
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
