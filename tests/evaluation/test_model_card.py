"""The model card says what its sources hold, says what was not measured, and never shows figures of other weights."""

import json
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
import torch

from jointwise.evaluation.model_card.card import model_card
from jointwise.evaluation.model_card.sources import PARTS, Source, Sources, read_sources
from jointwise.evaluation.model_card.table_parts import bars, boards, observer, several
from jointwise.evaluation.model_card.verdict_parts import abstained, demo, held_out, in_short, sizes, verdict
from jointwise.evaluation.model_card.words import plain_table, share
from jointwise.evaluation.verdicts import Verdicts, write_verdicts
from jointwise.joints.errors import InputError
from jointwise.joints.grid import Grid
from jointwise.joints.kinds import KINDS
from jointwise.models.calibration import Calibration
from jointwise.models.card import Card
from jointwise.models.envelope import Envelope
from jointwise.models.folder import save_model
from jointwise.models.network import build_network
from jointwise.models.settings import NetworkSettings
from jointwise.models.thresholds import Thresholds

N = 240
TRAINING = {"command": "train it", "recipe": "a recipe", "date": "2001-02-03"}
CUTS = {"purpose": "For a test.", "command": "cut it"}


def source(file: str = "verdicts.parquet", **given: Any) -> Source:
    return Source(
        **({"file": Path(file), "command": "make it", "date": "2001-02-04", "weights": "any"} | given)
    )


@pytest.fixture
def place(tmp_path: Path) -> Path:
    """Verdicts of twelve boards: every fifth joint of each kind; of gaps those under half a voxel are missed."""
    rng = np.random.default_rng(0)
    truth = np.zeros((N, 4))
    for k in range(4):
        truth[k::5, k] = 1
    gap = np.where(truth[:, [1, 3]].any(axis=1), rng.uniform(0.1, 1.5, N) * 20, 0.0)
    table = pd.DataFrame(
        {
            "scan": "s", "board_id": [f"b{i // 20:02d}" for i in range(N)], "ball": [f"A{i}" for i in range(N)],
            "present": 1, "gap_um": gap, "voxel_um": 20.0, "voxels_per_ball": 20.0,
            "void_projected_area_pct": np.where(truth[:, 0] == 1, 6.0, 4.0),
        }
    )  # fmt: skip
    scores = np.where(truth == 1, 0.9, 0.1)
    scores[(gap > 0) & (gap < 10)] = 0.1
    cuts = np.full((N, 4), 0.5)
    outside = np.arange(N) < 24
    told = Verdicts(
        "made", "Made for a test.", table, truth, {"learned": scores}, {"learned": cuts},
        {"reader_1": truth}, {"learned": outside},
    )  # fmt: skip
    return write_verdicts(told, tmp_path / "verdicts.parquet")


def missed(place: Path) -> tuple[int, int]:
    """Of non-wet joints: found, and all."""
    frame = pd.read_parquet(place)
    faulty = frame[frame["non_wet"] == 1]
    return int((faulty["gap_um"] >= 10).sum()), len(faulty)


def test_rates_stand_with_their_counts_and_intervals(place: Path) -> None:
    text = "\n".join(held_out(source(), place))
    found, n = missed(place)
    assert share(found, n) in text
    assert f"{found} of {n}" in text
    assert "240 joints of 12 boards" in text
    assert share(10, 10).startswith("1.000 (0.722 to 1.000)")  # Wilson's bound of 10 of 10
    assert share(0, 0) == "not measured"


def test_what_it_cannot_see_is_counted_by_size(place: Path) -> None:
    rows = [row for row in sizes(source(), place) if row.startswith("| non-wet")]
    told = [row.rsplit(", ", 1)[1].rstrip(" |") for row in rows[:4]]
    frame = pd.read_parquet(place)
    gaps = frame.loc[frame["non_wet"] == 1, "gap_um"] / 20
    expected = [
        (gaps >= low) & (gaps < high) for low, high in ((0, 0.25), (0.25, 0.5), (0.5, 1.0), (1.0, 2.0))
    ]
    hits = [0, 0, int(expected[2].sum()), int(expected[3].sum())]
    assert told == [f"{hit} of {int(mask.sum())}" for hit, mask in zip(hits, expected, strict=True)]
    short = "\n".join(in_short(source(), place))
    assert "from 5 to under 7 % it calls 1.000 (0.926 to 1.000), 48 of 48" in short
    assert f"of joints with 3 to under 5 %, which are none, {share(0, 192)}" in short
    assert "calls something on 0.000 (0.000 to 0.074), 0 of 48" in short


