"""Does what the generator draws contain the image quality of given scans?

    python bench/scan_quality.py [--scans 16] [--workers 2]

Draws scans at the default settings (`configs/scanner/any_lab.yaml`; 4x4 arrays of 0.80 mm pitch), measures each as
`jointwise quality` does, but at the true centres, and rewrites the rows of bench/scan_quality.csv whose scan begins
with "generated_". Rows of given scans stay; they come from `jointwise quality scan=… array=…`. Prints, for each
measure, the range of the generated scans and where the given ones lie.
"""

from __future__ import annotations

import argparse
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context
from pathlib import Path

import numpy as np
import pandas as pd
from threadpoolctl import threadpool_limits

from jointwise.data_gen.drawing.scan import draw_scan
from jointwise.data_gen.scan import simulate_volume
from jointwise.data_gen.settings import FamilySettings, GeneratorSettings
from jointwise.evaluation.scans.quality import Subject, measure_quality
from jointwise.joints.cutting import resample
from jointwise.joints.grid import Grid
from jointwise.joints.lattice import rotation
from jointwise.joints.levels import combine, read_levels

TABLE = Path(__file__).with_suffix(".csv")
SEED = 2026
SETTINGS = GeneratorSettings(family=FamilySettings(rows=(4, 4), cols=(4, 4)))


def measured(number: int) -> pd.DataFrame:
    """Rows of one generated scan."""
    record = draw_scan(SETTINGS, SEED, number)
    volume, lattice, table = simulate_volume(record)
    scanner, board, grid = record.scanner, record.board, Grid()
    axes = rotation(scanner.tilt_x_deg, scanner.tilt_y_deg, scanner.in_plane_deg)
    centres = table.loc[table["present"] == 1, ["x_mm", "y_mm", "z_mm"]].to_numpy()
    offsets = grid.offsets_mm(board.pitch_mm, board.ball_mm)
    boxes = [resample(volume, lattice, c, axes, grid, board.pitch_mm, board.ball_mm) for c in centres]
    levels = combine([read_levels(box, offsets, board.pitch_mm, board.ball_mm) for box in boxes])
    subject = Subject(volume, lattice, centres, axes, board.pitch_mm, board.ball_mm, levels)
    with threadpool_limits(1):
        found, _ = measure_quality(subject)
    name = f"generated_{number:02d}_{scanner.mount}"
    rows = [(name, m.measure, m.value, m.low, m.high, m.n, m.unit) for m in found]
    return pd.DataFrame(rows, columns=["scan", "measure", "value", "low", "high", "n", "unit"])


def compared(table: pd.DataFrame) -> pd.DataFrame:
    """Range of the generated scans and value of each given one, by measure."""
    ours = table[table["scan"].str.startswith("generated_")]
    given = table[~table["scan"].str.startswith("generated_")]
    limits = ours.groupby("measure", sort=False)["value"].agg(["min", "median", "max", "count"])
    return limits.join(given.pivot(index="measure", columns="scan", values="value"))


def main() -> None:
    """Measure, rewrite the table, print the comparison."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--scans", type=int, default=16)
    parser.add_argument("--workers", type=int, default=2)
    chosen = parser.parse_args()
    kept = pd.read_csv(TABLE)
    kept = kept[~kept["scan"].str.startswith("generated_")]
    with ProcessPoolExecutor(chosen.workers, get_context("spawn")) as pool:
        parts = list(pool.map(measured, range(chosen.scans)))
    table = pd.concat([kept, *parts], ignore_index=True)
    table.to_csv(TABLE, index=False, float_format="%.4g")
    with pd.option_context("display.width", 160, "display.max_columns", 20, "display.precision", 3):
        print(compared(table).replace(np.nan, ""))


if __name__ == "__main__":
    main()
