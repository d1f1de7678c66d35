"""The stores a recipe asks for, as settings of `jointwise generate`, and making those that are missing."""

import dataclasses
import math
from collections.abc import Mapping
from pathlib import Path

from jointwise.commands.screen import say
from jointwise.commands.settings import GenerateConfig, RecipeSettings
from jointwise.joints.errors import InputError


def stores(recipe: RecipeSettings, folder: Path, device: str) -> dict[Path, GenerateConfig]:
    """What to make in which folder, in the recipe's order, composed as the command line composes it.

    Args:
        recipe: the recipe; folder: where its stores lie.
        device: where X-rays are computed: cpu, auto, or a card by its training name.

    Raises:
        InputError: an override that `generate` does not take, or a store without a number of joints.
    """
    from jointwise.commands import hydra_wrapper
    from jointwise.commands.registry import load

    if not recipe.stores:
        return {}
    device = "cuda" if device.startswith("cuda") else device
    found = {}
    with hydra_wrapper.session(load("generate")) as active:
        for name, words in recipe.stores.items():
            cfg: GenerateConfig = hydra_wrapper.settings(active, [*recipe.common, *words])
            if cfg.joints is None:
                raise InputError(f"recipe.stores.{name}: expected joints=…, found none; say how many")
            out = folder / name
            found[out] = dataclasses.replace(cfg, out=out, workers=recipe.workers, device=device)
    return _scaled(found, recipe.joints)


def _scaled(found: Mapping[Path, GenerateConfig], joints: int) -> dict[Path, GenerateConfig]:
    """The same stores, the largest with so many sites; 0 changes nothing."""
    if not joints or not found:
        return dict(found)
    largest = max(cfg.joints or 0 for cfg in found.values())
    return {
        out: dataclasses.replace(cfg, joints=math.ceil((cfg.joints or 0) * joints / largest))
        for out, cfg in found.items()
    }


def make_missing(wanted: Mapping[Path, GenerateConfig]) -> None:
    """Fill or continue each store that is not complete.

    Raises:
        InputError: a folder holds a store of other settings, or as :func:`~jointwise.data_gen.generate.generate`.
    """
    from jointwise.commands import generate
    from jointwise.data_gen.generate import is_complete

    for number, (out, cfg) in enumerate(wanted.items(), 1):
        if is_complete(cfg.generator, out, cfg.scans, cfg.joints or 0, cfg.seed, cfg.grid, cfg.masks):
            continue
        say(f"store {number} of {len(wanted)}: {out}")
        generate.run(cfg)
