"""What stands at the head of a report: the sets and the detectors, with all that is needed to find them again."""

from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import TYPE_CHECKING

import numpy as np

from jointwise.evaluation.report.page import Facts, Head, facts
from jointwise.evaluation.report.words import listed
from jointwise.evaluation.verdicts import Verdicts
from jointwise.joints.kinds import KINDS, TITLES
from jointwise.models.card import Card
from jointwise.models.envelope import span

if TYPE_CHECKING:
    from jointwise.models.bench import Bench, Judge

DIGITS = 16
"""Of a fingerprint, enough to tell data apart; MLflow and the data themselves keep all of it."""

CRITERIA = {
    "f1": "best F1",
    "guarded_f1": "best F1, but few false positives",
    "false_calls": "a limit to false positives",
    "recall_first": "recall first, within a limit to false calls over all kinds together",
}
ENVELOPE = {
    "voxels_per_ball": "voxels per ball",
    "cnr": "contrast-to-noise",
    "lane": "dark bands between balls ÷ contrast",
    "unlike": "unlikeness to the training joints, 1 being the limit",
}


def head_of(
    sets: Sequence[Verdicts],
    bench: "Bench | None",
    fingerprints: Mapping[str, str],
    when: datetime,
    version: str,
) -> Head:
    """The head of the report on these sets.

    Args:
        sets: what is judged.
        bench: who judged, where detectors were at hand.
        fingerprints: set -> identity of its data, where known.
        when: the time that stands there.
        version: of the program, with the commit where known.
    """
    detectors = list(dict.fromkeys(who for one in sets for who in one.scores))
    judges = bench.judges if bench else {}
    lists = [set_facts(one, fingerprints.get(one.name, ""), len(sets) > 1) for one in sets]
    lists += [detector_facts(who, judges.get(who), sets) for who in detectors]
    joints = sum(int(one.present.sum()) for one in sets)
    names = listed([f"“{one.name}”" for one in sets])
    told = "joint" if joints == 1 else "joints"
    lead = (
        f"{joints:,} {told} of the {'set' if len(sets) == 1 else 'sets'} {names}, judged by "
        f"{listed(detectors) if detectors else 'nobody'}."
    )
    origins = list(dict.fromkeys(one.provenance for one in sets))
    return Head("How far can these detectors be trusted?", lead, when, version, origins, lists)


def set_facts(verdicts: Verdicts, fingerprint: str, several: bool) -> Facts:
    """Where the joints come from, how many there are, and how many of each kind."""
    table, present = verdicts.table, verdicts.present
    missing = int((~present).sum())
    rows = {
        "from": verdicts.provenance if several else "",
        "joints": f"{int(present.sum()):,}" + (f", besides {missing} without a ball" if missing else ""),
        "boards, scans": f"{table['board_id'].nunique()}, {table['scan'].nunique()}",
        "parts": _few(table["component"].dropna().unique()) if "component" in table else "",
        "pitch": _range(verdicts, "pitch_mm", "mm"),
        "voxel": _range(verdicts, "voxel_um", "µm"),
        "voxels per ball": _range(verdicts, "voxels_per_ball", ""),
        "contrast-to-noise (solder over air ÷ noise)": _range(verdicts, "cnr", ""),
    }
    for k, kind in enumerate(KINDS):
        known = verdicts.known[:, k]
        faulty = int((verdicts.truth[known, k] == 1).sum())
        unknown = int((present & ~known).sum())
        rows[f"with {TITLES[kind]}"] = f"{faulty} of {int(known.sum())}" + (
            f", {unknown} marginal or not known" if unknown else ""
        )
    rows["readers"] = ", ".join(verdicts.readers)
    rows["split"] = _few(table["split"].unique()) if "split" in table else ""
    rows["fingerprint"] = fingerprint[:DIGITS]
    return facts(f"Set “{verdicts.name}”", rows)


def detector_facts(who: str, judge: "Judge | None", sets: Sequence[Verdicts]) -> Facts:
    """What a detector is, where its cuts come from, how long it takes, and whether it was asked beyond its training."""
    rows = _card(judge) if judge else {"card": "not at hand: its scores were given ready"}
    for k, kind in enumerate(KINDS):
        cuts = np.concatenate([one.cuts[who][one.present, k] for one in sets if who in one.cuts])
        rows[f"calls {TITLES[kind]} from"] = _ends(cuts, "")
    times = [f"{1000 * one.seconds[who]:.3g} ms" for one in sets if who in one.seconds]
    rows["time per joint"] = ", ".join(times)
    beyond = [(one, int((one.outside[who] & one.present).sum())) for one in sets if who in one.outside]
    rows["outside its training"] = ", ".join(
        f"{count} of {int(one.present.sum())} joints of “{one.name}”" for one, count in beyond if count
    )
    return facts(f"Detector {who}", rows)


def chosen_by(judge: "Judge") -> str:
    """How a detector's cuts were chosen, in plain words."""
    thresholds = judge.thresholds
    first = zip(thresholds.with_kind, thresholds.without_kind, strict=True)
    joints = sum(with_kind[0] + without[0] for with_kind, without in first)
    return f"{CRITERIA.get(thresholds.criterion, thresholds.criterion)}, on {joints} validation joints"


def _card(judge: "Judge") -> dict[str, str]:
    thresholds = judge.thresholds
    rows = {"name": judge.detector.name}
    card = getattr(judge.detector, "card", None)  # of networks; their class would load all of torch
    if isinstance(card, Card):
        simulated = "simulated joints" if card.data.get("simulated") else "joints"
        rows["trained on"] = f"{card.data.get('training_joints', 'an unknown number of')} {simulated}"
        rows["training data"] = str(card.data.get("fingerprint", ""))[:DIGITS]
        rows["made by"] = f"jointwise {card.code_version}"
    rows["cuts (scores from which it calls) chosen by"] = chosen_by(judge)
    if len(thresholds.values) > 1:
        rows["noise classes"] = f"{len(thresholds.values)}, each with cuts of its own"
    rows["cuts known as"] = thresholds.identity
    if judge.envelope is not None:
        for name, ends in judge.envelope.ranges.items():
            rows[f"trained at {ENVELOPE.get(name, name)}"] = span(*ends)
    return rows


def _range(verdicts: Verdicts, column: str, unit: str) -> str:
    if column not in verdicts.table:
        return ""
    return _ends(verdicts.table[column].to_numpy(dtype=np.float64, na_value=np.nan)[verdicts.present], unit)


def _ends(values: np.ndarray, unit: str) -> str:
    finite = values[np.isfinite(values)]
    if not len(finite):
        return ""
    low, high = f"{finite.min():.3g}", f"{finite.max():.3g}"
    return f"{low} {unit}".strip() if low == high else f"{low} to {high} {unit}".strip()


def _few(values: Sequence[object] | np.ndarray) -> str:
    names = sorted(map(str, values))
    return ", ".join(names[:6]) + (f" and {len(names) - 6} more" if len(names) > 6 else "")
