"""Accept, reject or review: what follows for each joint from the user's limits, and why, in words.

Review wins over everything else: a joint outside the range its detector knows, one without a measure that a limit
needs, or one so near to a limit that this scan cannot tell on which side it lies, is for a person in any case.
"""

from collections.abc import Hashable, Mapping
from typing import Any, Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from jointwise.joints.kinds import KINDS, TITLES
from jointwise.models.parted import WAYS
from jointwise.scoring.judging.acceptance import MISSING, NEEDS, Acceptance, Count, Limit
from jointwise.scoring.judging.judge import WHICH_WAY
from jointwise.scoring.judging.places import ALL
from jointwise.scoring.judging.shows import Shows

ACCEPT, REJECT, REVIEW = "accept", "reject", "review"
WITHIN: Final = "within all limits"
CONTACT_STEP: Final = 1 / 12
"""Contact is read in twelve patches of a land: it is known to one of them."""
_WAYS: Final = frozenset(KINDS[way] for way in WAYS)
UNITS: Final = {"pct": " %", "um": " µm"}
WORDS: Final = {
    "void_projected_area_pct": "void area",
    "void_volume_pct": "void volume",
    "void_largest_pct": "largest void",
    "void_interface_pct": "voids at a land",
    "gap_um": "gap",
    "contact_fraction": "share in contact",
    "bridge_neck_um": "bridge neck",
}


def dispose(table: pd.DataFrame, acceptance: Acceptance | None, shows: Shows | None = None) -> pd.DataFrame:
    """The table with `disposition` and `reason` filled in by the limits; without limits as it was.

    Args:
        table: of one package, as `judge_array` made it: joints out of the envelope are for review already.
        acceptance: the user's limits.
        shows: what the scan can show: values nearer to a limit than this are for review; None takes them as exact.

    Raises:
        InputError: a place of the limits names balls that the array does not have.
    """
    if acceptance is None:
        return table
    here = _places(table, acceptance)
    said = []
    for n, row in enumerate(table.to_dict("records")):
        limits = [limit for limit in acceptance.limits if here[limit.where][n]]
        said.append(_one(row, limits, shows))
    return table.assign(disposition=[what for what, _ in said], reason=[why for _, why in said])


def uncertainty(measure: str, shows: Shows | None) -> float:
    """How far off a measured value may be by the image alone, in the measure's unit.

    A gap by the thinnest gap that the scan shows; a void's share of the area by that of the smallest void it shows, and
    of the volume by that share to the power of 3/2 (a ball's in a ball); a neck by a voxel; contact by one of twelve
    patches. Without knowledge of the scan it is 0.
    """
    if shows is None:
        return 0.0
    if measure == "void_volume_pct":
        return float(100 * (shows.void_area_pct / 100) ** 1.5)
    if measure.startswith("void_"):
        return shows.void_area_pct
    return {"gap_um": shows.gap_um, "bridge_neck_um": shows.voxel_um}.get(measure, CONTACT_STEP)


def beyond_counts(table: pd.DataFrame, acceptance: Acceptance | None) -> tuple[str, ...]:
    """A sentence for every limit on the whole package that it is beyond."""
    if acceptance is None:
        return ()
    here = _places(table, acceptance)
    said = (_counted(table[here[count.where]], count) for count in acceptance.counts)
    return tuple(sentence for sentence in said if sentence)


def _places(table: pd.DataFrame, acceptance: Acceptance) -> Mapping[str, NDArray[np.bool_]]:
    used = {limit.where for limit in acceptance.limits} | {count.where for count in acceptance.counts}
    places = {name: acceptance.places[name].holds(table) for name in sorted(used - {ALL})}
    return {ALL: np.ones(len(table), np.bool_), **places}


def _one(row: Mapping[Hashable, Any], limits: list[Limit], shows: Shows | None) -> tuple[str, str]:
    """Disposition and reason of one site."""
    if row["out_of_envelope"] == 1:
        return REVIEW, str(row["reason"])
    found = _findings(row)
    if row["reason"] == WHICH_WAY:
        return _either_way(row, found - _WAYS, limits, shows)
    return _judged(row, found, limits, shows)


