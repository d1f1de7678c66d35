"""Writes the card of the model that comes with jointwise from the files that hold its results.

    python bench/model_card.py [--model FOLDER] [--sources bench/model_card.json] [--out FILE]

What is shown, by which command it was made and of which weights it is stands in the JSON file of the sources (form:
evaluation/model_card/sources.py). The same files give the same text. Run it after every new measurement, from the root
of the repository; a test compares the committed card with what this gives.
"""

from __future__ import annotations

import argparse
from pathlib import Path

from jointwise.evaluation.model_card.card import model_card
from jointwise.evaluation.model_card.sources import read_sources
from jointwise.joints.atomic import write_text
from jointwise.models.names import MODEL_CARD, SHIPPED_NAME

ROOT = Path(__file__).resolve().parents[1]


def main() -> None:
    """Write the card."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--model", type=Path, default=ROOT / "models" / SHIPPED_NAME)
    parser.add_argument("--sources", type=Path, default=ROOT / "bench" / "model_card.json")
    parser.add_argument("--out", type=Path, help=f"the card; without, {MODEL_CARD} in the model's folder")
    given = parser.parse_args()
    out = given.out or given.model / MODEL_CARD
    write_text(out, model_card(given.model, read_sources(given.sources), ROOT))
    print(f"wrote {out}")


if __name__ == "__main__":
    main()
