"""A recipe's stores are composed as `generate` composes them, made once, and all of them are learned from.

Guards: a store of other settings than the recipe's, one that is made anew or not gone on with, validation boards of the
wrong store, cards that make something else than one machine alone.
"""

import dataclasses
import importlib.util
import sys
from pathlib import Path
from typing import Any

import pytest

from jointwise.commands import generate, hydra_wrapper, recipe
from jointwise.commands.main import main
from jointwise.commands.registry import load
from jointwise.commands.settings import RecipeSettings, TrainConfig
from jointwise.data_gen.generate import is_complete
from jointwise.data_gen.settings import DefectSettings
from jointwise.joints.errors import InputError
from jointwise.joints.store import Store

TRANSFER = Path(__file__).parents[2] / "bench" / "transfer"
TINY = RecipeSettings(
    common=(
        "family.rows=[2,2]", "family.cols=[2,2]", "scanner.voxels_per_ball=[8,8]", "scanner.views=[60,60]",
        "process.trace_rate=0", "process.chip_rate=0", "process.profile=quadric",
    ),
    stores={"first": ["joints=16", "seed=1"], "second": ["joints=8", "seed=2", "scanner.kvp=[80,80]"]},
    workers=1,
)  # fmt: skip


def reference() -> TrainConfig:
    with hydra_wrapper.session(load("train")) as active:
        found: TrainConfig = hydra_wrapper.settings(active, ["experiment=reference", "data=out/reference"])
    return found


def test_the_reference_trains_on_all_of_its_recipes_stores():
    cfg = reference()
    wanted = recipe.stores(cfg.recipe, cfg.data, "auto")
    assert len(wanted) == 11
    training = cfg.training
    assert [training.data, *training.more_data] == list(wanted)
    assert training.more_data_whole
    assert training.data_validates
    assert not isinstance(training, TrainConfig)
    assert len({one.seed for one in wanted.values()}) == 11
    assert all(one.masks for one in wanted.values()) == cfg.network.masks
    # The store that chooses epoch and cuts holds every mount and every size.
    first = wanted[training.data].scanner
    assert set(first.mounts) == {"upright", "tilted", "laminography"}
    assert first.voxels_per_ball == (10, 60)
    assert 90_000 <= sum(one.joints or 0 for one in wanted.values()) <= 144_000


def test_all_of_the_references_stores_draw_the_same_joints():
    """Pillows that slope and deep notches in every one of them, the validating one too; scans alone differ."""
    cfg = reference()
    wanted = list(recipe.stores(cfg.recipe, cfg.data, "auto").values())
    assert all((one.defects, one.families) == (wanted[0].defects, wanted[0].families) for one in wanted)
    defects = wanted[0].defects
    assert defects.pillow_slope > 0
    assert defects.waist_per_height > DefectSettings().waist_per_height
    assert len({str(one.scanner) for one in wanted}) > 3


def test_a_small_version_keeps_proportions():
    cfg = reference()
    small = recipe.stores(dataclasses.replace(cfg.recipe, joints=64), cfg.data, "cpu")
    assert max(one.joints or 0 for one in small.values()) == 64
    assert small[cfg.data / "fine"].joints == 24
    assert {one.device for one in small.values()} == {"cpu"}
    assert {one.device for one in recipe.stores(cfg.recipe, cfg.data, "cuda:1").values()} == {"cuda"}


def test_side_by_side_on_cards_the_same_stores_are_made(monkeypatch: pytest.MonkeyPatch):
    monkeypatch.syspath_prepend(str(TRANSFER))
    spec = importlib.util.spec_from_file_location("make_stores", TRANSFER / "make_stores.py")
    assert spec
    assert spec.loader
    module = importlib.util.module_from_spec(spec)
    monkeypatch.setitem(sys.modules, "make_stores", module)
    spec.loader.exec_module(module)
    cfg = reference()
    for joints in (0, 64):
        small = dataclasses.replace(cfg.recipe, joints=joints, workers=5)
        wanted = recipe.stores(small, cfg.data, "cuda")
        with hydra_wrapper.session(load("generate")) as active:
            made = [hydra_wrapper.settings(active, job.words[1:]) for job in module.jobs(cfg, joints, 5, 4)]
        # A larger store has more processes: five in the mean.
        by_size = sorted(made, key=lambda one: one.joints or 0)
        assert by_size[0].workers < 5 < by_size[-1].workers
        assert abs(sum(one.workers for one in made) - 5 * len(made)) <= len(made) / 2
        assert {one.out: dataclasses.replace(one, workers=5) for one in made} == wanted


def test_what_generate_does_not_take_is_refused(tmp_path: Path):
    with pytest.raises(InputError, match="scaner"):
        recipe.stores(RecipeSettings(stores={"a": ["joints=4", "scaner.kvp=[80,80]"]}), tmp_path, "cpu")
    with pytest.raises(InputError, match=r"recipe\.stores\.a: expected joints"):
        recipe.stores(RecipeSettings(stores={"a": ["seed=4"]}), tmp_path, "cpu")


def test_a_session_inside_a_session_leaves_the_outer_one_in_place():
    with hydra_wrapper.session(load("train")) as outer:
        recipe.stores(TINY, Path("data"), "cpu")
        assert hydra_wrapper.settings(outer, ["data=x", "seed=7"]).seed == 7


@pytest.mark.slow
def test_missing_stores_are_made_once_and_trained_on(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: Any
):
    wanted = recipe.stores(TINY, tmp_path / "data", "cpu")
    second = wanted[tmp_path / "data" / "second"]
    generate.run(dataclasses.replace(second, joints=4))  # cut off after one board
    words = [
        f"data={tmp_path / 'data'}",
        f"out={tmp_path / 'run'}",
        "network=resnet_tiny",
        "epochs=1",
        "batch=4",
    ]
    words += ["rules=false", "novelty=false", "tracking.enabled=false", "more_data_whole=true", "device=cpu"]
    words += [f"recipe.common=[{','.join(repr(word) for word in TINY.common)}]", "recipe.workers=1"]
    words += [f"+recipe.stores.{name}=[{','.join(map(repr, line))}]" for name, line in TINY.stores.items()]
    assert main(["train", *words]) == 0
    assert "store 2 of 2" in capsys.readouterr().out
    for out, cfg in wanted.items():
        assert len(Store(out)) == cfg.joints
        assert is_complete(cfg.generator, out, 1, cfg.joints or 0, cfg.seed, cfg.grid, masks=False)
        assert not is_complete(cfg.generator, out, 1, cfg.joints or 0, cfg.seed + 1, cfg.grid, masks=False)
        assert not is_complete(cfg.generator, out, 1, 100, cfg.seed, cfg.grid, masks=False)
    # Made and trained: neither is done again, not even where a store of the recipe has been taken away.
    monkeypatch.setattr(generate, "run", lambda _: pytest.fail("made again"))
    (tmp_path / "data" / "second").rename(tmp_path / "away")
    recipe.make_missing({tmp_path / "data" / "first": wanted[tmp_path / "data" / "first"]})
    (tmp_path / "away").rename(tmp_path / "data" / "second")
    assert main(["train", *words]) == 0
