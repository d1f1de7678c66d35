"""Ways through the card's kernels that `test_cuda`'s two scans do not take, as C++ where there is a g++."""

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import torch

from jointwise.data_gen.shapes import solids as sd
from jointwise.data_gen.shapes.scene import COPPER, LAMINATE, SILICON, Boxes, Joint, pack
from jointwise.data_gen.xray.cuda import compiled, fdk
from jointwise.data_gen.xray.cuda import load as loads
from jointwise.data_gen.xray.cuda import panel as panels
from jointwise.data_gen.xray.cuda.boxes import stacked
from jointwise.data_gen.xray.cuda.detect import Measure
from jointwise.data_gen.xray.cuda.project import project, shadows
from jointwise.data_gen.xray.detector import Detector
from jointwise.data_gen.xray.energies import Energies
from jointwise.data_gen.xray.geometry import ConeBeam
from jointwise.data_gen.xray.projector import project as project_on_cpu

sys.path.insert(0, str(Path(__file__).parent))
import cuda_case as case
import cuda_cpp

pytestmark = [pytest.mark.slow, pytest.mark.skipif(cuda_cpp.GPP is None, reason="no g++")]
HERE = torch.device("cpu")
# The first view looks along x, in which pieces lie one behind the other.
BEAM = ConeBeam(**case.UPRIGHT | {"views": 5, "first_angle_deg": 90.0})


@pytest.fixture(autouse=True)
def _as_cpp(monkeypatch):
    monkeypatch.setattr(compiled, "launch", cuda_cpp.launch)


def signal_of(scene, energies=case.ENERGIES, first=0, last=BEAM.views):
    """Signal of some views by the card's projector."""
    sent = loads.on_card(loads.load(pack(scene), BEAM, energies, pose=case.POSE), HERE)
    lost = torch.zeros(1, dtype=torch.int32)
    signal, _, _ = project(sent, shadows(sent, HERE), first, last, HERE, lost)
    assert int(lost) == 0
    return signal.numpy()


def expected(scene, energies=case.ENERGIES):
    """The same by the float64 reference."""
    packed = pack(scene, np.float64)
    return project_on_cpu(packed, BEAM, energies, pose=case.POSE, dtype=np.float64).signal


def alone(solids):
    """A scene of one joint."""
    centre, radius = sd.enclosing_sphere(sd.of_role(solids, sd.BODY))
    joint = Joint(0, 0, solids, centre, centre, radius, centre[:2], centre[:2], 0.5, 0.2, 0.2, 0.06)
    return case.scene()._replace(joints=(joint,), necks=())


LEANING = np.array([[1.0, 0.0, 0.3], [0.0, 1.0, -0.2], [0.0, 0.0, 1.0]])


def leaning(solids, turn=0.0, size=1.0, upright=1.0):
    """Solids sheared along z, their maps turned about z, scaled and, by -1, put upside down: the forms that the
    generator makes of shifts."""
    c, s = np.cos(turn), np.sin(turn)
    turned = size * np.array([[c, -s, 0.0], [s, c, 0.0], [0.0, 0.0, upright]])
    a, b, curve = solids.profile.T
    profile = np.stack([a * size**2, b * size * upright, curve], axis=1)
    ends = np.sort(size * upright * solids.ends, axis=1)
    return solids._replace(matrix=turned @ LEANING @ solids.matrix, profile=profile, ends=ends)


