"""A scene: joints, necks, copper and boxes of one board in the board frame, and its packed form.

Board frame, mm: z is the board normal from board to package, z = 0 the top of the board lands; x and
y lie in the plane with their origin at the array's centre.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from jointwise.data_gen.shapes import solids as sd
from jointwise.data_gen.shapes.solids import Floats, Solids
from jointwise.joints.errors import InputError

SOLDER, COPPER, LAMINATE, SILICON, SECOND = range(5)
"""Materials; their attenuation per mm comes from elsewhere. SECOND is the board's second alloy, metal inside MIX."""


class Infeasible(InputError):
    """A record whose scan cannot be made: joints that touch or pinch off, metal that does not settle, a crowded ray.

    A store draws such a scan anew; where a single record was asked for, its sentence goes to the user.
    """


class Joint(NamedTuple):
    """One site of the array: its metal and the facts of its lands.

    Attributes:
        row, col: place in the array; x grows with col, y with row.
        solids: the primitives of its solder, board frame; none for a bare site.
        centre: (3,) centre of the joint at half its height, mm.
        sphere_centre, sphere_radius: a ball around all BODY primitives, mm (radius 0 for a bare site).
        foot: (2,) x, y of the board land's centre; head: the same of the package land.
        height_mm: board land top to package land underside.
        board_land_mm, package_land_mm: radii of the wettable lands.
        nominal_mm3: metal a nominal joint of this array has.
        round_from: (2, 2) map that makes its oblong lands round again; identity for round lands.
    """

    row: int
    col: int
    solids: Solids
    centre: Floats
    sphere_centre: Floats
    sphere_radius: float
    foot: Floats
    head: Floats
    height_mm: float
    board_land_mm: float
    package_land_mm: float
    nominal_mm3: float
    round_from: Floats = np.eye(2)


class Neck(NamedTuple):
    """Metal that joins two neighbours; counted only outside the BODY of both.

    Attributes:
        solids: its primitives (BODY).
        joints: indices of the two joints in the scene.
        start, end: (3,) points of its axis, inside the first and the second joint.
        least_area_mm2: least cross-section along the axis.
    """

    solids: Solids
    joints: tuple[int, int]
    start: Floats
    end: Floats
    least_area_mm2: float


class Boxes(NamedTuple):
    """m axis-aligned boxes that never overlap: low, high (m, 3) in mm, material (m,)."""

    low: Floats
    high: Floats
    material: NDArray[np.int8]


class Scene(NamedTuple):
    """Everything X-rays meet, board frame.

    `copper` lies in air; `sunk` is copper inside LAMINATE boxes and takes their place, so a ray's
    laminate is the boxes' length less the sunk copper's. Both are disjoint (a VOID inside its BODY).
    """

    joints: tuple[Joint, ...]
    necks: tuple[Neck, ...]
    copper: Solids
    sunk: Solids
    boxes: Boxes


class Packed(NamedTuple):
    """A scene as flat arrays of one precision for the ray kernels.

    All primitives lie one behind the other: joints, then necks, then copper, then sunk copper. Row
    ranges are (first, last + 1). Bounding balls of necks are `neck_centre`, `neck_radius`. The first
    `joint_disjoint` rows of a joint are BODY and never overlap, so lengths in them simply add up.
    """

    matrix: NDArray[Any]
    origin: NDArray[Any]
    profile: NDArray[Any]
    ends: NDArray[Any]
    role: NDArray[np.int8]
    joint_rows: NDArray[np.int32]
    joint_centre: NDArray[Any]
    joint_radius: NDArray[Any]
    neck_rows: NDArray[np.int32]
    neck_joints: NDArray[np.int32]
    neck_centre: NDArray[Any]
    neck_radius: NDArray[Any]
    copper_rows: NDArray[np.int32]
    copper_centre: NDArray[Any]
    copper_radius: NDArray[Any]
    box_low: NDArray[Any]
    box_high: NDArray[Any]
    box_material: NDArray[np.int8]
    joint_disjoint: NDArray[np.int32]


