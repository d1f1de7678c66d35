"""A scored scan: everything that tables, report and summary are made from."""

from collections.abc import Mapping
from dataclasses import dataclass, field

import pandas as pd

from jointwise.models.bench import Bench
from jointwise.scoring.cut import CutArray
from jointwise.scoring.finding.locate import ArrayFound
from jointwise.scoring.judging.acceptance import Acceptance
from jointwise.scoring.judging.shows import Shows
from jointwise.scoring.reading.scan import Scan
from jointwise.scoring.settings import ArraySettings, ScoreSettings


@dataclass(frozen=True)
class Package:
    """One ball grid array of a scan, found, cut and judged.

    Args:
        array: what the user said of the part.
        found: where it lies in the scan.
        cut: its sites and sub-volumes.
        table: the scored table, one row per site.
        shows: the smallest faults that the scan can show in it; None where not worked out.
        alerts: sentences that must stand on top of a report.
    """

    array: ArraySettings
    found: ArrayFound
    cut: CutArray
    table: pd.DataFrame
    shows: Shows | None = None
    alerts: tuple[str, ...] = ()


@dataclass(frozen=True)
class Scored:
    """A scored scan.

    Args:
        scan: the scan.
        settings: how it was scored.
        bench: who judged.
        packages: one or more, in the order of the user's parts.
        acceptance: the user's limits; None where none were given.
        seconds: where the time went, by step.
    """

    scan: Scan
    settings: ScoreSettings
    bench: Bench
    packages: tuple[Package, ...]
    acceptance: Acceptance | None = None
    seconds: Mapping[str, float] = field(default_factory=dict)

    @property
    def table(self) -> pd.DataFrame:
        """The scored tables of all packages below each other."""
        return pd.concat([package.table for package in self.packages], ignore_index=True)
