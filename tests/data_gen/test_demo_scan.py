"""The scan that ships with the repository is what its command makes."""

import json
import sys
from pathlib import Path

import pandas as pd
import pytest
import SimpleITK as sitk

from jointwise.data_gen.demo_scan import demo_record
from jointwise.data_gen.drawing.record_json import from_json, to_json
from jointwise.data_gen.drawing.records import ScanRecord
from jointwise.data_gen.shapes.build import build_scene
from jointwise.data_gen.shapes.truth import joint_truth
from jointwise.joints.kinds import KINDS

sys.path.insert(0, str(Path(__file__).parent))
from rounded import rounded

SCAN = Path(__file__).parents[2] / "demo_sets" / "demo_scan.mha"


def test_the_record_beside_it_is_the_one_that_is_drawn() -> None:
    """Guards against a change of drawing that leaves an old scan in the repository."""
    kept = from_json(SCAN.with_suffix(".record.json").read_text(), ScanRecord)
    stored, drawn = (json.loads(to_json(record)) for record in (kept, demo_record()))
    assert rounded(stored) == rounded(drawn)


def test_its_truth_follows_from_the_record() -> None:
    record = demo_record()
    stored, again = pd.read_csv(SCAN.with_suffix(".truth.csv")), joint_truth(build_scene(record), record)
    pd.testing.assert_frame_equal(stored[["ball", *KINDS]], again[["ball", *KINDS]], check_dtype=False)
    assert (stored["present"] == 0).sum() == 1
    assert (stored[list(KINDS)].sum() >= 3).all()


def test_it_is_small_and_says_its_voxels() -> None:
    assert SCAN.stat().st_size < 8e6
    image = sitk.ReadImage(str(SCAN))
    assert image.GetSpacing() == pytest.approx([demo_record().scanner.voxel_mm] * 3)
