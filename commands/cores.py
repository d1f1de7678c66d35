"""How many processes to start."""

import os


def worker_count(wanted: int) -> int:
    """The number wanted, or one per processor core this process may use if that is 0."""
    return (
        wanted or len(os.sched_getaffinity(0))
        if hasattr(os, "sched_getaffinity")
        else wanted or os.cpu_count() or 1
    )
