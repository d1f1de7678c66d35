"""What a scan can show at all: the smallest gap and void, from its own voxel size, blur and noise."""

from dataclasses import dataclass


@dataclass(frozen=True)
class Shows:
    """The smallest faults that this scan can show.

    Args:
        gap_um: thinnest flat gap across a joint, µm.
        void_um: smallest round void, its diameter, µm.
        void_area_pct: that void's share of a usual joint's largest cross-section, %.
        voxel_um: voxel size, µm.
        edge_um: 10-90 % width of an edge of solder against air, µm.
        cnr: solder over air, in units of the noise.
        words: how the figures follow from voxel, edge and noise, sentence by sentence.
    """

    gap_um: float
    void_um: float
    void_area_pct: float
    voxel_um: float
    edge_um: float
    cnr: float
    words: tuple[str, ...]
