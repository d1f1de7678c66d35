"""The sites of all packages of a scan in one order, the most suspicious first."""

import itertools
from collections.abc import Sequence
from typing import Any, NamedTuple

import numpy as np

from jointwise.scoring.judging.judge import suspicion
from jointwise.scoring.report.signs import split_findings
from jointwise.scoring.scored import Scored


class Site(NamedTuple):
    """One site as the report tells of it.

    Args:
        package: number of its package, from 0.
        place: its row in the package's table.
        row: that row.
        suspicion: as in :func:`suspicion`.
        findings: what was found there.
    """

    package: int
    place: int
    row: dict[str, Any]
    suspicion: float
    findings: list[str]

    @property
    def anchor(self) -> str:
        """Where the page tells more of it; made of numbers alone, since a layout's names may hold anything."""
        return f"joint-{self.package + 1}-{self.place + 1}"

    @property
    def ball(self) -> str:
        """Its name."""
        return str(self.row["ball"])

    @property
    def disposition(self) -> str:
        """`accept`, `reject`, `review`, or empty where nothing followed."""
        value = self.row["disposition"]
        return value if isinstance(value, str) else ""

    @property
    def reason(self) -> str:
        """Why, in words; may be empty."""
        value = self.row["reason"]
        return value if isinstance(value, str) else ""

    @property
    def called(self) -> bool:
        """Whether it carries a finding or is rejected."""
        return bool(self.findings) or self.disposition == "reject"


def all_sites(scored: Scored) -> list[Site]:
    """Every site of every package, the most suspicious first; equals stay in the order of the packages' tables."""
    sites = []
    for number, package in enumerate(scored.packages):
        how = suspicion(package.table, scored.bench)
        rows: list[dict[str, Any]] = package.table.to_dict("records")
        sites += [
            Site(number, place, row, float(how[place]), split_findings(row["findings"]))
            for place, row in enumerate(rows)
        ]
    order = np.argsort(
        [-site.suspicion if np.isfinite(site.suspicion) else np.inf for site in sites], kind="stable"
    )
    return [sites[i] for i in order]


def to_picture(sites: Sequence[Site], most: int) -> list[Site]:
    """The sites that get pictures: the rejected ones, then others with a finding, then those for review."""
    graver = [
        [site for site in sites if site.disposition == "reject"],
        [site for site in sites if site.findings and site.disposition != "reject"],
        [site for site in sites if not site.called and site.disposition == "review"],
    ]
    return list(itertools.chain(*graver))[:most]


def sound_neighbour(site: Site, sites: Sequence[Site]) -> Site | None:
    """The nearest joint of the same package that is there and carries no finding; None where there is none."""
    candidates = [
        other
        for other in sites
        if other.package == site.package and other.row["present"] and not other.called
    ]
    if not candidates:
        return None
    places = np.array([[other.row[f"{axis}_mm"] for axis in "xyz"] for other in candidates])
    here = np.array([site.row[f"{axis}_mm"] for axis in "xyz"])
    apart = np.linalg.norm(places - here, axis=1)
    # The site itself may be for review only, and then it is no neighbour of itself.
    apart[[other.place == site.place for other in candidates]] = np.inf
    nearest = int(apart.argmin())
    return candidates[nearest] if np.isfinite(apart[nearest]) else None
