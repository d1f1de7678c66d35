"""Variation of training joints: one step draws a record, another applies it and knows no chance.

A record belongs to one batch and is a function of (seed, epoch, step), so a training that was cut off and goes on
sees the same joints. Nothing here changes a label: mirror images and turns about z leave every verdict, the others
stay below what moves one. Joints with zero strength come back bit for bit, whatever their neighbours get.
"""

from typing import Any, Final, NamedTuple

import numpy as np
import torch
from torch import Tensor
from torch.nn import functional

from jointwise.joints.masks import COARSER, FULL
from jointwise.train.data import AUGMENT
from jointwise.train.settings import AugmentSettings

AXES: Final = (1, 2, 3)
"""z, y and x of a batch (n, z, y, x)."""
Z, Y, X = AXES

BLUR_REACH: Final = 3
"""Grid steps on either side that a blur of at most one step reaches."""

GRAIN_SIZE: Final = (0.5, 1.0)
"""Standard deviation, in grid steps, of the blur that makes grain of white noise: it is alike over one to two steps."""


class Record(NamedTuple):
    """What happens to each of n joints.

    Args:
        mirror_x: (n,) whether to mirror x.
        mirror_y: (n,) whether to mirror y.
        turns: (n,) quarter turns about z, from x towards y.
        shift: (n, 3) move along z, y, x in grid steps.
        offset: (n,) added to all values.
        gain: (n,) factor on all values.
        noise: (n,) standard deviation of white noise.
        noise_seed: seed of that noise and of the grain on the device.
        blur: (n,) standard deviation of a Gaussian blur in grid steps.
        bend: (n,) c of v + c v (1 - v) for values v between air (0) and solder (1).
        grain: (n,) standard deviation of noise that is alike over a grid step or two.
        grain_size: (n,) standard deviation of the blur that makes it so, in grid steps.
    """

    mirror_x: Tensor
    mirror_y: Tensor
    turns: Tensor
    shift: Tensor
    offset: Tensor
    gain: Tensor
    noise: Tensor
    noise_seed: int
    blur: Tensor
    bend: Tensor
    grain: Tensor
    grain_size: Tensor

    def repeated(self, times: int) -> "Record":
        """The record of joints that come so many times each, one after another."""
        said: dict[str, Any] = {
            name: value.repeat_interleave(times, dim=0)
            for name, value in self._asdict().items()
            if isinstance(value, Tensor)
        }
        return self._replace(**said)


def mixed_seed(seed: int, epoch: int, step: int) -> int:
    """One seed for torch from three numbers."""
    word = np.random.SeedSequence([seed, AUGMENT, epoch, step]).generate_state(1, np.uint64)[0]
    return int(word >> np.uint64(1))  # 63 bits, which every torch generator takes


def draw(settings: AugmentSettings, n: int, seed: int, epoch: int, step: int) -> Record:
    """Draw what happens to the n joints of one step."""
    number = mixed_seed(seed, epoch, step)
    rng = torch.Generator().manual_seed(number)

    def uniform(*shape: int) -> Tensor:
        return torch.rand(shape, generator=rng)

    turned = uniform(n) < settings.turn
    return Record(
        mirror_x=uniform(n) < settings.mirror,
        mirror_y=uniform(n) < settings.mirror,
        turns=torch.where(turned, torch.randint(1, 4, (n,), generator=rng), 0),
        shift=settings.shift * (2 * uniform(n, 3) - 1),
        offset=settings.offset * torch.randn(n, generator=rng),
        gain=torch.exp(settings.gain * torch.randn(n, generator=rng)),
        noise=settings.noise * uniform(n),
        noise_seed=number,
        blur=settings.blur * uniform(n),
        bend=settings.contrast * (2 * uniform(n) - 1),
        grain=settings.grain * uniform(n),
        grain_size=GRAIN_SIZE[0] + (GRAIN_SIZE[1] - GRAIN_SIZE[0]) * uniform(n),
    )


def apply(volumes: Tensor, record: Record) -> Tensor:
    """The batch (n, z, y, x) of float32 as the record says, on the device the batch is on; the input stays as it is.

    A card is not waited for.
    """
    changed = _mirror(volumes, record.mirror_x, X)
    changed = _mirror(changed, record.mirror_y, Y)
    changed = _turn(changed, record.turns)
    for place, axis in enumerate(AXES):
        if record.shift[:, place].any():
            changed = _weigh(changed, axis, _shift_weights(record.shift[:, place]))
    if record.blur.any():
        weights = _blur_weights(record.blur)
        for axis in AXES:
            changed = _weigh(changed, axis, weights)
    if record.bend.any():
        level = changed.clamp(0, 1)
        changed = changed + _per_joint(record.bend, changed) * level * (1 - level)
    if (record.gain != 1).any() or record.offset.any():
        changed = changed * _per_joint(record.gain, changed) + _per_joint(record.offset, changed)
    return _with_noise(changed, record)


