"""The settings of `jointwise observe`."""

from dataclasses import dataclass, field
from pathlib import Path

from jointwise.data_gen.settings import (
    DefectSettings,
    FamilySettings,
    GeneratorSettings,
    ProcessSettings,
    ScanSettings,
)
from jointwise.data_gen.settings.pairs import PairSettings
from jointwise.joints.errors import InputError
from jointwise.joints.grid import Grid


@dataclass(frozen=True)
class ObserveConfig:
    """Settings of `jointwise observe`.

    Args:
        data: store of pairs made before; null makes them in `out`/pairs, or goes on there.
        model: folder of detectors, as `jointwise train` writes it; null takes those that come with jointwise, whose
            network the study then calls `shipped`.
        detectors: which of them, `learned` and `rules`.
        out: folder for pairs, table and picture.
        seed: decides everything that is drawn.
        workers: processes; 0 takes one per processor core.
        device: where the network runs: cpu, cuda, cuda:N, or auto.
        pairs: what is asked: faults and their sizes, and how many boards.
        family, process, defects, scanner: what may be drawn, as for `generate`; faults come from `pairs`, of `defects`
            only notches (waist) and microvias are drawn.
        grid: voxels and box of a sub-volume.
    """

    data: Path | None = None
    model: Path | None = None
    detectors: tuple[str, ...] = ("learned", "rules")
    out: Path = Path("out/observer")
    seed: int = 0
    workers: int = 0
    device: str = "auto"
    pairs: PairSettings = field(default_factory=PairSettings)
    family: FamilySettings = field(default_factory=FamilySettings)
    process: ProcessSettings = field(default_factory=ProcessSettings)
    defects: DefectSettings = field(default_factory=DefectSettings)
    scanner: ScanSettings = field(default_factory=ScanSettings)
    grid: Grid = field(default_factory=Grid)

    def __post_init__(self) -> None:
        for name in ("seed", "workers"):
            if getattr(self, name) < 0:
                raise InputError(
                    f"{name}: expected a whole number of at least 0, found {getattr(self, name)}; correct it"
                )

    @property
    def generator(self) -> GeneratorSettings:
        """What the generator needs of it."""
        return GeneratorSettings(self.family, self.process, self.defects, self.scanner)
