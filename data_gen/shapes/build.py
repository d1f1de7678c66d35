"""From a record to shapes: every joint's metal hits its target, whatever is wrong with it.

Gas and gaps enlarge a joint's outer shape, a bridge takes its metal from both its balls: after each of
them the volume of the outer shape is solved again until the metal is that of the record.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from jointwise.data_gen.drawing.records import BoardRecord, JointRecord, NeckRecord, ScanRecord
from jointwise.data_gen.shapes import envelope as env
from jointwise.data_gen.shapes import solids as sd
from jointwise.data_gen.shapes.capillary import joint_side
from jointwise.data_gen.shapes.envelope import Envelope
from jointwise.data_gen.shapes.environment import (
    build_boxes,
    build_copper,
    oblong_map,
    site_height,
    site_position,
)
from jointwise.data_gen.shapes.gaps import gap_solids
from jointwise.data_gen.shapes.necks import Ball, NeckShape, build_bulge, build_neck, neck_level
from jointwise.data_gen.shapes.quadrature import lattice, metal_change, mid_plane, neck_volumes
from jointwise.data_gen.shapes.scene import Infeasible, Joint, Neck, Scene
from jointwise.data_gen.shapes.solids import BODY, MIX, Floats, Solids
from jointwise.data_gen.shapes.voids import void_solids

METAL_TOLERANCE = 5e-4
"""Relative error of a joint's metal at which solving stops."""

SWINGING = 4
"""Turns after which bridges and joints that have not settled go half way each time."""

SECANT_TURNS = 10
"""Turns of solving for a joint's metal with rays that follow its outline, and again with fixed ones."""

NECK_TOLERANCE = 1e-3
"""The same for what bridges take from a joint."""

RAYS_ACROSS = 48
"""Rays across a joint in the quadrature of what gas, gaps and bulges change, while its metal is being solved."""

SIDES: dict[str, env.Side] = {"capillary": joint_side, "quadric": env.quadric_side}

Site = tuple[int, int]


class Frame(NamedTuple):
    """Where a joint stands: wetted radii a (board) and b, height h, land centres, all mm; how its side is made.

    On a board with oblong lands everything is built round, on sites moved the other way, and stretched at the
    end (`_stretched`): one affine map of the whole array keeps volumes, contact and what touches what.
    """

    a: float
    b: float
    h: float
    foot: Floats
    head: Floats
    side: env.Side

    def place(self, solids: Solids) -> Solids:
        """Solids of the joint's own frame (axis x = y = 0) leant and moved onto the board."""
        slope = (self.head - self.foot) / self.h
        return sd.moved(sd.sheared(solids, float(slope[0]), float(slope[1])), (*self.foot, 0.0))

    def axis_at(self, z: float) -> Floats:
        """Point (x, y) of the joint's axis at height z."""
        return self.foot + (self.head - self.foot) * (z / self.h)


class Shape(NamedTuple):
    """A solved joint in its own frame: outer shape, all primitives, and the volume of the outer shape."""

    envelope: Envelope
    solids: Solids
    volume: float


def build_scene(record: ScanRecord) -> Scene:
    """The scene of one board, a pure function of its record.

    Raises:
        Infeasible: two joints that no bridge joins would touch; the settings ask for too much.
    """
    board = record.board
    frames = {(j.row, j.col): joint_frame(j, board) for j in record.joints}
    records = {(j.row, j.col): j for j in record.joints}
    shapes = {
        site: solve_shape(joint, frames[site], joint.solder_mm3, sd.empty())
        for site, joint in records.items()
        if joint.site == "joint"
    }
    bulges = {site: _bulges(joint, site, frames, shapes) for site, joint in records.items() if joint.bulges}
    for site, bulge in bulges.items():
        shapes[site] = solve_shape(
            records[site], frames[site], records[site].solder_mm3, bulge, shapes[site].volume
        )
    necks = _solve_necks(record.necks, records, frames, shapes, bulges)
    _refuse_contact(record.scan, frames, shapes)
    joints = [_joint(records[s], frames[s], shapes.get(s), board) for s in records]
    if board.oblong[0] != 1.0:
        joints, necks = _stretched(joints, necks, oblong_map(board))
    copper, sunk = build_copper(board, record.joints)
    return Scene(_with_spheres(joints), necks, copper, sunk, build_boxes(board, record.joints))


