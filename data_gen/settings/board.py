"""The family of packages and the spread of the shop floor."""

from dataclasses import dataclass

from jointwise.data_gen.settings.checks import Pair, check_pairs, check_rates
from jointwise.joints.errors import InputError

ALLOYS = ("SAC305", "Sn63Pb37", "Sn42Bi58")

_RATES = (
    "offset_far_rate", "die_rate", "plane_rate", "trace_rate", "flush_rate", "fanout_rate", "land_trace_rate",
    "chip_rate", "mixed", "oblong",
)  # fmt: skip


@dataclass
class FamilySettings:
    """One family of ball grid arrays; diameters and metal as in table A of the domain document.

    Args:
        name: how the family is called, also the component's name in tables.
        pitch_mm: distance of ball centres.
        ball_mm, board_land_mm, package_land_mm: diameters (nominal).
        ball_range_mm, board_land_range_mm, package_land_range_mm: diameters a board may have.
        paste_mm3: solder metal that the paste adds, nominal.
        rows, cols: smallest and largest number of rows and columns, up to 60.
        depopulated: share of boards whose array has sites without ball and land: only some outer rings, no centre
            block, no A1 corner, or some at random, equally likely.
        kept: how many joints of a board become samples, drawn at random; the others are sound and only cast their
            shadows and take part in bridges. 0 keeps all.
        package_mm, board_mm: thickness of the package body and of the board.
    """

    name: str = "bga_0800"
    pitch_mm: float = 0.80
    ball_mm: float = 0.50
    board_land_mm: float = 0.40
    package_land_mm: float = 0.40
    ball_range_mm: Pair = (0.47, 0.53)
    board_land_range_mm: Pair = (0.36, 0.44)
    package_land_range_mm: Pair = (0.37, 0.42)
    paste_mm3: float = 0.0072
    rows: tuple[int, int] = (5, 7)
    cols: tuple[int, int] = (5, 7)
    package_mm: Pair = (1.2, 1.7)
    board_mm: Pair = (1.0, 1.6)
    depopulated: float = 0.0
    kept: int = 0

    def __post_init__(self) -> None:
        """Refuse sizes no board can have.

        Raises:
            InputError: a range runs backwards, a size is not positive or balls would touch.
        """
        check_pairs(self, "family")
        check_rates(self, "family", ("depopulated",))
        if self.kept < 0:
            raise InputError(f"family.kept: expected a number of joints, or 0 for all, found {self.kept}")
        for name in ("pitch_mm", "ball_mm", "board_land_mm", "package_land_mm", "paste_mm3"):
            if getattr(self, name) <= 0:
                raise InputError(f"family.{name}: expected a size above 0, found {getattr(self, name)}")
        if self.ball_range_mm[1] >= 0.85 * self.pitch_mm:
            raise InputError(
                f"family.ball_range_mm: expected balls below 0.85 pitch ({0.85 * self.pitch_mm:.3g} mm), "
                f"found up to {self.ball_range_mm[1]} mm; take smaller balls or a wider pitch"
            )
        if min(self.rows[0], self.cols[0]) < 1 or max(self.rows[1], self.cols[1]) > 60:
            raise InputError(
                f"family.rows and family.cols: expected 1 to 60, found {self.rows} and {self.cols}"
            )
        for land in (self.board_land_range_mm, self.package_land_range_mm):
            if land[0] <= 0.3 * self.ball_mm or land[1] >= self.ball_range_mm[0] * 1.05:
                raise InputError(
                    f"family: expected lands between 0.3 and 1.0 ball diameters, found {land} mm on "
                    f"{self.ball_mm} mm balls; correct board_land_range_mm or package_land_range_mm"
                )