CASES = {
    # Three bodies in a row, two of which touch a fourth; more holes in a row than the kernel keeps: the slow way.
    "many pieces": sd.join(
        *(sd.sphere((x, 0.0, 0.0), r) for x, r in ((-0.4, 0.1), (0.0, 0.15), (0.4, 0.1), (0.2, 0.12))),
        *(sd.sphere((x, 0.0, 0.0), 0.02, role=sd.VOID) for x in (-0.42, -0.1, -0.02, 0.06, 0.18, 0.4)),
    ),
    # Three holes apart, and a fourth that joins the last two.
    "joined holes": sd.join(
        sd.sphere((0.0, 0.0, 0.0), 0.25),
        *(sd.sphere((x, 0, 0), r, role=sd.VOID) for x, r in ((-0.15, 0.03), (0.0, 0.04), (0.09, 0.04), (0.045, 0.03))),
    ),
    # A waist met so steeply that a ray leaves and comes back.
    "waist": sd.segment((0.01, 0.0, 1.0), (-0.25, 0.25), origin=(0.0, 0.0, 0.0)),
    "leaning": leaning(sd.join(sd.sphere((0, 0, 0), 0.25), sd.sphere((0.1, 0, 0.05), 0.06, role=sd.VOID)), 0.7, 3.0),
    "upside down": sd.join(
        leaning(sd.segment((0.02, 0.1, 0.0), (-0.2, 0.1)), 0.3, 2.0, -1.0),
        sd.sphere((0.1, 0, 0.05), 0.06, role=sd.VOID),
    ),
    "two gaps": sd.join(
        sd.sphere((0, 0, 0), 0.28),
        *(sd.sphere((x, 0, z), 0.1, role=sd.GAP) for x, z in ((-0.12, 0.0), (0.12, 0.02))),
        *(sd.sphere((x, 0, z), 0.09, role=sd.KEEP) for x, z in ((-0.12, -0.02), (0.12, 0.0))),
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", CASES)
def test_every_way_of_adding_intervals_agrees_with_float64(name):
    scene = alone(CASES[name])
    truth = expected(scene)
    error = np.log(signal_of(scene) / truth)
    assert np.sqrt(np.mean(error**2)) < 1e-4
    assert np.abs(error).max() < 2e-3
    assert truth.min() < 0.8 * truth.max()


@pytest.mark.parametrize("name", ["leaning", "upside down"])
def test_the_short_form_of_a_solid_is_the_long_one(monkeypatch, name):
    scene = alone(CASES[name])
    packed = pack(scene)
    assert loads._forms(packed)[0][: packed.joint_rows[0, 1]].all()
    short = signal_of(scene)
    monkeypatch.setattr(loads, "_forms", lambda p: (np.zeros(len(p.role), bool), np.zeros(len(p.role), bool)))
    np.testing.assert_allclose(short, signal_of(scene), rtol=2e-5)


@pytest.mark.parametrize("crossed", [1, 2, 5])
def test_necks_through_few_and_many_bodies_agree_with_float64(crossed):
    places, radius = np.linspace(-0.2, 0.2, 2 * crossed), 0.15 / crossed
    halves = (
        sd.join(*(sd.sphere((x, 0.0, 0.05), radius) for x in some))
        for some in (places[:crossed], places[crossed:])
    )
    whole = case.scene()
    scene = whole._replace(joints=tuple(alone(solids).joints[0] for solids in halves))
    truth = expected(scene)
    assert truth.min() < 0.7 * truth.max()
    assert np.abs(np.log(signal_of(scene) / truth)).max() < 1e-3


def test_tiles_with_more_items_than_a_word_agree_with_float64():
    # Rows of balls, one behind the other in the first view: more than 32 items of a tile, some of which a ray meets at
    # the end of the list only.
    places = [
        (x, y, z) for x in np.linspace(-0.6, 0.6, 6) for y in (-0.4, 0.0, 0.4) for z in (-0.2, 0.0, 0.2)
    ]
    balls = [alone(sd.sphere(place, 0.06)).joints[0] for place in places]
    scene = case.scene()._replace(joints=tuple(balls), necks=())
    assert len(balls) > 32
    truth = expected(scene)
    assert truth.min() < 0.7 * truth.max()
    error = np.log(signal_of(scene) / truth)
    assert np.sqrt(np.mean(error**2)) < 1e-4
    assert np.abs(error).max() < 2e-3


MOULD = np.array([
    [-0.3, -0.2, 0.3, 0.3, 0.25, 0.5], [-0.6, -0.5, 0.3, -0.3, 0.5, 0.5], [0.3, -0.5, 0.3, 0.6, 0.5, 0.5],
    [-0.3, -0.5, 0.3, 0.3, -0.2, 0.5], [-0.3, 0.25, 0.3, 0.3, 0.5, 0.5], [-0.6, -0.5, 0.5, 0.6, 0.5, 0.6],
    [-9.0, -9.0, -0.5, 9.0, 9.0, -0.4], [-9.0, -9.0, -0.4, 9.0, 9.0, -0.38], [-9.0, -9.0, -0.8, 9.0, 9.0, -0.5],
])  # fmt: skip
"""Die, four boxes of mould around it and one above, laminate with copper on it that is wider than any view."""


def test_boxes_that_rays_cross_in_part_and_as_a_whole_agree_with_float64():
    material = np.array([SILICON, *[LAMINATE] * 6, COPPER, LAMINATE], np.int8)
    scene = alone(CASES["leaning"])._replace(boxes=Boxes(MOULD[:, :3], MOULD[:, 3:], material))
    stacks, layers = stacked(pack(scene))
    # The laminate; the mould as a whole; the die in it.
    assert stacks.shape[0] == 3
    assert len(layers) == 4 + 3 + 2
    truth = expected(scene)
    error = np.log(signal_of(scene) / truth)
    assert np.sqrt(np.mean(error**2)) < 2e-5
    # One ray stands for four where they meet the same sides alike: see `bent` of project.cu.
    assert np.abs(error).max() < 1e-4
    assert truth.min() < 0.3


def test_many_energies_count_like_few():
    few = case.ENERGIES
    several = Energies(
        *(np.repeat(a, 5, axis=-1) for a in (few.mu_per_mm, few.weight / 5, few.quantum, few.energies_kev))
    )
    assert len(several.weight) > loads.FEW_ENERGIES
    np.testing.assert_allclose(signal_of(case.scene(), several), signal_of(case.scene(), few), rtol=2e-6)


def test_views_apart_have_the_bits_of_views_together():
    together = signal_of(case.scene())
    for view in range(BEAM.views):
        np.testing.assert_array_equal(signal_of(case.scene(), first=view, last=view + 1)[0], together[view])


@pytest.mark.parametrize("tilt", [0.0, 25.0])
def test_arrays_in_one_launch_have_the_bits_of_their_own_launch(tilt):
    beam = replace(BEAM, axis_tilt_deg=tilt)
    views = torch.rand((beam.views, beam.rows, beam.columns), generator=torch.Generator().manual_seed(3))
    ramp = fdk.Ramp(beam.columns, beam.voxel_mm, 0.9, HERE)
    origins = np.array([[-0.5, -0.2, -0.3], [0.1, -0.25, -0.2], [2.5, 0.0, 0.0]])
    lattice = replace(case.LATTICE, shape=(19, 11, 18))

    def volumes(some):
        sums = fdk.Backprojection(beam, lattice, None, HERE, some)
        for first in range(0, beam.views, 2):
            sums.add(ramp(views[first : first + 2]), first, ramp.scale)
        return sums.volume.numpy()

    together = volumes(origins)
    assert np.ptp(together[0]) > 0
    assert np.ptp(together[1]) > 0
    for i, volume in enumerate(together):
        np.testing.assert_array_equal(volumes(origins[i : i + 1])[0], volume)


@pytest.mark.parametrize("coarser", [0.6, 1.0, 1.05, 1.4])
@pytest.mark.parametrize(("precision", "tall"), [("float32", 19), ("float16", 19), ("float16", 30)])
def test_the_short_way_of_upright_scans_adds_up_like_the_long_one(coarser, precision, tall):
    beam = replace(BEAM, views=3)
    views = torch.rand((beam.views, beam.rows, beam.columns), generator=torch.Generator().manual_seed(5))
    ramp = fdk.Ramp(beam.columns, beam.voxel_mm, 0.9, HERE, precision)
    filtered, step = ramp(views), coarser * beam.voxel_mm
    # Some runs leave the detector above or below, some lie within. The last one is not whole.
    assert tall % fdk.best_run(tall)
    shape = 5, tall, 9
    lattice = replace(
        case.LATTICE, shape=shape, origin_mm=(-0.2, -0.5 * shape[1] * step, -0.1), spacing_mm=(step,) * 3
    )
    volumes = []
    for upright in (True, False):
        sums = fdk.Backprojection(beam, lattice, None, HERE)
        if not upright:
            sums.upright, sums.turns = False, torch.from_numpy(fdk._maps(beam).astype(np.float32))
        sums.add(filtered, 0, ramp.scale)
        volumes.append(sums.volume.numpy())
    short, long = volumes
    assert np.ptp(long) > 0.1
    np.testing.assert_allclose(short, long, atol=(2e-3 if precision == "float16" else 1e-5) * np.ptp(long))


def test_noise_of_two_pixels_that_share_their_hashes_is_independent():
    shape = 1, 64, 128
    beam = replace(BEAM, rows=shape[1], columns=shape[2])
    flat = torch.full(shape, 0.5)
    detector = Detector(photons=1000.0)
    measure = Measure(detector, panels.panel_on_card(panels.panel(detector, beam, 4), HERE), HERE)
    drawn = np.exp(-measure(flat, flat, 0, weighted=False).numpy()[0].astype(np.float64)) - 0.5
    upper, lower = drawn[::2].ravel(), drawn[1::2].ravel()
    for one, other in ((upper, lower), (upper**2 - upper.var(), lower**2 - lower.var())):
        assert abs(np.corrcoef(one, other)[0, 1]) < 4 / np.sqrt(one.size)
    for part in (upper, lower):
        assert abs(part.var() / (0.5 / 1000) - 1) < 4 * np.sqrt(2 / part.size)
        assert abs(part.mean()) < 4 * np.sqrt(0.5 / 1000 / part.size)
