"""The settings of `jointwise labels`."""

from dataclasses import dataclass
from pathlib import Path

from jointwise.joints.errors import InputError


@dataclass(frozen=True)
class LabelsConfig:
    """Settings of `jointwise labels`.

    Args:
        joints: store of joints, or a reader-labelled set (`demo`, or its folder).
        sheet: folder for a new label sheet; this or `check`.
        check: a filled sheet (labels.csv) to check; this or `sheet`.
        reader: who is to fill the sheet, lower case letters, digits and _.
        seed: decides which joints; the same one gives every reader the same joints, each in an order of their own.
        split: only joints of this split of a store; null takes all.
        count: joints to draw; null takes all.
        page: joints on one page of the sheet.
        out: folder in which checked labels are kept as labels.csv, beside those of other readers; null only checks.
    """

    joints: str
    sheet: Path | None = None
    check: Path | None = None
    reader: str | None = None
    seed: int = 0
    split: str | None = None
    count: int | None = None
    page: int = 25
    out: Path | None = None

    def __post_init__(self) -> None:
        if (self.sheet is None) == (self.check is None):
            found = "neither" if self.sheet is None else "both"
            raise InputError(
                f"expected either `sheet` (a folder for a new one) or `check` (a filled one), found {found}; give one"
            )
        if self.sheet is not None and self.reader is None:
            raise InputError("reader: expected who is to fill the sheet, found nobody; give reader=NAME")
        for name, value, low in (("seed", self.seed, 0), ("count", self.count, 1), ("page", self.page, 1)):
            if value is not None and value < low:
                raise InputError(
                    f"{name}: expected a whole number of at least {low}, found {value}; correct it"
                )
