"""`jointwise paint`: defects put into a lab's sound joints, into a store."""

from typing import TYPE_CHECKING, Any

from jointwise.commands.screen import Done, call, progress, say
from jointwise.commands.settings import PaintConfig
from jointwise.joints.errors import InputError

if TYPE_CHECKING:
    from jointwise.joints.batch import Joints

HELP = "Paint defects into a lab's sound joints: the change they make is projected, reconstructed and added."
EXAMPLE = "joints=out/lab out=out/painted copies=4 scanner.kvp=[130,130] scanner.views=[720,720]"
CONFIG = PaintConfig
LABELLED_SET = "set.json"


def run(cfg: PaintConfig) -> Done:
    """Model every scan of the store, paint its copies, write a shard for each."""
    import dataclasses

    from jointwise.commands.generate import contents
    from jointwise.data_gen.paint import paint_scan, split_by_scan
    from jointwise.data_gen.settings import GeneratorSettings
    from jointwise.joints.store import Store, StoreWriter

    joints, origin = _read(cfg)
    settings = GeneratorSettings(cfg.family, cfg.process, cfg.defects, cfg.scanner)
    config: dict[str, Any] = {
        "made_by": "paint",
        "painted_from": origin,
        "settings": dataclasses.asdict(settings),
    }
    config |= {name: getattr(cfg, name) for name in ("copies", "only_sound", "edge_um")}
    scans = split_by_scan(joints)
    with (
        StoreWriter(cfg.out, joints.grid, cfg.seed, config) as writer,
        progress("painting", "boards") as step,
    ):
        for number, scan in enumerate(scans):
            for copy, (model, part) in enumerate(
                paint_scan(
                    scan,
                    settings,
                    seed=cfg.seed,
                    number=number,
                    copies=cfg.copies,
                    edge_um=cfg.edge_um,
                    only_sound=cfg.only_sound,
                )
            ):
                if copy == 0:
                    say(model.words())
                writer.add(str(part.table["scan"].iloc[0]), part)
                step(number * cfg.copies + copy + 1, len(scans) * cfg.copies)
    say(contents(Store(cfg.out)).replace("simulated boards", "boards, faults painted"))
    return Done([cfg.out], call("train", data=cfg.out))


def _read(cfg: PaintConfig) -> "tuple[Joints, str]":
    """The store's joints and fingerprint; demo boards and labelled sets are refused."""
    from jointwise.commands.demo_boards import refuse_demo_boards
    from jointwise.data_gen.paint import check_paintable, split_by_scan
    from jointwise.joints.store import Store

    if (cfg.joints / LABELLED_SET).is_file():
        raise InputError(
            f"expected a store of a lab's joints in {cfg.joints}, found a set of labelled joints, which is for judging "
            "only; keep one with `jointwise score store=…`"
        )
    if cfg.out.resolve() == cfg.joints.resolve():
        raise InputError(
            f"out: expected another folder than joints, found {cfg.out} for both; choose another"
        )
    store = Store(cfg.joints)
    joints = store.read()
    check_paintable(joints)
    for scan in split_by_scan(joints):
        refuse_demo_boards(scan)
    return joints, store.fingerprint
