"""Settings of scoring: what the user knows of the part, and how the scan is read and reported."""

from dataclasses import dataclass, field

from jointwise.joints.errors import InputError

PACKAGE_SIDES = ("high", "low")
A1_CORNERS = ("x_low_y_low", "x_high_y_low", "x_low_y_high", "x_high_y_high")


@dataclass
class ArraySettings:
    """What is known of the ball grid array before it is looked for.

    Args:
        pitch_mm: distance of neighbouring balls, mm.
        ball_mm: nominal ball diameter before reflow, mm.
        rows: rows of the array (along the file's y); None = as many as are found.
        cols: columns of the array (along the file's x); None = as many as are found.
        component: the part's designator, for the table; empty = unknown.
        a1_corner: which corner of the file's frame bears the name A1; only names depend on it, not row and col.
        depopulated: sites the part leaves empty on purpose: balls (E5) and rectangles of balls (E5:H8).
    """

    pitch_mm: float = 0.8
    ball_mm: float = 0.5
    rows: int | None = None
    cols: int | None = None
    component: str = ""
    a1_corner: str = "x_low_y_low"
    depopulated: list[str] = field(default_factory=list)


@dataclass
class ScoreSettings:
    """How a scan is read, searched and reported.

    Args:
        package_side: whether the package lies at high or low z of the file.
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
    """

    package_side: str = "high"
    board_id: str = ""
    note: str = ""
    grey_slope: float | None = None
    grey_intercept: float = 0.0
    max_tilt_deg: float = 10.0
    pictures: int = 60
    table_rows: int = 20
    batch: int = 128
    workers: int = 0


def check_array(array: ArraySettings) -> None:
    """Refuse an array that cannot exist.

    Raises:
        InputError: names the key, the value and what is expected.
    """
    if not 0.1 <= array.pitch_mm <= 5:
        raise InputError(f"array.pitch_mm: expected a pitch of 0.1 to 5 mm, found {array.pitch_mm:g}")
    if not 0.2 * array.pitch_mm <= array.ball_mm <= 0.95 * array.pitch_mm:
        raise InputError(
            f"array.ball_mm: expected a ball of 0.2 to 0.95 pitches ({0.2 * array.pitch_mm:.3g} to "
            f"{0.95 * array.pitch_mm:.3g} mm), found {array.ball_mm:g}"
        )
    for key, count in (("rows", array.rows), ("cols", array.cols)):
        if count is not None and not 1 <= count <= 200:
            raise InputError(f"array.{key}: expected a number of 1 to 200 or none, found {count}")
    if array.a1_corner not in A1_CORNERS:
        raise InputError(
            f"array.a1_corner: expected one of {', '.join(A1_CORNERS)}, found {array.a1_corner!r}"
        )


def check_score(settings: ScoreSettings) -> None:
    """Refuse settings of scoring that make no sense.

    Raises:
        InputError: names the key, the value and what is expected.
    """
    if settings.package_side not in PACKAGE_SIDES:
        raise InputError(
            f"package_side: expected {' or '.join(PACKAGE_SIDES)}, found {settings.package_side!r}"
        )
    if not 0 < settings.max_tilt_deg <= 20:
        raise InputError(f"max_tilt_deg: expected 0 to 20 degrees, found {settings.max_tilt_deg:g}")
    if settings.grey_slope is not None and settings.grey_slope <= 0:
        raise InputError(f"grey_slope: expected a positive number or none, found {settings.grey_slope:g}")
    for key, least in (("pictures", 0), ("table_rows", 0), ("batch", 1), ("workers", 0)):
        if getattr(settings, key) < least:
            raise InputError(f"{key}: expected at least {least}, found {getattr(settings, key)}")
