"""The learned detector: a network, its card, and the joints it is asked about."""

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Final, NamedTuple

import numpy as np
import pandas as pd
import torch
from numpy.typing import NDArray

from jointwise.joints.batch import Joints
from jointwise.joints.errors import InputError
from jointwise.joints.kinds import N_KINDS
from jointwise.joints.masks import mask_shape
from jointwise.models.card import Card
from jointwise.models.familiar import Familiar
from jointwise.models.int8 import Int8Graph
from jointwise.models.mask_measures import BY_MASKS, measured_by_masks
from jointwise.models.measured import BothWays, measures_of
from jointwise.models.names import INT8, TORCH
from jointwise.models.network import Asked, JointNetwork
from jointwise.models.protocol import SIZE_COLUMNS, Look, check_batch, empty_measures
from jointwise.models.runtime import Chosen, GraphRuntime, Runtime, start
from jointwise.models.sizes import SIZES, measured_by_sizes, void_area_pct

AT_ONCE: Final = 256
"""Joints whose masks are held at a time."""

LEAST_SHOWN: Final = 1e-4
"""Share of a cell below which evidence is 0."""

MEASURED_BY: Final = "measured_by"
"""Key of the card's metrics under which it stands what each measure is taken from, see models/measured.py."""


class Part(NamedTuple):
    """What a network says of some of the joints.

    Args:
        rows: which.
        said: (m, 4), or (m, 7) with sizes.
        shares: (m, mask, z, y, x); None where masks were not asked for.
        features: (m, d) what the last layer was given; None where they were not asked for.
    """

    rows: slice
    said: NDArray[np.float64]
    shares: NDArray[np.float32] | None
    features: NDArray[np.float32] | None


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
        runtime: what it runs on, torch, openvino or int8 (:mod:`jointwise.models.runtime`).
        familiar: where training joints lie in its features; None where that was not measured.
        int8: its quantised graph; None where there is none, and then `runtime` is another.
    """

    network: JointNetwork
    card: Card
    device: torch.device
    runtime: str = TORCH
    familiar: Familiar | None = None
    int8: Int8Graph | None = None
    # Its own also where it is a copy with another runtime.
    _runs: dict[tuple[bool, bool], Runtime] = field(
        default_factory=dict, init=False, repr=False, compare=False
    )

    def __post_init__(self) -> None:
        self.network.to(self.device).eval()

    def _run(self, masks: bool, features: bool) -> Runtime:
        """The network ready to run, made once for what is asked of it."""
        asked = masks, features
        if asked not in self._runs and self.int8 is not None and self.runtime == INT8:
            # One graph answers all of it at once.
            whole = next((run.run for run in self._runs.values() if isinstance(run, Chosen)), None)
            self._runs[asked] = Chosen(whole or GraphRuntime(self.int8), self.int8.places(masks, features))
        elif asked not in self._runs:
            self._runs[asked] = start(self.runtime, Asked(self.network, masks, features), self.device)
        return self._runs[asked]

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
        parts = [part.features for part in self._parts(joints, features=True)]
        known = [part for part in parts if part is not None]
        return np.concatenate(known) if known else np.empty((0, 0), np.float32)

    def _outputs(self, joints: Joints) -> NDArray[np.float64]:
        return self._joined(self._parts(joints))

    def _joined(self, parts: Iterator[Part]) -> NDArray[np.float64]:
        return np.concatenate([np.empty((0, self._columns)), *(part.said for part in parts)])

    @property
    def _columns(self) -> int:
        return N_KINDS + (len(SIZES) if self.card.network.sizes else 0)

    def _parts(self, joints: Joints, masks: bool = False, features: bool = False) -> Iterator[Part]:
        """What the network says of one part of the joints after another, in their order."""
        self._check(joints)
        for first in range(0, len(joints), AT_ONCE):
            run = self._run(masks, features)
            said, *more = run(joints.volumes[first : first + AT_ONCE])
            shares = more[0] if masks else None
            rows = slice(first, first + len(said))
            yield Part(rows, said.astype(np.float64), shares, more[-1] if features else None)

    def measure(self, joints: Joints) -> pd.DataFrame:
        """n rows under schema.MEASURES, NaN elsewhere: the void area, from a network that learned sizes.

        From one with masks voids, gap and neck, gap and neck where its masks show one; see models/measured.py.

        Raises:
            InputError: as for :meth:`score`.
        """
        if not (self.card.network.sizes or self.card.network.masks):
            self._check(joints)
            return empty_measures(len(joints))
        return self.score_and_measure(joints)[1]

    def score_and_measure(self, joints: Joints) -> tuple[NDArray[np.float64], pd.DataFrame]:
        """What :meth:`score` and :meth:`measure` give; the network is asked once.

        Raises:
            InputError: as for :meth:`score`.
        """
        return self._scored(self._parts(joints, self.card.network.masks), joints)

    def _scored(self, parts: Iterator[Part], joints: Joints) -> tuple[NDArray[np.float64], pd.DataFrame]:
        if not self.card.network.masks:
            said = self._joined(parts)
            return self.card.calibration(said[:, :N_KINDS]), self._measures(said)
        logits, both = self._both_ways(parts, joints)
        return self.card.calibration(logits), measures_of(both, self.card.metrics.get(MEASURED_BY, {}))

    def score_measure_and_show(
        self, joints: Joints
    ) -> tuple[NDArray[np.float64], pd.DataFrame, NDArray[np.float16]]:
        """What :meth:`score`, :meth:`measure` and :meth:`evidence` give; the network is asked once.

        Raises:
            InputError: as for :meth:`evidence`.
        """
        parts = list(self._parts(joints, self._masks()))
        return *self._scored(iter(parts), joints), self._shown(joints, iter(parts))

    def both_ways(self, joints: Joints) -> BothWays:
        """What masks and sizes say of the same joints, from which a training chooses.

        Raises:
            InputError: as for :meth:`evidence`.
        """
        return self._both_ways(self._parts(joints, self._masks()), joints)[1]

    def evidence(self, joints: Joints) -> NDArray[np.float16]:
        """Share of every cell that solder, void, gap and bridge fill, (n, mask, z, y, x), as joints.masks has them.

        Raises:
            InputError: as for :meth:`score`; the network has no masks.
        """
        return self._shown(joints, self._parts(joints, self._masks()))

    def _shown(self, joints: Joints, parts: Iterator[Part]) -> NDArray[np.float16]:
        shown = np.empty((len(joints), *mask_shape(joints.grid)), np.float16)
        for part in parts:
            assert part.shares is not None
            # What float16 keeps only as denormals is nothing here, and would take as long as the network.
            shown[part.rows] = np.where(part.shares < LEAST_SHOWN, 0, part.shares)
        return shown

    def _masks(self) -> bool:
        if not self.card.network.masks:
            raise InputError(
                f"expected a network that learned masks, found {self.name} without; train one with network.masks=true"
            )
        return True

    def _both_ways(self, parts: Iterator[Part], joints: Joints) -> tuple[NDArray[np.float64], BothWays]:
        pitch, ball = (joints.table[name].to_numpy(dtype=np.float64) for name in SIZE_COLUMNS)
        said = np.empty((len(joints), self._columns), np.float64)
        by_masks = np.empty((len(joints), len(BY_MASKS)), np.float64)
        for part in parts:
            assert part.shares is not None
            said[part.rows] = part.said
            by_masks[part.rows] = measured_by_masks(
                part.shares, joints.grid, pitch[part.rows], ball[part.rows]
            )
        logits = said[:, :N_KINDS]
        if not self.card.network.sizes:
            return logits, BothWays(by_masks, None)
        voxel = (
            joints.table["voxel_um"] if "voxel_um" in joints.table else pd.Series(np.nan, joints.table.index)
        )
        by_sizes = measured_by_sizes(said[:, N_KINDS:], voxel.to_numpy(dtype=np.float64, na_value=np.nan))
        return logits, BothWays(by_masks, by_sizes)

    def look(self, joints: Joints) -> Look:
        """Scores, measures and the distance from training joints; the network is asked once.

        Raises:
            InputError: as for :meth:`score`.
        """
        familiar, apart = self.familiar, [np.empty(0)]
        if familiar is None:
            return Look(*self.score_and_measure(joints), None)

        def noted(parts: Iterator[Part]) -> Iterator[Part]:
            for part in parts:
                assert part.features is not None
                apart.append(familiar.distance(part.features))
                yield part

        parts = self._parts(joints, self.card.network.masks, features=True)
        scores, measures = self._scored(noted(parts), joints)
        return Look(scores, measures, np.concatenate(apart))

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
