"""Who judges: detectors with the thresholds that belong to them, read from one folder.

A folder of detectors holds the model folder's two files and, beside them, `rules.json`: the fitted rules with their
thresholds, and `novelty.json` with `novelty.safetensors`: the novelty detector with its own. Each may be absent. The
folder `SHIPPED_NAME` beside this file, where there is one, comes with jointwise.
"""

import json
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from jointwise.joints.atomic import write_text
from jointwise.joints.errors import InputError
from jointwise.joints.grid import Grid
from jointwise.models.card import Card
from jointwise.models.envelope import UNLIKE, Envelope
from jointwise.models.folder import load_model, read_card
from jointwise.models.learned import LearnedDetector
from jointwise.models.names import (
    CARD,
    DETECTORS,
    LEARNED,
    NOVELTY,
    NOVELTY_FILE,
    RULES,
    RULES_FILE,
    SHIPPED,
    SHIPPED_NAME,
    TORCH,
    USUAL,
)
from jointwise.models.novelty import NoveltyDetector, read_novelty
from jointwise.models.protocol import Detector
from jointwise.models.rules.detector import RuleDetector
from jointwise.models.thresholds import Thresholds

SHIPPED_FOLDER: Final = Path(__file__).parent / SHIPPED_NAME


@dataclass(frozen=True)
class Judge:
    """A detector with the thresholds from which its score is a finding.

    Args:
        detector: scores joints.
        thresholds: chosen on validation joints.
        envelope: scan quality of its training joints; None if it may be asked about any.
    """

    detector: Detector
    thresholds: Thresholds
    envelope: Envelope | None = None

    def outside(self, table: pd.DataFrame) -> NDArray[np.bool_]:
        """Whether each joint's scan (n,) is unlike every scan seen in training."""
        return np.zeros(len(table), np.bool_) if self.envelope is None else self.envelope.outside(table)

    def distance(self, table: pd.DataFrame) -> NDArray[np.float64] | None:
        """How far each joint's scan (n,) lies from the middle of those seen in training; None without an envelope."""
        return None if self.envelope is None else self.envelope.distance(table)

    def told(self, table: pd.DataFrame, apart: NDArray[np.float64] | None) -> pd.DataFrame:
        """The table with how unlike training joints each joint or its scan is (`unlike`), where the detector can tell.

        Args:
            table: rows of joints; whole scans, since the median over a scan's joints counts.
            apart: (n,) what the detector's look told; None where it cannot, NaN where there is no joint.
        """
        familiar = self.detector.familiar if isinstance(self.detector, LearnedDetector) else None
        if familiar is None or apart is None:
            return table
        return table.assign(**{UNLIKE: familiar.unlike(apart, table)})

    def reasons(self, table: pd.DataFrame) -> list[str]:
        """Why each joint's scan is outside, in words; empty for those inside."""
        return [""] * len(table) if self.envelope is None else self.envelope.reasons(table)


@dataclass(frozen=True)
class Bench:
    """The detectors that judge the same joints; the learned one decides if there is one, else the rules.

    Args:
        learned, rules, novelty: each may be None, not all.
        shipped: the network that comes with jointwise, where it is to be seen beside the others.
    """

    learned: Judge | None = None
    rules: Judge | None = None
    shipped: Judge | None = None
    novelty: Judge | None = None

    def __post_init__(self) -> None:
        if self.learned is None and self.rules is None and self.novelty is None:
            raise InputError(
                "expected at least one detector to judge, found none; give a model or fitted rules"
            )

    @property
    def judges(self) -> dict[str, Judge]:
        """All there are by what they are (`learned`, `rules`, `novelty`, `shipped`), the deciding one first."""
        every = {LEARNED: self.learned, RULES: self.rules, NOVELTY: self.novelty, SHIPPED: self.shipped}
        return {name: judge for name, judge in every.items() if judge is not None}

    @property
    def grid(self) -> Grid:
        """Grid on which these detectors look at joints: the network's, else novelty's, else the standard one."""
        novel = self.novelty.detector if self.novelty else None
        standard = novel.grid if isinstance(novel, NoveltyDetector) else Grid()
        return self.card.grid if self.card else standard

    @property
    def card(self) -> Card | None:
        """The deciding network's card, where a network decides."""
        learned = self.learned.detector if self.learned else None
        return learned.card if isinstance(learned, LearnedDetector) else None

    @property
    def deciding(self) -> Judge:
        """The one whose findings count."""
        return next(iter(self.judges.values()))


