import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from jointwise.joints.errors import InputError
from jointwise.joints.grid import Grid
from jointwise.joints.kinds import KINDS
from jointwise.models.bench import Bench, Judge, load_bench, read_rules, write_rules
from jointwise.models.envelope import Envelope
from jointwise.models.rules.detector import RuleDetector
from jointwise.models.rules.numbers import NUMBERS
from jointwise.models.thresholds import Thresholds

CUTS = Thresholds(((0.2, 0.4, 0.6, 0.8),), "f1", None, ((1, 2, 3, 4),), ((5, 6, 7, 8),))


def rules() -> RuleDetector:
    rng = np.random.default_rng(0)
    truth = (rng.random((60, len(KINDS))) < 0.4).astype(float)
    numbers = {kind: truth[:, [k]] + rng.random((60, len(NUMBERS[kind]))) for k, kind in enumerate(KINDS)}
    return RuleDetector.fit_numbers(numbers, truth)


def test_rules_come_back_with_their_thresholds(tmp_path: Path) -> None:
    detector = rules()
    write_rules(tmp_path / "rules.json", detector, CUTS, {"training_joints": 60})
    judge = read_rules(tmp_path / "rules.json")
    assert judge.thresholds == CUTS
    assert judge.detector == detector
    assert json.loads((tmp_path / "rules.json").read_text())["data"] == {"training_joints": 60}


def test_a_folder_with_rules_alone_is_a_bench_of_rules(tmp_path: Path) -> None:
    write_rules(tmp_path / "rules.json", rules(), CUTS, {})
    bench = load_bench(tmp_path, ["rules"])
    assert list(bench.judges) == ["rules"]
    assert bench.deciding is bench.rules
    assert bench.grid == Grid()
    with pytest.raises(InputError, match="expected a model folder"):
        load_bench(tmp_path)


@pytest.mark.parametrize("text", ["", "[]", "{}", '{"thresholds": {}, "rules": {}}', "\x00\xff"])
def test_damaged_rules_are_refused_in_one_sentence(tmp_path: Path, text: str) -> None:
    (tmp_path / "rules.json").write_bytes(text.encode("latin-1"))
    with pytest.raises(InputError, match="expected") as caught:
        read_rules(tmp_path / "rules.json")
    assert "\n" not in str(caught.value)


def test_unknown_detectors_and_no_folder_are_refused(tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"learned, rules, novelty, found guess"):
        load_bench(tmp_path, ["guess"])
    with pytest.raises(InputError, match="found none"):
        load_bench(tmp_path, [])
    with pytest.raises(InputError, match="expected a folder of detectors"):
        load_bench(tmp_path / "nowhere")
    with pytest.raises(InputError, match="at least one detector"):
        Bench()


def test_joints_outside_the_envelope_are_told() -> None:
    table = pd.DataFrame({"voxels_per_ball": [20.0, 60.0, 20.0], "cnr": [30.0, 30.0, np.nan]})
    narrow = Judge(rules(), CUTS, Envelope({"voxels_per_ball": (10, 40), "cnr": (5, None)}))
    assert narrow.outside(table).tolist() == [False, True, True]
    assert not Judge(rules(), CUTS).outside(table).any()
