"""What a scan can show: closed forms without noise, and on generated joints what an ideal test of them found."""

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from numpy.typing import NDArray
from scipy import ndimage
from scipy.special import erf

from jointwise.commands import hydra_wrapper
from jointwise.commands.registry import load
from jointwise.data_gen.pairs import SOUND, _member, pair_records
from jointwise.joints.batch import Joints
from jointwise.joints.edges import fit_rim, patch_around
from jointwise.joints.grid import Grid
from jointwise.joints.lattice import Lattice
from jointwise.scoring.cut import cut_array
from jointwise.scoring.finding.locate import locate
from jointwise.scoring.judging import shows
from jointwise.scoring.judging.shows import (
    DETECTABLE,
    WIDER,
    gap_reading,
    smallest_gap_mm,
    smallest_void_mm,
    void_reading,
    what_shows,
)
from jointwise.scoring.reading.scan import Scan
from jointwise.scoring.settings import ArraySettings, ScoreSettings

GRID = Grid()
OBSERVER = Path(__file__).parents[2] / "bench" / "observer.csv"
PITCH, BALL = 0.8, 0.5
DX, DY, DZ = GRID.spacing_mm(PITCH, BALL)


def solder(noise: float, grain: tuple[float, float, float], n: int = 40, seed: int = 0) -> Joints:
    """Boxes of nothing but solder with Gaussian noise of a known grain (standard deviations, steps along z, y, x)."""
    rng = np.random.default_rng(seed)
    boxes = rng.standard_normal((n, *GRID.shape))
    if any(grain):
        boxes = ndimage.gaussian_filter(boxes, (0, *grain), mode="wrap")
        boxes /= boxes.std()
    table = pd.DataFrame({"pitch_mm": PITCH, "ball_mm": BALL}, index=range(n))
    return Joints((1 + noise * boxes).astype(np.float32), table, GRID)


@pytest.mark.parametrize("gap", [0.003, 0.015, 0.06])
def test_a_gap_reads_as_a_blurred_slit_seen_through_the_windows(gap: float) -> None:
    """Against sums over a fine slit, blurred step by step."""
    sigma, window, step = 0.025, 0.04, 0.0005
    z = np.arange(-1200, 1201) * step
    slit = (np.abs(z) < gap / 2).astype(float)
    slit[np.isclose(np.abs(z), gap / 2)] = 0.5
    blurred = ndimage.gaussian_filter1d(slit, sigma / step, truncate=8)
    narrow, wide = (
        ndimage.gaussian_filter1d(blurred, w / step, truncate=8)[1200] for w in (window, WIDER * window)
    )
    assert gap_reading(gap, sigma, window) == pytest.approx(narrow - wide, rel=2e-3)
    assert blurred[1200] == pytest.approx(erf(gap / (2**1.5 * sigma)), rel=2e-3)


def test_a_void_reads_as_a_blurred_ball_seen_through_the_spots() -> None:
    sigma, window, d = 0.025, 0.04, 0.1
    step = 0.005
    x = np.arange(-60, 61) * step
    ball = (np.sqrt(x[:, None, None] ** 2 + x[None, :, None] ** 2 + x[None, None, :] ** 2) < d / 2).astype(
        float
    )
    widths = (np.hypot(sigma, window), np.hypot(sigma, WIDER * window))
    narrow, wide = (ndimage.gaussian_filter(ball, w / step, truncate=6)[60, 60, 60] for w in widths)
    assert void_reading(d, sigma, window) == pytest.approx(narrow - wide, rel=0.01)


def test_without_noise_every_gap_and_void_shows() -> None:
    still = solder(0.0, (0, 0, 0), n=4)
    assert smallest_gap_mm(still, 0.025) == 0.0
    assert smallest_void_mm(still, 0.025) == 0.0


def test_of_white_noise_the_smallest_gap_is_that_of_the_closed_form() -> None:
    """d' of the reading is (response)/(spread); of white noise the spread follows from the windows alone."""
    noise, sigma = 0.1, 0.03
    found = smallest_gap_mm(solder(noise, (0, 0, 0)), sigma)
    x, y, _ = GRID.offsets_mm(PITCH, BALL)
    points = int((np.hypot(x[None, :], y[:, None]) < shows.SECTION * BALL).sum())
    least = np.inf
    for window in np.array(shows.WINDOWS) * sigma:
        impulse = np.zeros(401)
        impulse[200] = 1
        narrow, wide = (ndimage.gaussian_filter1d(impulse, w / DZ) for w in (window, WIDER * window))
        spread = noise / np.sqrt(points) * np.sqrt(((narrow - wide) ** 2).sum())
        gaps = np.linspace(0, 0.2, 20001)
        least = min(
            least, gaps[np.argmax([gap_reading(g, sigma, window) >= DETECTABLE * spread for g in gaps])]
        )
    assert found == pytest.approx(least, rel=0.12)


def test_twice_the_noise_or_coarser_grain_shows_less() -> None:
    quiet, loud, grainy = (
        solder(noise, grain) for noise, grain in ((0.05, (0, 0, 0)), (0.1, (0, 0, 0)), (0.05, (2, 2, 2)))
    )
    for smallest in (smallest_gap_mm, smallest_void_mm):
        assert smallest(quiet, 0.03) < smallest(loud, 0.03)
        assert smallest(quiet, 0.03) < smallest(grainy, 0.03)
    assert smallest_gap_mm(loud, 0.03) == pytest.approx(2 * smallest_gap_mm(quiet, 0.03), rel=0.1)


