"""The voxel size of a TIFF: by OME-XML, by ImageJ's notes, or by resolution tags."""

import math
from collections.abc import Mapping
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

from jointwise.joints.errors import InputError
from jointwise.scoring.reading.place import Place
from jointwise.scoring.reading.units import MM

X_RESOLUTION, Y_RESOLUTION, UNIT = 282, 283, 296
INCH, CENTIMETRE = 2, 3


def tiff_place(path: Path, notes: Mapping[str, Any], ome: str | None, tags: Mapping[int, Any]) -> Place:
    """Where the pages lie; a TIFF knows no directions, so pages run along z and rows along y.

    Args:
        path: the file, for messages.
        notes: of ImageJ, such as spacing and unit.
        ome: OME-XML.
        tags: X and Y resolution and their unit.

    Raises:
        InputError: OME-XML that cannot be read or speaks of several channels or times.
    """
    if ome:
        return _by_ome(path, ome)
    x, y = (_step(tags.get(code)) for code in (X_RESOLUTION, Y_RESOLUTION))
    if notes:
        unit = str(notes.get("unit", "")).lower()
        z = notes.get("spacing")
        if unit not in MM or not x or not y or not isinstance(z, int | float):
            return Place(None, "no spacing with a unit of length in ImageJ's notes")
        return Place((float(z) * MM[unit], y * MM[unit], x * MM[unit]), "ImageJ's spacing and unit")
    if not x or not y:
        return Place(None, "no resolution tags")
    if tags.get(UNIT) == CENTIMETRE:
        return Place((10 * x, 10 * y, 10 * x), "TIFF resolution per cm, z as x")
    if tags.get(UNIT) == INCH and not _of_a_printer(x):
        return Place((25.4 * x, 25.4 * y, 25.4 * x), "TIFF resolution per inch, z as x")
    return Place(None, "resolution tags without a length, or of a printer")


def _step(ratio: Any) -> float | None:
    """The length of a pixel in the tag's unit, from pixels per unit as a ratio."""
    try:
        above, below = (float(v) for v in ratio)
    except (TypeError, ValueError):
        return None
    return below / above if above > 0 and below > 0 else None


def _of_a_printer(step: float) -> bool:
    """Whole dots per inch, such as 72 or 300, are a habit of programs and no voxel size."""
    return math.isclose(1 / step, round(1 / step), rel_tol=1e-6) and 1 / step <= 2400


def _by_ome(path: Path, text: str) -> Place:
    if "<!DOCTYPE" in text or "<!ENTITY" in text:
        raise InputError(f"expected plain OME-XML in {path}, found entities; export it again")
    try:
        root = ElementTree.fromstring(text)
    except (ElementTree.ParseError, ValueError) as error:
        raise InputError(
            f"expected OME-XML that can be read in {path}, found damage; export it again"
        ) from error
    pixels = next((node for node in root.iter() if node.tag.rpartition("}")[2] == "Pixels"), None)
    if pixels is None:
        return Place(None, "no Pixels in its OME-XML")
    if any(pixels.get(key, "1") != "1" for key in ("SizeC", "SizeT")):
        raise InputError(f"expected one channel and one time in {path}, found several; export one of them")
    sizes = [pixels.get(f"PhysicalSize{axis}") for axis in "ZYX"]
    units = [pixels.get(f"PhysicalSize{axis}Unit", "µm") for axis in "ZYX"]
    try:
        z, y, x = (float(size or "") * MM[unit] for size, unit in zip(sizes, units, strict=True))
    except (KeyError, ValueError):
        return Place(None, "no PhysicalSize of X, Y and Z with a unit of length in its OME-XML")
    return Place((z, y, x), "OME-XML PhysicalSize")
