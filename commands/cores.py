"""How many processes to start."""

from jointwise.joints.cores import core_count


def worker_count(wanted: int) -> int:
    """The number wanted, or one per processor core this process may use if that is 0."""
    return wanted or core_count()
