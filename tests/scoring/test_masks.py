"""What a network with masks shows: its lines lie on the fault, of pictured joints alone, and are told as its own."""

import re
from dataclasses import dataclass, field, replace
from datetime import datetime
from functools import cache

import numpy as np
import pandas as pd
import pytest
import torch
from numpy.typing import NDArray

from jointwise.joints.batch import Joints
from jointwise.joints.masks import COARSER, MASKS, mask_shape
from jointwise.models.bench import Bench, Judge
from jointwise.models.calibration import Calibration
from jointwise.models.card import Card
from jointwise.models.envelope import Envelope
from jointwise.models.learned import LearnedDetector
from jointwise.models.mask_measures import measured_by_masks
from jointwise.models.measured import BothWays, measures_of
from jointwise.models.network import build_network
from jointwise.models.settings import NetworkSettings
from jointwise.scoring.cut import silent
from jointwise.scoring.report import joint as joint_page
from jointwise.scoring.report.masks import Seen, look_at, with_masks
from jointwise.scoring.report.order import all_sites, to_picture
from jointwise.scoring.report.outlines import Cut
from jointwise.scoring.report.page import report_html
from jointwise.scoring.scored import Scored
from tests.scoring.made import (
    BALL,
    BENCH,
    CUTS,
    GAP,
    GRID,
    LAND,
    NECK,
    PITCH,
    RADIUS,
    VOID,
    drawn,
    package,
    scored,
)

TINY = NetworkSettings("tiny", widths=(4, 4, 8, 8), masks=True, decoder_widths=(4, 4, 4))
CELL_UM = 1000 * COARSER * np.array(GRID.spacing_mm(PITCH, BALL))
EVERY = {(0, 0): "void", (1, 1): "bridging", (2, 3): "head_in_pillow", (3, 3): "missing"}


