"""What stands on top of a report: the scan is unlike those the detector knows, or the package is beyond a limit."""

import pandas as pd

from jointwise.models.bench import Bench
from jointwise.scoring.judging.acceptance import Acceptance
from jointwise.scoring.judging.dispose import beyond_counts


def alerts_of(table: pd.DataFrame, bench: Bench, acceptance: Acceptance | None) -> tuple[str, ...]:
    """Sentences on one package, the weightiest first.

    Args:
        table: the scored table with dispositions.
        bench: who judged.
        acceptance: the user's limits.
    """
    return (
        *_unlike(table, bench),
        *beyond_counts(table, acceptance),
        *_example(acceptance),
        *_without_network(bench),
    )


def _example(acceptance: Acceptance | None) -> tuple[str, ...]:
    if acceptance is None or not acceptance.example:
        return ()
    return (
        f"The limits ({acceptance.title}) are an example with invented numbers: put in those of your contract before "
        "anything is decided by them.",
    )


def _unlike(table: pd.DataFrame, bench: Bench) -> tuple[str, ...]:
    """Out of the range of the detector's training scans, and how many joints that concerns."""
    there = table[table["present"] == 1].reset_index(drop=True)
    why = [reason for reason in bench.deciding.reasons(there) if reason]
    if not why:
        return ()
    words = "; ".join(dict.fromkeys(why))
    return (
        f"This scan is unlike those known to {bench.deciding.detector.name} ({words}): {len(why)} of "
        f"{len(there)} joints are for review, and what was found in them, or not found, is not to be relied on.",
    )


def _without_network(bench: Bench) -> tuple[str, ...]:
    """Rules alone: say so, and whether anything checks the scan against those that they were fitted on."""
    if bench.learned is not None or bench.rules is None:
        return ()
    known = (
        "Whether they know such a scan was checked by the range of scans of the training joints in the same folder."
        if bench.rules.envelope is not None
        else "Its folder names no range of scans: nothing tells whether this scan is like those that they know."
    )
    return (f"Judged by written rules alone, no network was asked. {known}",)
