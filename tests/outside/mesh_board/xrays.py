"""Path lengths by gvxr, spectrum, detector and reconstruction."""

from __future__ import annotations

import math
import tempfile
from pathlib import Path

import numpy as np
from gvxrPython3 import gvxr
from manifold3d import Manifold, Mesh
from presets import Board
from scipy.ndimage import gaussian_filter, map_coordinates

MIXTURES = {
    "solder": (7.38, {"Sn": 0.965, "Ag": 0.03, "Cu": 0.005}),
    "copper": (8.96, {"Cu": 1.0}),
    # Glass 60 %, epoxy 40 % by weight, and a mould of 82 % silica: our own mixes, elements by weight.
    "laminate": (
        1.85,
        {"O": 0.39, "Si": 0.155, "Ca": 0.086, "Al": 0.048, "B": 0.015, "Mg": 0.007, "C": 0.27, "H": 0.029},
    ),
    "mould": (1.95, {"Si": 0.383, "O": 0.482, "C": 0.125, "H": 0.01}),
    "silicon": (2.33, {"Si": 1.0}),
}  # fmt: skip


def attenuation(name: str, kev: np.ndarray) -> np.ndarray:
    """Attenuation per mm (Elam tables of xraydb)."""
    import xraydb

    density, parts = MIXTURES[name]
    whole = sum(parts.values())
    total = sum(w / whole * np.asarray(xraydb.mu_elam(el, kev * 1000.0)) for el, w in parts.items())
    return np.asarray(total * density / 10.0)


def spectrum(board: Board) -> tuple[np.ndarray, np.ndarray]:
    """Energies (keV) and detected quanta per bin, summing to 1, behind the filters in 0.5 mm CsI."""
    import spekpy
    import xraydb

    tube = spekpy.Spek(kvp=board.kvp, th=12, dk=0.5)
    tube.filter("Al", board.filter_al).filter("Cu", board.filter_cu)
    kev, quanta = tube.get_spectrum()
    csi = 4.51 * (0.5115 * xraydb.mu_elam("Cs", kev * 1e3) + 0.4885 * xraydb.mu_elam("I", kev * 1e3))
    quanta = quanta * (1.0 - np.exp(-csi * 0.05))
    keep = quanta > 1e-5 * quanta.max()
    return kev[keep], quanta[keep] / quanta[keep].sum()


def grouped(names, kev, quanta, groups: int) -> tuple[np.ndarray, np.ndarray]:
    """Attenuation (material, group) and two weights (group, 2): of the signal, and of its variance per quantum.

    Groups hold about equal shares of the signal, but end at the K edges of tin and silver; their attenuation is the
    mean weighted by signal. :func:`grouping_error` tells what that costs.
    """
    signal = kev * quanta / (kev * quanta).sum()
    share = np.cumsum(signal) - signal / 2
    index = np.floor(share * (groups - 3)).astype(int)
    for edge in (25.51, 29.20):
        index += (kev > edge).astype(int)
    index = np.unique(index, return_inverse=True)[1]
    total = np.bincount(index, signal)
    mu = np.stack([np.bincount(index, signal * attenuation(n, kev)) / total for n in names])
    return mu, np.column_stack([total, np.bincount(index, signal * kev / (kev * quanta).sum())])


def grouping_error(board: Board, groups: int) -> float:
    """Largest error of transmission over air of solder (0 to 3 mm) and laminate (0 to 20 mm) by grouping energies."""
    kev, quanta = spectrum(board)
    names = ["solder", "laminate", "copper"]
    mm = np.array([[s, x, c] for s in (0, 0.05, 0.2, 0.5, 1, 3) for x in (0, 3, 20) for c in (0, 0.05, 1)])
    fine, coarse = grouped(names, kev, quanta, 10**6), grouped(names, kev, quanta, groups)
    signals = [np.exp(-mm @ mu) @ weights for mu, weights in (fine, coarse)]
    return float(np.abs((signals[1] - signals[0]) / signals[0][0]).max())


def rotation(about_x: float, about_y: float, about_z: float) -> np.ndarray:
    a, b, c = np.radians([about_x, about_y, about_z])
    rx = np.array([[1, 0, 0], [0, np.cos(a), -np.sin(a)], [0, np.sin(a), np.cos(a)]])
    ry = np.array([[np.cos(b), 0, np.sin(b)], [0, 1, 0], [-np.sin(b), 0, np.cos(b)]])
    rz = np.array([[np.cos(c), -np.sin(c), 0], [np.sin(c), np.cos(c), 0], [0, 0, 1]])
    return rx @ ry @ rz


