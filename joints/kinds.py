"""The defect kinds, in the one order that every array, column and picture uses."""

from typing import Final

KINDS: Final = ("void", "non_wet", "bridging", "head_in_pillow")
"""Multi-label: a joint can carry any number of them. Definitions: :mod:`jointwise.joints.schema`."""

N_KINDS: Final = len(KINDS)

TITLES: Final = {
    "void": "void",
    "non_wet": "non-wet",
    "bridging": "bridging",
    "head_in_pillow": "head-in-pillow",
}
"""How a kind is written for people."""
