"""The learned detector: a network, its card, and the joints it is asked about."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import pandas as pd
import torch
from numpy.typing import NDArray

from jointwise.joints.batch import Joints
from jointwise.joints.errors import InputError
from jointwise.joints.kinds import N_KINDS
from jointwise.models.card import Card
from jointwise.models.familiar import Familiar
from jointwise.models.network import JointNetwork
from jointwise.models.protocol import Look, check_batch, empty_measures
from jointwise.models.sizes import SIZES, void_area_pct

CPU_BATCH: Final = 16
CUDA_BATCH: Final = 256


def find_device(name: str) -> torch.device:
    """The device of that name; `auto` takes a CUDA card where there is one.

    Raises:
        InputError: unknown name, or a device this machine lacks.
    """
    if name == "auto":
        return torch.device("cuda" if torch.cuda.is_available() else "cpu")
    if name == "cpu":
        return torch.device("cpu")
    cards = torch.cuda.device_count() if torch.cuda.is_available() else 0
    names = [f"cuda:{i}" for i in range(cards)]
    if name in names or (name == "cuda" and cards):
        return torch.device(name)
    known = ", ".join(["auto", "cpu", *(["cuda", *names] if cards else [])])
    raise InputError(f"device: expected one of {known} on this machine, found {name!r}; choose one of them")


@dataclass(frozen=True)
class LearnedDetector:
    """Scores joints by a network; probabilities are calibrated on validation joints.

    Args:
        network: with its trained weights.
        card: grid, calibration, thresholds and envelope that belong to them.
        device: where the network runs.
        familiar: where training joints lie in its features; None where that was not measured.
    """

    network: JointNetwork
    card: Card
    device: torch.device
    familiar: Familiar | None = None

    def __post_init__(self) -> None:
        self.network.to(self.device).eval()

    @property
    def name(self) -> str:
        """How tables call it."""
        return self.card.name

    def score(self, joints: Joints) -> NDArray[np.float64]:
        """Calibrated probabilities (n, 4), columns in the order of KINDS.

        Raises:
            InputError: the batch is refused by `check_batch`, or lies on another grid.
        """
        return self.card.calibration(self.logits(joints))

    def logits(self, joints: Joints) -> NDArray[np.float64]:
        """What the network itself says, (n, 4), before calibration.

        Raises:
            InputError: as for :meth:`score`.
        """
        return self._outputs(joints)[:, :N_KINDS]

    def features(self, joints: Joints) -> NDArray[np.float32]:
        """What the last layer is given, (n, d).

        Raises:
            InputError: as for :meth:`score`.
        """
        self._check(joints)
        parts = [features.cpu().numpy() for _, features in self._passes(joints, self.network.with_features)]
        return np.concatenate(parts) if parts else np.empty((0, 0), np.float32)

    def _outputs(self, joints: Joints) -> NDArray[np.float64]:
        self._check(joints)
        parts = [said.cpu().numpy() for said in self._passes(joints, self.network)]
        return np.concatenate([self._nothing(), *parts]).astype(np.float64)

    def _nothing(self) -> NDArray[np.float32]:
        """Outputs of no joints."""
        return np.empty((0, N_KINDS + (len(SIZES) if self.card.network.sizes else 0)), np.float32)

    def _passes(self, joints: Joints, ask: Callable[[torch.Tensor], Any]) -> Iterator[Any]:
        """What the network says, some joints at a time."""
        size = CUDA_BATCH if self.device.type == "cuda" else CPU_BATCH
        with torch.inference_mode():
            for start in range(0, len(joints), size):
                # A copy: stored sub-volumes are read-only float16, and torch wants neither.
                part = np.array(joints.volumes[start : start + size], dtype=np.float32)
                yield ask(torch.from_numpy(part).to(self.device))

    def measure(self, joints: Joints) -> pd.DataFrame:
        """n rows under schema.MEASURES: the void area, from a network that learned sizes; NaN elsewhere.

        Raises:
            InputError: as for :meth:`score`.
        """
        if not self.card.network.sizes:
            self._check(joints)
            return empty_measures(len(joints))
        return self._measures(self._outputs(joints))

    def score_and_measure(self, joints: Joints) -> tuple[NDArray[np.float64], pd.DataFrame]:
        """What :meth:`score` and :meth:`measure` give; the network is asked once.

        Raises:
            InputError: as for :meth:`score`.
        """
        said = self._outputs(joints)
        return self.card.calibration(said[:, :N_KINDS]), self._measures(said)

    def look(self, joints: Joints) -> Look:
        """Scores, measures and the distance from training joints; the network is asked once.

        Raises:
            InputError: as for :meth:`score`.
        """
        if self.familiar is None:
            return Look(*self.score_and_measure(joints), None)
        self._check(joints)
        said, apart = [self._nothing()], [np.empty(0)]
        for answer, features in self._passes(joints, self.network.with_features):
            said.append(answer.cpu().numpy())
            apart.append(self.familiar.distance(features.cpu().numpy()))
        outputs = np.concatenate(said).astype(np.float64)
        scores = self.card.calibration(outputs[:, :N_KINDS])
        return Look(scores, self._measures(outputs), np.concatenate(apart))

    def _measures(self, said: NDArray[np.float64]) -> pd.DataFrame:
        measures = empty_measures(len(said))
        if not self.card.network.sizes:
            return measures
        return measures.assign(void_projected_area_pct=void_area_pct(said[:, N_KINDS:]))

    def out_of_envelope(self, table: pd.DataFrame) -> NDArray[np.bool_]:
        """Whether each joint's scan (n,) is unlike every scan seen in training."""
        return self.card.envelope.outside(table)

    def _check(self, joints: Joints) -> None:
        check_batch(joints)
        if joints.grid != self.card.grid:
            raise InputError(
                f"expected sub-volumes on the grid {self.card.grid.to_json()} the network {self.name} was trained on, "
                f"found {joints.grid.to_json()}; cut the scan on that grid"
            )
