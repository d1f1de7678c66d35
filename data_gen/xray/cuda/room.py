"""Room on a card that several commands share: what torch keeps too much of goes back, scans wait for more.

torch keeps the blocks of every scan for the next one. Scans differ in size, so it comes to keep many times
what any of them needs at once, and a few processes fill a card between them.
"""

from __future__ import annotations

import logging
import time
from collections.abc import Callable
from typing import TypeVar

import torch

from jointwise.joints.errors import InputError

SPARE_BYTES = 4 * 2**30
"""What torch may keep of the card beyond the most that the latest scan had in use at once. Our own choice:
somewhat more than arrays of 12 x 12 joints need in all (3.2 GiB), so that such scans find their blocks."""

PAUSES_S = (1.0, 2.0, 4.0, 8.0, 16.0, 32.0)
"""Pauses before further tries of what found the card full: others give back when their scan is done."""

_FULL = "out of memory", "alloc failed"
"""How torch (two classes of errors), numba-cuda and cuda.core (CUDA_ERROR_OUT_OF_MEMORY, where a kernel is
loaded or asks for local memory; arrays are all torch's) and cuBLAS (CUBLAS_STATUS_ALLOC_FAILED) say it."""

_log = logging.getLogger(__name__)
_T = TypeVar("_T")


def patiently(make: Callable[[], _T], name: str) -> _T:
    """What `make` makes, tried again after a pause where the card's memory is full.

    A lack of memory leaves the card as it was: unlike a fault in a kernel it does not come back with every
    later call (cudaErrorMemoryAllocation is not sticky), it is cleared once told; work in flight goes on.

    Args:
        make: to be called from the start again, with the same result.
        name: of what is made, for the user.

    Raises:
        InputError: the memory stayed full.
    """
    for pause in PAUSES_S:
        try:
            return make()
        except Exception as error:
            if not is_full(error):
                raise
        # Only here, past the error and its traceback, are the tensors of the failed try let go.
        _log.warning("%s waits %g s, for the card's memory is full", name, pause)
        give_back()
        time.sleep(pause)
    try:
        return make()
    except Exception as error:
        if not is_full(error):
            raise
        raise InputError(
            f"expected room on the card for {name}, found its memory full in {len(PAUSES_S) + 1} tries over "
            f"{sum(PAUSES_S):g} s; run fewer commands at once on this card and start again to continue, "
            "or make a new store with device=cpu"
        ) from error


def is_full(error: Exception) -> bool:
    """Whether an error says that the card's memory is full."""
    words = str(error).lower().replace("_", " ")
    return any(full in words for full in _FULL)


def give_back() -> None:
    """Give the card all that torch keeps and nothing uses, once the card has done what was started."""
    if torch.cuda.is_initialized():
        # Kernels that are started by address are unknown to torch; what they use must not go while they run.
        torch.cuda.synchronize()
        torch.cuda.empty_cache()


def tidy() -> None:
    """After a scan: give back what torch keeps if it is over `SPARE_BYTES` more than was in use at once."""
    if not torch.cuda.is_initialized():
        return
    if torch.cuda.memory_reserved() - torch.cuda.max_memory_allocated() > SPARE_BYTES:
        give_back()
    torch.cuda.reset_peak_memory_stats()
