"""`jointwise gallery`: generated joints to look at, with what is truly in them."""

from pathlib import Path

from jointwise.commands.cores import worker_count
from jointwise.commands.screen import Done, call, say
from jointwise.commands.settings import GalleryConfig
from jointwise.joints.errors import InputError

HELP = "Contact sheets of generated joints: one per kind and one of look-alikes, truth under each joint."
EXAMPLE = "boards=4 out=out/gallery"
CONFIG = GalleryConfig


def run(cfg: GalleryConfig) -> Done:
    """Choose joints of every kind, cut them where the evidence lies, draw one sheet each.

    Raises:
        InputError: a store without records.
    """
    import numpy as np

    from jointwise.evaluation.pictures.contact_sheet import save
    from jointwise.evaluation.pictures.gallery import LOOKALIKES, gallery_sheet, picked
    from jointwise.joints.kinds import TITLES
    from jointwise.joints.schema import present_array, truth_array
    from jointwise.joints.store import Store

    store = Store(_made(cfg) if cfg.data is None else cfg.data)
    if store.manifest["seed"] is None:
        raise InputError(
            f"expected a generated store in {store.folder}, found joints without records; generate one"
        )
    truth, there, wrote = truth_array(store.table), present_array(store.table), []
    title = f"Simulated joints of {store.table['board_id'].nunique()} boards"
    for number, (kind, rows) in enumerate(picked(store.table, cfg.seed, cfg.each).items()):
        if not rows:
            say(f"no joint is {TITLES.get(kind, 'sound')}: no sheet of them")
            continue
        such = there & ~(truth == 1).any(axis=1) if kind == LOOKALIKES else truth[:, number] == 1
        sheet = gallery_sheet(store.read(np.array(rows)), kind, int(such.sum()), title)
        wrote.append(save(sheet, cfg.out / f"{kind}.png"))
    return Done(wrote, call("audit", boards=300))


def _made(cfg: GalleryConfig) -> Path:
    from jointwise.data_gen.generate import generate

    folder = cfg.out / "joints"
    workers = worker_count(cfg.workers)
    generate(cfg.generator, folder, scans=cfg.boards, seed=cfg.seed, grid=cfg.grid, workers=workers)
    return folder
