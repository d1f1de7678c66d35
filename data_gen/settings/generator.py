"""All that a set of generated scans depends on, besides its seed and number of scans."""

from dataclasses import dataclass, field

from jointwise.data_gen.settings.board import FamilySettings, ProcessSettings
from jointwise.data_gen.settings.defects import DefectSettings
from jointwise.data_gen.settings.scanner import ScanSettings


@dataclass
class GeneratorSettings:
    """All that a set of generated scans depends on, besides its seed and number of scans.

    Args:
        family: the family of packages of all boards.
        process, defects, scan: spread of the shop floor, faults and look-alikes, scanners.
        families: if given, each board has one of these instead, equally likely.
    """

    family: FamilySettings = field(default_factory=FamilySettings)
    process: ProcessSettings = field(default_factory=ProcessSettings)
    defects: DefectSettings = field(default_factory=DefectSettings)
    scan: ScanSettings = field(default_factory=ScanSettings)
    families: tuple[FamilySettings, ...] = ()