@cache
def truth(kind: str) -> NDArray[np.float32]:
    """(mask, z, y, x) of a joint of `made.drawn`, in the same closed form."""
    x, y, z = GRID.offsets_mm(PITCH, BALL)
    zz, yy, xx = np.meshgrid(z, y, x, indexing="ij")

    def solid(distance: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.asarray(np.clip(0.5 + distance / 0.025, 0, 1))

    own = solid(RADIUS - np.sqrt(xx**2 + yy**2 + zz**2)) * solid(LAND - np.abs(zz))
    points = np.zeros((len(MASKS), *GRID.shape))
    points[0] = own
    if kind == "void":
        points[1] = solid(VOID[3] - np.sqrt((xx - VOID[0]) ** 2 + (yy - VOID[1]) ** 2 + (zz - VOID[2]) ** 2))
    if kind == "head_in_pillow":
        points[2] = own * (1 - solid(np.abs(zz - GAP[0]) - GAP[1] / 2))
    if kind == "bridging":
        points[3] = solid(NECK[1] - np.hypot(yy, zz - NECK[0])) * (xx > 0) * (1 - own)
    n, nz, ny, nx = mask_shape(GRID)
    blocks = points.reshape(n, nz, COARSER, ny, COARSER, nx, COARSER)
    return blocks.mean(axis=(2, 4, 6)).astype(np.float32)


@dataclass(frozen=True)
class Knowing(LearnedDetector):
    """A network that sees what was drawn, and keeps count of the joints it is asked about at a time."""

    asked: list[int] = field(default_factory=list)

    def score_measure_and_show(
        self, joints: Joints
    ) -> tuple[NDArray[np.float64], pd.DataFrame, NDArray[np.float16]]:
        self.asked.append(len(joints))
        kinds = ("", "void", "head_in_pillow", "bridging")
        looks = np.array([drawn(kind).astype(np.float16) for kind in kinds])
        of = [int(np.flatnonzero((looks == volume).all(axis=(1, 2, 3)))[0]) for volume in joints.volumes]
        shares = np.array([truth(kinds[k]) for k in of]).reshape(-1, *mask_shape(GRID))
        sizes = np.full(len(of), PITCH), np.full(len(of), BALL)
        measures = measures_of(BothWays(measured_by_masks(shares, GRID, *sizes), None), {})
        return np.zeros((len(of), 4)), measures, shares.astype(np.float16)


def network(made: type[LearnedDetector] = LearnedDetector, masks: bool = True) -> LearnedDetector:
    """A network with first weights."""
    torch.manual_seed(0)
    settings = replace(TINY, masks=masks)
    envelope = Envelope({"voxels_per_ball": (10.0, 60.0), "cnr": (3.0, None)})
    card = Card("tiny", GRID, settings, CUTS, Calibration(), envelope, {}, "0", {})
    return made(build_network(settings), card, torch.device("cpu"))


def bench(detector: LearnedDetector, rules: bool) -> Bench:
    return Bench(learned=Judge(detector, CUTS), rules=BENCH.rules if rules else None)


def seen(kind: str, haze: float = 0.0) -> Seen:
    x, y, z = (1000 * offsets for offsets in GRID.offsets_mm(PITCH, BALL))
    return Seen(np.maximum(truth(kind), haze), (x, y, z), {})


def lines(kind: str, cut: Cut, mask: str, part: float = 1.0) -> list[NDArray[np.float64]]:
    one = replace(seen(kind), shares=part * truth(kind))
    return [stroke.points for stroke in one.strokes(cut) if stroke.kind == f"seen-{mask}"]


def pictured(made: Scored) -> str:
    """The page's part with the pictures and what stands above them."""
    page = report_html(made, datetime(2026, 1, 2, 3, 4), silent)
    return page[page.index('<section id="suspicious">') : page.index('<section id="cautions">')]


def drawn_lines(page: str) -> set[str]:
    return set(re.findall(r'<path class="([\w-]+)"', page[page.index("<article") :]))


def test_a_void_is_outlined_in_its_place_and_size() -> None:
    x, y, z, radius = (1000 * v for v in VOID)
    (outline,) = lines("void", Cut("z", "x", "y", z), "void")
    np.testing.assert_allclose((outline.min(axis=0) + outline.max(axis=0)) / 2, (x, y), atol=CELL_UM[0] / 3)
    np.testing.assert_allclose(np.ptp(outline, axis=0), 2 * radius, atol=0.6 * CELL_UM[0])
    assert lines("void", Cut("z", "x", "y", z + radius + 1.5 * CELL_UM[2]), "void") == []
    assert {stroke.kind for stroke in seen("void").strokes(Cut("y", "x", "z", y))} == {"seen-void"}


def test_a_gap_thinner_than_a_cell_is_outlined_where_it_lies() -> None:
    """At half its thickness no cell is filled by half, and a line at one half would show nothing."""
    assert 0.2 < seen("head_in_pillow").strongest("gap") / 2 < 0.5
    for part in (1.0, 0.5):
        points = np.concatenate(lines("head_in_pillow", Cut("y", "x", "z", 0.0), "gap", part))
        assert points[:, 1].mean() == pytest.approx(1000 * GAP[0], abs=CELL_UM[2] / 2)
        wide = 2000 * np.sqrt(RADIUS**2 - GAP[0] ** 2)
        assert np.ptp(points[:, 0]) == pytest.approx(wide, abs=CELL_UM[0])
        assert lines("head_in_pillow", Cut("z", "x", "y", 100.0), "gap", part) == []
        (around,) = lines("head_in_pillow", Cut("z", "x", "y", 1000 * GAP[0]), "gap", part)
        assert np.hypot(*around.T).mean() == pytest.approx(wide / 2, abs=CELL_UM[0] / 2)


def test_a_bridge_is_outlined_between_the_balls() -> None:
    points = np.concatenate(lines("bridging", Cut("y", "x", "z", 0.0), "bridge"))
    assert 1000 * RADIUS - CELL_UM[0] < points[:, 0].min() < 1000 * RADIUS + CELL_UM[0]
    assert np.ptp(points[:, 1]) == pytest.approx(2000 * NECK[1], abs=0.6 * CELL_UM[2])


def test_slices_go_through_the_strongest_cell_of_the_gravest_finding() -> None:
    offsets = GRID.offsets_mm(PITCH, BALL)

    def place(one: Seen, *findings: str) -> list[float]:
        spot = one.spot(findings)
        assert spot is not None
        return [float(offset[k]) for offset, k in zip(offsets, spot.place[::-1], strict=True)]

    assert np.linalg.norm(np.subtract(place(seen("void"), "void"), VOID[:3])) < VOID[3] + 0.03
    assert place(seen("head_in_pillow"), "head_in_pillow")[2] == pytest.approx(GAP[0], abs=0.03)
    both = replace(seen("void"), shares=np.maximum(truth("void"), truth("bridging")))
    assert place(both, "void", "bridging")[0] > RADIUS - 0.03
    assert place(both, "void")[0] < RADIUS
    assert seen("void").spot([]) is seen("void").spot(["missing"]) is seen("void").spot(["bridging"]) is None


def test_haze_is_nothing() -> None:
    hazy = seen("", haze=0.15)
    assert hazy.outlined == []
    assert hazy.strokes(Cut("z", "x", "y", 0.0)) == []
    assert hazy.spot(["void"]) is None


def test_a_look_tells_of_the_sites_asked_for_past_missing_balls() -> None:
    its = package(faults={(0, 0): "missing", (0, 2): "void", (3, 3): "head_in_pillow"})
    void, pillow = look_at(network(Knowing), its, [2, 15])
    assert (void.outlined, pillow.outlined) == (["void"], ["gap"])
    tiny = network()
    alone = tiny.score_measure_and_show(its.cut.joints.take([1]))
    np.testing.assert_array_equal(look_at(tiny, its, [2])[0].shares, alone[2][0])
    told = {name: value for name, value in alone[1].loc[0].items() if np.isfinite(value)}
    assert look_at(tiny, its, [2])[0].measures == told
    assert look_at(tiny, its, []) == []


def test_the_page_draws_both_and_says_whose(monkeypatch: pytest.MonkeyPatch) -> None:
    """Masks are made of pictured joints alone, few at a time; numbers of both detectors stand side by side."""
    monkeypatch.setattr(joint_page, "AT_ONCE", 2)
    detector = network(Knowing)
    assert isinstance(detector, Knowing)
    made = scored(package(faults=EVERY), bench=bench(detector, rules=True))
    page = pictured(made)
    assert sum(detector.asked) == 3
    assert max(detector.asked) <= 2
    assert drawn_lines(page) >= {"void", "neck", "seen-void", "seen-gap", "seen-bridge", "ground"}
    for words in (
        "Measured by rules",
        "Seen by the network, pale dashes on a dark line",
        "void: short dashes",
        "gap: long dashes",
        "bridge: dashes and dots",
        "cell in which the network sees most of a void",
        "cell in which the network sees most of a gap",
        "cell in which the network sees most of a bridge",
        f"cells {CELL_UM[0]:.0f} µm along the board and {CELL_UM[2]:.0f} µm high",
        "Seen by the network: void outlined, fullest cell 100 %; no gap; no bridge.",
    ):
        assert words in page, words
    assert len(re.findall(r'% <span class="quiet">rules [\d.]+ %</span>', page)) >= 3
    assert re.search(r'24\.0 µm <span class="quiet">rules [\d.]+ µm</span>', page)


def test_without_rules_the_masks_are_what_is_outlined() -> None:
    made = scored(package(faults=EVERY), bench=bench(network(Knowing), rules=False))
    page = pictured(made)
    assert drawn_lines(page) == {"solder", "ground", "seen-void", "seen-gap", "seen-bridge", "mark", "bar"}
    assert "rules" not in page


def test_a_network_without_masks_draws_nothing_which_is_said_once() -> None:
    made = scored(package(faults=EVERY), bench=bench(network(masks=False), rules=True))
    assert with_masks(made.bench) is None
    page = pictured(made)
    assert page.count("The network that judged does not show where it sees a fault") == 1
    assert "seen" not in "".join(drawn_lines(page)) + page.split("<article")[0].split("</p>", 1)[1]
    assert {"void", "neck"} <= drawn_lines(page)


def test_rules_alone_draw_nothing_of_a_network() -> None:
    page = pictured(scored(package(faults=EVERY), bench=Bench(rules=BENCH.rules)))
    assert "network" not in page
    assert {"void", "neck"} <= drawn_lines(page)
    assert "thinnest place of the neck" in page


def test_a_finding_that_no_cell_shows_is_told() -> None:
    """Seen are the drawn faults; called is another one."""
    its = package(faults={(0, 0): "void"})
    table = its.table.assign(findings=its.table["findings"].replace("void", "non_wet"))
    page = pictured(scored(replace(its, table=table), bench=bench(network(Knowing), rules=True)))
    assert "void outlined, fullest cell 100 %; no gap, though found: fullest cell 0 %; no bridge." in page
    assert "cell in which the network" not in page


def test_the_sound_joint_beside_it_stays_plain() -> None:
    made = scored(package(faults={(0, 0): "void"}), bench=bench(network(Knowing), rules=True))
    rows = pictured(made).split('<div class="row">')[1:]
    assert len(rows) == 2 * len(to_picture(all_sites(made), 9)) == 2
    assert "seen-" in rows[0]
    assert "seen-" not in rows[1].split("</div>")[0]