def _stretched(
    joints: list[Joint], necks: tuple[Neck, ...], plane: Floats
) -> tuple[list[Joint], tuple[Neck, ...]]:
    """Joints and bridges of round lands mapped to the board's oblong ones; without spheres yet."""
    linear, back = np.eye(3), np.linalg.inv(plane).astype(np.float64)
    linear[:2, :2] = plane

    def joint(old: Joint) -> Joint:
        solids = sd.affine(old.solids, linear)
        return old._replace(
            solids=solids, centre=linear @ old.centre, foot=plane @ old.foot, head=plane @ old.head,
            round_from=back,
        )  # fmt: skip

    def neck(old: Neck) -> Neck:
        return old._replace(
            solids=sd.affine(old.solids, linear), start=linear @ old.start, end=linear @ old.end
        )

    return [joint(old) for old in joints], tuple(map(neck, necks))


def _with_spheres(joints: list[Joint]) -> tuple[Joint, ...]:
    """The joints with the balls around their BODY primitives, all in one go."""
    bodies = [sd.of_role(joint.solids, BODY) for joint in joints]
    balls = sd.enclosing_spheres(bodies)
    return tuple(
        joint._replace(sphere_centre=centre, sphere_radius=radius)
        for joint, (centre, radius) in zip(joints, balls, strict=True)
    )


def joint_frame(joint: JointRecord, board: BoardRecord) -> Frame:
    """Where the joint stands on the board and what it wets."""
    foot = site_position(board, joint.row, joint.col)
    head = foot + np.asarray(board.package_offset) + np.asarray(joint.offset)
    a = board.board_land_mm / 2 * joint.board_wetted
    b = board.package_land_mm / 2 * joint.package_wetted
    if board.oblong[0] != 1.0:
        foot, head = (np.linalg.solve(oblong_map(board), place) for place in (foot, head))
    return Frame(a, b, site_height(board, joint), foot, head, SIDES[board.profile])


def solve_shape(
    joint: JointRecord, frame: Frame, metal: float, extra: Solids, start: float | None = None
) -> Shape:
    """The joint whose metal (in its own frame) is `metal` mm^3.

    Args:
        joint: its record.
        frame: its radii and height.
        metal: target in mm^3, what its bridges take already subtracted.
        extra: further BODY primitives (bulges), own frame.
        start: a volume of the outer shape to begin from.
    """
    if not joint.gaps and not joint.voids and extra.size == 0:
        return _shape(joint, frame, metal, extra)  # the pieces are disjoint: metal is their volume exactly
    start = metal + _lost(joint, frame) if start is None else start
    # Where a capillary side comes and goes with the volume there may be none of just this metal: a quadric has.
    for side in (frame.side, env.quadric_side):
        shape = _settled(joint, frame._replace(side=side), metal, extra, start)
        if shape is not None:
            return shape
    raise Infeasible(f"joint {joint.row}, {joint.col} of recipe {joint.recipe}: its metal does not settle")


def _settled(joint: JointRecord, frame: Frame, metal: float, extra: Solids, start: float) -> Shape | None:
    """The joint of the wanted metal by the secant method; None if it is not found, since the metal jumps.

    After half of the turns the rays stay where they are: rays that move with the joint's outline by a fraction of
    their distance make jumps of their own, of up to 0.2 % of the metal.
    """
    step = 2.2 * max(frame.a, frame.b) * 1.3 / RAYS_ACROSS
    volume, gain, before, grid = start, 1.0, (0.0, 0.0), None
    for turn in range(2 * SECANT_TURNS):
        shape = _shape(joint, frame, volume, extra)
        if turn == SECANT_TURNS:
            grid = lattice(shape.solids, step)
        found = volume + metal_change(shape.solids, len(shape.envelope), step, grid)
        if abs(metal - found) < METAL_TOLERANCE * metal:
            return shape
        if turn % SECANT_TURNS:
            # Secant: part of a larger joint goes to a larger gap.
            gain = min(max((found - before[1]) / (volume - before[0]), 0.5), 1.5)
        before = volume, found
        volume += (metal - found) / gain
    return None


def _lost(joint: JointRecord, frame: Frame) -> float:
    """About how much gas and gaps take of the outer shape, mm^3."""
    gas = sum(math.pi / 6 * void.flatness * void.diameter_mm**3 for void in joint.voids)
    open_gaps = [gap for gap in joint.gaps if gap.form != "edge"]
    radius = {"interface": 1.2 * max(frame.a, frame.b), "board": frame.a, "package": frame.b}
    return gas + sum(
        (1.0 - gap.contact) * math.pi * radius[gap.place] ** 2 * gap.gap_um / 1000 for gap in open_gaps
    )


