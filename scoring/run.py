"""The whole way of one scan: read, find, cut, judge, report."""

from pathlib import Path

from jointwise.joints.grid import Grid
from jointwise.models.bench import Bench
from jointwise.scoring.cut import Progress, cut_array, silent
from jointwise.scoring.finding.locate import locate
from jointwise.scoring.judging.judge import judge_array
from jointwise.scoring.reading.metaimage import read_scan
from jointwise.scoring.scored import Package, Scored
from jointwise.scoring.settings import ArraySettings, ScoreSettings, check_array, check_score
from jointwise.scoring.write import write_results

__all__ = ["score_scan", "write_results"]


def score_scan(
    path: Path,
    array: ArraySettings,
    settings: ScoreSettings,
    grid: Grid,
    bench: Bench,
    progress: Progress = silent,
) -> Scored:
    """Read a scan, find its array, cut and judge every joint; writes nothing.

    Args:
        path: the scan, a MetaImage.
        array: the part.
        settings: how to score.
        grid: the grid on which the detectors look at joints.
        bench: the detectors.
        progress: told what is done.

    Raises:
        InputError: one sentence on the scan, the array or the settings.
    """
    check_array(array)
    check_score(settings)
    progress("scan read", 0, 1)
    scan = read_scan(path)
    progress("scan read", 1, 1)
    progress("array found", 0, 1)
    found = locate(scan, array, settings)
    progress("array found", 1, 1)
    cut = cut_array(scan, found, array, settings, grid, progress)
    table = judge_array(cut, bench, settings.batch, progress)
    return Scored(scan, settings, bench, (Package(array, found, cut, table),))
