"""The whole way of one scan: read, find, cut, judge, report."""

from collections.abc import Sequence
from pathlib import Path

from jointwise.joints.grid import Grid
from jointwise.models.bench import Bench
from jointwise.scoring.clock import Clock
from jointwise.scoring.cut import Progress, cut_array, silent
from jointwise.scoring.finding.locate import ArrayFound, locate_all
from jointwise.scoring.judging.acceptance import Acceptance
from jointwise.scoring.judging.alerts import alerts_of
from jointwise.scoring.judging.dispose import dispose
from jointwise.scoring.judging.judge import judge_array
from jointwise.scoring.judging.shows import what_shows
from jointwise.scoring.reading.formats import read_scan
from jointwise.scoring.reading.scan import Scan
from jointwise.scoring.reading.settings import ReadSettings
from jointwise.scoring.scored import Package, Scored
from jointwise.scoring.settings import ArrayWanted, ScoreSettings, check_array, check_score
from jointwise.scoring.write import write_results

__all__ = ["score_scan", "write_results"]


def score_scan(
    path: Path,
    arrays: ArrayWanted | Sequence[ArrayWanted],
    settings: ScoreSettings,
    grid: Grid,
    bench: Bench,
    progress: Progress = silent,
    acceptance: Acceptance | None = None,
    read: ReadSettings | None = None,
) -> Scored:
    """Read a scan, find its arrays, cut and judge every joint; writes nothing.

    Args:
        path: the scan: file, folder or pattern of slices.
        arrays: the part, or several.
        settings: how to score.
        grid: the grid on which the detectors look at joints.
        bench: the detectors.
        progress: told what is done.
        acceptance: the user's limits, from which dispositions follow; None gives none.
        read: what the scan's file does not say, or says wrongly.

    Raises:
        InputError: one sentence on the scan, the array, the settings or a place that the limits name.
    """
    wanted = [arrays] if isinstance(arrays, ArrayWanted) else list(arrays)
    for array in wanted:
        check_array(array)
    check_score(settings)
    clock = Clock()
    progress("scan read", 0, 1)
    with clock.step("scan read"):
        scan = read_scan(path, read or ReadSettings())
    progress("scan read", 1, 1)
    progress("array found", 0, 1)
    with clock.step("array found"):
        found = locate_all(scan, wanted, settings)
    progress("array found", 1, 1)
    packages = tuple(
        judge_package(scan, one, settings, grid, bench, progress, acceptance, clock) for one in found
    )
    return Scored(scan, settings, bench, packages, acceptance, clock.seconds)


def judge_package(
    scan: Scan,
    found: ArrayFound,
    settings: ScoreSettings,
    grid: Grid,
    bench: Bench,
    progress: Progress = silent,
    acceptance: Acceptance | None = None,
    clock: Clock | None = None,
) -> Package:
    """Cut and judge the joints of one package that was found in a scan; arguments as for :func:`score_scan`."""
    clock = clock or Clock()
    with clock.step("joints cut"):
        cut = cut_array(scan, found, found.array, settings, grid, progress)
    table = judge_array(cut, bench, settings.batch, progress, clock)
    with clock.step("smallest gap and void of the scan"):
        shows = what_shows(scan, found, cut)
    with clock.step("dispositions"):
        table = dispose(table, acceptance, shows)
        alerts = alerts_of(table, bench, acceptance)
    return Package(found.array, found, cut, table, shows, alerts)
