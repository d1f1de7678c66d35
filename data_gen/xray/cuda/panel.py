"""What the card's detector needs of one scan, made ready by any process, without a card: what is drawn once for its
pixels and views, by the CPU's laws and to the CPU's bits, and tables of its blurs and settings."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
import torch
from numpy.typing import NDArray

from jointwise.data_gen.xray.cuda.card import CardLimit, Parcel, parcel, sent
from jointwise.data_gen.xray.detector import (
    FEW_QUANTA,
    FULL_SCALE,
    Detector,
    bad_map,
    blur_taps,
    gain_change,
    gain_map,
    tube_output,
)
from jointwise.data_gen.xray.energies import LINEARISED_TO
from jointwise.data_gen.xray.geometry import ConeBeam

REACH = 12
"""Pixels of the widest blur to either side that the detector's kernels hold."""

COARSE = 8
"""Pixels of the edge of a block that scatter is worked out for, as in detect.cu."""


class Panel(NamedTuple):
    """A scan's detector ready for the card.

    Attributes:
        parcel: the arrays of :class:`SentPanel`, in its order.
    """

    parcel: Parcel


class SentPanel(NamedTuple):
    """A panel on the card.

    Attributes:
        gain: (rows, columns) sensitivity at the first view.
        drift: (rows, columns) what it gains until the last view; (1, 1) for nothing.
        output: (views,) the tube's output over that of the air image.
        bad: (k, 3) int32: pixel without a signal of its own, good pixels to its left and right, as flat indices.
        filling: (k, 2): share of the right one, factor by which filling in is wrong.
        curve: (degree + 1,) polynomial that undoes hardening and its slope at the end of the fit; (0,) for none.
        focal, spread: taps of the focal spot's blur and of the scintillator's.
        block_rows, block_columns: see `_weights`; scatter comes from the signal behind the focal spot's blur, so both
            blurs are made at once.
        settings: `Settings` of detect.cu, word by word.
    """

    gain: torch.Tensor
    drift: torch.Tensor
    output: torch.Tensor
    bad: torch.Tensor
    filling: torch.Tensor
    curve: torch.Tensor
    focal: torch.Tensor
    spread: torch.Tensor
    block_rows: torch.Tensor
    block_columns: torch.Tensor
    settings: torch.Tensor


def panel(
    detector: Detector, beam: ConeBeam, seed: int, coefficients: NDArray[np.float64] | None = None
) -> Panel:
    """Draw what stays with the pixels and the views of one scan.

    Args:
        detector: its imperfections.
        beam: the scan.
        seed: of its noise.
        coefficients: of `energies.linearisation`; None leaves hardening in.

    Raises:
        CardLimit: a blur wider than the card's kernels hold.
    """
    widest = max(detector.focal_blur_px, detector.scintillator_blur_px)
    if len(blur_taps(widest)) > 2 * REACH + 1:
        raise CardLimit(
            f"expected blurs up to {REACH / 3.5:.2f} pixels on a card, found {widest:g}; use device=cpu"
        )
    shape = beam.rows, beam.columns
    drift = gain_change(detector, shape, seed)
    last = max(beam.views - 1, 1)
    output = [tube_output(detector, view / last, seed, view) for view in range(beam.views)]
    bad, filling = _filled_from(*bad_map(detector, shape, seed))
    curve = np.zeros(0)
    if coefficients is not None:
        powers = np.arange(1, len(coefficients) + 1)
        curve = np.append(coefficients, np.sum(powers * coefficients * LINEARISED_TO ** (powers - 1)))
    sigma = math.hypot(detector.scatter_sigma_px, detector.focal_blur_px)
    arrays = [
        gain_map(detector, shape, seed),
        np.zeros((1, 1), np.float32) if drift is None else drift,
        np.asarray(output, np.float32),
        bad,
        filling,
        curve.astype(np.float32),
        blur_taps(detector.focal_blur_px),
        blur_taps(detector.scintillator_blur_px),
        _weights(beam.rows, sigma),
        _weights(beam.columns, sigma),
        _settings(detector, beam, seed, drift is not None, max(len(curve) - 1, 0)),
    ]
    return Panel(parcel(arrays))


def panel_on_card(panel: Panel, device: torch.device) -> SentPanel:
    """Copy a panel to the card."""
    return SentPanel(*sent(panel.parcel, device))


def _filled_from(
    bad: NDArray[np.bool_] | None, factor: NDArray[np.float32]
) -> tuple[NDArray[np.int32], NDArray[np.float32]]:
    """Bad pixels with the nearest good ones of their row, as `detector.filled_in` takes them; whole bad rows stay."""
    if bad is None:
        return np.zeros((0, 3), np.int32), np.zeros((0, 2), np.float32)
    columns = bad.shape[1]
    at = np.flatnonzero(bad)
    # Runs of neighbours in one row; before and behind each lies a good pixel or the edge.
    parted = (np.diff(at) > 1) | (at[1:] % columns == 0)
    first, last = at[np.append(True, parted)[: len(at)]], at[np.append(parted, True)[: len(at)]]
    run = np.cumsum(np.append(0, parted))[: len(at)]
    row, column = at // columns, at % columns
    one, other = (first % columns - 1)[run], (last % columns + 1)[run]
    some = (one >= 0) | (other < columns)
    row, column, one, other = row[some], column[some], one[some], other[some]
    part = (column - one).astype(np.float32) / (other - one).astype(np.float32)
    # At the edge both neighbours are the one there is.
    one, other = np.where(one < 0, other, one), np.where(other == columns, one, other)
    places = np.stack([column, one, other], axis=1) + row[:, None] * columns
    return places.astype(np.int32), np.stack([part, factor[row, column]], axis=1)


def _settings(detector: Detector, beam: ConeBeam, seed: int, drifts: bool, degree: int) -> NDArray[np.int32]:
    """`Settings` of detect.cu, word by word."""
    blocks = -(-beam.rows // COARSE), -(-beam.columns // COARSE)
    whole = beam.rows, beam.columns, *blocks, drifts, degree
    photons = detector.photons if math.isfinite(detector.photons) else 0.0
    steps = (2**detector.bits - 1) / FULL_SCALE if detector.bits else 0.0
    read = detector.read_noise / min(detector.photons, 1e12)
    real = (
        photons, FEW_QUANTA, read, steps, FULL_SCALE, max(beam.views - 1, 1), detector.floor, LINEARISED_TO,
        beam.pixel_mm, beam.source_detector_mm, detector.scatter_fraction, detector.glare_fraction,
    )  # fmt: skip
    seeds = np.array([seed & 0xFFFFFFFF, seed >> 32 & 0xFFFFFFFF], np.uint32)
    words = seeds, np.array(whole, np.int32), np.array(real, np.float32)
    return np.concatenate([word.view(np.int32) for word in words])


def _weights(size: int, sigma: float) -> NDArray[np.float32]:
    """Rows of a normalised Gaussian between the middles of blocks of pixels; the last one holds the blocks' shares of
    the pixels."""
    starts = np.arange(0, size, COARSE)
    sizes = np.minimum(starts + COARSE, size) - starts
    middles = starts + (sizes - 1) / 2.0
    weights = np.exp(-0.5 * ((middles[:, None] - middles[None, :]) / sigma) ** 2)
    weights /= weights.sum(axis=1, keepdims=True)
    return np.concatenate([weights, [sizes / size]]).astype(np.float32)
