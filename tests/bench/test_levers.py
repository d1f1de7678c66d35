"""Levers: every command line composes, changes what it says, and none writes where another does."""

import argparse
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest

from jointwise.commands import hydra_wrapper
from jointwise.commands.registry import load

NEW = Path("new")


@pytest.fixture(scope="module")
def levers(script: Callable[[str], ModuleType]) -> ModuleType:
    """The script."""
    return script("levers")


@pytest.fixture(scope="module")
def given() -> argparse.Namespace:
    """As the command line gives it, on two cards."""
    return argparse.Namespace(
        out=Path("levers"), joints=1000, epochs=3, seed=1, seeds=[0, 1], cards=2, workers=0
    )


def composed(*lines: list[str]) -> list[Any]:
    """Settings of whole command lines of one command."""
    with hydra_wrapper.session(load(lines[0][0])) as active:
        return [hydra_wrapper.settings(active, words) for _, *words in lines]


def stores_of(levers: ModuleType, given: argparse.Namespace) -> dict[Path, Any]:
    return {job.made.parent: job for job in levers.generate_jobs(given, list(levers.LEVERS))}


def test_every_store_composes_and_is_drawn_otherwise(levers: ModuleType, given: argparse.Namespace) -> None:
    """As many stores as drawings; apart from where they lie all differ."""
    stores = stores_of(levers, given)
    assert len(stores) == len({lever.generate for lever in levers.LEVERS.values()}) > 1
    drawn = composed(*(job.words for job in stores.values()))
    assert [cfg.out for cfg in drawn] == list(stores)
    assert all(cfg.joints == 1000 and cfg.device == "cuda" for cfg in drawn)
    assert all((cfg.scanner.tilt_deg, cfg.scanner.in_plane_deg) == (8, 45) for cfg in drawn)
    alike = [repr(replace(cfg, out=NEW)) for cfg in drawn]
    assert len(set(alike)) == len(alike)


def test_every_training_composes_on_its_own_store_and_differs_from_the_recipe(
    levers: ModuleType, given: argparse.Namespace
) -> None:
    """In its settings, or in its joints, or in both."""
    jobs = levers.train_jobs(given, list(levers.LEVERS))
    runs = composed(*(job.words for job in jobs))
    assert len(runs) == 2 * len(levers.LEVERS)
    assert {cfg.data for cfg in runs} == set(stores_of(levers, given))
    assert all(job.made == cfg.out / "model" / "card.json" for job, cfg in zip(jobs, runs, strict=True))
    assert all((cfg.epochs, cfg.rules, cfg.tracking.enabled) == (3, False, False) for cfg in runs)
    assert [cfg.seed for cfg in runs] == [0] * len(levers.LEVERS) + [1] * len(levers.LEVERS)
    alike = {repr(replace(cfg, out=NEW)) for cfg in runs}
    assert len(alike) == len(runs)


def test_no_two_jobs_write_to_one_place(levers: ModuleType, given: argparse.Namespace) -> None:
    """Folders and logs; a folder's name needs no quotes."""
    jobs = [
        *levers.generate_jobs(given, list(levers.LEVERS)),
        *levers.train_jobs(given, list(levers.LEVERS)),
    ]
    for places in ([job.made for job in jobs], [job.log for job in jobs]):
        assert len(set(places)) == len(jobs)
        assert not any(set(" ,'") & set(str(place)) for place in places)


def test_no_augmentation_leaves_none(levers: ModuleType) -> None:
    """Also of kinds that were added since."""
    words = ["train", "data=x", "experiment=first"]
    none, recipe = composed([*words, *levers.LEVERS["no augmentation"].train], words)
    assert set(vars(none.augment).values()) == {0.0}
    assert 0.0 not in vars(recipe.augment).values()


def test_plain_defects_have_no_look_alikes(levers: ModuleType) -> None:
    """What the recipe draws beyond plain faults is at zero."""
    words = ["generate", *levers.RECIPE]
    less = levers.LEVERS["plain defects"].generate
    plain, recipe = (cfg.defects for cfg in composed([*words, *less], words))
    named = [word.removeprefix("defects.").split("=") for word in less]
    assert all(getattr(plain, key) == float(value) for key, value in named)
    assert replace(plain, **{key: getattr(recipe, key) for key, _ in named}) == recipe
    assert all(getattr(recipe, key) != float(value) for key, value in named)