def _shape(joint: JointRecord, frame: Frame, volume: float, extra: Solids) -> Shape:
    """The joint whose outer shape has the given volume."""
    envelope = outer_shape(joint, frame, volume)
    body = _body(envelope)
    gaps = [gap_solids(gap, envelope, frame.h) for gap in joint.gaps]
    surface = next((face for _, face in gaps if face is not None), None)
    voids = void_solids(joint.voids, envelope, frame.h, surface)
    return Shape(envelope, sd.join(body, extra, voids, *(solids for solids, _ in gaps)), volume)


def _body(envelope: Envelope) -> Solids:
    """One BODY primitive for each piece of the outer shape."""
    low, high = (np.array([piece[i] for piece in envelope]) for i in range(2))
    origin, ends = np.zeros((len(low), 3)), np.zeros((len(low), 2))
    origin[:, 2], ends[:, 1] = low, high - low
    matrix = np.tile(np.eye(3), (len(low), 1, 1))
    profile = np.array([piece.profile for piece in envelope])
    return Solids(matrix, origin, profile, ends, np.full(len(low), BODY, np.int8))


def outer_shape(joint: JointRecord, frame: Frame, volume: float) -> Envelope:
    """Pieces of the outer shape."""
    a, b, h = frame.a, frame.b, frame.h
    if joint.waist is None:
        envelope = frame.side(a, b, h, volume)
    elif joint.waist.opening:
        groove = joint.waist.level * h, joint.waist.depth_um / 1000, joint.waist.opening * h
        envelope = env.grooved(frame.side, a, b, h, volume, groove)
    else:
        notch = joint.waist.level * h, joint.waist.depth_um / 1000, joint.waist.split
        envelope = env.waisted(frame.side, a, b, h, volume, notch)
    if env.smallest_radius(envelope) < 0.5 * min(a, b):
        raise Infeasible(
            f"process: expected joints that stay in one piece, found {volume:.4f} mm^3 stretched to {h:.3f} mm "
            "pinched off; lower process.height or the spreads"
        )
    return envelope


def _bulges(joint: JointRecord, site: Site, frames: dict[Site, Frame], shapes: dict[Site, Shape]) -> Solids:
    """The joint's bulges towards its neighbours, own frame."""
    parts = []
    for bulge in joint.bulges:
        other = site[0] + bulge.drow, site[1] + bulge.dcol
        if other in shapes:
            parts.append(build_bulge(bulge, _ball(site, frames, shapes), _ball(other, frames, shapes)))
    return sd.join(*parts)


def _ball(site: Site, frames: dict[Site, Frame], shapes: dict[Site, Shape]) -> Ball:
    return Ball(shapes[site].envelope, frames[site].h, frames[site].axis_at)


def _solve_necks(
    wanted: tuple[NeckRecord, ...],
    records: dict[Site, JointRecord],
    frames: dict[Site, Frame],
    shapes: dict[Site, Shape],
    bulges: dict[Site, Solids],
) -> tuple[Neck, ...]:
    """The bridges; changes the shapes of their joints, which give each its own side's metal."""
    if not wanted:
        return ()
    index = {site: i for i, site in enumerate(records)}
    # Chosen once: a level that changed with the joints' size would keep the metal from settling.
    levels = [_neck_level(n, frames, shapes) for n in wanted]
    taken: dict[Site, float] = {}
    for turn in range(20):
        necks = [
            build_neck(n, _ball(n.first, frames, shapes), _ball(n.second, frames, shapes), level)
            for n, level in zip(wanted, levels, strict=True)
        ]
        before, taken = taken, dict.fromkeys((s for n in wanted for s in (n.first, n.second)), 0.0)
        for neck, part in zip(wanted, necks, strict=True):
            sites = neck.first, neck.second
            for site, metal in zip(sites, _neck_halves(part, sites, frames, shapes), strict=True):
                taken[site] += metal
        if before and all(abs(taken[s] - before[s]) < NECK_TOLERANCE * records[s].solder_mm3 for s in taken):
            return tuple(
                Neck(p.solids, (index[n.first], index[n.second]), p.start, p.end, p.least_area_mm2)
                for n, p in zip(wanted, necks, strict=True)
            )
        if turn >= SWINGING:
            # Thick bridges in a row give and take in turn: half way there they settle.
            taken = {s: 0.5 * (metal + before[s]) for s, metal in taken.items()}
        for site, metal in taken.items():
            target = records[site].solder_mm3 - metal
            start = shapes[site].volume - metal + before.get(site, 0.0)
            shapes[site] = solve_shape(
                records[site], frames[site], target, bulges.get(site, sd.empty()), start
            )
    raise Infeasible("the metal of the bridges and of their joints does not settle")


