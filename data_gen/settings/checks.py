"""Checks that all groups of settings share."""

from dataclasses import fields
from typing import Any

from jointwise.joints.errors import InputError

Pair = tuple[float, float]


def check_pairs(settings: Any, group: str, *, positive: bool = True) -> None:
    """Make every field named as a range a tuple of two rising numbers."""
    for item in fields(settings):
        value = getattr(settings, item.name)
        if not isinstance(value, (list, tuple)) or item.name in {
            "alloys",
            "storage",
            "pixels_mm",
            "mounts",
            "apodisations",
        }:
            continue
        numbers = len(value) == 2 and all(isinstance(v, (int, float)) for v in value)
        if not numbers or not value[0] <= value[1] or (positive and value[0] < 0):
            raise InputError(
                f"{group}.{item.name}: expected two numbers, low then high"
                f"{' and none below 0' if positive else ''}, found {list(value)}; correct the pair"
            )
        object.__setattr__(settings, item.name, (value[0], value[1]))


def check_rates(settings: Any, group: str, names: tuple[str, ...]) -> None:
    for name in names:
        value = getattr(settings, name)
        if not isinstance(value, (int, float)) or not 0.0 <= value <= 1.0:
            raise InputError(f"{group}.{name}: expected a share between 0 and 1, found {value}; correct it")
