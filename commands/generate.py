"""`jointwise generate`: labelled joints by physics, into a store."""

from typing import TYPE_CHECKING

from jointwise.commands.cores import worker_count
from jointwise.commands.screen import Done, call, say
from jointwise.commands.settings import GenerateConfig

if TYPE_CHECKING:
    from jointwise.joints.store import Store

HELP = "Make labelled joints: boards drawn, X-rayed, reconstructed and cut, into a store."
EXAMPLE = "boards=2 out=out/joints"
CONFIG = GenerateConfig


def run(cfg: GenerateConfig) -> Done:
    """Fill or continue the store and say how many joints of which kind it holds."""
    from jointwise.data_gen.data_sheet import write_data_sheet
    from jointwise.data_gen.generate import generate
    from jointwise.joints.store import Store

    generate(
        cfg.generator,
        cfg.out,
        scans=cfg.scans,
        joints=cfg.joints or 0,
        seed=cfg.seed,
        grid=cfg.grid,
        workers=worker_count(cfg.workers),
        device=cfg.device,
        masks=cfg.masks,
    )
    store = Store(cfg.out)
    say(contents(store))
    if cfg.joints is not None and len(store) > cfg.joints:
        say(f"{len(store) - cfg.joints} joints more than asked for: boards are whole")
    return Done([cfg.out, write_data_sheet(store)], call("train", data=cfg.out))


def contents(store: "Store") -> str:
    """One line on what a store holds."""
    from jointwise.joints.kinds import KINDS, TITLES
    from jointwise.joints.schema import present_array, truth_array

    table = store.columns(["board_id", "present", *KINDS])
    truth, present = truth_array(table), present_array(table)
    counts = ", ".join(f"{int((truth[:, k] == 1).sum())} {TITLES[kind]}" for k, kind in enumerate(KINDS))
    sound = int((truth == 0).all(axis=1).sum())
    boards = table["board_id"].nunique()
    return (
        f"{len(store)} joints of {boards} simulated boards: {sound} sound, {counts} (a joint can have several), "
        f"{int((~present).sum())} missing balls"
    )
