"""Image quality of phantoms in closed form: Gaussian-blurred balls cut flat, with known noise, cupping and lanes."""

import io
import json
import math
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray
from rich.console import Console
from scipy.special import ndtr

from jointwise.evaluation.scans.quality import TITLES, Measured, Subject, measure_quality, median_over
from jointwise.evaluation.scans.quality_table import ScanQuality, shown, terminal, write_quality
from jointwise.joints.errors import InputError
from jointwise.joints.lattice import Lattice, rotation
from jointwise.joints.levels import Levels

PITCH, BALL = 0.8, 0.5
AIR, SOLDER = 60.0, 160.0


@dataclass(frozen=True)
class Balls:
    """What the phantom shows; lengths in voxels, shares of the contrast."""

    voxel_mm: float = 0.025
    rows: int = 3
    cols: int = 4
    blur: float = 0.8
    cnr: float = 30.0
    cupping: float = 0.0  # centre below rim, parabola in the plane
    lane: float = 0.0  # band along x through the balls below air
    voids: tuple[int, ...] = ()  # which balls hold one
    turn_deg: float = 3.0
    seed: int = 0


def subject(balls: Balls, dtype: str = "float32") -> Subject:
    """The phantom as a scan with its places known."""
    rng = np.random.default_rng(balls.seed)
    axes = rotation(1.0, -0.7, balls.turn_deg)
    extent = (np.array([balls.cols, balls.rows]) + 0.4) * PITCH / balls.voxel_mm
    shape = (int(1.7 * BALL / balls.voxel_mm), int(extent[1]), int(extent[0]))
    lattice = Lattice(shape, (0.3, -0.2, 0.1), (balls.voxel_mm,) * 3)
    middle = np.asarray(lattice.origin_mm) + (np.array(shape[::-1]) - 1) / 2 * balls.voxel_mm
    grid = (
        np.stack(np.meshgrid(*(np.arange(n) for n in shape), indexing="ij")[::-1], axis=-1) * balls.voxel_mm
    )
    x, y, z = np.moveaxis((grid + np.asarray(lattice.origin_mm) - middle) @ axes, -1, 0)
    rows, cols = (a.ravel() for a in np.mgrid[: balls.rows, : balls.cols])
    flat = np.stack([cols - (balls.cols - 1) / 2, rows - (balls.rows - 1) / 2, 0 * rows], axis=1) * PITCH
    shift = -balls.lane * (0.5 + 0.5 * np.cos(2 * np.pi * (y / PITCH - (balls.rows - 1) / 2)))
    value = shift
    for k, (centre, at) in enumerate(zip(flat, lattice.to_index(flat @ axes.T + middle), strict=True)):
        reach = 0.55 * PITCH / balls.voxel_mm  # beyond it nothing of this ball is left
        near = (slice(None), *(slice(max(int(i - reach), 0), int(i + reach) + 1) for i in at[1::-1]))
        solder, shade = _ball(balls, x[near] - centre[0], y[near] - centre[1], z[near], k in balls.voids)
        value[near] = value[near] * (1 - solder) + shade * solder
    value = AIR + (SOLDER - AIR) * (value + rng.standard_normal(shape) / balls.cnr)
    if dtype == "uint8":
        value = np.clip(np.rint(value), 0, 255)
    volume = value.astype(dtype)
    return Subject(volume, lattice, flat @ axes.T + middle, axes, PITCH, BALL, Levels(AIR, SOLDER))


