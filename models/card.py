"""What a model folder says of itself: everything needed to use the weights, in plain JSON."""

from dataclasses import asdict, dataclass
from typing import Any, Final

from jointwise.joints.grid import Grid
from jointwise.joints.kinds import KINDS
from jointwise.models.calibration import Calibration
from jointwise.models.envelope import Envelope
from jointwise.models.settings import NetworkSettings
from jointwise.models.thresholds import Thresholds

FORMAT: Final = "jointwise-model-1"


@dataclass(frozen=True)
class Card:
    """The card of a learned detector.

    Args:
        name: what tables call it.
        grid: grid of the sub-volumes it takes.
        network: its architecture.
        thresholds: cuts chosen on validation joints.
        calibration: from logits to probabilities, fitted on validation joints.
        envelope: scan quality seen in training.
        data: what it was trained on: fingerprint of the store, number of joints, whether simulated; of a network that
            went on from another one's weights, `init_from` with that one's data.
        code_version: package version, and commit where one is known.
        metrics: results on validation joints, each with its n.
    """

    name: str
    grid: Grid
    network: NetworkSettings
    thresholds: Thresholds
    calibration: Calibration
    envelope: Envelope
    data: dict[str, Any]
    code_version: str
    metrics: dict[str, Any]

    def to_json(self) -> dict[str, Any]:
        """Plain dictionary of numbers, names and lists."""
        return {
            "format": FORMAT,
            "name": self.name,
            "kinds": list(KINDS),
            "grid": self.grid.to_json(),
            "network": asdict(self.network),
            "purpose": self.thresholds.purpose,
            "thresholds": self.thresholds.to_json(),
            "calibration": self.calibration.to_json(),
            "envelope": self.envelope.to_json(),
            "data": self.data,
            "code_version": self.code_version,
            "metrics": self.metrics,
        }

    @property
    def joints_before(self) -> int:
        """Training joints of the network whose weights it went on from; 0 where it began anew or that is not told."""
        return int(self.data.get("init_from", {}).get("data", {}).get("training_joints", 0))

    @classmethod
    def from_json(cls, data: dict[str, Any]) -> "Card":
        """Inverse of :meth:`to_json`.

        Raises:
            KeyError, TypeError, ValueError: a part is missing or of another type.
            InputError: a part has values nobody can use.
        """
        return cls(
            str(data["name"]),
            Grid.from_json(data["grid"]),
            NetworkSettings(**data["network"]),
            Thresholds.from_json(data["thresholds"]),
            Calibration.from_json(data["calibration"]),
            Envelope.from_json(data["envelope"]),
            dict(data["data"]),
            str(data["code_version"]),
            dict(data["metrics"]),
        )
