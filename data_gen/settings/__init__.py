"""Settings of the generator: what may be drawn and how often. Pure dataclasses, checked when made.

Ranges are (low, high) pairs; sizes carry their unit in the name. Nominal sizes follow the domain document, section A;
rates follow sections B and B7 (every nuisance has one distribution whatever the defect, look-alikes are as common as
defects). Not frozen: the configuration library cannot fill in lists of a frozen class.
"""

from jointwise.data_gen.settings.board import ALLOYS, FamilySettings, ProcessSettings
from jointwise.data_gen.settings.defects import DefectSettings
from jointwise.data_gen.settings.generator import GeneratorSettings
from jointwise.data_gen.settings.scanner import STORAGE, TUBE_KV, ScanSettings

__all__ = [
    "ALLOYS",
    "STORAGE",
    "TUBE_KV",
    "DefectSettings",
    "FamilySettings",
    "GeneratorSettings",
    "ProcessSettings",
    "ScanSettings",
]
