"""The settings of each command: one dataclass each, put together from the rooms' own settings."""

from dataclasses import dataclass, field, fields
from pathlib import Path

from jointwise.data_gen.settings import (
    DefectSettings,
    FamilySettings,
    GeneratorSettings,
    ProcessSettings,
    ScanSettings,
)
from jointwise.joints.errors import InputError
from jointwise.joints.grid import Grid
from jointwise.scoring.reading.settings import ReadSettings
from jointwise.scoring.settings import ArraySettings, ArrayWanted, ScoreSettings
from jointwise.train.settings import TrackingSettings, TrainSettings


@dataclass(frozen=True)
class DoctorConfig:
    """Settings of `jointwise doctor`.

    Args:
        out: folder whose disk is tested for writing; nothing stays there.
        tracking_uri: address of the MLflow tracking store to try; null tries an embedded SQLite file of its own.
        timeout_s: seconds after which a tracking server that does not answer is called absent.
        grid: the grid on which the self-check cuts its ball.
    """

    out: Path = Path("out")
    tracking_uri: str | None = None
    timeout_s: float = 5.0
    grid: Grid = field(default_factory=Grid)


@dataclass(frozen=True)
class GenerateConfig:
    """Settings of `jointwise generate`.

    Args:
        out: folder of the store; the same command goes on with one that was cut off.
        boards: number of boards, one scan each; boards 0, 1, 2, … go to train, validation, train, test, train.
            null takes 24, or as many as `joints` needs.
        joints: number of sites instead of boards; boards are whole, so the store may hold a few more.
        seed: decides everything that is drawn.
        workers: processes; 0 takes one per processor core.
        device: where X-rays are computed: cpu, cuda, or auto (as the store was begun, else a card if there is one).
        masks: keep for every joint where solder, gas, gaps and bridges lie, too; a quarter more on disk.
        family: the family of ball grid arrays.
        families: if given, each board has one of these families instead (family=mixed sets them).
        process: spread of the shop floor.
        defects: how often each fault and look-alike is drawn, and its sizes.
        scanner: the scanners that may be drawn.
        grid: voxels and box of a sub-volume.
    """

    out: Path = Path("out/joints")
    boards: int | None = None
    joints: int | None = None
    seed: int = 0
    workers: int = 0
    device: str = "cpu"
    masks: bool = False
    family: FamilySettings = field(default_factory=FamilySettings)
    process: ProcessSettings = field(default_factory=ProcessSettings)
    defects: DefectSettings = field(default_factory=DefectSettings)
    scanner: ScanSettings = field(default_factory=ScanSettings)
    grid: Grid = field(default_factory=Grid)
    families: tuple[FamilySettings, ...] = ()

    def __post_init__(self) -> None:
        if self.boards is not None and self.joints is not None:
            raise InputError(
                f"expected either boards or joints, found boards={self.boards} and joints={self.joints}; give one"
            )
        given = {name: 1 for name in ("boards", "joints") if getattr(self, name) is not None}
        _at_least(self, **given, seed=0, workers=0)

    @property
    def scans(self) -> int:
        """Scans to make at least."""
        return self.boards or (24 if self.joints is None else 1)

    @property
    def generator(self) -> GeneratorSettings:
        """What the generator needs of it."""
        return GeneratorSettings(self.family, self.process, self.defects, self.scanner, self.families)


@dataclass(frozen=True)
class RecipeSettings:
    """Stores that a training makes itself where they are missing.

    Args:
        common: overrides of `jointwise generate` for every store.
        stores: name -> further overrides; each lies in the folder of that name below `data`. The first is the one whose
            validation boards choose epoch and cuts.
        joints: sites of the largest store instead of the recipe's own numbers, the others in proportion; 0 keeps them.
        workers: processes that make a store; 0 takes one per processor core.
    """

    common: tuple[str, ...] = ()
    stores: dict[str, list[str]] = field(default_factory=dict)
    joints: int = 0
    workers: int = 0

    def __post_init__(self) -> None:
        _at_least(self, joints=0, workers=0)


@dataclass(frozen=True, kw_only=True)
class TrainConfig(TrainSettings):
    """Settings of `jointwise train`.

    Args:
        recipe: stores to make first; `data` is then the folder that holds them.
    """

    recipe: RecipeSettings = field(default_factory=RecipeSettings)

    @property
    def training(self) -> TrainSettings:
        """What the training needs of it: the recipe's stores are `data` and the first of `more_data`."""
        given = {f.name: getattr(self, f.name) for f in fields(TrainSettings)}
        if names := list(self.recipe.stores):
            others = tuple(self.data / name for name in names[1:])
            given |= {"data": self.data / names[0], "more_data": (*others, *self.more_data)}
        return TrainSettings(**given)


@dataclass(frozen=True)
class VerifyConfig:
    """Settings of `jointwise verify`.

    Args:
        data: the store to check.
        remake: make damaged shards, and the data sheet, anew by what the manifest says.
        workers: processes; 0 takes one per processor core.
    """

    data: Path
    remake: bool = False
    workers: int = 0

    def __post_init__(self) -> None:
        _at_least(self, workers=0)


