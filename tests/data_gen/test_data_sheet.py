"""The data sheet. Guards: counts that are not the store's, a sheet that changes from one making to the next."""

import importlib.metadata
import shutil
from pathlib import Path

import numpy as np
import pytest

from jointwise.data_gen.data_sheet import NAME, data_sheet, write_data_sheet
from jointwise.data_gen.drawing.scan import draw_scan
from jointwise.data_gen.scan import board_pose, joint_table
from jointwise.data_gen.settings import FamilySettings, GeneratorSettings
from jointwise.data_gen.shapes.build import build_scene
from jointwise.joints.batch import Joints
from jointwise.joints.errors import InputError
from jointwise.joints.grid import Grid
from jointwise.joints.kinds import KINDS, TITLES
from jointwise.joints.schema import present_array, truth_array
from jointwise.joints.store import Store, StoreWriter

GRID = Grid((8, 8, 8))
SETTINGS = GeneratorSettings(family=FamilySettings(rows=(2, 2), cols=(2, 3)))


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Store:
    """Real records and truth of three boards; the volumes are empty, for the sheet does not look at them."""
    folder = tmp_path_factory.mktemp("sheet")
    with StoreWriter(folder, GRID, 3, {"family": {"name": "bga_0800"}}) as writer:
        for number, split in enumerate(("train", "validation", "train")):
            record = draw_scan(SETTINGS, 3, number)
            scene = build_scene(record)
            table = joint_table(record, scene, board_pose(record, scene), None).assign(split=split)
            writer.add(record.scan, Joints(np.zeros((len(table), *GRID.shape), np.float16), table, GRID))
    return Store(folder)


def row(text: str, name: str) -> list[str]:
    (line,) = (line for line in text.splitlines() if line.startswith(f"| {name} |"))
    return [cell.strip() for cell in line.strip("|").split("|")][1:]


def test_counts_and_quartiles_are_the_store_s(store: Store) -> None:
    text = write_data_sheet(store).read_text()
    table = store.table
    truth, train = truth_array(table), (table["split"] == "train").to_numpy()
    assert row(text, "train")[:4] == [
        "2", str(train.sum()), str((~present_array(table)[train]).sum()), str((truth[train] == 0).all(1).sum())
    ]  # fmt: skip
    assert row(text, "train")[4:8] == [str((truth[train, k] == 1).sum()) for k in range(len(KINDS))]
    cuts = np.percentile(table["metal_mm3"].astype(np.float32).astype(float), (0, 25, 50, 75, 100))
    assert row(text, "metal_mm3") == [str(len(table)), *(f"{cut:.4g}" for cut in cuts)]
    assert row(text, "scanner.views")[0] == "3"
    both = int(((truth[:, 0] == 1) & (truth[:, 1] == 1)).sum())
    assert text.count(f"| {TITLES['void']} | {int((truth[:, 0] == 1).sum())} | {both} |") == 1


def test_every_drawn_number_has_its_line(store: Store) -> None:
    text = (
        (store.folder / NAME).read_text()
        if (store.folder / NAME).exists()
        else write_data_sheet(store).read_text()
    )
    for name in ("scanner.kvp", "board.height_mm", "joint.offset.1", "joint.voids.count", "void.diameter_mm"):
        assert len(row(text, name)) == 6, name


def test_the_same_store_gives_the_same_letters_wherever_it_lies(store: Store, tmp_path: Path) -> None:
    copy = Path(shutil.copytree(store.folder, tmp_path / "copy"))
    assert write_data_sheet(Store(copy)).read_bytes() == write_data_sheet(store).read_bytes()
    version = importlib.metadata.version("jointwise")
    assert data_sheet(store.manifest, store.tables(), version) == (store.folder / NAME).read_text()
    assert store.fingerprint in (store.folder / NAME).read_text()


def test_joints_of_other_origin_have_no_sheet(store: Store, tmp_path: Path) -> None:
    with StoreWriter(tmp_path, GRID, None, {}) as writer:
        writer.add("scan", store.read())
    with pytest.raises(InputError, match="expected a generated store"):
        write_data_sheet(Store(tmp_path))


def test_every_family_that_was_drawn_is_named_with_its_boards(store: Store) -> None:
    """Boards of a store come from `families` where there are several; the one `family` then says nothing of them."""
    two = [
        {"name": "bga_0400", "pitch_mm": 0.4, "ball_mm": 0.25},
        {"name": "bga_1270", "pitch_mm": 1.27, "ball_mm": 0.76},
    ]
    tables = [table.copy() for table in store.tables()]
    for table, name in zip(tables, ("bga_0400", "bga_1270", "bga_0400"), strict=True):
        table["board_record"] = [text.replace('"bga_0800"', f'"{name}"') for text in table["board_record"]]
    manifest = {
        **store.manifest,
        "config": {"family": {"name": "bga_0800", "pitch_mm": 0.8}, "families": two},
    }
    (told,) = row(data_sheet(manifest, tables, "0"), "families drawn")
    assert told == (
        "bga_0400 (pitch 0.4 mm, nominal ball 0.25 mm, 2 boards); bga_1270 (pitch 1.27 mm, nominal ball 0.76 mm, "
        "1 boards)"
    )
    assert row(data_sheet(store.manifest, store.tables(), "0"), "families drawn") == ["bga_0800 (3 boards)"]
