"""Which sites of the array carry findings more often than chance lets expect, over boards of the same part."""

from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import stats

from jointwise.joints.kinds import KINDS
from jointwise.scoring.report.signs import split_findings

FEWEST_BOARDS: Final = 5
"""Fewer boards of a part tell nothing of a site: even a finding on each of them would be no surprise somewhere."""
LEVEL: Final = 0.05
"""Chance, over all sites of a part together, that a site is marked although none differs from the others."""
COUNTED: Final = ("missing", *KINDS)


@dataclass(frozen=True)
class PartSites:
    """The sites of one part over its boards.

    Args:
        component: the part's designator; empty if none was given.
        boards: boards that show it.
        shapes: rows × columns found, and on how many boards, commonest first.
        sites: one row per ball, in the order of the array: ball, row, col (file's frame, from 0), n looked at, k with a
            finding, share, low and high (Wilson, 95 %), one count per kind and missing, p (chance of k or more if all
            sites were alike) and p_holm (all sites considered); the last two empty where nothing can be told.
        chance: k, seen sites with at least k findings, and how many are expected if all sites were alike.
    """

    component: str
    boards: int
    shapes: tuple[tuple[str, int], ...]
    sites: pd.DataFrame
    chance: pd.DataFrame

    @property
    def enough(self) -> bool:
        """Whether there are boards enough to tell."""
        return self.boards >= FEWEST_BOARDS

    @property
    def share(self) -> float:
        """Findings per site looked at, over all sites and boards."""
        return float(self.sites["k"].sum() / self.sites["n"].sum())

    @property
    def marked(self) -> pd.DataFrame:
        """Sites that carry findings more often than chance explains, worst first."""
        beyond = self.sites[self.sites["p_holm"] <= LEVEL]
        return beyond.sort_values(["p_holm", "k"], ascending=[True, False], kind="stable")


def part_sites(component: str, tables: dict[str, pd.DataFrame]) -> PartSites:
    """Count by ball.

    Args:
        component: the part.
        tables: the rows of this part in the scored table of each board.
    """
    joints = pd.concat(tables.values(), ignore_index=True)
    findings = [split_findings(cell) for cell in joints["findings"]]
    counted = joints[["ball", "row", "col"]].assign(
        n=1,
        k=[int(bool(f)) for f in findings],
        **{kind: [int(kind in f) for f in findings] for kind in COUNTED},
    )
    sites = counted.groupby("ball", sort=False)[["n", "k", *COUNTED]].sum()
    shapes = pd.Series({name: f"{t['row'].max() + 1} × {t['col'].max() + 1}" for name, t in tables.items()})
    common = shapes.value_counts(sort=True)
    first = tables[str(shapes.index[shapes == common.index[0]][0])]
    # Boards on which the array was found in another size may give a ball another place: those of the commonest count.
    places = pd.concat([first, joints])[["ball", "row", "col"]].drop_duplicates("ball").set_index("ball")
    sites = places.join(sites).sort_values(["row", "col"]).reset_index()
    sites.insert(5, "share", sites["k"] / sites["n"])
    bounds = [wilson(k, n) for k, n in zip(sites["k"], sites["n"], strict=True)]
    sites.insert(6, "low", [low for low, _ in bounds])
    sites.insert(7, "high", [high for _, high in bounds])
    told = len(tables) >= FEWEST_BOARDS
    sites["p"] = chances(sites["k"], sites["n"]) if told else np.nan
    sites["p_holm"] = holm(sites["p"].to_numpy()) if told else np.nan
    shown = tuple((str(shape), int(count)) for shape, count in common.items())
    return PartSites(component, len(tables), shown, sites, expected(sites["k"], sites["n"]))


def wilson(k: int, n: int) -> tuple[float, float]:
    """Interval of a share, 95 %, E. B. Wilson 1927."""
    low, high = stats.binomtest(int(k), int(n)).proportion_ci(0.95, "wilson")
    return float(low), float(high)


def chances(k: "pd.Series[int]", n: "pd.Series[int]") -> NDArray[np.float64]:
    """For each site the binomial chance of k or more findings in n if every site had the share of all together."""
    share = k.sum() / n.sum()
    return np.asarray(stats.binom.sf(k.to_numpy() - 1, n.to_numpy(), share), dtype=np.float64)


def holm(p: NDArray[np.float64]) -> NDArray[np.float64]:
    """Chances adjusted for having looked at all of them; holds however sites depend on each other.

    S. Holm, Scand. J. Statist. 6:65 (1979): bridges come in pairs, so a procedure that wants independence will not do.
    """
    order = np.argsort(p, kind="stable")
    steps = np.minimum(1.0, p[order] * np.arange(len(p), 0, -1))
    adjusted = np.empty(len(p))
    adjusted[order] = np.maximum.accumulate(steps)
    return adjusted


def expected(k: "pd.Series[int]", n: "pd.Series[int]") -> pd.DataFrame:
    """Sites with at least 1, 2, … findings: seen, and expected if every site had the share of all together."""
    share, most = k.sum() / n.sum(), int(k.max())
    counts = range(1, max(most, 1) + 1)
    return pd.DataFrame(
        {
            "k": list(counts),
            "seen": [int((k >= c).sum()) for c in counts],
            "expected": [float(stats.binom.sf(c - 1, n.to_numpy(), share).sum()) for c in counts],
        }
    )
