"""Augmentation: nothing at zero strength, exact where it can be, the same for the same step, joint by joint."""

from dataclasses import replace

import pytest
import torch
from scipy import ndimage

from jointwise.train.augment import Record, apply, apply_to_masks, draw
from jointwise.train.settings import AugmentSettings

STRONG = AugmentSettings(
    mirror=0.5, turn=0.8, shift=1.0, offset=0.1, gain=0.2, noise=0.1, blur=1.0, contrast=0.3, grain=0.1
)
NAMES = tuple(vars(STRONG))


def batch(n: int = 6, shape: tuple[int, int, int] = (8, 10, 10)) -> torch.Tensor:
    return torch.rand((n, *shape), generator=torch.Generator().manual_seed(1))


def nothing(n: int = 6) -> Record:
    return draw(AugmentSettings(), n, seed=0, epoch=0, step=0)


def same(a: Record, b: Record) -> bool:
    return all(torch.equal(torch.as_tensor(x), torch.as_tensor(y)) for x, y in zip(a, b, strict=True))


def test_zero_strength_is_bit_identical() -> None:
    """The very same values."""
    assert torch.equal(apply(batch(), nothing()), batch())


@pytest.mark.parametrize("name", NAMES)
def test_each_strength_alone_changes_something_and_not_the_input(name: str) -> None:
    """A strength that is drawn and never applied; a batch overwritten in place."""
    volumes = batch()
    record = draw(replace(AugmentSettings(), **{name: getattr(STRONG, name)}), 6, 0, 0, 0)
    assert not torch.equal(apply(volumes, record), volumes)
    assert torch.equal(volumes, batch())


@pytest.mark.parametrize("name", NAMES)
def test_a_joint_without_strength_beside_strong_ones_is_bit_identical(name: str) -> None:
    """One strange joint leaves its neighbours as they were."""
    strong = draw(replace(AugmentSettings(), **{name: getattr(STRONG, name)}), 6, 0, 0, 0)
    values = list(nothing())
    for place, value in enumerate(strong):
        if isinstance(value, torch.Tensor):
            values[place] = values[place].clone()  # type: ignore[union-attr]
            values[place][2] = value[2]  # type: ignore[index]
    mixed = apply(batch(), Record(*values)._replace(noise_seed=strong.noise_seed))  # type: ignore[arg-type]
    others = [0, 1, 3, 4, 5]
    assert torch.equal(mixed[others], batch()[others])


def test_a_record_follows_from_seed_epoch_and_step_alone() -> None:
    """Whatever was drawn before: that is what an exact resume needs."""
    first = draw(STRONG, 6, 1, 2, 3)
    torch.rand(100)
    draw(STRONG, 6, 1, 2, 2)
    assert same(first, draw(STRONG, 6, 1, 2, 3))
    assert torch.equal(apply(batch(), first), apply(batch(), draw(STRONG, 6, 1, 2, 3)))
    for other in ((2, 2, 3), (1, 3, 3), (1, 2, 4), (1, 3, 2)):
        assert not same(first, draw(STRONG, 6, *other))


def test_mirror_and_turn_move_values_about_z_and_lose_none() -> None:
    """Every slice across z keeps its values; four quarter turns and two mirror images are nothing."""
    record = nothing()._replace(
        turns=torch.tensor([0, 1, 2, 3, 1, 0]), mirror_x=torch.tensor([1, 0, 0, 1, 0, 0]).bool()
    )
    moved = apply(batch(), record)
    assert torch.equal(moved.flatten(2).sort().values, batch().flatten(2).sort().values)
    assert torch.equal(moved[1], torch.rot90(batch()[1], 1, (2, 1)))
    assert torch.equal(moved[0], batch()[0].flip(2))
    back = batch()
    for _ in range(4):
        back = apply(back, nothing()._replace(turns=torch.ones(6, dtype=torch.int64)))
    assert torch.equal(back, batch())


