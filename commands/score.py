"""`jointwise score`: a scan nobody here has seen, into a table, a map and a report."""

from jointwise.commands.screen import Done, call, progress, say
from jointwise.commands.settings import ScoreConfig

HELP = "Find the array in a scan, judge every joint, write table, map and report."
EXAMPLE = "scan=board.mha array=bga_0800 model=out/train/model out=out/score"
CONFIG = ScoreConfig


def run(cfg: ScoreConfig) -> Done:
    """Read, find, cut, judge, report; nothing is written before everything is known."""
    from datetime import datetime

    from jointwise.commands.demo_boards import refuse_demo_boards
    from jointwise.joints.errors import InputError
    from jointwise.models.bench import load_bench, load_shipped, origin
    from jointwise.models.names import NOVELTY
    from jointwise.scoring.run import score_scan, write_results
    from jointwise.scoring.write import keep_joints

    if NOVELTY in cfg.detectors:
        raise InputError(
            "detectors: expected learned and rules, found novelty, which names no kind of fault; it is an opponent for "
            "jointwise evaluate"
        )
    if cfg.model is None:
        bench = load_shipped(cfg.detectors, cfg.device)
        if bench.card:
            say(origin(bench.card))
    else:
        bench = load_bench(cfg.model, cfg.detectors, cfg.device)
    with progress("scoring", "steps") as step:

        def tell(what: str, done: int, total: int) -> None:
            step(done, total, what)

        scored = score_scan(cfg.scan, cfg.array, cfg.score, bench.grid, bench, tell, cfg.read)
        write_results(scored, cfg.out, datetime.now(), tell)
    wrote = [cfg.out / name for name in ("joints.csv", "joints.parquet", "map.png", "report.html")]
    if cfg.store is None:
        return Done(wrote)
    if not cfg.judging_only:
        refuse_demo_boards(scored.packages[0].cut.joints)
    keep_joints(
        scored.packages[0].cut,
        scored.packages[0].found.axes,
        scored.table,
        cfg.store,
        cfg.split,
        cfg.judging_only,
    )
    return Done([*wrote, cfg.store], call("paint", joints=cfg.store))