def _ranges(counts: list[int], first: int) -> NDArray[np.int32]:
    edges = first + np.concatenate([[0], np.cumsum(counts)]).astype(np.int32)
    return np.stack([edges[:-1], edges[1:]], axis=1).astype(np.int32)


def _grown(radius: Floats, dtype: Any) -> NDArray[Any]:
    # Rounding must never shrink a bounding ball below its solid.
    return (radius * (1.0 + 1e-6) + np.where(radius > 0.0, 1e-6, 0.0)).astype(dtype)


def leading_disjoint(solids: Solids) -> int:
    """How many of the first primitives are BODY stacked along one axis: same map, slabs that at most touch."""
    n = 0
    axis = solids.matrix[:1, 2]
    height = (solids.origin @ axis.T)[:, 0] if solids.size else np.zeros(0)
    slabs = solids.ends + height[:, None]
    equal = (solids.matrix == solids.matrix[:1]).all(axis=(1, 2)).tolist()
    while n < solids.size and solids.role[n] == sd.BODY:
        same = equal[n] or np.allclose(solids.matrix[n], solids.matrix[0], rtol=1e-12, atol=0.0)
        apart = (slabs[n, 0] >= slabs[:n, 1] - 1e-9) | (slabs[n, 1] <= slabs[:n, 0] + 1e-9)
        if not (same and apart.all()):
            break
        n += 1
    return n


def pack(scene: Scene, dtype: Any = np.float32) -> Packed:
    """The scene as contiguous arrays of the given precision.

    `copper_rows` is (2, 2): the row ranges of free and of sunk copper; `copper_centre` and
    `copper_radius` hold one bounding ball per copper primitive, free then sunk.
    """
    everything = sd.join(
        *(j.solids for j in scene.joints), *(n.solids for n in scene.necks), scene.copper, scene.sunk
    )
    joint_rows = _ranges([j.solids.size for j in scene.joints], 0)
    first_neck = int(joint_rows[-1, 1]) if len(scene.joints) else 0
    neck_rows = _ranges([n.solids.size for n in scene.necks], first_neck)
    first_copper = int(neck_rows[-1, 1]) if len(scene.necks) else first_neck
    balls = [sd.enclosing_sphere(n.solids) for n in scene.necks]
    copper_centre, copper_radius = sd.bounding_spheres(sd.join(scene.copper, scene.sunk))

    def as_dtype(values: Any, *shape: int) -> NDArray[Any]:
        return np.ascontiguousarray(np.asarray(values, float).reshape(shape), dtype)

    return Packed(
        matrix=as_dtype(everything.matrix, -1, 3, 3),
        origin=as_dtype(everything.origin, -1, 3),
        profile=as_dtype(everything.profile, -1, 3),
        ends=as_dtype(everything.ends, -1, 2),
        role=everything.role,
        joint_rows=joint_rows,
        joint_centre=as_dtype([j.sphere_centre for j in scene.joints], -1, 3),
        joint_radius=_grown(np.asarray([j.sphere_radius for j in scene.joints], float), dtype),
        neck_rows=neck_rows,
        neck_joints=np.asarray([n.joints for n in scene.necks], np.int32).reshape(-1, 2),
        neck_centre=as_dtype([b[0] for b in balls], -1, 3),
        neck_radius=_grown(np.asarray([b[1] for b in balls], float), dtype),
        copper_rows=_ranges([scene.copper.size, scene.sunk.size], first_copper),
        copper_centre=as_dtype(copper_centre, -1, 3),
        copper_radius=_grown(copper_radius, dtype),
        box_low=as_dtype(scene.boxes.low, -1, 3),
        box_high=as_dtype(scene.boxes.high, -1, 3),
        box_material=scene.boxes.material,
        joint_disjoint=np.asarray([leading_disjoint(j.solids) for j in scene.joints], np.int32),
    )
