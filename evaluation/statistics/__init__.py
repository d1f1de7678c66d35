"""Statistics as pure functions of arrays: counts, rates and intervals, agreement, detection curves, observers."""
