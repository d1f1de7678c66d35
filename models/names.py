"""What detectors and their files are called: names that may be asked for without loading a network."""

from typing import Final

LEARNED, RULES, NOVELTY, SHIPPED = "learned", "rules", "novelty", "shipped"
USUAL: Final = (LEARNED, RULES)
DETECTORS: Final = (*USUAL, NOVELTY)
"""Those that a folder of detectors may hold; `shipped` is the network that comes with jointwise."""

SHIPPED_NAME: Final = "reference"
"""Folder, in the room of the models, of the network that comes with jointwise; everything that needs it asks here."""

CARD: Final = "card.json"
RULES_FILE: Final = "rules.json"
NOVELTY_FILE: Final = "novelty.json"
MODEL_CARD: Final = "MODEL_CARD.md"
"""What was measured of the network, for people; beside the one that comes with jointwise."""

AUTO, TORCH, OPENVINO, INT8 = "auto", "torch", "openvino", "int8"
RUNTIMES: Final = (AUTO, TORCH, OPENVINO, INT8)
"""What a network may run on; int8 is the quantised graph beside its weights, where there is one."""
