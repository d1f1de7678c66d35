"""Independent pieces of work on the threads of this process."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from concurrent.futures import ThreadPoolExecutor
from typing import Any

import numba


def each(work: Callable[..., Any], pieces: Iterable[tuple[Any, ...]]) -> None:
    """Call `work(*piece)` for every piece, on as many threads as numba may use (NUMBA_NUM_THREADS).

    The work must release the interpreter lock and write to places of its own, so that neither order nor number of
    threads can change a bit. Numba's own parallel loops would double the time of a first compilation and must not
    be entered from two Python threads at once.
    """
    pieces = list(pieces)
    threads = min(int(numba.get_num_threads()), len(pieces))
    if threads < 2:
        for piece in pieces:
            work(*piece)
        return
    with ThreadPoolExecutor(threads) as pool:
        for done in [pool.submit(work, *piece) for piece in pieces]:
            done.result()