@dataclass(frozen=True)
class AuditConfig:
    """Settings of `jointwise audit`.

    Args:
        data: store whose records are audited; null draws `boards` anew, without X-rays.
        out: folder for tables and picture.
        boards: boards to draw; a faultless generator needs 10,000 to 20,000 joints to pass all comparisons.
        seed: of the drawing, the folds and the bootstrap.
        workers: processes; 0 takes one per processor core.
        step_um: distance of the rays that take the truth of drawn boards; stores hold truth at 1 um.
        most: joints of a store that are audited, whole boards from the first on.
        strict: end with an error unless every barred comparison passes.
        family, families, process, defects, scanner: what may be drawn, as for `generate`.
    """

    data: Path | None = None
    out: Path = Path("out/audit")
    boards: int = 300
    seed: int = 0
    workers: int = 0
    step_um: float = 2.0
    most: int = 20000
    strict: bool = False
    family: FamilySettings = field(default_factory=FamilySettings)
    process: ProcessSettings = field(default_factory=ProcessSettings)
    defects: DefectSettings = field(default_factory=DefectSettings)
    scanner: ScanSettings = field(default_factory=ScanSettings)
    families: tuple[FamilySettings, ...] = ()

    def __post_init__(self) -> None:
        _at_least(self, boards=1, seed=0, workers=0, most=1)
        if not 0.5 <= self.step_um <= 10.0:
            raise InputError(f"step_um: expected 0.5 to 10 um, found {self.step_um}; correct it")

    @property
    def generator(self) -> GeneratorSettings:
        """What the drawing needs of it."""
        return GeneratorSettings(self.family, self.process, self.defects, self.scanner, self.families)


@dataclass(frozen=True)
class GalleryConfig:
    """Settings of `jointwise gallery`.

    Args:
        data: store to show; null makes `boards` anew, with X-rays, in a store below `out`.
        out: folder of the sheets.
        boards: boards to make.
        each: joints per sheet.
        seed: of the boards and of the choice.
        workers: processes; 0 takes one per processor core.
        family, families, process, defects, scanner: what may be drawn, as for `generate`.
        grid: voxels and box of a sub-volume.
    """

    data: Path | None = None
    out: Path = Path("out/gallery")
    boards: int = 4
    each: int = 12
    seed: int = 0
    workers: int = 0
    family: FamilySettings = field(default_factory=FamilySettings)
    process: ProcessSettings = field(default_factory=ProcessSettings)
    defects: DefectSettings = field(default_factory=DefectSettings)
    scanner: ScanSettings = field(default_factory=ScanSettings)
    grid: Grid = field(default_factory=Grid)
    families: tuple[FamilySettings, ...] = ()

    def __post_init__(self) -> None:
        _at_least(self, boards=1, each=1, seed=0, workers=0)

    @property
    def generator(self) -> GeneratorSettings:
        """What the generator needs of it."""
        return GeneratorSettings(self.family, self.process, self.defects, self.scanner, self.families)


@dataclass(frozen=True)
class SetsConfig:
    """Settings of `jointwise sets`.

    Args:
        source: folder with one folder per scan, each with volume.mha, scan.json, positions.csv, labels.csv and
            joints_truth.csv.
        provenance: one line on where scans and labels come from; it stands wherever figures of the set appear.
        out: folder of the set; files of an earlier one are replaced, others left alone.
        model: folder of detectors that say how little their scores change by the storage in bytes; null skips it.
        detectors: which of them, `learned` and `rules`.
        device: where the network runs: cpu, cuda, cuda:N, or auto.
        workers: threads that cut joints; 0 takes one per processor core.
        grid: voxels and box of a sub-volume.
    """

    source: Path
    provenance: str
    out: Path = Path("out/set")
    model: Path | None = None
    detectors: tuple[str, ...] = ("learned", "rules")
    device: str = "auto"
    workers: int = 0
    grid: Grid = field(default_factory=Grid)

    def __post_init__(self) -> None:
        _at_least(self, workers=0)


