"""Phantom joints painted straight onto the grid: small, fast stand-ins that know no projection."""

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
import pytest
from numpy.typing import NDArray
from scipy import ndimage

from jointwise.joints.batch import Joints
from jointwise.joints.grid import Grid
from jointwise.joints.kinds import KINDS

FINER = (2, 2, 2)  # samples per grid step along z, y, x
COPPER, LAMINATE = 0.42, 0.03


@dataclass(frozen=True)
class Phantom:
    """One joint and its neighbours; mm, z = 0 at half its height, z from board to package.

    `voids`: (x, y, z, radius) each. `gap`: thickness of a pillow's gap, on a sphere of `gap_radius` (dish if
    positive, dome if negative) that meets the axis at `gap_z`. `open_board`, `open_package`: height of the
    free cap's tip over that land. `neck`: radius of a neck to the neighbour in +x, `neck_z` its height.
    """

    pitch: float = 0.8
    ball: float = 0.5
    height: float = 0.37
    lands: tuple[float, float] = (0.20, 0.20)
    radius: float = 0.272
    copper: float = 0.03
    present: bool = True
    voids: tuple[tuple[float, float, float, float], ...] = ()
    gap: float = 0.0
    gap_radius: float = 0.5
    gap_z: float = 0.0
    open_board: float = 0.0
    open_package: float = 0.0
    neck: float = 0.0
    neck_z: float = -0.05
    blur: float = 0.012
    noise: float = 0.0
    cupping: float = 0.15
    shift: tuple[float, float, float] = (0.0, 0.0, 0.0)
    seed: int = 0

    def truth(self) -> tuple[float, ...]:
        """Labels in the order of KINDS."""
        return (
            float(len(self.voids) > 0),
            float(self.open_board > 0 or self.open_package > 0),
            float(self.neck > 0),
            float(self.gap > 0),
        )


def _solder(p: Phantom, x: NDArray, y: NDArray, z: NDArray) -> NDArray[np.bool_]:
    """Body of the joint at (0, 0) with its own defects."""
    a, b = p.lands
    centre = (a**2 - b**2) / (2 * p.height)
    rho2 = x**2 + y**2
    body = (rho2 <= p.radius**2 - (z - centre) ** 2) & (np.abs(z) <= p.height / 2)
    for vx, vy, vz, r in p.voids:
        body &= (x - vx) ** 2 + (y - vy) ** 2 + (z - vz) ** 2 > r**2
    if p.gap > 0:
        sign = np.sign(p.gap_radius)
        top = p.gap_z + p.gap_radius - sign * np.sqrt(np.maximum(p.gap_radius**2 - rho2, 0))
        body &= ~((z > top) & (z <= top + p.gap))
    if p.open_board > 0:
        body &= z > -p.height / 2 + p.open_board + rho2 / (2 * 0.45)
    if p.open_package > 0:
        body &= z < p.height / 2 - p.open_package - rho2 / (2 * 0.45)
    return body


def paint(p: Phantom, grid: Grid) -> NDArray[np.float32]:
    """Sub-volume (z, y, x) of a phantom."""
    fine = Grid(tuple(n * k for n, k in zip(grid.shape, FINER, strict=True)), grid.pitches, grid.balls)
    xs, ys, zs = (
        (o - s).astype(np.float32) for o, s in zip(fine.offsets_mm(p.pitch, p.ball), p.shift, strict=True)
    )
    z, y, x = np.meshgrid(zs, ys, xs, indexing="ij", sparse=True)
    sound = replace(p, voids=(), gap=0, open_board=0, open_package=0, present=True)
    metal = _solder(p, x, y, z) if p.present else np.zeros(fine.shape, bool)
    copper = np.zeros(fine.shape, bool)
    for i, j in ((0, 0), (0, 1), (0, -1), (1, 0), (-1, 0)):
        dx, dy = x - i * p.pitch, y - j * p.pitch
        if (i, j) != (0, 0):
            metal |= _solder(sound, dx, dy, z)
        rho2 = dx**2 + dy**2
        copper |= (rho2 < p.lands[0] ** 2) & (z < -p.height / 2) & (z > -p.height / 2 - p.copper)
        copper |= (rho2 < (p.lands[1] + 0.04) ** 2) & (z > p.height / 2) & (z < p.height / 2 + p.copper)
    if p.neck > 0:
        metal |= (x > 0) & (x < p.pitch) & (y**2 + (z - p.neck_z) ** 2 < p.neck**2)
    beyond = np.abs(z) > p.height / 2
    cup = 1 - p.cupping * np.clip(1 - (x**2 + y**2 + z**2) / p.radius**2, 0, 1)
    value = np.where(metal, cup, np.where(copper, COPPER, np.where(beyond, LAMINATE, -0.02)))
    nz, ny, nx = grid.shape
    kz, ky, kx = FINER
    coarse = value.reshape(nz, kz, ny, ky, nx, kx).mean(axis=(1, 3, 5))
    sx, sy, sz = (p.blur / s for s in grid.spacing_mm(p.pitch, p.ball))
    smooth = ndimage.gaussian_filter(coarse, (sz, sy, sx))
    grain = ndimage.gaussian_filter(np.random.default_rng(p.seed).normal(size=grid.shape), (0.7, 0.45, 0.45))
    return np.asarray(smooth + p.noise * grain / grain.std(), dtype=np.float32)