def directions(ray_deg: float, angle: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Unit vectors from the axis' middle to the source, along the detector's columns and along its rows' order.

    Upright (rays square to the axis) the source circles in the x-z plane about y; below 90 degrees (laminography)
    about z, on the package's side, `ray_deg` from z.
    """
    s, c = math.sin(angle), math.cos(angle)
    if ray_deg == 90.0:
        return np.array([s, 0.0, c]), np.array([c, 0.0, -s]), np.array([0.0, 1.0, 0.0])
    flat, high = math.sin(math.radians(ray_deg)), math.cos(math.radians(ray_deg))
    outward = np.array([flat * s, -flat * c, high])
    across = np.array([c, s, 0.0])
    return outward, across, np.cross(outward, across)


class Lengths:
    """gvxr's path lengths (mm) by material, `sub` x `sub` rays a pixel, columns and rows along `directions`."""

    def __init__(self, meshes: dict[str, tuple[np.ndarray, np.ndarray]], geometry: dict, sub: int) -> None:
        self.names, self.geometry = list(meshes), geometry
        gvxr.createWindow(0, 0, "EGL")
        for name, (vertices, faces) in meshes.items():
            gvxr.makeTriangularMesh(
                name, vertices.astype(np.float32).ravel(), faces.astype(np.int32).ravel(), "mm"
            )
            gvxr.setCompound(name, "H2O")
            gvxr.setDensity(name, 1.0, "g/cm3")
            gvxr.addPolygonMeshAsInnerSurface(name)
        gvxr.setDetectorNumberOfPixels(geometry["columns"] * sub, geometry["rows"] * sub)
        gvxr.setDetectorPixelSize(geometry["pixel"] / sub, geometry["pixel"] / sub, "mm")
        gvxr.usePointSource()
        gvxr.setMonoChromatic(80, "keV", 1000)
        self.place(0.0)
        gvxr.computeLBuffer(self.names[0])
        gvxr.disableArtefactFiltering()  # only takes effect after a first buffer
        self.shape = (geometry["rows"] * sub, geometry["columns"] * sub)
        self.folder = tempfile.TemporaryDirectory(dir="/dev/shm" if Path("/dev/shm").is_dir() else None)
        self.file = str(Path(self.folder.name) / "lengths.raw")
        self.place(0.7)
        told = np.asarray(gvxr.computeLBuffer(self.names[-1]), np.float32)
        if told.shape != self.shape or not np.array_equal(told, self.buffer(self.names[-1])):
            raise RuntimeError("gvxr's file of path lengths is not what it returns: read its answer instead")

    def place(self, angle: float) -> None:
        g = self.geometry
        outward, across, along = directions(g["ray_deg"], angle)
        far = -(g["sdd"] - g["sod"]) * outward + g["shift"] * across
        gvxr.setSourcePosition(*map(float, g["sod"] * outward), "mm")
        gvxr.setDetectorPosition(*map(float, far), "mm")
        gvxr.setDetectorUpVector(*map(float, along))
        gvxr.setDetectorRightVector(*map(float, across))

    def __call__(self, angle: float) -> np.ndarray:
        self.place(angle)
        return np.stack([without_spikes(10.0 * self.buffer(name)) for name in self.names])

    def buffer(self, name: str) -> np.ndarray:
        """One material's path lengths in cm, by way of a file: as Python numbers they would take ten times as long."""
        gvxr.computeLBuffer(name)
        gvxr.saveLastLBuffer(self.file, False)
        return np.fromfile(self.file, np.float32, math.prod(self.shape)).reshape(self.shape)


THICKNESS = 1.5
"""Half the height (mm) about the balls that a laminographic view takes in: package and circuit board."""


def without_spikes(lengths: np.ndarray, most: float = 0.05) -> np.ndarray:
    """Lengths (mm) without single rays that missed a facet: a few of a million, wrong by up to the source's distance.

    Such a ray lies farther than `most` over, or under, all four neighbours, which no body here does to one ray; or
    it is no number at all.
    """
    lengths = np.where(np.isfinite(lengths), lengths, np.inf).astype(lengths.dtype)
    middle = lengths[:, 1:-1]
    left, right = middle - lengths[:, :-2], middle - lengths[:, 2:]
    rows, columns = np.nonzero((np.minimum(left, right) > most) | (np.maximum(left, right) < -most))
    inner = (rows > 0) & (rows < len(lengths) - 1)
    rows, columns = rows[inner], columns[inner] + 1
    here = lengths[rows, columns]
    around = np.stack([lengths[rows + r, columns + c] for r, c in ((0, -1), (0, 1), (-1, 0), (1, 0))])
    wrong = (here > around.max(axis=0) + most) | (here < around.min(axis=0) - most)
    mended = np.maximum(lengths, 0.0)
    mended[rows[wrong], columns[wrong]] = np.maximum(around.mean(axis=0)[wrong], 0.0)
    return mended


def expected(lengths: np.ndarray, mu: np.ndarray, weights: np.ndarray, sub: int) -> list[np.ndarray]:
    """Signal over air and its variance for one quantum per pixel, from lengths (material, row, column)."""
    flat = lengths.reshape(len(mu), -1)
    minus, shares = -mu.T.astype(np.float32), weights.T.astype(np.float32)
    images = np.empty((2, flat.shape[1]), np.float32)
    for start in range(0, flat.shape[1], 8192):  # pieces that stay in the cache
        part = slice(start, start + 8192)
        through = minus @ flat[:, part]
        images[:, part] = shares @ np.exp(through, out=through)
    rows, cols = (n // sub for n in lengths.shape[1:])
    return list(images.reshape(2, rows, sub, cols, sub).mean(axis=(2, 4)))


def wide_blur(image: np.ndarray, sigma: float) -> np.ndarray:
    """A Gaussian much wider than a pixel, on every eighth pixel."""
    step = 8
    small = gaussian_filter(zoomed_out(image, step), sigma / step, mode="nearest", truncate=3)
    at = [(np.arange(n) - (step - 1) / 2) / step for n in image.shape]
    return map_coordinates(small, np.meshgrid(*at, indexing="ij"), order=1, mode="nearest")


def zoomed_out(image: np.ndarray, step: int) -> np.ndarray:
    rows, cols = (-n % step for n in image.shape)
    whole = np.pad(image, ((0, rows), (0, cols)), mode="edge")
    return whole.reshape(whole.shape[0] // step, step, whole.shape[1] // step, step).mean(axis=(1, 3))


def measured(
    signal: np.ndarray, spread: np.ndarray, board: Board, magnification: float, gain, rng
) -> np.ndarray:
    """Line integrals of one view: spot blur, scatter, quanta, scintillator blur, electronics, gain, 16 bit, -ln."""
    spot = (magnification - 1) * board.focal_um / 1000 / 2.355 / board.pixel
    signal, spread = (
        gaussian_filter(signal, spot, mode="nearest"),
        gaussian_filter(spread, spot, mode="nearest"),
    )
    extra = board.scatter * (0.5 * signal.mean() + 0.5 * wide_blur(signal, 10.0 / board.pixel))
    signal, spread = signal + extra, spread + extra
    quantum = spread / signal  # signal of the one size of quantum that has this mean and variance
    signal = quantum * rng.poisson(board.photons * signal / quantum) / board.photons
    signal = gaussian_filter(signal, board.blur_px, mode="nearest")
    signal = (signal + board.read_noise / board.photons * rng.standard_normal(signal.shape)) * gain
    step = 1.5 / 65535
    return -np.log(np.maximum(np.rint(signal / step) * step, max(0.5 / board.photons, step))).astype(
        np.float32
    )


def geometry_of(board: Board, half: tuple[float, float, float]) -> dict:
    """Distances and detector for a region of half sizes (x, y, z) about the axis, all of it in every view."""
    magnification = board.pixel / board.voxel
    sod = board.sdd / magnification
    if board.ray_deg == 90.0:
        radius = math.hypot(half[0], half[2])
        wide, high = radius * sod / math.sqrt(sod**2 - radius**2), half[1] * sod / (sod - radius)
    else:
        wide, high = shadow_of_box(board.ray_deg, sod, (half[0], half[1], max(half[2], THICKNESS)))
    columns, rows = (2 * math.ceil(mm / board.voxel) + 14 for mm in (wide, high))
    return {
        "sod": sod,
        "sdd": board.sdd,
        "pixel": board.pixel,
        "columns": columns,
        "rows": rows,
        "shift": 0.0,
        "ray_deg": board.ray_deg,
    }


def shadow_of_box(ray_deg: float, sod: float, half: tuple[float, float, float]) -> tuple[float, float]:
    """Half width and height, at the axis, of the shadows of a box about it in every view."""
    corners = np.array([[x, y, z] for x in (-1, 1) for y in (-1, 1) for z in (-1, 1)]) * half
    reach = np.zeros(2)
    for angle in np.linspace(0, 2 * math.pi, 360, endpoint=False):
        outward, across, along = directions(ray_deg, angle)
        seen = np.stack([corners @ across, corners @ along]) * sod / (sod - corners @ outward)
        reach = np.maximum(reach, np.abs(seen).max(axis=1))
    return float(reach[0]), float(reach[1])


def reconstruct(integrals: np.ndarray, geometry: dict, lattice, hann: float) -> np.ndarray:
    from jointwise.data_gen.xray.geometry import ConeBeam
    from jointwise.data_gen.xray.reconstruct import all_voxels
    from jointwise.data_gen.xray.reconstruct import reconstruct as fdk

    beam = ConeBeam(
        source_axis_mm=geometry["sod"], source_detector_mm=geometry["sdd"], pixel_mm=geometry["pixel"],
        columns=geometry["columns"], rows=geometry["rows"], views=len(integrals),
        ray_deg=geometry["ray_deg"], axis_tilt_deg=0.0 if geometry["ray_deg"] == 90.0 else 90.0,
    )  # fmt: skip
    return np.ascontiguousarray(fdk(integrals, beam, all_voxels(lattice), hann))


def lattice_of(half, voxel: float):
    from jointwise.joints.lattice import Lattice

    nx, ny, nz = (2 * math.ceil(h / voxel) for h in half)
    x, y, z = (-(n - 1) / 2 * voxel for n in (nx, ny, nz))
    return Lattice((nz, ny, nx), (x, y, z), (voxel, voxel, voxel))


def arrays(solid: Manifold) -> tuple[np.ndarray, np.ndarray]:
    mesh: Mesh = solid.to_mesh()
    return np.asarray(mesh.vert_properties)[:, :3].astype(float), np.asarray(mesh.tri_verts)