def apply_to_masks(masks: Tensor, record: Record) -> Tensor:
    """Shares (n, mask, z, y, x), float32 from 0 to 1, of masks as they are stored, moved as `apply` moves the volumes.

    A cell is two grid steps wide, so a shift by s grid steps is one by s / 2 cells: linear weights, which is what a
    cell's share becomes where the thing fills its cell evenly. Sums of shares along an axis, thicknesses, stay.
    """
    n, kinds = masks.shape[:2]
    folded, each = masks.flatten(0, 1), record.repeated(kinds)
    folded = _turn(_mirror(_mirror(folded, each.mirror_x, X), each.mirror_y, Y), each.turns).float() / FULL
    for place, axis in enumerate(AXES):
        if record.shift[:, place].any():
            folded = _weigh(folded, axis, _shift_weights(each.shift[:, place] / COARSER))
    return folded.reshape(n, kinds, *folded.shape[1:])


def _with_noise(volumes: Tensor, record: Record) -> Tensor:
    if not (record.noise.any() or record.grain.any()):
        return volumes
    rng = torch.Generator(volumes.device).manual_seed(record.noise_seed)
    if record.noise.any():
        white = torch.randn(volumes.shape, generator=rng, device=volumes.device)
        volumes = volumes + _per_joint(record.noise, volumes) * white
    if record.grain.any():
        # With a margin, so that the grain is as strong and as coarse at the faces of the box as within.
        size = (len(volumes), *(edge + 2 * BLUR_REACH for edge in volumes.shape[1:]))
        grain = torch.randn(size, generator=rng, device=volumes.device)
        weights = _blur_weights(record.grain_size)
        for axis in AXES:
            grain = _weigh_inside(grain, axis, weights)
        as_white = weights.square().sum(dim=1) ** (-len(AXES) / 2)
        volumes = volumes + _per_joint(record.grain * as_white, volumes) * grain
    return volumes


def _on_device(values: Tensor, device: torch.device) -> Tensor:
    """On a card without waiting for what it is doing."""
    return values.pin_memory().to(device, non_blocking=True) if device.type == "cuda" else values.to(device)


def _per_joint(values: Tensor, volumes: Tensor) -> Tensor:
    return _on_device(values.to(volumes.dtype), volumes.device)[:, None, None, None]


def _mirror(volumes: Tensor, chosen: Tensor, axis: int) -> Tensor:
    if not chosen.any():
        return volumes
    where = _on_device(chosen, volumes.device)[:, None, None, None]
    return torch.where(where, volumes.flip(axis), volumes)


def _turn(volumes: Tensor, turns: Tensor) -> Tensor:
    """Quarter turns about z; where x and y differ in length only half turns fit, and others become half turns."""
    if not turns.any():
        return volumes
    square = volumes.shape[Y] == volumes.shape[X]
    turned = volumes.clone()
    for quarters in (1, 2, 3):
        chosen = torch.nonzero(turns == quarters).flatten()
        if len(chosen):
            rows = _on_device(chosen, volumes.device)
            turned[rows] = torch.rot90(volumes[rows], quarters if square else 2, (X, Y))
    return turned


def _shift_weights(shift: Tensor) -> Tensor:
    """Linear interpolation (n, 3) for moves of at most one step: weights of the step before, here, after."""
    return torch.stack([shift.clamp(min=0), 1 - shift.abs(), (-shift).clamp(min=0)], dim=1)


def _blur_weights(blur: Tensor) -> Tensor:
    """Gaussian weights (n, 7), sum 1; exactly (0, 0, 0, 1, 0, 0, 0) without blur."""
    places = torch.arange(-BLUR_REACH, BLUR_REACH + 1)
    weights = torch.exp(-0.5 * (places / blur.clamp(min=1e-3)[:, None]) ** 2)
    return weights / weights.sum(dim=1, keepdim=True)


def _weigh(volumes: Tensor, axis: int, weights: Tensor) -> Tensor:
    """Weighted sum along an axis, weights (n, 2 r + 1) per joint; beyond the edge the outermost value counts."""
    margin = [0] * 6
    place = 2 * (X - axis)  # torch names the margins of the last axis first
    margin[place] = margin[place + 1] = weights.shape[1] // 2
    return _weigh_inside(functional.pad(volumes[None], margin, mode="replicate")[0], axis, weights)


def _weigh_inside(volumes: Tensor, axis: int, weights: Tensor) -> Tensor:
    """Weighted sum along an axis where all neighbours are there: shorter by 2 r."""
    reach = weights.shape[1] // 2
    length = volumes.shape[axis] - 2 * reach
    kernel = _on_device(weights.to(volumes.dtype), volumes.device)[:, :, None, None, None]
    total = kernel[:, reach] * volumes.narrow(axis, reach, length)
    for k in range(2 * reach + 1):
        if k != reach:
            # One pass over the memory for each neighbour, which on a card is all that counts.
            total.addcmul_(kernel[:, k], volumes.narrow(axis, k, length))
    return total
