"""Where the time of a scored scan goes."""

import contextlib
import time
from collections.abc import Iterator


class Clock:
    """Adds up the seconds of named steps, in the order in which they were first begun."""

    def __init__(self) -> None:
        self.seconds: dict[str, float] = {}

    @contextlib.contextmanager
    def step(self, name: str) -> Iterator[None]:
        """Count the time within under this name."""
        self.seconds.setdefault(name, 0.0)
        start = time.perf_counter()
        try:
            yield
        finally:
            self.seconds[name] += time.perf_counter() - start
