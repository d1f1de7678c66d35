"""Who judged: each detector, its thresholds for this scan, and its card in plain words."""

from typing import Any

import pandas as pd

from jointwise.joints.kinds import KINDS, TITLES
from jointwise.models.bench import Bench, Judge
from jointwise.models.card import Card
from jointwise.models.envelope import span
from jointwise.models.learned import MEASURED_BY, LearnedDetector
from jointwise.scoring.report.words import BY_COLUMN, ENVELOPE, with_unit

NEVER_REAL = "It has never met a real scan: all that it learned, and every rate on its card, comes from simulated ones."


def judges(bench: Bench, table: pd.DataFrame) -> list[dict[str, Any]]:
    """One entry per detector, the deciding one first.

    Args:
        bench: the detectors.
        table: the scored table.
    """
    return [_judge(judge, table, judge is bench.deciding) for judge in bench.judges.values()]


def _judge(judge: Judge, table: pd.DataFrame, decides: bool) -> dict[str, Any]:
    thresholds = judge.thresholds
    facts = [("thresholds", thresholds.identity), ("chosen for", thresholds.purpose)]
    # Noise belongs to the scan: the first row's class and cuts hold for all.
    if thresholds.edges:
        number = int(thresholds.classes(table[:1])[0]) + 1
        facts.append(("noise class", f"{number} of {len(thresholds.values)} (1 is the cleanest)"))
    cuts = zip(KINDS, thresholds.cuts(table[:1])[0], strict=True)
    facts += [(TITLES[kind], f"finding from {cut:.3g}") for kind, cut in cuts]
    if judge.envelope is not None:
        facts += [
            (f"known scans: {ENVELOPE[name][0]}", span(*ends) + ENVELOPE[name][1])
            for name, ends in judge.envelope.ranges.items()
        ]
    card = judge.detector.card if isinstance(judge.detector, LearnedDetector) else None
    return {
        "name": judge.detector.name,
        "role": "decides" if decides else "for comparison",
        "facts": facts + (_card(card) if card else []),
        "rates": _rates(card) if card else [],
        "never_real": NEVER_REAL if card and card.data.get("simulated") else "",
    }


def _card(card: Card) -> list[tuple[str, str]]:
    """What a network's card says of its training."""
    data = card.data
    joints = f"{data['training_joints']:,} joints" if "training_joints" in data else "joints, number not said"
    joints += f", going on from a training on {card.joints_before:,}" if card.joints_before else ""
    simulated = {True: ", all simulated", False: ""}.get(data.get("simulated", ""), ", origin not said")
    scans = f", {card.envelope.scans:,} scans" if card.envelope.scans else ""
    facts = [("trained on", f"{joints}{scans}{simulated}"), ("made by", f"jointwise {card.code_version}")]
    if "fingerprint" in data:
        facts.append(("fingerprint of the data", f"{str(data['fingerprint'])[:16]}…"))
    return facts + errors(card)


def errors(card: Card) -> list[tuple[str, str]]:
    """How far what the network measures was off on validation joints, where its card tells."""
    errors = []
    for name, told in card.metrics.get(MEASURED_BY, {}).items():
        error = told.get(f"{told.get('by')}_error")
        if name in BY_COLUMN and error is not None:
            off = with_unit(BY_COLUMN[name], error)
            errors.append(
                (f"{BY_COLUMN[name].word} off by", f"{off} in the median of {told['n']:,} validation joints")
            )
    return errors


def _rates(card: Card) -> list[tuple[str, ...]]:
    """Per kind: precision, recall, average precision and n on validation joints; only what the card holds."""
    validation = card.metrics.get("validation")
    if not isinstance(validation, dict):
        return []
    rows = []
    for kind in KINDS:
        of = validation.get(kind)
        if isinstance(of, dict):
            shares = [f"{of[name]:.2f}" if isinstance(of.get(name), float) else "–" for name in RATES]
            rows.append((TITLES[kind], *shares, f"{of.get('with', '–')} of {of.get('n', '–')}"))
    return rows


RATES = ("precision", "recall", "ap")