def test_where_noise_drowns_all_the_ball_itself_is_the_bound() -> None:
    assert smallest_gap_mm(solder(50.0, (2, 2, 2), n=6), 0.03) == BALL


def test_a_scan_tells_its_own_voxel_edge_and_bound(phantom: Callable[..., object]) -> None:
    """The phantom's blur is 0.7 voxel and a voxel's own width (0.29): an edge of 1.94 voxels from 10 to 90 %."""
    made = phantom(tilt=(0.0, 0.0), in_plane=0.0, noise=0.1, spread=0.0)
    scan = Scan(Path("board.mha"), made.volume, made.lattice)  # type: ignore[attr-defined]
    array, settings = ArraySettings(PITCH, 0.46), ScoreSettings()
    found = locate(scan, array, settings)
    cut = cut_array(scan, found, array, settings, GRID)
    said = what_shows(scan, found, cut)
    assert said is not None
    assert said.voxel_um == pytest.approx(30)
    assert said.edge_um == pytest.approx(1.94 * 30, rel=0.12)
    assert said.cnr == pytest.approx(cut.levels.cnr)
    assert 0 < said.gap_um < 15
    assert 0 < said.void_um < 150
    assert said.void_area_pct == pytest.approx(100 * (said.void_um / (shows.USUAL_WIDTH * 460)) ** 2)
    assert "not of the detector" in " ".join(said.words)
    assert f"{said.gap_um:.3g} µm" in said.words[0]
    none = replace(cut, joints=cut.joints.take([]))
    assert what_shows(scan, found, none) is None


def test_without_an_edge_a_usual_blur_is_assumed_and_said(phantom: Callable[..., object]) -> None:
    made = phantom(tilt=(0.0, 0.0), in_plane=0.0, noise=0.1, spread=0.0)
    scan = Scan(Path("board.mha"), made.volume, made.lattice)  # type: ignore[attr-defined]
    array, settings = ArraySettings(PITCH, 0.46), ScoreSettings()
    found = locate(scan, array, settings)
    cut = cut_array(scan, found, array, settings, GRID)
    flat: NDArray[np.float32] = np.ones_like(scan.volume)
    said = what_shows(replace(scan, volume=flat), found, cut)
    assert said is not None
    assert said.edge_um == pytest.approx(2.563 * shows.USUAL_BLUR * 30, rel=1e-3)
    assert "assumed" in said.words[1]


@pytest.fixture(scope="module")
def studied() -> list[tuple[Joints, float]]:
    """Sound joints of two boards of the observer study (`jointwise observe seed=12`), and the blur of each."""
    with hydra_wrapper.session(load("observe")) as active:
        cfg = hydra_wrapper.settings(active, ["seed=12"])
    made = []
    for number in (3, 4):
        sound = pair_records(cfg.generator, cfg.pairs, cfg.seed, number)[SOUND]
        joints, _ = _member(sound, SOUND, cfg.grid, None)
        made.append((joints, blur_of(joints)))
    return made


def blur_of(joints: Joints) -> float:
    """Standard deviation of the blur, mm, of the rims of sub-volumes."""
    pitch, ball = (float(joints.table[name].iloc[0]) for name in ("pitch_mm", "ball_mm"))
    offsets = joints.grid.offsets_mm(pitch, ball)
    spacing = tuple(float(place[1] - place[0]) for place in offsets)
    origin = tuple(float(place[0]) for place in offsets)
    lattice = Lattice(joints.grid.shape, origin, spacing)  # type: ignore[arg-type]
    half = (pitch / 2, 0.2 * ball)
    patches = (patch_around(v, lattice, np.zeros(3), np.eye(3), half) for v in joints.volumes.astype(float))
    rims = [rim for rim in (fit_rim(patch, pitch, ball, 0.5) for patch in patches) if rim is not None]
    return float(np.median([rim.sigma_mm for rim in rims]))


def ideal_um(kind: str, size_per_d: Callable[[pd.DataFrame], float]) -> float:
    """Size at which the study's ideal test has d' = DETECTABLE, from its measured rows."""
    rows = pd.read_csv(OBSERVER)
    return size_per_d(rows[(rows["kind"] == kind) & (rows["detector"] == "rules")])


@pytest.mark.slow
def test_the_bound_lies_within_a_factor_of_two_of_what_an_ideal_test_found(
    studied: list[tuple[Joints, float]],
) -> None:
    """The ideal test's d' grows evenly with a thin gap, and with a small void's volume (bench/observer.csv)."""
    gap = ideal_um(
        "head_in_pillow", lambda rows: float(np.interp(DETECTABLE, rows["ideal_d"], rows["size_um"]))
    )
    void = ideal_um(
        "void",
        lambda rows: float(rows["size_um"].iloc[0] * (DETECTABLE / rows["ideal_d"].iloc[0]) ** (1 / 3)),
    )
    assert 10 < gap < 14.9
    for joints, sigma in studied:
        assert gap / 2 < 1000 * smallest_gap_mm(joints, sigma) < 2 * gap
        assert void / 2 < 1000 * smallest_void_mm(joints, sigma) < 2 * void