def _either_way(
    row: Mapping[Hashable, Any], others: frozenset[str], limits: list[Limit], shows: Shows | None
) -> tuple[str, str]:
    """What both ways of being parted lead to; review where they differ."""
    said = [_judged(row, others | {way}, limits, shows) for way in sorted(_WAYS)]
    what = {disposition for disposition, _ in said}
    if len(what) == 1:
        return what.pop(), "; ".join([WHICH_WAY, *dict.fromkeys(why for _, why in said)])
    return REVIEW, WHICH_WAY


def _judged(
    row: Mapping[Hashable, Any], found: frozenset[str], limits: list[Limit], shows: Shows | None
) -> tuple[str, str]:
    """Disposition and reason of a site at which these kinds were found."""
    judged = [_judge(row, found, limit, shows) for limit in limits]
    if MISSING in found and not any(limit.kind == MISSING for limit in limits):
        judged.append((REVIEW, True, "no ball found here, and no limit says what follows from that"))
    beyond = [entry for entry in judged if entry is not None]
    if not beyond:
        return ACCEPT, WITHIN
    # What the scan leaves open comes first, then what is to be rejected.
    unsure = [why for _, open_, why in beyond if open_]
    sure = [(what, why) for what, open_, why in beyond if not open_]
    sure.sort(key=lambda entry: entry[0] != REJECT)
    words = "; ".join([*unsure, *(why for _, why in sure)])
    return (REVIEW if unsure else sure[0][0]), words


def _judge(
    row: Mapping[Hashable, Any], found: frozenset[str], limit: Limit, shows: Shows | None
) -> tuple[str, bool, str] | None:
    """What one limit says of a site: (disposition, whether it is left open, why); None where it is kept."""
    if (MISSING in found) != (limit.kind == MISSING) or (limit.kind and limit.kind not in found):
        return None
    if not limit.measure:
        return limit.then, False, f"{_title(limit.kind)} ({limit.name})"
    value = float("nan") if row[limit.measure] is None else float(row[limit.measure])
    word = WORDS[limit.measure]
    if np.isnan(value):
        needs = NEEDS.get(limit.measure)
        if needs and not found.intersection(needs):
            return None
        return REVIEW, True, f"{word} not measured, and a limit needs it ({limit.name})"
    return _against(value, limit, word, uncertainty(limit.measure, shows))


def _against(value: float, limit: Limit, word: str, unsure: float) -> tuple[str, bool, str] | None:
    """A measured value against a limit that it may be `unsure` off by."""
    for bound, side, sign in ((limit.most, "at most", 1), (limit.least, "at least", -1)):
        if bound is None:
            continue
        measured, allowed = _number(value, limit.measure), _number(bound, limit.measure)
        if unsure > 0 and abs(value - bound) <= unsure:
            by = _number(unsure, limit.measure)
            why = f"{word} {measured}, {side} {allowed} allowed, but this scan tells it only to ± {by} ({limit.name})"
            return REVIEW, True, why
        if sign * (value - bound) > 0:
            return limit.then, False, f"{word} {measured}, {side} {allowed} allowed ({limit.name})"
    return None


def _counted(part: pd.DataFrame, count: Count) -> str:
    n = sum(count.kind in _findings(row) for row in part.to_dict("records"))
    most = count.most if count.most is not None else (count.most_pct or 0.0) * len(part) / 100
    if n <= most:
        return ""
    where = "" if count.where == ALL else f" at {count.where}"
    allowed = f"{count.most:g}" if count.most is not None else f"{count.most_pct:g} %"
    return (
        f"Beyond a limit on the whole package ({count.name}): {_title(count.kind)} at {n} of {len(part)} sites{where}, "
        f"at most {allowed} allowed."
    )


def _findings(row: Mapping[Hashable, Any]) -> frozenset[str]:
    found = row["findings"]
    return frozenset(found.split(";")) if isinstance(found, str) and found else frozenset()


def _title(kind: str) -> str:
    return "missing ball" if kind == MISSING else f"{TITLES[kind]} found"


def _number(value: float, measure: str) -> str:
    return f"{value:.3g}{UNITS.get(measure.rsplit('_', 1)[-1], '')}"