def test_a_box_that_is_not_square_only_turns_by_half() -> None:
    """A quarter turn would not fit back into it."""
    volumes = batch(shape=(6, 8, 10))
    turned = apply(volumes, nothing()._replace(turns=torch.full((6,), 1)))
    assert torch.equal(turned, volumes.flip(2, 3))


@pytest.mark.parametrize("axis", [0, 1, 2])
def test_shift_is_linear_interpolation(axis: int) -> None:
    """Against scipy, edge values going on beyond the edge."""
    shift = torch.zeros(6, 3)
    shift[:, axis] = torch.tensor([0.3, -0.6, 1.0, -1.0, 0.0, 0.5])
    moved = apply(batch(), nothing()._replace(shift=shift))
    for joint, by, before in zip(moved, shift, batch(), strict=True):
        expected = ndimage.shift(before.numpy(), by.numpy(), order=1, mode="nearest")
        torch.testing.assert_close(joint, torch.from_numpy(expected), atol=1e-6, rtol=0)


def test_blur_is_gaussian() -> None:
    """Against scipy's filter with the same reach."""
    blur = torch.tensor([0.0, 0.3, 0.5, 0.7, 0.9, 1.0])
    blurred = apply(batch(), nothing()._replace(blur=blur))
    for joint, sigma, before in zip(blurred, blur, batch(), strict=True):
        expected = (
            ndimage.gaussian_filter(before.numpy(), float(sigma), radius=3, mode="nearest")
            if sigma
            else before
        )
        torch.testing.assert_close(joint, torch.as_tensor(expected), atol=1e-6, rtol=0)


def test_levels_and_noise_have_the_strength_drawn() -> None:
    """Gain and offset as a line; noise with its standard deviation, others for other seeds."""
    gain, offset = torch.linspace(0.8, 1.2, 6), torch.linspace(-0.1, 0.1, 6)
    line = apply(batch(), nothing()._replace(gain=gain, offset=offset))
    torch.testing.assert_close(line, batch() * gain[:, None, None, None] + offset[:, None, None, None])
    noise = torch.tensor([0.0, 0.01, 0.02, 0.05, 0.1, 0.2])
    grain = apply(batch(), nothing()._replace(noise=noise)) - batch()
    torch.testing.assert_close(grain.flatten(1).std(dim=1), noise, rtol=0.08, atol=1e-7)
    other = apply(batch(), nothing()._replace(noise=noise, noise_seed=7)) - batch()
    assert not torch.equal(other, grain)


def test_grain_has_the_strength_drawn_and_is_alike_over_a_step_or_two() -> None:
    """Standard deviation as drawn up to the faces; neighbours agree as a Gaussian blur of white noise says."""
    shape, size, strength = (24, 24, 24), torch.tensor([0.5, 0.6, 0.7, 0.8, 0.9, 1.0]), torch.full((6,), 0.1)
    record = nothing()._replace(grain=strength, grain_size=size)
    grain = apply(torch.zeros(6, *shape), record)
    torch.testing.assert_close(grain.flatten(1).std(dim=1), strength, rtol=0.06, atol=0)
    faces = torch.cat([grain[:, 0], grain[:, -1], grain[:, :, 0], grain[:, :, :, -1]], dim=1).flatten(1)
    torch.testing.assert_close(faces.std(dim=1), strength, rtol=0.12, atol=0)
    for axis in (1, 2, 3):
        for steps in (1, 2):
            ahead, behind = grain.narrow(axis, steps, 24 - steps), grain.narrow(axis, 0, 24 - steps)
            found = (ahead * behind).flatten(1).mean(dim=1) / strength**2
            bell = torch.exp(-0.5 * (torch.arange(-9, 10)[:, None] / size) ** 2)
            expected = (bell[steps:] * bell[:-steps]).sum(dim=0) / bell.square().sum(dim=0)
            torch.testing.assert_close(found, expected, atol=0.07, rtol=0)


