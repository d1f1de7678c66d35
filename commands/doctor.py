"""`jointwise doctor`: is this installation able to work here?"""

import importlib.metadata
import logging
import os
import platform
import re
import shutil
import tempfile
import urllib.request
import warnings
from collections.abc import Callable
from pathlib import Path
from typing import Any, NamedTuple, cast

from jointwise.commands.failures import sentence
from jointwise.commands.screen import Done, call, say
from jointwise.commands.settings import DoctorConfig
from jointwise.joints.cores import core_count
from jointwise.joints.errors import InputError

HELP = "Check versions, device, disk, tracking store and a small computation with a known answer."
EXAMPLE = "out=out"
CONFIG = DoctorConfig

GIB = 2**30
BALL_MM, PITCH_MM, VOXEL_MM = 0.5, 0.8, 0.015


class Check(NamedTuple):
    """One line of the report.

    Args:
        name: what is checked.
        look: returns what it found; raises where that is not good enough.
    """

    name: str
    look: Callable[[DoctorConfig], str]


def run(cfg: DoctorConfig) -> Done:
    """Run every check, one line each.

    Raises:
        InputError: after the last line, if any check failed.
    """
    failed = [check.name for check in CHECKS if not _passes(check, cfg)]
    if failed:
        raise InputError(
            f"expected {len(CHECKS)} checks to pass, found {len(failed)} failed ({', '.join(failed)}); "
            "their lines say why"
        )
    return Done(next=call("demo"))


def _passes(check: Check, cfg: DoctorConfig) -> bool:
    try:
        found = check.look(cfg)
    except Exception as failure:  # whatever breaks here is the finding; it is shown and counted
        reason = sentence(failure) or f"{type(failure).__name__}: {' '.join(str(failure).split())}"
        say(f"failed  {check.name:<12} {reason}")
        return False
    say(f"ok      {check.name:<12} {found}")
    return True


def _versions(_: DoctorConfig) -> str:
    names = ["jointwise", *_required()]
    found = ", ".join(f"{name} {importlib.metadata.version(name)}" for name in names)
    return f"Python {platform.python_version()}, {found}"


def _required() -> list[str]:
    """Names of the packages the project needs, without its extras."""
    lines = importlib.metadata.requires("jointwise") or []
    return [re.split(r"[<>=!~; \[]", line, maxsplit=1)[0] for line in lines if "extra ==" not in line]


def _processor(_: DoctorConfig) -> str:
    memory = os.sysconf("SC_PAGE_SIZE") * os.sysconf("SC_PHYS_PAGES") / GIB
    return f"{core_count()} cores, {memory:.1f} GiB memory, {platform.system()} {platform.machine()}"


def _compiler(_: DoctorConfig) -> str:
    import numba

    total = cast(Any, numba).njit(_triangle)(100)
    if total != 4950:
        raise RuntimeError(f"compiled code counted 0 + … + 99 as {total}, not 4950")
    return f"numba {numba.__version__} compiles"


def _triangle(n: int) -> int:
    total = 0
    for i in range(n):
        total += i
    return total


def _device(_: DoctorConfig) -> str:
    import torch

    name = "cuda" if torch.cuda.is_available() else "cpu"
    kernel = torch.ones(1, 1, 3, 3, 3, device=name)
    total = float(torch.nn.functional.conv3d(torch.ones(1, 1, 8, 8, 8, device=name), kernel).sum())
    if total != 27 * 6**3:
        raise RuntimeError(f"a 3D convolution on {name} gave {total}, not {27 * 6**3}")
    shown = torch.cuda.get_device_name() if name == "cuda" else f"CPU, {torch.get_num_threads()} threads"
    return f"{shown}; a 3D convolution is right"


def _writing(cfg: DoctorConfig) -> str:
    folder = _nearest_folder(cfg.out)
    with tempfile.NamedTemporaryFile(dir=folder, prefix=".jointwise-doctor-") as file:
        file.write(b"\0" * 2**20)
        file.flush()
        os.fsync(file.fileno())
    free = shutil.disk_usage(folder).free / GIB
    return f"'{cfg.out}' can be written, {free:.1f} GiB free"


def _nearest_folder(path: Path) -> Path:
    """The path itself or the nearest of its parents that exists; nothing is created."""
    for folder in (path, *path.absolute().parents):
        if folder.exists():
            return folder
    raise InputError(f"expected an existing drive above '{path}', found none; choose another folder")


