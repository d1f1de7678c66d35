"""How many processor cores there are to work with."""

import os


def core_count() -> int:
    """Cores this process may use; all of the machine's where the system does not say."""
    if hasattr(os, "sched_getaffinity"):  # not everywhere
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1
