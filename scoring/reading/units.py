"""Units of length that files write, in mm."""

from pathlib import Path

from jointwise.joints.errors import InputError
from jointwise.scoring.reading.beside import printable

MM = {
    "mm": 1.0, "millimeter": 1.0, "millimetre": 1.0, "millimeters": 1.0, "millimetres": 1.0,
    "um": 1e-3, "µm": 1e-3, "μm": 1e-3, "\\u00b5m": 1e-3, "micron": 1e-3, "microns": 1e-3, "micrometer": 1e-3,
    "micrometre": 1e-3, "micrometers": 1e-3, "micrometres": 1e-3,
    "nm": 1e-6, "nanometer": 1e-6, "nanometre": 1e-6,
    "cm": 10.0, "centimeter": 10.0, "centimetre": 10.0,
    "m": 1e3, "meter": 1e3, "metre": 1e3, "inch": 25.4, "in": 25.4,
}  # fmt: skip


def per_mm(unit: str, path: Path) -> float:
    """Millimetres of a unit; an empty one is mm.

    Args:
        unit: as the file writes it.
        path: the file, for messages.

    Raises:
        InputError: no unit of length.
    """
    word = unit.strip().strip('"').lower()
    if word and word not in MM:
        raise InputError(
            f"expected a unit of length such as mm or um in {path}, found '{printable(unit)}'; "
            "set read.spacing_um to the voxel size"
        )
    return MM.get(word, 1.0)
