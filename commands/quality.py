"""`jointwise quality`: how good the image of a scan is, measured at its own balls; several scans side by side."""

from pathlib import Path
from typing import TYPE_CHECKING, Any

from jointwise.commands.screen import Done, progress
from jointwise.commands.settings import QualityConfig

if TYPE_CHECKING:
    from jointwise.evaluation.scans.quality_table import ScanQuality
    from jointwise.scoring.finding.locate import ArrayFound
    from jointwise.scoring.reading.scan import Scan

HELP = (
    "Measure the image quality of scans at their own balls: noise, contrast, edges, cupping, dark lanes, MTF."
)
EXAMPLE = "scan=demo_sets/demo_scan.mha array=bga_0800 out=out/quality"
CONFIG = QualityConfig
FILES = ("quality.csv", "quality.json", "quality.png")


def run(cfg: QualityConfig) -> Done:
    """Measure every scan; nothing is written before everything is known."""
    from rich.console import Console

    from jointwise.evaluation.scans.quality_table import terminal, write_quality
    from jointwise.scoring.scan_files import named, scan_files
    from jointwise.scoring.write import results

    scans = [_measured(cfg, path, name) for path, name in named(scan_files(cfg.scan)).items()]
    drawn = drawn_ranges(cfg.array.ball_mm)
    with results(cfg.out, FILES) as aside:
        write_quality(scans, drawn, aside)
    Console().print(terminal(scans, drawn))
    return Done([cfg.out / name for name in FILES])


def drawn_ranges(ball_mm: float) -> dict[str, tuple[float, float]]:
    """What the generator draws by default, for measures that are drawn themselves."""
    from jointwise.data_gen.settings import ScanSettings

    low, high = ScanSettings().voxels_per_ball
    return {"voxels_per_ball": (low, high), "voxel": (1000 * ball_mm / high, 1000 * ball_mm / low)}


def _measured(cfg: QualityConfig, path: Path, name: str) -> "ScanQuality":
    from threadpoolctl import threadpool_limits

    from jointwise.evaluation.scans.quality import Subject, measure_quality
    from jointwise.evaluation.scans.quality_table import ScanQuality
    from jointwise.scoring.finding.locate import locate
    from jointwise.scoring.reading.formats import read_scan
    from jointwise.scoring.settings import ScoreSettings

    with progress(f"measuring {name}", "joints") as step:
        step(0, 1, "scan read")
        scan = read_scan(path, cfg.read)
        step(0, 1, "array found")
        found = locate(scan, cfg.array, ScoreSettings(max_tilt_deg=cfg.max_tilt_deg))
        whole = found.sites[found.sites["present"].astype(bool) & found.sites["in_field"].astype(bool)]
        centres = whole[["x_mm", "y_mm", "z_mm"]].to_numpy()
        # A scan that is too large for memory is measured in its array alone.
        volume, lattice = scan.around(centres, 2 * found.pitch_mm)
        subject = Subject(
            volume, lattice, centres, found.axes, found.pitch_mm, cfg.array.ball_mm, found.levels
        )
        # Fits of eight unknowns: threads of the linear algebra would only wait for each other.
        with threadpool_limits(1, "blas"):
            measured, profiles = measure_quality(subject, step)
    return ScanQuality(name, _facts(scan, found, len(whole)), measured, profiles)


def _facts(scan: "Scan", found: "ArrayFound", whole: int) -> dict[str, Any]:
    """What was found of file and array."""
    rows, cols = found.shape
    nz, ny, nx = scan.lattice.shape
    return {
        "file": scan.path.name,
        "voxels": f"{nx} x {ny} x {nz}",
        "type": str(scan.volume.dtype),
        "rows": rows,
        "columns": cols,
        "joints": whole,
        "pitch_mm": round(found.pitch_mm, 5),
        "tilt_deg": round(found.tilt_deg, 3),
        "turn_deg": round(found.turn_deg, 3),
    }