@dataclass
class ProcessSettings:
    """Spread of the shop floor, the same for sound and faulty joints.

    Args:
        alloys: solders a board may have, equally likely.
        ball_cv, paste_cv: relative spread of ball and paste metal from joint to joint.
        height: board's common height over the height without load.
        warpage: the package's displacement at the array's corner over the ball diameter, either way (paraboloid
            and twist); bow: the same of the board, bent along x and y.
        lift: spread of the land-to-land height from joint to joint (one standard deviation, cut at two) over the
            ball diameter; the same for sound and failed joints.
        mixed: share of boards whose paste is of another alloy than the balls.
        oblong: share of boards with oblong lands and joints, aspect up to 1.3 where neighbours leave room.
        offset: package offset over the board land's diameter, at most; `offset_cv` its spread per joint;
            offset_far_rate: share of boards placed badly instead, off by offset_far of the land's diameter (a
            quarter is a common limit).
        wetted: wetted radius over the land's radius.
        copper_um: thickness of lands and planes.
        profile: `capillary` (joint sides of Young and Laplace, in one to four quadrics) or `quadric` (one each, up to
            tens of um off where a joint is pressed low, and quicker for the rays).
        die_rate, plane_rate, trace_rate: share of boards with a die, a copper plane, traces between the lands.
        flush_rate: share of boards whose solder mask is level with the lands; on the others they stand in air.
        fanout_rate: share of boards whose lands lead to through vias between four of them (dog-bones), where the
            pitch has room for one; via_drill_mm the hole.
        land_trace_rate: share of boards with traces that end at lands: between two neighbours or out of the array.
        chip_rate: share of boards with one to three chip components beside the package or under the board.
    """

    alloys: tuple[str, ...] = ("SAC305",)
    ball_cv: float = 0.04
    paste_cv: float = 0.15
    height: Pair = (0.86, 1.06)
    warpage: float = 0.06
    lift: float = 0.05
    mixed: float = 0.1
    oblong: float = 0.15
    bow: float = 0.02
    offset: float = 0.08
    offset_far_rate: float = 0.08
    offset_far: Pair = (0.1, 0.35)
    offset_cv: float = 0.015
    wetted: Pair = (0.95, 1.0)
    copper_um: Pair = (18.0, 35.0)
    die_rate: float = 0.5
    plane_rate: float = 0.7
    trace_rate: float = 0.5
    profile: str = "capillary"
    flush_rate: float = 0.5
    fanout_rate: float = 0.35
    via_drill_mm: Pair = (0.15, 0.30)
    land_trace_rate: float = 0.35
    chip_rate: float = 0.35

    def __post_init__(self) -> None:
        """Refuse impossible spreads.

        Raises:
            InputError: unknown alloy, range backwards, rate outside 0 to 1, height or warpage too large.
        """
        object.__setattr__(self, "alloys", tuple(self.alloys))
        check_pairs(self, "process")
        check_rates(self, "process", _RATES)
        unknown = [a for a in self.alloys if a not in ALLOYS]
        if unknown or not self.alloys:
            raise InputError(
                f"process.alloys: expected some of {', '.join(ALLOYS)}, found {unknown or 'none'}"
            )
        if self.profile not in ("capillary", "quadric"):
            raise InputError(f"process.profile: expected capillary or quadric, found {self.profile}")
        if (
            self.height[0] < 0.75
            or self.height[1] > 1.12
            or self.warpage + self.bow > 0.1
            or not 0 <= self.lift <= 0.05
        ):
            raise InputError(
                "process.height: expected 0.75 to 1.12 with warpage and bow together at most 0.1 and lift 0 to 0.05 "
                f"(beyond, joints touch or pinch off), found {self.height}, {self.warpage}, {self.bow} and {self.lift}"
            )
        if not 0.1 <= self.via_drill_mm[0] <= self.via_drill_mm[1] <= 0.6:
            raise InputError(
                f"process.via_drill_mm: expected holes of 0.1 to 0.6 mm, found {self.via_drill_mm}"
            )
        if self.offset_far[1] > 0.5:
            raise InputError(
                f"process.offset_far: expected at most half a land's diameter, found {self.offset_far}"
            )
        if self.ball_cv > 0.05 or self.paste_cv > 0.3 or self.wetted[0] < 0.9 or self.wetted[1] > 1.0:
            raise InputError(
                "process: expected ball_cv up to 0.05, paste_cv up to 0.3 and wetted within 0.9 to 1, found "
                f"{self.ball_cv}, {self.paste_cv} and {self.wetted}"
            )
