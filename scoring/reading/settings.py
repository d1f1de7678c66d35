"""Settings of reading: what the user says of a scan that its file does not say, or says wrongly."""

import re
from dataclasses import dataclass

from jointwise.joints.errors import InputError


@dataclass(frozen=True)
class ReadSettings:
    """How a scan is read; every key is for files that leave it open or are wrong, empty ones trust the file.

    Args:
        spacing_um: voxel size, µm, in place of the file's: one number, or three along x, y and z with commas.
        axes: what the stored axes are, slowest first, in place of the file's own directions: x, y and z, each with a
            minus where it runs backwards, such as zyx (slices along z, rows along y), z-yx or xyz. The first voxel
            of the file keeps its place.
        dataset: which volume of a file that holds several: path in an HDF5 file, level or path in an OME-Zarr folder,
            SeriesInstanceUID (or its end) in a DICOM folder; empty = the only one, level 0.
        absent_chunks: take chunks that are absent in HDF5 or Zarr for empty ones (their fill value), not for a loss.
        in_memory_gib: larger volumes are read box by box from the file, or from an unpacked temporary copy, GiB.
    """

    spacing_um: str = ""
    axes: str = ""
    dataset: str = ""
    absent_chunks: bool = False
    in_memory_gib: float = 1.0

    def __post_init__(self) -> None:
        _ = self.spacing_mm, self.letters
        if not 0 <= self.in_memory_gib < 1e6:
            raise InputError(f"read.in_memory_gib: expected 0 or more GiB, found {self.in_memory_gib:g}")

    @property
    def spacing_mm(self) -> tuple[float, float, float] | None:
        """Voxel size along x, y and z, mm; None = the file's.

        Raises:
            InputError: not one or three positive numbers.
        """
        if not self.spacing_um.strip():
            return None
        try:
            steps = [float(word) / 1000 for word in self.spacing_um.strip("[]() ").split(",")]
        except ValueError:
            steps = []
        if len(steps) not in (1, 3) or not all(0 < step < 1e6 for step in steps):
            raise InputError(
                "read.spacing_um: expected one voxel size or three along x, y and z in µm, such as 20 or "
                "20,20,25, "
                f"found {self.spacing_um!r}"
            )
        x, y, z = steps * (3 // len(steps))
        return x, y, z

    @property
    def letters(self) -> tuple[str, str, str] | None:
        """The stored axes, slowest first, such as `("z", "-y", "x")`; None = as the file says.

        Raises:
            InputError: not each of x, y and z once.
        """
        text = re.sub(r"[\s,]", "", self.axes.lower())
        if not text:
            return None
        found = re.fullmatch(r"(-?[xyz])(-?[xyz])(-?[xyz])", text)
        if not found or len({word[-1] for word in found.groups()}) != 3:
            raise InputError(
                "read.axes: expected x, y and z once each, slowest stored axis first, a minus where one runs "
                f"backwards, such as zyx or z-yx, found {self.axes!r}"
            )
        return found[1], found[2], found[3]