def test_abstention_tells_what_is_sent_and_how_the_rest_is_judged(place: Path) -> None:
    text = "\n".join(abstained(source(), place))
    assert "24 of 240" in text
    frame = pd.read_parquet(place)
    wrong = (frame["gap_um"] > 0) & (frame["gap_um"] < 10)
    assert f"| kept | {share(int(wrong[24:].sum()), 216)}" in text
    assert f"| sent to review | {share(int(wrong[:24].sum()), 24)}" in text


def test_readers_stand_beside_the_detector(place: Path) -> None:
    lines = demo(source(), place)
    reader = next(line for line in lines if line.startswith("| non-wet | reader_1"))
    assert "48 of 48" in reader
    own = next(line for line in lines if line.startswith("| non-wet | learned"))
    frame = pd.read_parquet(place)
    thick = int(((frame["non_wet"] == 1) & (frame["gap_um"] >= 20)).sum())
    assert share(thick, thick) in own  # gaps from a voxel on are all found


def test_where_it_works_is_what_the_interval_says() -> None:
    assert [verdict(*pair) for pair in ((100, 100), (50, 100), (9, 10))] == [
        "works",
        "does not",
        "not settled",
    ]


@pytest.fixture
def table(tmp_path: Path) -> Path:
    """A table of two models on one pool, as bench/transfer/boards.py writes it."""
    rows = []
    for model, ap, calls in (("one", 0.98, 0.01), ("two", 0.90, 0.05)):
        for kind in KINDS:
            rows.append((model, "pooled hard", kind, "ap", ap, 30, None, None))
            rows += [
                (model, "pooled hard", kind, name, 0.5, 30, 0.3, 0.7) for name in ("recall", "precision")
            ]
        rows += [
            (model, "pooled hard", "any", name, calls, 80, 0.001, 0.06)
            for name in ("false_calls", "escapes", "outside_envelope")
        ]
    columns = ["model", "board", "kind", "measure", "value", "n", "low", "high"]
    pd.DataFrame(rows, columns=columns).to_csv(tmp_path / "boards.csv", index=False)
    return tmp_path / "boards.csv"


def test_boards_bars_and_networks_are_as_the_table_has_them(table: Path) -> None:
    wanted = (
        {"board": "pooled hard", "kind": "each", "measure": "ap", "least": 0.97},
        {"board": "pooled hard", "kind": "any", "measure": "false_calls", "most": 0.02},
        {"board": "pooled hard", "kind": "void", "measure": "recall_gap_0-0.5", "least": 0.75},
    )
    one, two = (bars(source(detector=name, bars=wanted), table) for name in ("one", "two"))
    ends = [[line.split("|")[-2].strip() for line in lines[2:-1]] for lines in (one, two)]
    assert ends == [["held"] * 5 + [""], ["**missed**"] * 5 + [""]]
    assert "not measured" in one[-2]
    assert "| pooled hard | void | one | 0.500 (0.300 to 0.700), n 30 |" in "\n".join(
        boards(source(detector="one", beside=("two",)), table)
    )
    lines = several(source(models=("one", "two")), table)
    assert "| pooled hard | void, AP, 30 faulty | 0.980 | 0.900 | 0.900 to 0.980 |" in lines
    with pytest.raises(InputError, match="expected the model 'three'"):
        several(source(models=("three",)), table)
    with pytest.raises(InputError, match="expected the model 'three'"):
        boards(source(detector="three"), table)


def test_a_plain_table_shows_what_is_meant_with_its_intervals(tmp_path: Path) -> None:
    frame = pd.DataFrame(
        {
            "what": ["bias", "other"],
            "value": [-1.25, 3.0],
            "low": [-2.0, 2.0],
            "high": [0.5, 4.0],
            "n": [120, 9],
        }
    )
    frame.to_csv(tmp_path / "t.csv", index=False)
    lines = plain_table(
        source("t.csv", columns={"what": "measure", "value": "bias, µm", "n": "n"}, where={"what": "bias"}),
        tmp_path / "t.csv",
    )
    assert lines[0] == "| measure | bias, µm | n |"
    assert lines[2] == "| bias | −1.25 (−2.00 to 0.500) | 120 |"
    assert len(lines) == 4


