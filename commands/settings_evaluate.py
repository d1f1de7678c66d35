"""The settings of `jointwise evaluate`."""

from dataclasses import dataclass, field
from pathlib import Path

from jointwise.joints.errors import InputError
from jointwise.models.names import DETECTORS, USUAL
from jointwise.train.settings import TrackingSettings


@dataclass(frozen=True)
class PrevalenceSettings:
    """How often each kind occurs on the user's own line, as a share of joints (0 to 1); null where it is not known.

    Args:
        void: share of joints with a void that counts.
        non_wet: share of joints with a land that did not wet.
        bridging: share of joints that are bridged.
        head_in_pillow: share of joints that are head-in-pillow.
    """

    void: float | None = None
    non_wet: float | None = None
    bridging: float | None = None
    head_in_pillow: float | None = None

    def __post_init__(self) -> None:
        for kind, share in self.given.items():
            if not 0 < share < 1:
                raise InputError(
                    f"prevalence.{kind}: expected a share of joints between 0 and 1 (0.001 is one in a thousand), "
                    f"found {share:g}; correct it"
                )

    @property
    def given(self) -> dict[str, float]:
        """The kinds whose share is known."""
        return {kind: share for kind, share in vars(self).items() if share is not None}


@dataclass(frozen=True)
class EvaluateConfig:
    """Settings of `jointwise evaluate`.

    Args:
        model: folder of detectors, as `jointwise train` writes it; not needed for ready `scores` alone.
        data: store of joints with truth; this or `sets`.
        sets: what is judged: `demo`, folders of labelled sets (`jointwise sets`) and stores; this or `data`.
        scores: ready verdicts_NAME.parquet of earlier evaluations, judged anew without model and sub-volumes.
        split: which split of a store is judged: test, validation, train, or all where no detector has seen the store.
        detectors: which of the model folder, `learned`, `rules` and `novelty`; ready `scores` keep those they hold.
        shipped: also judge with the network that comes with jointwise, as the detector `shipped`; needs sub-volumes.
        prevalence: how often each kind occurs on your own line; precision is restated for it.
        labels: checked labels of people (labels.csv, as `jointwise labels check=… out=…` keeps them) of the one set or
            store that is judged; null takes none.
        adjudication: how readers' labels become one; null takes the set's own adjudicated label, else the majority.
        reference: name of the set without shift, beside which the others are put; null takes the first.
        observer: results of `jointwise observe` (observer.parquet) that the report shall show; null leaves them out.
        pictures: joints of each set that are pictured among misses and false calls.
        out: folder for the report and its tables.
        device: where the network runs: cpu, cuda, cuda:N, or auto.
        runtime: what it runs on: openvino (a compiled graph, on a CPU), int8 (the quantised one beside its weights),
            torch, or auto (on a CPU int8 where there is one, else openvino where it can be imported; torch).
        tracking: where MLflow keeps the results.
    """

    model: Path | None = None
    data: Path | None = None
    sets: tuple[str, ...] = ()
    scores: tuple[str, ...] = ()
    split: str = "test"
    detectors: tuple[str, ...] = USUAL
    shipped: bool = False
    prevalence: PrevalenceSettings = field(default_factory=PrevalenceSettings)
    labels: Path | None = None
    adjudication: str | None = None
    reference: str | None = None
    observer: Path | None = None
    pictures: int = 60
    out: Path = Path("out/evaluation")
    device: str = "auto"
    runtime: str = "auto"
    tracking: TrackingSettings = field(default_factory=TrackingSettings)

    def __post_init__(self) -> None:
        if self.pictures < 0:
            raise InputError(
                f"pictures: expected a whole number of at least 0, found {self.pictures}; correct it"
            )
        if self.data is not None and self.sets:
            raise InputError(
                "expected either `data` (a store) or `sets` (such as sets=[demo]), found both; stores may "
                "stand among `sets` as well"
            )
        if self.data is None and not self.sets and not self.scores:
            raise InputError(
                "expected either `data` (a store) or `sets` (such as sets=[demo]), or ready `scores`, found "
                "neither; give one of them"
            )
        given = (self.data is not None) + len(self.sets) + len(self.scores)
        if self.labels is not None and given > 1:
            raise InputError(
                f"labels: expected one set or store, the one they speak of, found {given}; evaluate it alone"
            )
        self._check_detectors()
        if self.model is None and (self.data is not None or self.sets):
            raise InputError(
                "expected a path for `model`, found none; give model=…, as in `jointwise evaluate "
                "data=out/joints model=out/train/model`"
            )

    def _check_detectors(self) -> None:
        """Refuse detectors that nobody knows, and what ready scores alone cannot heed."""
        unknown = [name for name in self.detectors if name not in DETECTORS]
        if unknown or not self.detectors:
            raise InputError(
                f"detectors: expected some of {', '.join(DETECTORS)}, found {', '.join(unknown) or 'none'}; correct it"
            )
        if self.data is not None or self.sets:
            return
        for name, asked in (
            ("model", self.model is not None),
            ("detectors", tuple(self.detectors) != USUAL),
            ("shipped", self.shipped),
        ):
            if asked:
                raise InputError(
                    f"{name}: expected `data` or `sets` to score, found ready `scores` only, on which it has no "
                    f"effect; leave {name} out"
                )