@dataclass(frozen=True)
class ScoreConfig:
    """Settings of `jointwise score`.

    Args:
        scan: the scan: .mha, .mhd, .nrrd, .nhdr, .nii, .nii.gz, .tif, .h5, .zarr, .raw with .raw.json, a folder or
            pattern of TIFF slices, or a folder of DICOM slices; or several with commas between, or a pattern such as
            lot42/*.mha.
        model: folder of detectors, as `jointwise train` writes it; null takes the network that comes with jointwise.
        detectors: which of them, `learned` and `rules`; the learned one decides if it is among them.
        out: folder for table, map and report; an earlier run's files there are replaced. Several scans get a folder
            each below it, and a summary in it.
        again: of several scans, score also those whose results are there, made from the same scan in the same way.
        store: also keep the joints that were cut, as a store that `jointwise paint` takes; null keeps none.
        split: split of the scan's joints in that store: train, validation or test; one for all scans of a board.
        judging_only: mark the kept joints as for judging, never to be painted into or trained on.
        device: where the network runs: cpu, cuda, cuda:N, or auto.
        acceptance: your limits, a YAML file, from which accept, reject and review follow (an example with invented
            numbers: configs/limits/example.yaml); null judges by no limits.
        array: the part to look for.
        parts: a table of parts (component and any key of array) where the scan holds several; what a part leaves
            open is taken from array. null looks for array alone.
        score: how the scan is searched and reported.
        read: what the scan's file does not say, or says wrongly.
    """

    scan: str
    model: Path | None = None
    detectors: tuple[str, ...] = ("learned", "rules")
    out: Path = Path("out/score")
    again: bool = False
    store: Path | None = None
    split: str = "train"
    judging_only: bool = False
    device: str = "auto"
    acceptance: Path | None = None
    array: ArrayWanted = field(default_factory=ArrayWanted)
    parts: Path | None = None
    score: ScoreSettings = field(default_factory=ScoreSettings)
    read: ReadSettings = field(default_factory=ReadSettings)

    def __post_init__(self) -> None:
        from jointwise.joints.store import SPLITS  # the store is heavy, listing commands must not load it

        if self.split not in SPLITS:
            raise InputError(f"split: expected one of {', '.join(SPLITS)}, found {self.split!r}; correct it")


@dataclass(frozen=True)
class PaintConfig:
    """Settings of `jointwise paint`.

    Args:
        joints: store of a lab's joints, as `jointwise score store=…` keeps them.
        out: store of the painted joints; made anew.
        copies: painted boards for each scan, each with other faults.
        seed: decides everything that is drawn.
        only_sound: leave joints alone of which scoring found something; false if you vouch for all of them.
        edge_um: 10-90 % width of an edge in the scan, µm; null takes it from the joints' outlines.
        family: lands of the lab's part; pitch, ball, rows and columns are the store's.
        process: what surrounds the solder (copper, planes, die) is drawn from it; the joints are the lab's.
        defects: how often each fault and look-alike is painted, and its sizes; missing and via_in_pad are not.
        scanner: tube, filter, views, distances, pixel, scatter and window of the lab's scan as narrow ranges; the
            voxel is the store's, noise stays off.
    """

    joints: Path
    out: Path = Path("out/painted")
    copies: int = 1
    seed: int = 0
    only_sound: bool = True
    edge_um: float | None = None
    family: FamilySettings = field(default_factory=FamilySettings)
    process: ProcessSettings = field(default_factory=ProcessSettings)
    defects: DefectSettings = field(default_factory=DefectSettings)
    scanner: ScanSettings = field(default_factory=ScanSettings)

    def __post_init__(self) -> None:
        _at_least(self, copies=1, seed=0)
        if self.edge_um is not None and not 0 < self.edge_um < 1000:
            raise InputError(f"edge_um: expected 0 to 1000 µm or null, found {self.edge_um:g}")


@dataclass(frozen=True)
class QualityConfig:
    """Settings of `jointwise quality`.

    Args:
        scan: one scan of any format (see `score`), several with commas between, or a pattern such as scans/*.mha; all
            of one array.
        out: folder for tables and picture; an earlier run's files there are replaced.
        array: the part to look for.
        max_tilt_deg: largest tilt of the board's normal against the file's z that is searched, degrees.
        read: what the scans' files do not say, or say wrongly.
    """

    scan: str
    out: Path = Path("out/quality")
    array: ArraySettings = field(default_factory=ArraySettings)
    max_tilt_deg: float = 10.0
    read: ReadSettings = field(default_factory=ReadSettings)


@dataclass(frozen=True)
class RegisterConfig:
    """Settings of `jointwise register`.

    Args:
        model: folder of the model; null takes the network that comes with jointwise.
        out: folder of the embedded SQLite store, unless tracking names another; nothing else is written.
        tracking: which MLflow store, the registered model's name and the alias of the new version.
    """

    model: Path | None = None
    out: Path = Path("out/register")
    tracking: TrackingSettings = field(default_factory=TrackingSettings)


@dataclass(frozen=True)
class DemoConfig:
    """Settings of `jointwise demo`.

    Args:
        out: folder of everything the demo makes; delete it to begin anew.
        generate: the boards.
        train: the training.
    """

    out: Path = Path("out/demo")
    generate: GenerateConfig = field(default_factory=GenerateConfig)
    train: TrainSettings = field(default_factory=lambda: TrainSettings(data=Path("joints")))


def _at_least(settings: object, **least: int) -> None:
    """Refuse whole numbers below a limit, naming the key."""
    for name, low in least.items():
        value = getattr(settings, name)
        if value < low:
            raise InputError(f"{name}: expected a whole number of at least {low}, found {value}; correct it")