def load_bench(
    folder: Path, detectors: Sequence[str] = USUAL, device: str = "cpu", runtime: str = TORCH
) -> Bench:
    """Read the wanted detectors from a folder.

    Args:
        folder: as `jointwise train` writes it.
        detectors: which of `learned`, `rules` and `novelty`.
        device: where the network runs.
        runtime: what it runs on: torch, openvino, or auto.

    Raises:
        InputError: an unknown detector, or the folder lacks or cannot give a wanted one.
    """
    unknown = [name for name in detectors if name not in DETECTORS]
    if unknown or not detectors:
        raise InputError(
            f"detectors: expected some of {', '.join(DETECTORS)}, found {', '.join(unknown) or 'none'}"
        )
    if not folder.is_dir():
        raise InputError(
            f"expected a folder of detectors ({CARD} or {RULES_FILE}) at {folder}, found none; train first"
        )
    rules = read_rules(folder / RULES_FILE) if RULES in detectors else None
    if rules is not None and LEARNED not in detectors and (folder / CARD).is_file():
        # Alone, the rules are held to the range of scans of the network that was trained beside them.
        rules = replace(rules, envelope=read_card(folder).envelope)
    return Bench(
        learned=_learned(folder, device, runtime) if LEARNED in detectors else None,
        rules=rules,
        novelty=Judge(*read_novelty(folder)) if NOVELTY in detectors else None,
    )


def has_shipped() -> bool:
    """Whether a network comes with this copy of jointwise."""
    return (SHIPPED_FOLDER / CARD).is_file()


def load_shipped(detectors: Sequence[str] = USUAL, device: str = "cpu", runtime: str = TORCH) -> Bench:
    """The detectors that come with jointwise: a network, and the others where its folder holds them.

    Args:
        detectors: which of `learned`, `rules` and `novelty`.
        device: where the network runs.
        runtime: what it runs on: torch, openvino, or auto.

    Raises:
        InputError: none comes with this copy, or not the wanted one.
    """
    if not has_shipped():
        raise InputError(
            "expected model=FOLDER, found none given and no network that comes with this copy of jointwise; "
            "train one (jointwise train) and give its folder"
        )
    files = {RULES: RULES_FILE, NOVELTY: NOVELTY_FILE}
    there = [name for name in detectors if (SHIPPED_FOLDER / files.get(name, CARD)).is_file()]
    return load_bench(SHIPPED_FOLDER, there or detectors, device, runtime)


def origin(card: Card) -> str:
    """One sentence on the network that comes with jointwise: what it has seen, and what that does not tell."""
    simulated = "simulated joints only" if card.data.get("simulated") else "joints"
    return (
        f"the network {card.name} comes with jointwise and was trained on {simulated}: how often it is right on "
        "real scans is not known"
    )


def write_rules(path: Path, detector: RuleDetector, thresholds: Thresholds, data: dict[str, Any]) -> None:
    """Write fitted rules with their thresholds as JSON.

    Args:
        path: the file.
        detector: the fitted rules.
        thresholds: chosen on validation joints.
        data: what they were fitted on (fingerprint, numbers of joints).
    """
    text = {"data": data, "thresholds": thresholds.to_json(), "rules": detector.to_json()}
    write_text(path, json.dumps(text, indent=1))


def read_rules(path: Path) -> Judge:
    """Inverse of :func:`write_rules`.

    Raises:
        InputError: no such file, no JSON, or not fitted rules.
    """
    try:
        text = json.loads(path.read_text(encoding="utf-8"))
        thresholds, rules = text["thresholds"], text["rules"]
        return Judge(RuleDetector.from_json(rules), Thresholds.from_json(thresholds))
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise InputError(
            f"expected fitted rules in JSON at {path}, found none that reads; "
            "fit the rules again with jointwise train"
        ) from error


def _learned(folder: Path, device: str, runtime: str) -> Judge:
    learned = load_model(folder, device, runtime)
    return Judge(learned, learned.card.thresholds, learned.card.envelope)