def test_bend_leaves_air_and_solder_and_keeps_the_order_of_greys() -> None:
    """Ends and what lies beyond stay, the middle moves by a quarter of the bend, no grey overtakes another."""
    levels = torch.linspace(-0.5, 1.5, 201)
    volumes = levels.reshape(1, 201, 1, 1).expand(2, -1, -1, -1)
    bent = apply(volumes, nothing(2)._replace(bend=torch.tensor([0.9, -0.4]))).flatten(1)
    outside = (levels <= 0) | (levels >= 1)
    assert torch.equal(bent[:, outside], levels[outside].expand(2, -1))
    torch.testing.assert_close(bent[:, 100], torch.tensor([0.5 + 0.225, 0.5 - 0.1]))
    assert (bent.diff(dim=1) > 0).all()


def test_strengths_are_limits_or_spreads_of_what_is_drawn() -> None:
    """A thousand joints: none beyond its limit, chances as asked."""
    record = draw(STRONG, 1000, 0, 0, 0)
    assert record.shift.abs().max() <= 1.0
    assert record.blur.min() >= 0
    assert record.blur.max() <= 1.0
    assert record.noise.max() <= 0.1
    assert 0 <= record.grain.min() < 0.01 < 0.09 < record.grain.max() <= 0.1
    assert -0.3 <= record.bend.min() < -0.27 < 0.27 < record.bend.max() <= 0.3
    assert 0.5 <= record.grain_size.min() < record.grain_size.max() <= 1.0
    assert abs(record.mirror_x.float().mean() - 0.5) < 0.06
    assert abs((record.turns > 0).float().mean() - 0.8) < 0.05
    assert abs(record.offset.std() - 0.1) < 0.01
    assert abs(record.gain.log().std() - 0.2) < 0.02


def cells_of(volumes: torch.Tensor) -> torch.Tensor:
    """Means over 2 x 2 x 2 grid points, as masks hold them."""
    n, z, y, x = volumes.shape
    return volumes.reshape(n, z // 2, 2, y // 2, 2, x // 2, 2).mean(dim=(2, 4, 6))


def blocky(n: int = 6) -> torch.Tensor:
    """Four masks (n, 4, 4, 6, 6) uint8, empty at their faces."""
    masks = torch.zeros(n, 4, 4, 6, 6, dtype=torch.uint8)
    rng = torch.Generator().manual_seed(2)
    masks[..., 1:-1, 1:-1, 1:-1] = torch.randint(0, 256, (n, 4, 2, 4, 4), dtype=torch.uint8, generator=rng)
    return masks


@pytest.mark.parametrize("name", ["mirror", "turn", "shift"])
def test_masks_move_as_their_volumes_do(name: str) -> None:
    """Volumes painted with the masks and moved give, cell by cell, the moved masks; a shift is that of both in z, y, x.

    Exact: each grid point has its cell's share, and linear weights by half the shift are what a cell's mean becomes.
    """
    record = draw(replace(AugmentSettings(), **{name: getattr(STRONG, name)}), 6, 0, 0, 0)
    masks = blocky()
    moved = apply_to_masks(masks, record)
    for k in range(4):
        fine = (masks[:, k] / 255).repeat_interleave(2, 1).repeat_interleave(2, 2).repeat_interleave(2, 3)
        torch.testing.assert_close(moved[:, k], cells_of(apply(fine, record)), atol=1e-6, rtol=1e-5)
    assert not torch.equal(moved, masks / 255)


def test_masks_keep_what_they_hold_and_do_not_care_for_greys() -> None:
    """Sums of shares stay under every move; offset, noise, blur and grain change nothing."""
    masks = blocky()
    moved = apply_to_masks(masks, draw(STRONG, 6, 0, 0, 0))
    torch.testing.assert_close(moved.sum(dim=(2, 3, 4)), masks.sum(dim=(2, 3, 4)) / 255, rtol=1e-5, atol=1e-5)
    greys = replace(STRONG, mirror=0.0, turn=0.0, shift=0.0)
    assert torch.equal(apply_to_masks(masks, draw(greys, 6, 0, 0, 0)), masks / 255)