def _ball(
    balls: Balls, x: NDArray[np.float64], y: NDArray[np.float64], z: NDArray[np.float64], void: bool
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Share of solder and its grey; far from the corners the product of both blurred bodies is the blurred joint."""
    s, radius = balls.blur * balls.voxel_mm, 0.52 * BALL
    solder = blurred_ball(np.sqrt(x * x + y * y + z * z), radius, s)
    solder = solder * (ndtr((0.34 * BALL - z) / s) - ndtr((-0.34 * BALL - z) / s))
    if void:
        solder = solder * (1 - blurred_ball(np.sqrt(x * x + y * y + (z - 0.05) ** 2), 0.1 * BALL, s))
    return solder, 1 - balls.cupping * np.clip(1 - (x * x + y * y) / radius**2, -1, 1)


def blurred_ball(r: NDArray[np.float64], radius: float, s: float) -> NDArray[np.float64]:
    """A ball of density 1 under a Gaussian of standard deviation s, at distance r from its middle (closed form)."""
    r = np.maximum(r, 1e-6)
    near, far = (radius - r) / s, (radius + r) / s
    bell = (np.exp(-(near**2) / 2) - np.exp(-(far**2) / 2)) / np.sqrt(2 * np.pi)
    return np.asarray(ndtr(near) + ndtr(far) - 1 - s / r * bell)


def measured(subject: Subject) -> dict[str, Measured]:
    """All measures by name."""
    return {m.measure: m for m in measure_quality(subject)[0]}


@pytest.mark.parametrize("blur", [0.6, 1.0])
def test_edges_and_mtf_of_a_gaussian_blur(blur: float) -> None:
    found = measured(subject(Balls(blur=blur)))
    for name in ("edge_in_plane", "edge_along_z"):
        assert found[name].value == pytest.approx(2.563103 * blur, rel=0.03)
        assert found[f"{name}_um"].value == pytest.approx(25 * found[name].value)
        assert found[name].low <= found[name].value <= found[name].high
    assert found["mtf10_voxels"].value == pytest.approx(0.341541 / blur, rel=0.03)
    assert found["mtf10"].value == pytest.approx(found["mtf10_voxels"].value / 0.025)
    assert (found["edge_in_plane"].n, found["edge_along_z"].n) == (12, 24)


@pytest.mark.parametrize("dtype", ["float32", "uint8"])
def test_noise_and_edges_at_a_cnr_of_five(dtype: str) -> None:
    found = measured(subject(Balls(cnr=5.0), dtype))
    assert found["cnr"].value == pytest.approx(5.0, rel=0.05)
    for name in ("noise_solder", "noise_air"):
        assert found[name].value == pytest.approx(20.0, rel=0.05)
    # White noise, of which the mean over nine keeps a third; the trend takes a little of that.
    assert found["noise_3x3"].value == pytest.approx(19.0 / 3, rel=0.06)
    assert found["edge_in_plane"].value == pytest.approx(2.563103 * 0.8, rel=0.06)
    assert found["edge_along_z"].value == pytest.approx(2.563103 * 0.8, rel=0.12)
    assert found["mtf10_voxels"].value == pytest.approx(0.341541 / 0.8, rel=0.08)


def test_eight_bits_with_noise_of_two_grey_steps() -> None:
    found = measured(subject(Balls(cnr=50.0), "uint8"))
    # Rounding to whole steps adds a variance of 1/12.
    assert found["noise_solder"].value == pytest.approx(math.sqrt(4 + 1 / 12), rel=0.05)
    assert found["grey_steps"].value == pytest.approx(SOLDER - AIR, rel=0.01)
    assert found["edge_in_plane"].value == pytest.approx(2.563103 * 0.8, rel=0.03)


def test_noise_under_a_grey_step_is_the_roundings() -> None:
    found = measured(subject(Balls(cnr=1e6), "uint8"))
    assert found["noise_air"].value == pytest.approx(100 / math.sqrt(12) / (SOLDER - AIR), rel=0.01)
    assert found["noise_air"].low > 0


def test_cupping_of_a_known_parabola_leaves_the_noise_alone() -> None:
    found = measured(subject(Balls(cupping=0.25, blur=0.6)))
    assert found["cupping"].value == pytest.approx(25.0, abs=1.0)
    assert found["noise_solder"].value * (found["solder_level"].value - AIR) == pytest.approx(
        100 * 100 / 30, rel=0.06
    )
    assert abs(measured(subject(Balls(blur=0.6)))["cupping"].value) < 1.0


def test_dark_lanes_lie_where_they_were_put() -> None:
    found = measured(subject(Balls(lane=0.3)))
    within = 0.5 + 0.5 * math.sin(0.2 * math.pi) / (0.2 * math.pi)  # mean of the band over the lane's breadth
    assert found["lane_along_x"].value == pytest.approx(30 * within, rel=0.03)
    assert abs(found["lane_along_y"].value) < 1.0
    assert (found["lane_along_x"].n, found["lane_along_y"].n) == (9, 8)


def test_voids_in_some_balls_do_not_move_the_medians() -> None:
    sound, voided = measured(subject(Balls())), measured(subject(Balls(voids=(0, 5, 7, 10))))
    for name in ("cnr", "noise_solder", "cupping", "edge_in_plane", "mtf10"):
        assert voided[name].value == pytest.approx(sound[name].value, rel=0.06, abs=0.6)


def test_what_cannot_be_measured_says_why() -> None:
    few = measured(subject(Balls(rows=1, cols=2)))
    assert list(few) == list(TITLES)
    for name in ("cnr", "edge_in_plane", "cupping", "lane_along_y", "mtf10", "grey_steps"):
        assert math.isnan(few[name].value)
        assert few[name].reason
    assert "real numbers" in few["grey_steps"].reason
    assert few["voxels_per_ball"].value == pytest.approx(20.0)
    with pytest.raises(InputError, match="found none"):
        measure_quality(replace(subject(Balls(rows=1, cols=2)), centres_mm=np.empty((0, 3))))


def test_no_noise_at_all_has_no_ratio() -> None:
    assert "no noise" in median_over("cnr", [np.inf] * 5, "no noise").reason


def test_interval_is_that_of_a_median() -> None:
    """For a normal sample the median's standard error is 1.2533 sigma / sqrt(n)."""
    values = np.random.default_rng(3).normal(10.0, 1.0, 400)
    found = median_over("cnr", values, "")
    half = 1.96 * 1.2533 / 20
    assert found.high - found.low == pytest.approx(2 * half, rel=0.25)
    assert found == median_over("cnr", values, "")


def test_files_and_screen_hold_every_measure(tmp_path: Path) -> None:
    figures, profiles = measure_quality(subject(Balls(rows=3, cols=3)))
    scans = [ScanQuality(name, {"file": name}, figures, profiles) for name in ("one", "two")]
    write_quality(scans, {"voxels_per_ball": (16.0, 34.0)}, tmp_path)
    assert (tmp_path / "quality.png").read_bytes()[:4] == b"\x89PNG"
    plain = json.loads((tmp_path / "quality.json").read_text())
    assert [m["measure"] for m in plain[1]["measures"]] == list(TITLES)
    assert plain[0]["measures"][4]["value"] is None
    lines = (tmp_path / "quality.csv").read_text().splitlines()
    assert lines[0].startswith("scan,measure,value,low,high,n,unit")
    assert len(lines) == 1 + 2 * len(TITLES)
    console = Console(width=120, record=True, file=io.StringIO())
    console.print(terminal(scans, {"voxels_per_ball": (16.0, 34.0)}))
    text = console.export_text()
    assert "16 to 34" in text
    assert "8 to 30" in text
    assert shown(figures[8]) in text
    assert "the file holds real numbers" in " ".join(text.split())
