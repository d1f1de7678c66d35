"""The settings of each command: one dataclass each, put together from the rooms' own settings."""

from dataclasses import dataclass, field
from pathlib import Path

from jointwise.joints.grid import Grid


@dataclass(frozen=True)
class DoctorConfig:
    """Settings of `jointwise doctor`.

    Args:
        out: folder whose disk is tested for writing; nothing stays there.
        tracking_uri: address of the MLflow tracking store to try; null tries an embedded SQLite file of its own.
        timeout_s: seconds after which a tracking server that does not answer is called absent.
        grid: the grid on which the self-check cuts its ball.
    """

    out: Path = Path("out")
    tracking_uri: str | None = None
    timeout_s: float = 5.0
    grid: Grid = field(default_factory=Grid)
