"""What is called where something else is true: confusion among kinds of which a joint may carry several."""

import numpy as np
import pandas as pd

from jointwise.evaluation.statistics import measures
from jointwise.evaluation.verdicts import Verdicts
from jointwise.joints.kinds import KINDS

SOUND, NOTHING = "sound", "nothing"


def confusion_table(verdicts: Verdicts) -> pd.DataFrame:
    """How often each kind is called on joints that truly have a kind, or none.

    A joint with two kinds is not confused when both are called. So in the row of kind K and the column of another kind
    J only joints with K are counted that are known to be without J; in column K all joints with K are.

    Returns:
        One row per truth (the kinds, then SOUND: sound in every kind) and detector: joints with that truth; for each
        kind J: called_J of of_J joints, rate_J with _low and _high (Wilson); called_nothing of of_nothing and
        rate_nothing likewise: no kind called at all.
    """
    known, truth = verdicts.known, verdicts.truth
    sound = measures.any_kind(truth, verdicts.present) == 0
    rows = []
    for name in (*KINDS, SOUND):
        having = sound if name == SOUND else known[:, KINDS.index(name)] & (truth[:, KINDS.index(name)] == 1)
        for detector in verdicts.scores:
            call = verdicts.calls(detector)
            row: dict[str, object] = {"truth": name, "detector": detector, "joints": int(having.sum())}
            for k, kind in enumerate(KINDS):
                among = having if kind == name else having & known[:, k] & (truth[:, k] == 0)
                row |= _cell(kind, int((among & call[:, k]).sum()), int(among.sum()))
            row |= _cell(NOTHING, int((having & ~call.any(axis=1)).sum()), int(having.sum()))
            rows.append(row)
    return pd.DataFrame(rows)


def _cell(kind: str, part: int, whole: int) -> dict[str, float]:
    low, high = measures.wilson(part, whole)
    rate = measures.ratio(part, whole)
    return {
        f"called_{kind}": part,
        f"of_{kind}": whole,
        f"rate_{kind}": rate,
        f"rate_{kind}_low": low,
        f"rate_{kind}_high": high,
    }


def confusion_text(table: pd.DataFrame) -> pd.DataFrame:
    """For people: every cell as share and counts, in columns named like the kinds and NOTHING.

    Args:
        table: from :func:`confusion_table`.
    """
    shown = table.copy()
    for kind in (*KINDS, NOTHING):
        cells = zip(table[f"rate_{kind}"], table[f"called_{kind}"], table[f"of_{kind}"], strict=True)
        shown[kind] = [
            "n/a" if np.isnan(rate) else f"{rate:.3f} ({part} of {whole})" for rate, part, whole in cells
        ]
    return shown
