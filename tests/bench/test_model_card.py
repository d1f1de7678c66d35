"""The committed model card is what its generator gives from the committed files, and its folder may be shipped."""

import json
from pathlib import Path

import pytest

from jointwise.evaluation.model_card.card import model_card
from jointwise.evaluation.model_card.sources import read_sources
from jointwise.models.bench import has_shipped
from jointwise.models.names import CARD, MODEL_CARD, SHIPPED_NAME

ROOT = Path(__file__).resolve().parents[2]
FOLDER = ROOT / "models" / SHIPPED_NAME
SOURCES = ROOT / "bench" / "model_card.json"
AGAIN = "run python bench/model_card.py"

pytestmark = pytest.mark.skipif(not has_shipped(), reason="no detectors come with this copy")


@pytest.mark.slow
def test_the_committed_card_is_what_the_committed_files_give() -> None:
    text = (FOLDER / MODEL_CARD).read_text(encoding="utf-8")
    assert text == model_card(FOLDER, read_sources(SOURCES), ROOT), AGAIN


def test_the_committed_card_is_of_these_weights_and_names_every_source() -> None:
    """What can be seen at once; the whole text is compared by the test above."""
    text = (FOLDER / MODEL_CARD).read_text(encoding="utf-8")
    told = json.loads((FOLDER / CARD).read_text(encoding="utf-8"))
    assert told["weights_sha256"] in text, AGAIN
    assert told["data"]["fingerprint"] in text, AGAIN
    sources = [one for part in read_sources(SOURCES).parts.values() for one in part]
    assert [one.file for one in sources if not (ROOT / one.file).is_file()] == []
    shown = [one for one in sources if one.is_of(told["weights_sha256"])]
    assert [one.file for one in shown if one.command not in text] == [], AGAIN


def test_the_folder_is_whole_and_small_and_holds_no_pickle() -> None:
    names = {path.name for path in FOLDER.iterdir()}
    assert {CARD, "model.safetensors", "rules.json", MODEL_CARD} <= names
    graph = {"int8.xml", "int8.bin"}  # plain numbers and their description
    assert {Path(name).suffix for name in names - graph} <= {".json", ".safetensors", ".md"}
    assert sum(path.stat().st_size for path in FOLDER.iterdir()) < 30e6
