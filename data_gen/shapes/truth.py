"""The truth of every joint, from its solids alone (domain document B6), never from its recipe's name.

z is the board normal, 0 the board land's top. E is the joint's envelope with its cavities filled, a bridge
cut off at the mid-plane to the neighbour. Void measures are shares of E; gaps and contact are taken
along z. Everything is a quadrature by vertical rays (exact in z) on a 2 um lattice, or closed form.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from jointwise.data_gen.drawing.records import ScanRecord
from jointwise.data_gen.shapes import columns as cl
from jointwise.data_gen.shapes import solids as sd
from jointwise.data_gen.shapes.clearance import clearances
from jointwise.data_gen.shapes.columns import Columns, Sweep, prepare_sweep, sweep
from jointwise.data_gen.shapes.necks import end_bonds
from jointwise.data_gen.shapes.quadrature import mid_plane
from jointwise.data_gen.shapes.scene import Joint, Neck, Scene
from jointwise.data_gen.shapes.solids import Floats, Solids
from jointwise.joints.names import ball_name

VOID_AREA = 0.05
FAILED, SOUND = 0.25, 0.75
"""Bonded shares: up to FAILED a surface has failed, from SOUND on it holds, between it is marginal."""
LEAST_GAP_UM = 1.0
LEAST_BRIDGE_UM = 1.0
PRESENT = 0.20
"""Metal over nominal from which on a ball is there."""

STEP_MM = 0.002
RAYS_ACROSS = 250
"""Lateral distance of the rays, and their least number across a joint. Against 1 um and finer: void area within 0.1
percentage points, contact fraction within 0.003, mean gap within 0.1 um (tested)."""

NAN = float("nan")


def joint_truth(scene: Scene, record: ScanRecord, step_mm: float | None = None) -> pd.DataFrame:
    """`scene_truth` with whose joint it is: scan, board_id, component, and `recipe` for audits.

    The record names; it has no part in any label or measure.
    """
    return scene_truth(scene, step_mm, record.kept).assign(**whose(record))


def whose(record: ScanRecord) -> dict[str, object]:
    """The columns that say whose joints they are."""
    return {
        "scan": record.scan,
        "board_id": record.board.board_id,
        "component": record.board.component,
        "recipe": [record.joints[i].recipe for i in record.kept],
    }


def scene_truth(
    scene: Scene, step_mm: float | None = None, wanted: Sequence[int] | None = None
) -> pd.DataFrame:
    """One row per joint: place, labels (NaN = marginal or no ball) and measures.

    Args:
        scene: the board.
        step_mm: lateral distance of the rays; STEP_MM or RAYS_ACROSS the joint if left out, what is finer.
        wanted: indices of the joints to tell of; all if left out.

    Returns:
        Columns row, col, ball, x_board_mm, y_board_mm, z_board_mm (centre in the board frame), present, the
        four kinds, the measures of the common schema, and besides them metal_mm3, contact_board,
        contact_package, gap_max_um, clearance_um and height_mm.
    """
    asked = ask_truth(scene, step_mm, wanted)
    return tell_truth(asked, [sweep(ready) for ready in asked.sweeps if ready is not None])


class Asked(NamedTuple):
    """Truth of some joints but for the sweeps, which may be done elsewhere; one entry a joint.

    Attributes:
        places: what is known beforehand: row, col, ball, centre, height.
        sweeps: ready joints; None where nothing stands.
        nominal_mm3: metal of a nominal joint.
        bridges_um: thickness of the thickest bridge; None without one.
        clearance_mm: least air to a neighbour.
    """

    places: list[dict[str, object]]
    sweeps: list[Sweep | None]
    nominal_mm3: list[float]
    bridges_um: list[float | None]
    clearance_mm: NDArray[np.float64]


def ask_truth(scene: Scene, step_mm: float | None = None, wanted: Sequence[int] | None = None) -> Asked:
    """Everything of `scene_truth` that comes before the sweeps."""
    wanted = range(len(scene.joints)) if wanted is None else wanted
    bridges = bridge_thickness(scene)
    joints = [scene.joints[i] for i in wanted]
    return Asked(
        [_place(joint) for joint in joints],
        [_ready(scene, i, step_mm) for i in wanted],
        [joint.nominal_mm3 for joint in joints],
        [bridges.get(i) for i in wanted],
        clearances(scene, wanted)[np.asarray(list(wanted), int)],
    )


def tell_truth(asked: Asked, swept: list[Columns]) -> pd.DataFrame:
    """The table of `scene_truth` from the results of the sweeps, in their order."""
    results, rows = iter(swept), []
    for place, ready, nominal, bridge, clearance in zip(
        asked.places, asked.sweeps, asked.nominal_mm3, asked.bridges_um, asked.clearance_mm, strict=True
    ):
        columns = None if ready is None else next(results)
        rows.append(place | _one_truth(columns, nominal, bridge, float(clearance)))
    return pd.DataFrame(rows)


def _place(joint: Joint) -> dict[str, object]:
    x, y, z = (float(v) for v in joint.centre)
    name = ball_name(joint.row, joint.col)
    centre = {"x_board_mm": x, "y_board_mm": y, "z_board_mm": z}
    return {"row": joint.row, "col": joint.col, "ball": name, **centre, "height_mm": joint.height_mm}


def _ready(scene: Scene, index: int, step: float | None) -> Sweep | None:
    joint = scene.joints[index]
    if joint.solids.size == 0:
        return None
    necks, halves = _own_necks(scene, index)
    return prepare_sweep(joint, necks, halves, step or min(STEP_MM, 2 * joint.sphere_radius / RAYS_ACROSS))


def _one_truth(
    columns: Columns | None, nominal_mm3: float, bridge_um: float | None, clearance_mm: float
) -> dict[str, object]:
    if columns is None:
        return _absent(0.0)
    metal = float(columns.sums[cl.METAL] * columns.cell_mm2)
    if metal < PRESENT * nominal_mm3:
        return _absent(metal)
    contact = surface_truth(columns)
    void = void_truth(columns)
    bridging = 1.0 if bridge_um is not None else (0.0 if clearance_mm > 0.0 else NAN)
    return {
        "present": 1,
        "void": float(void["void_projected_area_pct"] >= 100 * VOID_AREA),
        "non_wet": contact.pop("non_wet"),
        "bridging": bridging,
        "head_in_pillow": contact.pop("head_in_pillow"),
        **void,
        **contact,
        "bridge_neck_um": NAN if bridge_um is None else bridge_um,
        "clearance_um": 0.0 if bridge_um is not None else 1000 * clearance_mm,
        "metal_mm3": metal,
    }


def _absent(metal: float) -> dict[str, object]:
    """A site without a ball: no label, no measure."""
    names = (
        "void", "non_wet", "bridging", "head_in_pillow", "void_projected_area_pct", "void_volume_pct",
        "void_largest_pct", "void_interface_pct", "contact_board", "contact_package", "gap_um", "gap_max_um",
        "contact_fraction", "bridge_neck_um", "clearance_um",
    )  # fmt: skip
    return {"present": 0, **dict.fromkeys(names, NAN), "metal_mm3": metal}


def void_truth(columns: Columns) -> dict[str, float]:
    """The four void measures in per cent: union of shadows, volume, largest connected void, at a land."""
    sums = columns.sums
    largest_section = float(columns.section.max())
    largest_void = float(columns.void_area.max(initial=0))
    interface = max(
        sums[cl.GAS_BOARD] / max(sums[cl.LAND_B], 1), sums[cl.GAS_PACKAGE] / max(sums[cl.LAND_P], 1)
    )
    return {
        "void_projected_area_pct": 100 * float(sums[cl.GAS_AREA]) / largest_section,
        "void_volume_pct": 100 * float(sums[cl.GAS] / sums[cl.ENVELOPE]),
        "void_largest_pct": 100 * largest_void / largest_section,
        "void_interface_pct": 100 * float(interface),
    }


def surface_truth(columns: Columns) -> dict[str, float]:
    """Contact at both lands, the failed surface if there is one, and the labels non_wet and head_in_pillow.

    A surface inside the joint counts as an interface between two bodies with the rays that miss it but
    run unbroken from land to land as bonded: a surface that does not part the joint has q near 1.
    """
    s = columns.sums
    board, package = (
        float(s[touch] / max(s[land], 1))
        for touch, land in ((cl.TOUCH_B, cl.LAND_B), (cl.TOUCH_P, cl.LAND_P))
    )
    lifts = [
        (board, s[cl.LIFT_B] / max(s[cl.LIFT_AREA_B], 1), s[cl.LIFT_MAX_B]),
        (package, s[cl.LIFT_P] / max(s[cl.LIFT_AREA_P], 1), s[cl.LIFT_MAX_P]),
    ]
    worst = min(lifts, key=lambda lift: lift[0])
    bonded, parted = _interface(columns)
    found = {"contact_board": board, "contact_package": package}
    found |= {"gap_um": NAN, "gap_max_um": NAN, "contact_fraction": NAN}
    if worst[0] < SOUND:
        found |= _surface(worst[1], worst[2], worst[0])
    elif not math.isnan(bonded) and bonded < 1.0:
        found |= _surface(s[cl.SHELL_GAP] / parted, s[cl.SHELL_MAX], bonded)
    found["non_wet"] = _non_wet([(c, 1000 * largest) for c, _, largest in lifts])
    found["head_in_pillow"] = _head_in_pillow(bonded, min(board, package))
    return found


def _surface(mean_mm: float, largest_mm: float, bonded: float) -> dict[str, float]:
    return {
        "gap_um": 1000 * float(mean_mm),
        "gap_max_um": 1000 * float(largest_mm),
        "contact_fraction": float(bonded),
    }


def _interface(columns: Columns) -> tuple[float, float]:
    """Bonded share of the interface inside the joint and its number of unbonded rays; NaN without one."""
    s = columns.sums
    parted = float(s[cl.SHELL_AREA] - s[cl.SHELL_BONDED])
    if s[cl.SHELL_AREA] < 0.01 * columns.section.max():
        return NAN, parted
    whole = s[cl.SHELL_AREA] + s[cl.THROUGH]
    return float((s[cl.SHELL_BONDED] + s[cl.THROUGH]) / whole), parted


def _non_wet(lands: list[tuple[float, float]]) -> float:
    if any(contact <= FAILED and largest_um >= LEAST_GAP_UM for contact, largest_um in lands):
        return 1.0
    return 0.0 if all(contact >= SOUND for contact, _ in lands) else NAN


def _head_in_pillow(bonded: float, wetted: float) -> float:
    if math.isnan(bonded) or bonded >= SOUND:
        return 0.0
    return 1.0 if bonded <= FAILED and wetted >= SOUND else NAN


def _own_necks(scene: Scene, index: int) -> tuple[Solids, Floats]:
    """All neck primitives that reach a joint, and the half-plane in which they are its own."""
    parts, planes = [], []
    for neck in scene.necks:
        if index in neck.joints:
            other = neck.joints[0] if neck.joints[1] == index else neck.joints[1]
            here, there = scene.joints[index].centre[:2], scene.joints[other].centre[:2]
            parts.append(neck.solids)
            planes += [mid_plane(here, there)] * neck.solids.size
    return sd.join(*parts), np.asarray(planes, float).reshape(-1, 3)


def neck_thickness_um(neck: Neck) -> float:
    """2 sqrt(A / pi) of the least cross-section A along the neck, closed form.

    Each of its primitives has its own axis along the path, so a section there has the area
    pi r^2 |axis row of M| / |det M|.
    """
    areas = []
    for m, (a, b, c), (low, high) in zip(
        neck.solids.matrix, neck.solids.profile, neck.solids.ends, strict=True
    ):
        knots = [low, high]
        if c > 0 and low < -b / (2 * c) < high:
            knots.append(-b / (2 * c))
        least = min(a + b * s + c * s**2 for s in knots)
        areas.append(math.pi * least * np.linalg.norm(m[2]) / abs(np.linalg.det(m)))
    return 2000 * math.sqrt(float(min(areas)) / math.pi)


def bridge_thickness(scene: Scene) -> dict[int, float]:
    """Thickness in um of the thickest bridge of each bridged joint, by its index.

    A neck that ends in a void or gap on one side joins nothing and is left out.
    """
    found: dict[int, float] = {}
    for neck, joins in zip(scene.necks, joining_necks(scene), strict=True):
        if joins:
            for i in neck.joints:
                found[i] = max(found.get(i, 0.0), neck_thickness_um(neck))
    return found


def joining_necks(scene: Scene) -> list[bool]:
    """Which necks are bridges: metal of both joints at their ends, and not too thin to count."""
    return [
        min(end_bonds(neck.solids, *(scene.joints[i].solids for i in neck.joints))) > 0.0
        and neck_thickness_um(neck) >= LEAST_BRIDGE_UM
        for neck in scene.necks
    ]