def _neck_level(neck: NeckRecord, frames: dict[Site, Frame], shapes: dict[Site, Shape]) -> float:
    one, other = neck.first, neck.second
    balls = _ball(one, frames, shapes), _ball(other, frames, shapes)
    return neck_level(
        neck, balls, (frames[one].place(shapes[one].solids), frames[other].place(shapes[other].solids))
    )


def _neck_halves(
    neck: NeckShape, sites: tuple[Site, Site], frames: dict[Site, Frame], shapes: dict[Site, Shape]
) -> tuple[float, float]:
    """Metal that a bridge takes from its two joints: to each its own side of the mid-plane between them."""
    first, second = (frames[s].place(sd.of_role(shapes[s].solids, BODY)) for s in sites)
    middles = [frames[s].axis_at(frames[s].h / 2) for s in sites]
    step = max(math.sqrt(neck.least_area_mm2 / math.pi) / 15, 0.003)
    whole, half = neck_volumes(neck.solids, first, second, step, mid_plane(middles[0], middles[1]))
    return half, whole - half


def _refuse_contact(scan: str, frames: dict[Site, Frame], shapes: dict[Site, Shape]) -> None:
    """Metal that no bridge accounts for must not meet: it would count twice and carry no label."""
    widest = {site: env.largest_radius(shape.envelope) for site, shape in shapes.items()}
    for site in shapes:
        for other in ((site[0], site[1] + 1), (site[0] + 1, site[1])):
            if other not in shapes:
                continue
            one, two = frames[site], frames[other]
            apart = min(math.dist(two.foot, one.foot), math.dist(two.head, one.head))
            if widest[site] + widest[other] >= apart - 0.002:
                raise Infeasible(
                    f"array and process: expected air between neighbours, found joints {site} and {other} of "
                    f"{scan} touching; raise process.height or take smaller balls"
                )


def _joint(joint: JointRecord, frame: Frame, shape: Shape | None, board: BoardRecord) -> Joint:
    """A joint as X-rays meet it; without its sphere yet."""
    solids = frame.place(
        sd.join(_bare(joint, frame) if shape is None else shape.solids, _mix(joint, frame, board))
    )
    return Joint(
        row=joint.row,
        col=joint.col,
        solids=solids,
        centre=np.array([*frame.axis_at(frame.h / 2), frame.h / 2]),
        sphere_centre=np.zeros(3),
        sphere_radius=0.0,
        foot=frame.foot,
        head=frame.head,
        height_mm=frame.h,
        board_land_mm=board.board_land_mm / 2,
        package_land_mm=board.package_land_mm / 2,
        nominal_mm3=board.nominal_mm3,
    )


def _bare(joint: JointRecord, frame: Frame) -> Solids:
    """What a site without a ball holds: nothing, or the paste molten to a cap on the board land."""
    if joint.site == "bare":
        return sd.empty()
    height = env.free_height(frame.a, 0.0, joint.paste_mm3)
    piece = env.piece_of(0.0, height, frame.a, 0.0, joint.paste_mm3)
    return sd.segment(piece.profile, (0.0, height))


def _mix(joint: JointRecord, frame: Frame, board: BoardRecord) -> Solids:
    """Where a joint's metal is of the paste's alloy, if that is another one; nothing of its shape changes.

    Only faces that bulge upwards or are level: a set below a hollow face is no segment of revolution.
    """
    if board.paste_alloy is None or joint.site == "bare":
        return sd.empty()
    mix, wide = joint.mix, 2 * board.pitch_mm
    top = frame.h * (1.0 if joint.site == "paste" else mix.level)
    if mix.curvature > 0.0:
        radius = mix.curvature * frame.h
        x, y = (radius * slope for slope in mix.lean)
        solids = sd.cap((x, y, top), max(radius, wide / 2), up=False, role=MIX)
    else:
        level = sd.cylinder((0, 0, -top - 0.1), (0, 0, 0), wide, MIX)
        solids = sd.affine(level, np.array([[1.0, 0, 0], [0, 1.0, 0], [*mix.lean, 1.0]]), (0, 0, top))
    return solids
