"""Path lengths of the projector against itk-rtk's ray-ellipsoid filter, stored and, if installed, live."""

import numpy as np
import pytest

from jointwise.data_gen.shapes import solids as sd
from jointwise.data_gen.shapes.scene import Boxes, Joint, Scene
from jointwise.data_gen.xray.geometry import ConeBeam
from jointwise.data_gen.xray.projector import lengths


def ours(reference):
    case, beam = reference.ELLIPSOID, reference.ELLIPSOID_BEAM
    turn = np.radians(case["turn_about_y_deg"])
    # itk-rtk turns its ellipsoid from x towards z.
    axes = np.array([[np.cos(turn), 0, -np.sin(turn)], [0, 1, 0], [np.sin(turn), 0, np.cos(turn)]])
    solid = sd.ellipsoid(case["centre"], case["semi_axes"], axes)
    centre = np.array(case["centre"])
    joint = Joint(0, 0, solid, centre, centre, 3.0, centre[:2], centre[:2], 1.0, 1.0, 1.0, 1.0)
    none = Boxes(np.zeros((0, 3)), np.zeros((0, 3)), np.zeros(0, np.int8))
    scene = Scene((joint,), (), sd.empty(), sd.empty(), none)
    views = [
        ConeBeam(
            source_axis_mm=beam["sod"], source_detector_mm=beam["sdd"], pixel_mm=beam["pixel"],
            columns=beam["columns"], rows=beam["rows"], views=1, first_angle_deg=angle,
        )
        for angle in beam["angles_deg"]
    ]  # fmt: skip
    return np.concatenate([lengths(scene, view)[..., 0] for view in views])


def check(theirs, reference):
    found = ours(reference)
    assert found.max() > 4.0
    # Four digits are stored; both are exact up to rounding.
    np.testing.assert_allclose(found, theirs, atol=2e-4)


def test_lengths_agree_with_stored_rtk(stored, reference):
    check(stored("rtk_ellipsoid_lengths.json"), reference)


@pytest.mark.reference
def test_lengths_agree_with_live_rtk(live, reference):
    check(np.asarray(live("rtk_ellipsoid_lengths")), reference)
