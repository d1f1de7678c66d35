"""The sweep of the truth on a card: every row of every joint's lattice is a thread, by the processor's own functions.

Double precision, so that card and processor differ only in the order of sums.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import torch
from numba import cuda
from numpy.typing import NDArray

from jointwise.data_gen.shapes import columns as cl
from jointwise.data_gen.shapes.chords import WORK_EVENTS
from jointwise.data_gen.shapes.columns import Columns, Sweep, overfilled, sweep_row
from jointwise.data_gen.shapes.scene import Infeasible
from jointwise.data_gen.xray.cuda.card import parcel, seen, sent

ROWS_AT_ONCE = 16_384
"""Rows in work together; each takes some 10 KB of work arrays for a joint of 100 primitives."""

_THREADS = 64


@cuda.jit
def _rows(  # type: ignore[no-untyped-def]
    first_row, of_row, firsts, matrix, origin, profile, ends, marks_of, shade, halves, lands, round_from, frames,
    k_of, terms, reach, times, marks, sums, section, places, met, lost,
):  # fmt: skip
    thread = cuda.grid(1)
    row = first_row + thread
    if thread >= k_of.shape[0] or row >= of_row.shape[0]:
        return
    joint = of_row[row, 0]
    a, b = firsts[joint], firsts[joint + 1]
    frame = frames[joint]
    begin = places[row]
    fits = sweep_row(
        matrix[a:b], origin[a:b], profile[a:b], ends[a:b], marks_of[a:b], shade[a:b], halves[a:b], lands[joint],
        round_from[joint], frame[0], frame[1] + of_row[row, 1] * frame[2], frame[2], frame[3],
        k_of[thread], terms[thread], reach[thread], times[thread], marks[thread],
        sums[row], section[row], met[begin : begin + of_row[row, 2]],
    )  # fmt: skip
    if not fits:
        lost[joint] = 1


@cuda.jit
def _areas(met, of_row, row_of, groups, group_firsts, areas):  # type: ignore[no-untyped-def]
    """Count each ray's connected groups of voids at their roots."""
    cell = cuda.grid(1)
    if cell >= met.shape[0]:
        return
    bits = met[cell]
    if bits == np.uint64(0):
        return
    joint = of_row[row_of[cell], 0]
    first, last = group_firsts[joint], group_firsts[joint + 1]
    counted = np.uint64(0)
    for k in range(last - first):
        if (bits >> np.uint64(k)) & np.uint64(1):
            root = k
            while groups[first + root] != root:
                root = groups[first + root]
            if not (counted >> np.uint64(root)) & np.uint64(1):
                cuda.atomic.add(areas, first + root, 1)
                counted |= np.uint64(1) << np.uint64(root)


def sweep_many(ready: list[Sweep], device: torch.device) -> list[Columns]:
    """`columns.sweep` of many joints at once.

    Raises:
        Infeasible: a ray crosses too many primitives.
    """
    if not ready:
        return []
    counts = np.array([len(r.marks) for r in ready])
    ny, nx = (np.array([r.grid[i] for r in ready]) for i in (3, 2))
    joint_of = np.repeat(np.arange(len(ready)), ny)
    within = np.arange(len(joint_of)) - np.repeat(np.cumsum(ny) - ny, ny)
    of_row = np.stack([joint_of, within, nx[joint_of]], axis=1).astype(np.int64)
    places = np.cumsum(of_row[:, 2]) - of_row[:, 2]
    groups = [r.groups for r in ready]
    arrays: list[NDArray[Any]] = [
        of_row, _firsts(counts), *(np.concatenate([r.solids[i] for r in ready]) for i in range(4)),
        np.concatenate([r.marks for r in ready]), np.concatenate([r.shade for r in ready]),
        np.concatenate([r.halves for r in ready]), np.stack([r.lands for r in ready]),
        np.stack([r.round_from for r in ready]),
        np.array([[r.grid[0], r.grid[1], r.step, r.height] for r in ready]),
        places, np.repeat(np.arange(len(of_row)), of_row[:, 2]).astype(np.int32),
        np.concatenate([*groups, np.zeros(1, np.int64)]), _firsts(np.array([len(g) for g in groups])),
    ]  # fmt: skip
    tensors = sent(parcel(arrays), device)
    return _swept(ready, tensors, int(counts.max()), int(of_row[:, 2].sum()), device)


def _firsts(counts: NDArray[np.int64]) -> NDArray[np.int64]:
    return np.concatenate([[0], np.cumsum(counts)]).astype(np.int64)


def _swept(
    ready: list[Sweep], tensors: list[torch.Tensor], most: int, cells: int, device: torch.device
) -> list[Columns]:
    of_row, firsts, *scene, places, row_of, groups, group_firsts = tensors
    rows = len(of_row)
    threads = min(rows, ROWS_AT_ONCE)
    work = [
        torch.empty(shape, dtype=dtype, device=device)
        for shape, dtype in (
            ((threads, most), torch.int64), ((threads, most, 9), torch.float64), ((threads, most, 2), torch.float64),
            ((threads, WORK_EVENTS), torch.float64), ((threads, WORK_EVENTS), torch.int8),
        )
    ]  # fmt: skip
    sums = torch.zeros((rows, cl.ROWS), dtype=torch.float64, device=device)
    section = torch.zeros((rows, cl.LEVELS + 2), dtype=torch.int32, device=device)
    met = torch.zeros(cells, dtype=torch.int64, device=device)
    lost = torch.zeros(len(ready), dtype=torch.int32, device=device)
    areas = torch.zeros(len(groups), dtype=torch.int32, device=device)
    masks = seen(met).view(np.uint64)
    for first in range(0, rows, threads):
        _rows[-(-threads // _THREADS), _THREADS](
            first,
            *(seen(t) for t in (of_row, firsts, *scene, *work, sums, section, places)),
            masks,
            seen(lost),
        )
    _areas[-(-cells // 256), 256](masks, *(seen(t) for t in (of_row, row_of, groups, group_firsts, areas)))
    if bool(lost.any()):
        raise Infeasible(overfilled(ready[int(lost.nonzero()[0])]))
    return _told(ready, sums, section, areas, of_row[:, 0])


def _told(
    ready: list[Sweep], sums: torch.Tensor, section: torch.Tensor, areas: torch.Tensor, joint_of: torch.Tensor
) -> list[Columns]:
    """Rows added up joint by joint, the fractions among them on the host: a card adds in another order each time."""
    firsts = _firsts(np.array([r.grid[3] for r in ready]))[:-1]
    rows, largest = sums.cpu().numpy(), list(cl.LARGEST)
    all_sums = np.add.reduceat(rows, firsts, axis=0)
    all_sums[:, largest] = np.maximum.reduceat(rows[:, largest], firsts, axis=0)
    steps = torch.zeros((len(ready), section.shape[1]), dtype=torch.int64, device=sums.device)
    all_steps = steps.index_add_(0, joint_of, section.long()).cpu().numpy()
    all_areas = areas.cpu().numpy().astype(np.int64)
    ends = np.cumsum([len(r.groups) for r in ready])
    return [
        r.columns(all_sums[i], all_steps[i], all_areas[ends[i] - len(r.groups) : ends[i]])
        for i, r in enumerate(ready)
    ]
