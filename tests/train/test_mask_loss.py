"""What masks cost: 1 for each mask and for the gap's thickness, where no more is known than how rare they are."""

import math

import numpy as np
import pytest
import torch

from jointwise.joints.masks import FULL, MASKS
from jointwise.train.mask_loss import GAP, mask_loss, usual_shares


def shares_at_random(n: int = 6) -> torch.Tensor:
    """Shares of half-filled cells, the rarer the later the mask, but solder."""
    rng = torch.Generator().manual_seed(0)
    rare = torch.tensor([0.3, 0.05, 0.02, 0.01])[:, None, None, None]
    return (torch.rand((n, 4, 6, 8, 8), generator=rng) < rare) * torch.rand((n, 4, 6, 8, 8), generator=rng)


def constant(usual: torch.Tensor, like: torch.Tensor) -> torch.Tensor:
    return torch.logit(usual)[:, None, None, None].expand_as(like)


def test_usual_shares_are_means_over_all_joints() -> None:
    """Against numpy, over more joints than are summed at a time."""
    masks = torch.randint(0, 256, (1100, 4, 2, 3, 3), dtype=torch.uint8)
    expected = masks.numpy().mean(axis=(0, 2, 3, 4), dtype=np.float64) / FULL
    np.testing.assert_allclose(usual_shares(masks).numpy(), expected, rtol=1e-6)


def test_knowing_only_how_rare_masks_are_costs_one() -> None:
    """Less the thickness, which such a network gets wrong by about as much as there is."""
    shares = shares_at_random()
    usual = shares.mean(dim=(0, 2, 3, 4))
    logits = constant(usual, shares)
    thickness = torch.nn.functional.smooth_l1_loss(
        logits[:, GAP].sigmoid().sum(dim=1), shares[:, GAP].sum(dim=1), beta=0.25
    ) / (usual[GAP] * 6)
    assert mask_loss(logits, shares, usual).item() == pytest.approx(1 + thickness.item(), rel=1e-4)


def test_the_best_answer_is_the_share_itself() -> None:
    """Half-filled cells are best said half filled: no weight makes masks larger than they are."""
    shares = shares_at_random()
    usual = shares.mean(dim=(0, 2, 3, 4))
    logits = torch.logit(shares.clamp(1e-6, 1 - 1e-6)).requires_grad_()
    mask_loss(logits, shares, usual).backward()  # type: ignore[no-untyped-call]
    assert logits.grad is not None
    wrong = constant(usual, shares).clone().requires_grad_()
    mask_loss(wrong, shares, usual).backward()  # type: ignore[no-untyped-call]
    assert wrong.grad is not None
    assert logits.grad.abs().max() < 1e-3 * wrong.grad.abs().max()


def test_a_gap_said_too_thin_costs_by_its_thickness() -> None:
    """Of two errors with the same cross-entropy cell by cell, that which moves the gap along z costs nothing more."""
    shares = torch.zeros(1, len(MASKS), 4, 2, 2)
    shares[:, GAP, 1] = 1
    usual = torch.tensor([0.0, 0.0, 0.25, 0.0])
    moved, lost = torch.full_like(shares, -20.0), torch.full_like(shares, -20.0)
    moved[:, GAP, 2] = 20.0
    prior = -(0.25 * math.log(0.25) + 0.75 * math.log(0.75))
    assert mask_loss(moved, shares, usual).item() == pytest.approx(2 * 20 / 4 / prior, rel=1e-4)
    assert mask_loss(lost, shares, usual).item() == pytest.approx(20 / 4 / prior + (1 - 0.125), rel=1e-4)


def test_a_mask_that_no_joint_has_does_not_count() -> None:
    """Whatever is said of it, also of the gap; and the mean is over the masks that are there."""
    shares = shares_at_random()
    shares[:, 2:] = 0
    usual = shares.mean(dim=(0, 2, 3, 4))
    logits = torch.zeros_like(shares)
    loss = mask_loss(logits, shares, usual)
    logits[:, 2:] = 9.0
    assert mask_loss(logits, shares, usual) == loss
    logits[:, 1] = 9.0
    assert mask_loss(logits, shares, usual) > loss
    assert mask_loss(logits, torch.zeros_like(shares), torch.zeros(4)).item() == 0


def test_a_mask_of_a_few_cells_does_not_rule() -> None:
    """One filled cell among all weighs as if masks of the least share were usual."""
    shares = torch.zeros(8, 4, 24, 28, 28)
    shares[0, 3, 4, 4, 4] = 1
    logits = torch.full_like(shares, -7.0)
    usual = shares.mean(dim=(0, 2, 3, 4))
    least = 1e-5
    prior = -(least * math.log(least) + (1 - least) * math.log1p(-least))
    entropy = torch.nn.functional.binary_cross_entropy_with_logits(logits[:, 3], shares[:, 3]).item()
    assert mask_loss(logits, shares, usual).item() == pytest.approx(entropy / prior, rel=1e-3)