def joints_of(phantoms: list[Phantom], grid: Grid | None = None) -> Joints:
    """A batch of painted joints with labels and sizes in its table."""
    grid = grid or Grid()
    volumes = np.zeros((len(phantoms), *grid.shape), np.float32)
    for i, p in enumerate(phantoms):
        volumes[i] = paint(p, grid)
    table = pd.DataFrame(
        {
            "ball": [f"A{i + 1}" for i in range(len(phantoms))],
            "pitch_mm": [p.pitch for p in phantoms],
            "ball_mm": [p.ball for p in phantoms],
            "voxel_um": [1000 * p.blur for p in phantoms],
            "voxels_per_ball": [p.ball / p.blur for p in phantoms],
            "cnr": [1 / p.noise if p.noise else np.inf for p in phantoms],
            "present": [float(p.present) for p in phantoms],
        }
    )
    for k, kind in enumerate(KINDS):
        table[kind] = np.array([p.truth()[k] if p.present else np.nan for p in phantoms], dtype=np.float64)
    return Joints(volumes, table, grid)


def draw(kind: str, rng: np.random.Generator, noise: float) -> Phantom:
    """A phantom of one kind ('sound' or one of KINDS) with the usual spread of everything else."""
    ball, pitch = ((0.5, 0.8), (0.6, 1.0), (0.4, 0.65))[rng.integers(3)]
    height = ball * rng.uniform(0.66, 0.8)
    land = ball * rng.uniform(0.36, 0.42)
    p = Phantom(
        pitch=pitch,
        ball=ball,
        height=height,
        lands=(land, land * rng.uniform(0.92, 1.08)),
        radius=float(np.hypot(land, height / 2) * rng.uniform(1.0, 1.06)),
        copper=rng.uniform(0.018, 0.035),
        blur=ball / rng.uniform(25, 45),
        noise=noise,
        cupping=rng.uniform(0, 0.2),
        shift=tuple(rng.uniform(-0.02, 0.02, 3) * ball),
        seed=int(rng.integers(2**31)),
    )
    if kind == "void":
        r = p.radius * rng.uniform(0.3, 0.5)
        x, y, z = rng.uniform(-0.35, 0.35, 3) * ball
        z = np.clip(z, -height / 2 + r + 0.05 * ball, height / 2 - r - 0.05 * ball)
        s = min(1.0, max(0.0, 0.85 * p.radius - r) / max(float(np.sqrt(x * x + y * y + z * z)), 1e-9))
        return replace(p, voids=((s * x, s * y, float(s * z), r),))
    if kind == "non_wet":
        tip = rng.uniform(0.5, 3) * p.blur
        return replace(p, open_board=tip) if rng.random() < 0.5 else replace(p, open_package=tip)
    if kind == "bridging":
        return replace(p, neck=ball * rng.uniform(0.06, 0.15), neck_z=height * rng.uniform(-0.3, 0.2))
    if kind == "head_in_pillow":
        bend = 2 * p.radius * rng.uniform(0.8, 3) * rng.choice([-1, 1])
        place = height * rng.uniform(-0.22, 0.1)
        return replace(p, gap=rng.uniform(1, 3) * p.blur, gap_radius=bend, gap_z=place)
    return p


@pytest.fixture(scope="session")
def phantom() -> Callable[..., Joints]:
    """Paint one joint: `phantom(gap=0.03)` gives a batch of one."""
    return lambda **changes: joints_of([Phantom(**changes)])


@pytest.fixture(scope="session")
def mixed_phantoms() -> Callable[[int, float, int], Joints]:
    """`mixed_phantoms(n, noise, seed)`: n joints, sound and each kind in turn."""

    def make(n: int, noise: float, seed: int) -> Joints:
        rng = np.random.default_rng(seed)
        kinds = ("sound", *KINDS)
        return joints_of([draw(kinds[i % len(kinds)], rng, noise) for i in range(n)])

    return make