def _tracking(cfg: DoctorConfig) -> str:
    if cfg.tracking_uri and cfg.tracking_uri.startswith(("http://", "https://")):
        return _server_answers(cfg.tracking_uri, cfg.timeout_s)
    if cfg.tracking_uri:
        return _store_works(cfg.tracking_uri)
    with tempfile.TemporaryDirectory(prefix="jointwise-doctor-", dir=_nearest_folder(cfg.out)) as folder:
        return _store_works(f"sqlite:///{folder}/tracking.db")


def _server_answers(uri: str, timeout_s: float) -> str:
    try:
        with urllib.request.urlopen(f"{uri.rstrip('/')}/health", timeout=timeout_s) as reply:
            text = reply.read(64).decode("utf-8", "replace")
    except (OSError, ValueError) as failure:
        raise InputError(
            f"expected an MLflow server at {uri}, found no answer within {timeout_s:g} s ({failure}); "
            "start it or leave tracking_uri out"
        ) from failure
    return f"MLflow server at {uri} answers {text.strip()}"


def _store_works(uri: str) -> str:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # the tracking library warns about its own dependencies
        from mlflow.tracking import MlflowClient

        logging.getLogger("mlflow").setLevel(logging.WARNING)
        client = MlflowClient(tracking_uri=uri)
        found = client.search_experiments(max_results=1)
    return f"MLflow store {uri.partition('://')[0]} opens ({len(found)} or more experiments)"


def _self_check(cfg: DoctorConfig) -> str:
    """Cut a ball of known size out of a small volume: its volume and its centre must come back."""
    import numpy as np

    from jointwise.joints.cutting import cut
    from jointwise.joints.lattice import Lattice, rotation
    from jointwise.joints.levels import Levels

    lattice = Lattice((60, 90, 90), (-0.66, -0.67, -0.44), (VOXEL_MM, VOXEL_MM, VOXEL_MM))
    centre = np.array([0.012, -0.007, 0.004])
    z, y, x = (
        o + VOXEL_MM * np.arange(n) for o, n in zip(lattice.origin_mm[::-1], lattice.shape, strict=True)
    )
    distance = np.sqrt(
        (z[:, None, None] - centre[2]) ** 2 + (y[:, None] - centre[1]) ** 2 + (x - centre[0]) ** 2
    )
    volume = 0.1 + 0.9 * np.clip((BALL_MM / 2 - distance) / VOXEL_MM + 0.5, 0, 1)
    joint = cut(
        volume, lattice, centre, rotation(1.0, -1.0, 20.0), cfg.grid, PITCH_MM, BALL_MM, Levels(0.1, 1.0)
    )
    step = np.prod(cfg.grid.spacing_mm(PITCH_MM, BALL_MM))
    ratio = float(joint.sum() * step / (np.pi * BALL_MM**3 / 6))
    places = np.meshgrid(*(np.arange(n) - (n - 1) / 2 for n in joint.shape), indexing="ij")
    off = max(abs(float((joint * place).sum() / joint.sum())) for place in places)
    if abs(ratio - 1) > 0.01 or off > 0.1:
        raise RuntimeError(
            f"a known ball came back with {ratio:.4f} of its volume, {off:.3f} voxels off centre"
        )
    return f"a known ball is cut with {100 * ratio:.2f} % of its volume, {off:.3f} voxels off centre"


def _network(_: DoctorConfig) -> str:
    """The network that comes with jointwise, read whole: its weights must be those of its card."""
    from jointwise.models.bench import SHIPPED_FOLDER, has_shipped, load_shipped
    from jointwise.models.names import MODEL_CARD

    if not has_shipped():
        return "none comes with this copy: train one and give `score` model=FOLDER"
    card = load_shipped(["learned"]).card
    size = sum(path.stat().st_size for path in SHIPPED_FOLDER.iterdir()) / 1e6
    told = SHIPPED_FOLDER / MODEL_CARD
    measured = (
        f"; what was measured of it: {told}" if told.is_file() else "; what it can do was not written down"
    )
    name = card.name if card else ""
    return f"{name} comes with this copy ({size:.1f} MB), used where `score` is given no model{measured}"


CHECKS = (
    Check("versions", _versions),
    Check("processor", _processor),
    Check("compiler", _compiler),
    Check("device", _device),
    Check("writing", _writing),
    Check("tracking", _tracking),
    Check("network", _network),
    Check("self-check", _self_check),
)
