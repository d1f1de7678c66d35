"""Settings of scoring: what the user knows of the part, and how the scan is read and reported."""

from dataclasses import dataclass, field
from pathlib import Path

from jointwise.joints.errors import InputError
from jointwise.models.names import AUTO, RUNTIMES

PACKAGE_SIDES = ("high", "low")
A1_CORNERS = ("x_low_y_low", "x_high_y_low", "x_low_y_high", "x_high_y_high")
LETTERS_ALONG = ("y", "x")
MOST_PACKAGES = 50


@dataclass
class ArrayWanted:
    """What is known of a ball grid array before it is looked for; null = found from the scan.

    Rows and columns of the tables are counted in the file's frame, however the part lies: columns along the array's
    direction nearest to the file's x (at most 45° away), rows across it, row 0 and column 0 at the lowest y and x.

    Args:
        pitch_mm: distance of neighbouring balls, mm.
        ball_mm: nominal ball diameter before reflow, mm.
        rows: rows of the array (along the file's y); null = as many as are found.
        cols: columns of the array (along the file's x); null = as many as are found.
        component: the part's designator, for the table; empty = unknown.
        a1_corner: which corner of the file's frame bears the name A1; only names depend on it, not row and col.
            null = not known: names then start at x_low_y_low, and are marked as assumed.
        depopulated: sites the part leaves empty on purpose: balls (E5) and rectangles of balls (E5:H8). Without any,
            a regular empty pattern (a centre, all corners, every other site) is taken for one, and said to be assumed.
        packages: how many packages of this part the scan holds; null = as many as there are.
        layout: a table (ball, x_mm, y_mm) of the part's balls in its own frame, seen from above the package; null =
            a square lattice.
        x_mm, y_mm: about where in the file's frame the part's middle lies (to half its size); null = anywhere.
        package_side: `high` or `low`, where this part differs from score.package_side; null = as there.
        letters_along: the file's axis along which the letters of names run: y, or x for a part mounted a quarter
            turned.
    """

    pitch_mm: float | None = 0.8
    ball_mm: float | None = 0.5
    rows: int | None = None
    cols: int | None = None
    component: str = ""
    a1_corner: str | None = None
    depopulated: list[str] = field(default_factory=list)
    packages: int | None = 1
    layout: Path | None = None
    x_mm: float | None = None
    y_mm: float | None = None
    package_side: str | None = None
    letters_along: str = "y"


@dataclass
class ArraySettings(ArrayWanted):
    """An array of which nothing is open: given, assumed, or found from the scan (fields as in `ArrayWanted`)."""

    pitch_mm: float = 0.8
    ball_mm: float = 0.5
    a1_corner: str = "x_low_y_low"


@dataclass
class ScoreSettings:
    """How a scan is read, searched and reported.

    Args:
        package_side: whether the package lies at `high` or `low` z of the file; `auto` lets the scan tell, and stops
            where it does not tell surely.
        board_id: the board's number, for the table; empty = the file's name.
        note: a remark for the report, such as where the scan is from or that it is simulated.
        grey_slope: attenuation in 1/mm per unit of the file's values (only for the scale of pictures).
        grey_intercept: attenuation in 1/mm at value 0. With a slope of None floats are taken as 1/mm and
            integers shown as plain grey values.
        max_tilt_deg: largest tilt of the board's normal against the file's z that is searched, degrees.
        pictures: how many joints at most get slices in the report.
        table_rows: how many joints without a finding the report's table lists on paper (on a screen it lists all).
        batch: joints handed to a detector at once.
        workers: threads that cut joints; 0 = as many as there are cores.
        runtime: what the network runs on: openvino (a compiled graph, on a CPU), int8 (the quantised one beside its
            weights), torch, or auto (on a CPU int8 where there is one, else openvino where it can be imported; torch).
    """

    package_side: str = "high"
    board_id: str = ""
    note: str = ""
    grey_slope: float | None = None
    grey_intercept: float = 0.0
    max_tilt_deg: float = 10.0
    pictures: int = 60
    table_rows: int = 20
    batch: int = 32
    workers: int = 0
    runtime: str = AUTO


def check_array(array: ArrayWanted) -> None:
    """Refuse an array that cannot exist.

    Raises:
        InputError: names the key, the value and what is expected.
    """
    _check_sizes(array.pitch_mm, array.ball_mm)
    for key, count in (("rows", array.rows), ("cols", array.cols)):
        if count is not None and not 1 <= count <= 200:
            raise InputError(f"array.{key}: expected a number of 1 to 200 or none, found {count}")
    if array.packages is not None and not 1 <= array.packages <= MOST_PACKAGES:
        raise InputError(
            f"array.packages: expected a number of 1 to {MOST_PACKAGES} or none, found {array.packages}"
        )
    for key, value, allowed in (
        ("a1_corner", array.a1_corner, A1_CORNERS),
        ("package_side", array.package_side, PACKAGE_SIDES),
        ("letters_along", array.letters_along, LETTERS_ALONG),
    ):
        if value not in allowed and not (value is None and key != "letters_along"):
            raise InputError(f"array.{key}: expected one of {', '.join(allowed)}, found {value!r}")
    if (array.x_mm is None) != (array.y_mm is None):
        raise InputError("array.x_mm and array.y_mm: expected both or none, found one; give the other")


def _check_sizes(pitch: float | None, ball: float | None) -> None:
    if pitch is not None and not 0.1 <= pitch <= 5:
        raise InputError(f"array.pitch_mm: expected a pitch of 0.1 to 5 mm, found {pitch:g}")
    if pitch is None or ball is None:
        if ball is not None and not 0.02 <= ball <= 4.75:
            raise InputError(f"array.ball_mm: expected a ball of 0.02 to 4.75 mm, found {ball:g}")
        return
    if not 0.2 * pitch <= ball <= 0.95 * pitch:
        raise InputError(
            f"array.ball_mm: expected a ball of 0.2 to 0.95 pitches ({0.2 * pitch:.3g} to {0.95 * pitch:.3g} mm), "
            f"found {ball:g}"
        )


def check_score(settings: ScoreSettings) -> None:
    """Refuse settings of scoring that make no sense.

    Raises:
        InputError: names the key, the value and what is expected.
    """
    if settings.package_side not in (*PACKAGE_SIDES, AUTO):
        raise InputError(f"package_side: expected high, low or auto, found {settings.package_side!r}")
    if not 0 < settings.max_tilt_deg <= 20:
        raise InputError(f"max_tilt_deg: expected 0 to 20 degrees, found {settings.max_tilt_deg:g}")
    if settings.grey_slope is not None and settings.grey_slope <= 0:
        raise InputError(f"grey_slope: expected a positive number or none, found {settings.grey_slope:g}")
    if settings.runtime not in RUNTIMES:
        raise InputError(f"runtime: expected one of {', '.join(RUNTIMES)}, found {settings.runtime!r}")
    for key, least in (("pictures", 0), ("table_rows", 0), ("batch", 1), ("workers", 0)):
        if getattr(settings, key) < least:
            raise InputError(f"{key}: expected at least {least}, found {getattr(settings, key)}")
