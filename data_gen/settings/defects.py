"""How often each fault and each look-alike is drawn, and its sizes."""

from dataclasses import dataclass, fields

from jointwise.data_gen.settings.checks import Pair, check_pairs, check_rates
from jointwise.joints.errors import InputError


@dataclass
class DefectSettings:
    """How often each fault and each look-alike is drawn, and its sizes.

    The mechanisms are drawn independently of each other (open or pillow per joint, bridge per pair,
    voids per joint), so any of them can meet.

    Args:
        head_in_pillow, non_wet: share of joints; what is left has no open surface.
        opens_follow_warpage: 0 draws opens and pillows alike everywhere (balanced sampling); 1 makes them up to
            twice as likely where package and board part, and as rare where they close in, as on real boards.
        bridging: share of joints that carry a bridge (drawn as pairs of neighbours).
        missing: share of sites without a ball.
        voids_finding: share of joints with voids scaled above 5 % area; voids_near: to 3-4.9 %;
            voids_small: to 0.3-3 %; voids_free: 1-5 voids of the plain law (median 0.15 Dmax);
            voids_sheet: a layer of 6-40 microvoids at a land. The rest has none of these. With the defaults about
            a fifth of all joints has a void_area of 5 % or more, and as many 3-4.9 %.
        voids_shrinkage: share of joints with shrinkage texture, besides the voids above; shrinkage_um the length
            of its cavities.
        void_area: area share aimed at by voids_finding; void_merged: share of scaled and free voids that come as
            a cluster of touching or merged ones; near_sheet: share of voids_near that are layers.
        sheet_area: area of a layer over the joint's largest section (log-uniform); sheet_size: diameter of its
            voids over Dmax, never below 15 um.
        pillow_gap_um, open_gap_um: mean gap (log-uniform).
        fullest: height over free height down to which a gap may make a joint look pressed: a wide one needs a joint
            that stands high, or one pressed wide by its sound neighbours.
        contact: bonded share of a failed surface; `bare` of them have none at all. `rim_bond` of the others are bonded
            in one column at the rim, the rest in discs inside the face.
        wetted_um: mean gap of a free end up to which spots of its land may still be wetted; across a wider one they
            are pillars.
        leaning: share of opens whose free end leans; half of them touch the land at one edge. pillow_wedge: share
            of pillows whose head leans in them; half are bonded in a column where the gap closes. pillow_slope: share
            of those whose own face falls to the side that stands open, to a film on the land at most.
        pillow_curvature: radius of a pillow's surface over Dmax (log-uniform), where the joint has room for it.
        pillow_follow: by how many gaps the head's ball is smaller than the pillow's (uniform): 0 a gap alike along
            z, 1 alike along the normal.
        near_land: share of pillows, of those without a notch, whose rim is in the lowest sixth of rim_level, where
            they are hard to tell from an open at the land.
        neck_mm_per_ball: thickness of a thick bridge over the ball diameter; `slender` of the bridges are
            drawn log-uniform from slender_um up to there instead.
        film: share of bridges that are flat films along the lands, film_um high; also of the near-bridges' necks.
        bridge_three: share of bridges that go on to the ball behind.
        rim_level: height of a notch or of a pillow's rim over the joint's: from a smear of paste to a tall pillow.
        waist: share of joints with a ring-shaped notch, sound or failed alike; waist_um its depth, at most
            waist_per_height of the joint's height; waist_split the metal below it over that of a smooth joint: with
            little there and a deep notch a ball sits on a narrow mound. `groove` of the notches are grooves in a
            joint that is smooth otherwise, groove_opening their mouth over its height (log-uniform).
        near_bridge: share of unjoined neighbour pairs that reach out for each other; near_bridge_neck of them with
            a neck that stops in the air, the others with a blunt bulge.
        partial_wetting: share of joints, sound or failed alike, with one land wetted to 0.84-0.95 only.
        via_in_pad: share of joints on a microvia; via_void: share of those whose largest bubble, if they have
            one, is a dome over the via.
    """

    head_in_pillow: float = 0.20
    non_wet: float = 0.20
    opens_follow_warpage: float = 0.0
    bridging: float = 0.20
    missing: float = 0.01
    voids_finding: float = 0.04
    voids_near: float = 0.18
    voids_small: float = 0.10
    voids_free: float = 0.08
    voids_sheet: float = 0.10
    voids_shrinkage: float = 0.06
    void_area: Pair = (0.055, 0.35)
    void_merged: float = 0.3
    near_sheet: float = 0.35
    sheet_area: Pair = (0.02, 0.45)
    sheet_size: Pair = (0.04, 0.16)
    shrinkage_um: Pair = (10.0, 100.0)
    pillow_gap_um: Pair = (1.0, 80.0)
    open_gap_um: Pair = (1.5, 150.0)
    fullest: float = 0.8
    contact: Pair = (0.02, 0.25)
    bare: float = 0.5
    rim_bond: float = 0.3
    wetted_um: float = 20.0
    leaning: float = 0.6
    pillow_wedge: float = 0.0
    pillow_slope: float = 0.0
    pillow_curvature: Pair = (0.8, 3.0)
    pillow_follow: Pair = (0.0, 0.0)
    near_land: float = 0.0
    neck_mm_per_ball: Pair = (0.2, 0.75)
    slender: float = 0.08
    slender_um: float = 20.0
    film: float = 0.15
    film_um: Pair = (20.0, 60.0)
    bridge_three: float = 0.1
    rim_level: Pair = (0.12, 0.65)
    waist: float = 0.35
    waist_um: Pair = (5.0, 40.0)
    waist_per_height: float = 0.1
    waist_split: Pair = (0.97, 1.03)
    groove: float = 0.0
    groove_opening: Pair = (0.05, 0.3)
    near_bridge: float = 0.12
    near_bridge_neck: float = 0.5
    partial_wetting: float = 0.15
    via_in_pad: float = 0.12
    via_void: float = 0.6

    def __post_init__(self) -> None:
        """Refuse rates that are no rates and sizes that no joint has.

        Raises:
            InputError: a rate or a sum of rates outside 0 to 1, or a range that runs backwards.
        """
        check_pairs(self, "defects")
        lengths = ("slender_um", "wetted_um")
        check_rates(
            self, "defects", tuple(f.name for f in fields(self) if f.type is float and f.name not in lengths)
        )
        self._check_surfaces()
        if self.head_in_pillow + self.non_wet > 1.0 or self.bridging > 0.5:
            raise InputError(
                "defects: expected head_in_pillow + non_wet at most 1 and bridging at most 0.5, found "
                f"{self.head_in_pillow + self.non_wet:.3g} and {self.bridging:.3g}"
            )
        voids = sum(getattr(self, f"voids_{name}") for name in ("finding", "near", "small", "free", "sheet"))
        if voids > 1.0 + 1e-9:
            raise InputError(f"defects.voids_*: expected shares that sum to at most 1, found {voids:.3g}")
        if self.sheet_area[1] > 0.5 or self.sheet_size[1] > 0.25:
            raise InputError(
                "defects: expected sheet_area up to 0.5 and sheet_size up to 0.25, found "
                f"{self.sheet_area[1]} and {self.sheet_size[1]}"
            )
        if min(self.sheet_area[0], self.sheet_size[0], self.shrinkage_um[0]) <= 0:
            raise InputError(
                "defects: expected sheet_area, sheet_size and shrinkage_um above 0, found "
                f"{self.sheet_area}, {self.sheet_size} and {self.shrinkage_um}"
            )
        if self.rim_level[0] < 0.1 or self.rim_level[1] > 0.75:
            raise InputError(f"defects.rim_level: expected heights of 0.1 to 0.75, found {self.rim_level}")
        if self.pillow_gap_um[0] < 0.5 or self.open_gap_um[0] < 1.5 or self.slender_um <= 0:
            raise InputError(
                "defects: expected pillow_gap_um from 0.5, open_gap_um from 1.5 and slender_um above 0, found "
                f"{self.pillow_gap_um[0]}, {self.open_gap_um[0]} and {self.slender_um}"
            )
        self._check_metal()

    def _check_metal(self) -> None:
        """Refuse bridges, voids and bonds larger than a joint has room for."""
        if self.film_um[0] < 10.0 or self.film_um[1] > 100.0:
            raise InputError(
                f"defects.film_um: expected films 10 to 100 um high, found {self.film_um}; correct the pair"
            )
        if self.neck_mm_per_ball[1] > 0.8 or self.void_area[1] > 0.5 or self.contact[1] > 0.6:
            raise InputError(
                "defects: expected neck_mm_per_ball up to 0.8, void_area up to 0.5 and contact up to 0.6, found "
                f"{self.neck_mm_per_ball[1]}, {self.void_area[1]} and {self.contact[1]}"
            )

    def _check_surfaces(self) -> None:
        """Refuse pillows steeper than a ball, wider spots of wetting than opens, and notches that part a joint."""
        if self.pillow_curvature[0] < 0.55 or self.pillow_follow[1] > 3.0:
            raise InputError(
                "defects: expected pillow_curvature from 0.55 and pillow_follow up to 3, found "
                f"{self.pillow_curvature[0]} and {self.pillow_follow[1]}; correct the pair"
            )
        if not 0.0 <= self.wetted_um <= 200.0:
            raise InputError(f"defects.wetted_um: expected 0 to 200 um, found {self.wetted_um}; correct it")
        if self.fullest < 0.5:
            raise InputError(f"defects.fullest: expected 0.5 to 1, found {self.fullest}; correct it")
        if self.waist_per_height > 0.4:
            raise InputError(
                f"defects.waist_per_height: expected 0 to 0.4, found {self.waist_per_height}; correct it"
            )
        if self.waist_split[0] < 0.5 or self.waist_split[1] > 1.2:
            raise InputError(
                f"defects.waist_split: expected 0.5 to 1.2, found {self.waist_split}; correct the pair"
            )
        if self.groove_opening[0] < 0.02 or self.groove_opening[1] > 0.5:
            raise InputError(
                f"defects.groove_opening: expected 0.02 to 0.5, found {self.groove_opening}; correct the pair"
            )
