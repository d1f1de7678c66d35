"""The shortest account of a set: of every kind and detector one line."""

from typing import Any, Final

import numpy as np
import pandas as pd

from jointwise.evaluation.measured import with_wilson
from jointwise.evaluation.report.section import Column, Grid
from jointwise.evaluation.report.words import WHO, WILSON_NOTE, stem, titled
from jointwise.evaluation.table import ANY, escape_table, per_kind_table
from jointwise.evaluation.verdicts import Verdicts

COLUMNS: Final = (
    *WHO,
    Column("joints", "joints with it"),
    Column("recall", "recall", "rate"),
    Column("precision", "precision", "rate"),
    Column("false_calls_text", "false calls on sound joints"),
    Column("ap", "average precision", "rate"),
)


def overview(verdicts: Verdicts) -> Grid | None:
    """Recall, precision, false calls and average precision of every kind and detector; None where nobody judged.

    Args:
        verdicts: of one set.
    """
    if not verdicts.scores:
        return None
    judged = (verdicts.truth, verdicts.present, verdicts.scores, verdicts.cuts)
    stopped = escape_table(*judged).set_index(["kind", "detector"])
    rows: list[dict[str, Any]] = per_kind_table(*judged).to_dict("records")
    rows += [_any_kind(who, stopped.loc[(ANY, who)]) for who in verdicts.scores]
    for row in rows:
        own = stopped.loc[(row["kind"], row["detector"])]
        row["false_calls"], row["sound"] = int(own["false_calls"]), int(own["sound"])
        row["false_calls_text"] = f"{row['false_calls']} of {row['sound']}"
        row["joints"] = f"{row['faulty']} of {row['n']}"
    caption = (
        "Recall: share of the joints with the kind that are called so. Precision: share of the calls that are right, "
        "which holds for this set's share of faulty joints. False call: a call on a joint sound in every kind. "
        "Both at each detector's cuts, the scores from which it calls. Average precision: how well its scores rank, "
        f"whatever the cut. {WILSON_NOTE}."
    )
    return Grid(titled(pd.DataFrame(rows)), COLUMNS, caption, stem("in_short", verdicts))


def _any_kind(who: str, stopped: pd.Series) -> dict[str, Any]:
    """Whether a joint is faulty at all, and called at all."""
    faulty, sound = int(stopped["faulty"]), int(stopped["sound"])
    found, vain = faulty - int(stopped["escapes"]), int(stopped["false_calls"])
    return (
        {"kind": ANY, "detector": who, "n": faulty + sound, "faulty": faulty, "ap": np.nan}
        | with_wilson("recall", found, faulty)
        | with_wilson("precision", found, found + vain)
    )
