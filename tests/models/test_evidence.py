"""A detector with masks: it shows where, measures from it, and asks its network once."""

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
import torch

from jointwise.joints.batch import Joints
from jointwise.joints.errors import InputError
from jointwise.joints.grid import Grid
from jointwise.joints.masks import mask_shape
from jointwise.models.calibration import Calibration
from jointwise.models.card import Card
from jointwise.models.envelope import Envelope
from jointwise.models.folder import load_model, save_model
from jointwise.models.learned import MEASURED_BY, LearnedDetector
from jointwise.models.mask_measures import BY_MASKS, measured_by_masks
from jointwise.models.network import build_network
from jointwise.models.protocol import InOnePass
from jointwise.models.runtime import CPU_BATCH
from jointwise.models.settings import NetworkSettings
from jointwise.models.sizes import measured_by_sizes, sizes_of
from jointwise.models.thresholds import Thresholds

GRID = Grid((16, 16, 16))
SETTINGS = NetworkSettings("tiny", widths=(4, 4, 8, 8), sizes=True, masks=True, decoder_widths=(4, 4, 4))
N = CPU_BATCH + 3


def made(**changes: Any) -> LearnedDetector:
    """A network with first weights whose masks show something everywhere."""
    torch.manual_seed(0)
    settings = replace(SETTINGS, **changes)
    card = Card(
        "tiny",
        GRID,
        settings,
        Thresholds(((0.5,) * 4,), "f1", None, ((9,) * 4,), ((30,) * 4,)),
        Calibration((1.0,) * 4, (0.0,) * 4, (39,) * 4),
        Envelope({"voxels_per_ball": (10.0, 60.0), "cnr": (3.0, None)}),
        {},
        "0",
        {},
    )
    network = build_network(settings)
    if settings.masks:
        with torch.no_grad():
            network.backbone.decoder.masks.bias.fill_(-1.0)  # type: ignore[union-attr, operator]
    return LearnedDetector(network, card, torch.device("cpu"))


def joints() -> Joints:
    volumes = np.random.default_rng(1).random((N, *GRID.shape)).astype(np.float16)
    table = pd.DataFrame(
        {"ball": range(N), "pitch_mm": np.linspace(0.4, 1, N), "ball_mm": 0.5, "voxel_um": 10.0}
    )
    return Joints(volumes, table, GRID)


def test_evidence_is_the_share_of_every_cell() -> None:
    """Over more joints than one batch: the sigmoid of what the network says, as float16."""
    detector, batch = made(), joints()
    shown = detector.evidence(batch)
    assert shown.dtype == np.float16
    assert shown.shape == (N, *mask_shape(GRID))
    with torch.inference_mode():
        seen = detector.network.looked(torch.from_numpy(batch.volumes.astype(np.float32)))[1].sigmoid()
    np.testing.assert_allclose(shown, seen.numpy(), atol=1e-3)


def test_one_look_says_all_and_the_same() -> None:
    """Scores bit for bit those of `score`, measures those of `measure`, and every joint goes through once."""
    detector, batch = made(), joints()
    assert isinstance(detector, InOnePass)
    scores, measures, shown = detector.score(batch), detector.measure(batch), detector.evidence(batch)
    seen: list[int] = []
    detector.network.backbone.trunk.conv1.register_forward_hook(  # type: ignore[union-attr, operator]
        lambda _, inputs, __: seen.append(len(inputs[0]))
    )
    once = detector.score_measure_and_show(batch)
    both = detector.score_and_measure(batch)
    assert seen == [CPU_BATCH, 3] * 2
    for found in (once, both):
        np.testing.assert_array_equal(found[0], scores)
        pd.testing.assert_frame_equal(found[1], measures)
    np.testing.assert_array_equal(once[2], shown)
    empty = batch.take([])
    assert [len(part) for part in detector.score_measure_and_show(empty)] == [0, 0, 0]


def test_measures_come_from_masks_unless_the_card_prefers_sizes(tmp_path: Path) -> None:
    """Row by row with each joint's own pitch; the choice lives in the card and survives its file."""
    detector, batch = made(), joints()
    own = measured_by_masks(
        detector.evidence(batch), GRID, batch.table["pitch_mm"].to_numpy(), batch.table["ball_mm"].to_numpy()
    )
    # Evidence is kept in float16, and as 0 where next to nothing is.
    told = detector.measure(batch)[list(BY_MASKS)].to_numpy()
    np.testing.assert_allclose(told, own, rtol=0.01)
    assert np.isfinite(own[:, 0]).all()
    detector.card.metrics[MEASURED_BY] = {"void_projected_area_pct": {"by": "sizes"}}
    save_model(tmp_path / "model", detector.network, detector.card)
    again = load_model(tmp_path / "model")
    by_sizes = again.both_ways(batch).by_sizes
    assert by_sizes is not None
    np.testing.assert_array_equal(again.measure(batch)["void_projected_area_pct"], by_sizes[:, 0])
    np.testing.assert_array_equal(again.measure(batch)["void_volume_pct"], told[:, 1])


def test_without_sizes_all_is_by_masks_and_without_masks_nothing_is_shown() -> None:
    """One sentence that says which network it is."""
    assert made(sizes=False).both_ways(joints()).by_sizes is None
    assert made(sizes=False).measure(joints())["void_volume_pct"].notna().all()
    plain = made(masks=False)
    for ask in (plain.evidence, plain.both_ways, plain.score_measure_and_show):
        with pytest.raises(InputError, match=r"tiny.*network\.masks"):
            _called(ask)
    assert plain.measure(joints()).drop(columns="void_projected_area_pct").isna().all(axis=None)


def _called(ask: Callable[[Joints], Any]) -> None:
    ask(joints())


def test_sizes_are_read_back_as_they_were_learned() -> None:
    """The inverse of what a network is taught; a voxel that is not known leaves gap and neck unknown."""
    table = pd.DataFrame({
        "void_projected_area_pct": [3.0, 20.0], "gap_um": [2.5, 40.0], "bridge_neck_um": [60.0, 5.0],
        "voxel_um": [10.0, 25.0], "present": 1.0, "void": 1.0, "non_wet": 1.0, "bridging": 1.0, "head_in_pillow": 0.0,
    })  # fmt: skip
    voxel = table["voxel_um"].to_numpy()
    found = measured_by_sizes(sizes_of(table), voxel)
    np.testing.assert_allclose(found, table[["void_projected_area_pct", "gap_um", "bridge_neck_um"]])
    blind = measured_by_sizes(sizes_of(table), np.full(2, np.nan))
    assert np.isfinite(blind[:, 0]).all()
    assert np.isnan(blind[:, 1:]).all()