def test_the_observer_is_asked_of_the_named_detector() -> None:
    path = Path(__file__).resolve().parents[2] / "bench" / "observer.csv"
    frame = pd.read_csv(path)
    names = sorted(frame["detector"].unique())
    lines = observer(source(detector=names[0]), path)
    assert len(lines) == 2 + 2 + 1 + int((frame["detector"] == names[0]).sum())
    with pytest.raises(InputError, match="expected the detector 'nobody'"):
        observer(source(detector="nobody"), path)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    network = NetworkSettings("tiny", widths=(4, 4, 4, 4))
    torch.manual_seed(0)
    cuts = Thresholds(((0.5,) * 4,), "false_calls", 0.02, ((9,) * 4,), ((30,) * 4,))
    envelope = Envelope({"voxels_per_ball": (10.0, 60.0), "cnr": (3.0, None)}, 12)
    data = {"fingerprint": "f" * 64, "simulated": True, "training_joints": 100, "validation_joints": 20}
    made = {"n": 20, "with": 8, "precision": 1.0, "recall": 0.75, "ap": 0.9}
    metrics = {"validation": dict.fromkeys(KINDS, made)}
    card = Card("tiny", Grid((16, 16, 16)), network, cuts, Calibration(), envelope, data, "0", metrics)
    save_model(tmp_path / "model", build_network(network), card)
    return tmp_path / "model"


def test_a_training_that_went_on_from_another_tells_both(folder: Path, tmp_path: Path) -> None:
    empty, file = Sources(TRAINING, CUTS, dict.fromkeys(PARTS, ())), folder / "card.json"
    assert "going on from" not in model_card(folder, empty, tmp_path)
    card = json.loads(file.read_text())
    card["data"]["init_from"] = {"name": "tiny", "data": {"training_joints": 1200}}
    file.write_text(json.dumps(card))
    told = "100 for training, 20 for validation, going on from a training on 1,200, all simulated"
    assert told in model_card(folder, empty, tmp_path)


def test_nothing_measured_is_said_section_by_section(folder: Path, tmp_path: Path) -> None:
    """No section vanishes; what is known of the model itself and every caution stand there."""
    empty = Sources(TRAINING, CUTS, dict.fromkeys(PARTS, ()))
    text = model_card(folder, empty, tmp_path)
    sections = text.split("\n## ")
    bare = [one.splitlines()[0] for one in sections if "Not measured." in one]
    assert len(bare) == len(sections) - 4  # all but the head, training, cuts and cautions
    assert {"In short", "Calibration", "Abstention", "Speed and memory", "What it cannot see"} <= set(bare)
    told = (
        "`" + "f" * 64 + "`",
        "2001-02-03",
        "train it",
        "cut it",
        "never met a real scan",
        "qualified inspector",
    )
    for words in (*told, "X-rays harm", "Find as much as a limit allows", "2 %", share(6, 8), share(6, 6)):
        assert words in text
    assert model_card(folder, empty, tmp_path) == text


@pytest.mark.usefixtures("place")
def test_figures_of_other_weights_are_not_shown(folder: Path, tmp_path: Path) -> None:
    own = json.loads((folder / "card.json").read_text())["weights_sha256"]
    for weights, shown in ((own[:12], True), ("0" * 12, False)):
        parts: dict[str, tuple[Source, ...]] = dict.fromkeys(PARTS, ())
        parts["demo"] = (source(weights=weights), source("gone.parquet", weights=weights))
        text = model_card(folder, Sources(TRAINING, CUTS, parts), tmp_path)
        assert ("reader_1" in text) is shown
        assert ("holds figures of others (`00000000…`" in text) is not shown
        assert ("there is no `gone.parquet`" in text) is shown


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"unheard": []}, "found 'unheard'"),
        ({"demo": [{"file": "x"}]}, "none that read"),
        ({"demo": [{"file": "x", "command": "c", "date": "d", "weights": "abc"}]}, "8 letters of a SHA-256"),
        ({"training": None}, "none that read"),
    ],
)
def test_unusable_sources_are_one_sentence(tmp_path: Path, change: dict[str, Any], words: str) -> None:
    path = tmp_path / "sources.json"
    path.write_text(json.dumps({"training": TRAINING, "cuts": CUTS} | change))
    with pytest.raises(InputError, match=words):
        read_sources(path)
