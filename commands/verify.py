"""`jointwise verify`: is every shard of a store still what was written?"""

from pathlib import Path

from jointwise.commands.cores import worker_count
from jointwise.commands.screen import Done, call, say
from jointwise.commands.settings import VerifyConfig
from jointwise.joints.errors import InputError

HELP = "Check every shard of a store against its hashes; make damaged ones anew."
EXAMPLE = "data=out/joints"
CONFIG = VerifyConfig


def run(cfg: VerifyConfig) -> Done:
    """Name damaged shards, and remake them if asked.

    Raises:
        InputError: damage that was not to be mended.
    """
    from jointwise.joints.store import damaged_shards

    damaged = damaged_shards(cfg.data)
    if damaged and not cfg.remake:
        raise InputError(
            f"expected undamaged shards in {cfg.data}, found {len(damaged)} damaged ({', '.join(damaged[:3])}); "
            f"run {call('verify', data=cfg.data, remake='true')}"
        )
    if damaged:
        from jointwise.data_gen.generate import remake

        remake(cfg.data, damaged, workers=worker_count(cfg.workers))
        say(f"{len(damaged)} shards made anew: {', '.join(damaged)}")
        return Done([cfg.data, *_sheet(cfg)], call("train", data=cfg.data))
    say(f"every shard in {cfg.data} is as it was written")
    return Done(_sheet(cfg), next=call("train", data=cfg.data))


def _sheet(cfg: VerifyConfig) -> list[Path]:
    """The data sheet made anew, if that was asked for."""
    if not cfg.remake:
        return []
    from jointwise.data_gen.data_sheet import write_data_sheet
    from jointwise.joints.store import Store

    return [write_data_sheet(Store(cfg.data))]
