"""What the detectors measured in one suspicious joint, in words: the lines over its slices, and the numbers."""

from collections.abc import Mapping, Sequence
from typing import Any, NamedTuple

import numpy as np

from jointwise.joints.masks import POINTS_BY
from jointwise.joints.schema import RULES
from jointwise.models.rules.detector import CALLED, Reading
from jointwise.scoring.judging.acceptance import Acceptance
from jointwise.scoring.report.evidence import FLAT_KINDS
from jointwise.scoring.report.masks import OUTLINED, Seen
from jointwise.scoring.report.order import Site
from jointwise.scoring.report.outlines import Traced
from jointwise.scoring.report.words import MEASURED, Measure, limits_on, number, with_unit


def gap_to_draw(site: Site) -> str:
    """Which gap the rules would measure there: at a land or along a surface; none where nothing speaks for one."""
    flat = [kind for kind in FLAT_KINDS if kind in site.findings]
    called = max(site.row["rules_non_wet"], site.row["rules_head_in_pillow"]) >= CALLED
    if not flat and not called and number(site.row["gap_um"], 0) == "–":
        return ""
    if len(flat) == 1:
        return "land" if flat == ["non_wet"] else "surface"
    return "land" if site.row["rules_non_wet"] > site.row["rules_head_in_pillow"] else "surface"


def measured_by_rules(site: Site, traced: Traced | None) -> dict[str, float] | None:
    """What the rules measure in a joint that they judged; None where they did not."""
    scores = np.array([site.row[name] for name in RULES], dtype=np.float64)
    if traced is None or traced.found is None or np.isnan(scores).any():
        return None
    return Reading.of(traced.found).measures(scores)


def lines_in_words(
    site: Site, traced: Traced | None, rules: Mapping[str, float] | None, seen: Seen | None
) -> str:
    """What the lines over the slices are, by whom, and what was not measured."""
    if not site.row["present"]:
        return "Nothing was measured: no ball stands here."
    said = [
        "" if traced is None else "Solder outlined.",
        "" if traced is None or traced.found is None else _rules_words(site, traced, rules),
        "" if seen is None else _network_words(seen, site.findings),
    ]
    return " ".join(filter(None, said)) or "Nothing was measured."


def _rules_words(site: Site, traced: Traced, rules: Mapping[str, float] | None) -> str:
    told = number(site.row["gap_um"], 0) != "–" if rules is None else "gap_um" in rules
    said = ["voids outlined" if traced.voids is not None else "no void"]
    if traced.gap and told:
        said.append("gap at a land drawn" if traced.gap == "land" else "gap drawn")
    elif traced.gap:
        where = (
            "the solder's end at the suspect land" if traced.gap == "land" else "the darkest complete surface"
        )
        said.append(f"no gap ({where} is drawn)")
    else:
        said.append("no gap")
    said.append("neck drawn" if traced.neck_um > 0 else "no neck")
    return f"Measured by rules: {', '.join(said)}."


def _network_words(seen: Seen, findings: Sequence[str]) -> str:
    """What is outlined, what is not; a finding that no cell shows is told, since then only the score speaks for it."""
    wanted = {POINTS_BY[kind] for kind in findings if kind in POINTS_BY}
    shown = [f"{mask} outlined, fullest cell {100 * seen.strongest(mask):.0f} %" for mask in seen.outlined]
    none = [
        f"no {mask}"
        + (f", though found: fullest cell {100 * seen.strongest(mask):.0f} %" if mask in wanted else "")
        for mask in OUTLINED
        if mask not in seen.outlined
    ]
    return f"Seen by the network: {'; '.join([*shown, *none])}."


class Fact(NamedTuple):
    """A number of a joint: the one that counts, with the limits on it, and the other detector's."""

    name: str
    value: str
    other: str = ""


def measures(
    site: Site, acceptance: Acceptance | None, rules: Mapping[str, float] | None, seen: Seen | None
) -> list[Fact]:
    """Every measure; beside those of a network with masks the rules' own, where they judged too.

    Limits hold for the table's: the network's, or the rules' where the network measures no joint of the package.
    """
    network = seen.measures if seen and rules is not None else None
    return [
        fact
        for m in MEASURED
        if (fact := _fact(m, site.row[m.column], limits_on(acceptance, m.column), network, rules or {}))
    ]


def _fact(
    measure: Measure,
    value: Any,
    limits: str,
    network: Mapping[str, float] | None,
    rules: Mapping[str, float],
) -> Fact | None:
    """One measure; a dash stands for what the network does not tell of this joint; None where nobody tells it."""
    other = with_unit(measure, rules[measure.column]) if measure.column in rules else ""
    if number(value, 0) == "–":
        return Fact(measure.word, "–", other) if network is not None and other else None
    said = with_unit(measure, value) + limits
    if network is None:
        return Fact(measure.word, said)
    return (
        Fact(measure.word, said, other) if measure.column in network else Fact(measure.word, f"rules {said}")
    )
