"""What the detectors measured in one suspicious joint, in words: the lines over its slices, and the numbers."""

from collections.abc import Mapping

import numpy as np

from jointwise.joints.schema import RULES
from jointwise.models.mask_measures import BY_MASKS
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
        "" if seen is None else _network_words(seen),
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


def _network_words(seen: Seen) -> str:
    shown = [f"{mask} outlined, fullest cell {100 * seen.strongest(mask):.0f} %" for mask in seen.outlined]
    none = [f"no {mask}" for mask in OUTLINED if mask not in seen.outlined]
    return f"Seen by the network: {'; '.join([*shown, *none])}."


def measures(
    site: Site, acceptance: Acceptance | None, rules: Mapping[str, float] | None, seen: Seen | None
) -> list[tuple[str, str]]:
    """Every measure with the limits on it; of a network with masks and of rules both, side by side.

    Limits hold for the table's column: the network's where it tells one at all.
    """
    facts = [
        (m, _both(m, seen.measures, rules) if seen and rules is not None else _one(m, site)) for m in MEASURED
    ]
    return [(m.word, said + limits_on(acceptance, m.column)) for m, said in facts if said]


def _one(measure: Measure, site: Site) -> str:
    value = site.row[measure.column]
    return "" if number(value, 0) == "–" else with_unit(measure, value)


def _both(measure: Measure, network: Mapping[str, float], rules: Mapping[str, float]) -> str:
    """A dash stands for what the network can tell and does not tell of this joint."""
    column = measure.column
    if column not in network and column not in rules:
        return ""
    said = []
    if column in BY_MASKS:
        said.append(f"{with_unit(measure, network[column]) if column in network else '–'} by the network")
    if column in rules:
        said.append(f"{with_unit(measure, rules[column])} by the rules")
    return ", ".join(said)
