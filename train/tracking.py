"""What MLflow is told of a training: everything is read from the files of its folder.

Results are on disk before MLflow hears of them, so a store that fails loses nothing: `track` can be called again, also
on a training that still runs, and goes on with the same MLflow run.
"""

import json
import time
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any, NamedTuple

from jointwise.joints.atomic import write_text
from jointwise.joints.errors import InputError
from jointwise.models.folder import load_model
from jointwise.models.names import CARD
from jointwise.train.mlflow_store import MlflowStore, in_a_sentence, open_store, quiet_mlflow
from jointwise.train.model_versions import Version, register, settings_tag
from jointwise.train.provenance import code_version
from jointwise.train.run_folder import EXAMPLES, FACTS, METRICS, MODEL, SETTINGS, TRACKED, read_json
from jointwise.train.settings import TrackingSettings


class Tracked(NamedTuple):
    """Where a run can be seen.

    Args:
        run_id: MLflow's name of the run.
        uri: address of the store; `mlflow ui --backend-store-uri URI` shows it.
        version: of the registered model that its model is; None where it is none (yet).
    """

    run_id: str
    uri: str
    version: Version | None = None


def track(out: Path, settings: TrackingSettings) -> Tracked:
    """Log a training's folder to MLflow, or what is new in it since the last time.

    Args:
        out: folder of a finished or running training.
        settings: where to; with `enabled` false this is still done, whether to call is the caller's choice.

    Raises:
        InputError: no training there, or the store does not work; the files of the training are untouched.
    """
    given, facts = read_json(out / SETTINGS), read_json(out / FACTS)
    store = open_store(settings, out)
    with quiet_mlflow(settings.timeout_s), in_a_sentence(store.uri):
        run_id = _known_run(store, out) or _new_run(store, out, given, facts)
        if store.client.get_run(run_id).info.status != "FINISHED":
            _log_epochs(store, run_id, out)
            if (out / MODEL).exists():
                _log_results(store, run_id, out)
        # After the run is finished: a registry that fails takes nothing from the run, and is asked again next time.
        done = (out / MODEL).exists()
        version = register(store, run_id, out / MODEL, settings, settings_tag(given)) if done else None
    return Tracked(run_id, store.uri, version)


def track_model(model: Path, out: Path, settings: TrackingSettings) -> Tracked:
    """Log a model folder that came without its training as a run of its own, and register it.

    Args:
        model: the folder; read whole, so that a damaged one is refused before MLflow hears of it.
        out: where the SQLite file lies unless the settings say otherwise.
        settings: where to, name and alias.

    Raises:
        InputError: no model there, or the store does not work.
    """
    load_model(model)
    card = read_json(model / CARD)
    store = open_store(settings, out)
    with quiet_mlflow(settings.timeout_s), in_a_sentence(store.uri):
        run_id = _start(store, model.absolute().name)
        _log_parameters(store, run_id, {"network": card["network"], "model": str(model)})
        _log_dataset(store, run_id, {"store": model / CARD, **card["data"]}, "training")
        _log_model(store, run_id, model, card)
        return Tracked(run_id, store.uri, register(store, run_id, model, settings, {}))


def track_results(
    name: str,
    out: Path,
    settings: TrackingSettings,
    *,
    parameters: Mapping[str, Any],
    metrics: Mapping[str, float],
    files: Sequence[Path],
    facts: Mapping[str, Any] | Sequence[Mapping[str, Any]] = (),
) -> Tracked:
    """Log results that are not a training, such as an evaluation, as one finished MLflow run.

    Args:
        name: of the run.
        out: folder of the results; holds the SQLite file unless the settings say otherwise.
        settings: where to.
        parameters: what was set; nested tables become dotted names.
        metrics: finite numbers by name.
        files: kept as artefacts, in the folders that they have within `out`.
        facts: of the data, with `store` and `fingerprint`; several where several sets were used.

    Raises:
        InputError: the store does not work; the files are untouched.
    """
    store = open_store(settings, out)
    with quiet_mlflow(settings.timeout_s), in_a_sentence(store.uri):
        run_id = _start(store, name)
        _log_parameters(store, run_id, parameters)
        for one in [facts] if isinstance(facts, Mapping) else facts:
            _log_dataset(store, run_id, one, "evaluation")
        _log_metrics(store, run_id, metrics, step=0)
        for path in files:
            inside = path.parent.relative_to(out) if path.is_relative_to(out) else Path()
            store.client.log_artifact(run_id, str(path), str(inside) if inside.parts else None)
        store.client.set_terminated(run_id)
    return Tracked(run_id, store.uri)


def _start(store: MlflowStore, name: str) -> str:
    tags = {"mlflow.runName": name, "jointwise.code_version": code_version()}
    return str(store.client.create_run(store.experiment_id, tags=tags).info.run_id)


def _known_run(store: MlflowStore, out: Path) -> str | None:
    """The run this folder was logged to before, if that was in the same store."""
    if not (out / TRACKED).exists():
        return None
    known = read_json(out / TRACKED)
    return str(known["run_id"]) if known.get("uri") == store.uri else None


def _new_run(store: MlflowStore, out: Path, given: dict[str, Any], facts: dict[str, Any]) -> str:
    run_id = _start(store, out.absolute().name)
    _log_parameters(store, run_id, given)
    for one in _stores_of(facts):
        _log_dataset(store, run_id, one, "training")
    for name in (SETTINGS, FACTS):
        store.client.log_artifact(run_id, str(out / name))
    write_text(out / TRACKED, json.dumps({"run_id": run_id, "uri": store.uri}, indent=1))
    return run_id


def _stores_of(facts: Mapping[str, Any]) -> list[Mapping[str, Any]]:
    """All the joints as one, then store by store where there are several and each one's fingerprint is told."""
    places, prints = [facts["store"], *facts.get("more_stores", [])], facts.get("fingerprints", [])
    parts = [{"store": place, "fingerprint": one} for place, one in zip(places, prints, strict=False)]
    return [facts, *parts] if len(parts) > 1 else [facts]


def _log_epochs(store: MlflowStore, run_id: str, out: Path) -> None:
    """Losses and per-kind measures of the epochs MLflow has not heard of."""
    logged = {point.step for point in store.client.get_metric_history(run_id, "loss")}
    for line in _read_lines(out / METRICS):
        if line["epoch"] not in logged:
            # MLflow asks `loss` what it knows, so it goes last: cut off before it, the epoch is logged again.
            rest = {key: value for key, value in _flat(line) if key not in ("epoch", "loss")}
            _log_metrics(store, run_id, rest, line["epoch"])
            _log_metrics(store, run_id, {"loss": line["loss"]}, line["epoch"])


def _log_results(store: MlflowStore, run_id: str, out: Path) -> None:
    """The model folder, its results and the example slices; then the run is finished."""
    for name in (METRICS, EXAMPLES):
        if (out / name).exists():
            store.client.log_artifact(run_id, str(out / name))
    _log_model(store, run_id, out / MODEL, read_json(out / MODEL / CARD))


def _log_model(store: MlflowStore, run_id: str, model: Path, card: Mapping[str, Any]) -> None:
    """A model folder and the results on its card; then the run is finished."""
    results = {
        f"final.{key}": value for key, value in _flat(card["metrics"]) if isinstance(value, int | float)
    }
    _log_metrics(store, run_id, results, step=0)
    store.client.log_artifacts(run_id, str(model), MODEL)
    store.client.set_terminated(run_id)


def _log_parameters(store: MlflowStore, run_id: str, parameters: Mapping[str, Any]) -> None:
    from mlflow.entities import Param

    entries = [Param(key, str(value)) for key, value in _flat(parameters)]
    for start in range(0, len(entries), 100):  # MLflow takes at most 100 at once
        store.client.log_batch(run_id, params=entries[start : start + 100])


def _log_metrics(store: MlflowStore, run_id: str, metrics: Mapping[str, Any], step: int) -> None:
    from mlflow.entities import Metric

    now = int(1000 * time.time())
    entries = [Metric(key, float(value), now, step) for key, value in metrics.items() if value is not None]
    for start in range(0, len(entries), 1000):  # MLflow takes at most 1000 at once
        store.client.log_batch(run_id, metrics=entries[start : start + 1000])


def _log_dataset(store: MlflowStore, run_id: str, facts: Mapping[str, Any], context: str) -> None:
    """The store of joints as MLflow's dataset, its fingerprint as digest (as much of it as MLflow keeps)."""
    from mlflow.data.dataset_source_registry import resolve_dataset_source
    from mlflow.data.meta_dataset import MetaDataset
    from mlflow.entities import DatasetInput, InputTag

    place = Path(str(facts["store"])).absolute()
    source = resolve_dataset_source(place.as_uri())
    # The type checker believes the class abstract; MLflow's own pages make instances of it.
    make: Any = MetaDataset
    entity = make(source, name=place.name, digest=str(facts["fingerprint"])[:36])._to_mlflow_entity()
    tags = [InputTag("mlflow.data.context", context), InputTag("fingerprint", str(facts["fingerprint"]))]
    store.client.log_inputs(run_id, datasets=[DatasetInput(entity, tags)])


def _flat(table: Mapping[str, Any], prefix: str = "") -> Iterator[tuple[str, Any]]:
    """Dotted names and values of nested tables."""
    for key, value in table.items():
        if isinstance(value, Mapping):
            yield from _flat(value, f"{prefix}{key}.")
        else:
            yield f"{prefix}{key}", value


def _read_lines(path: Path) -> list[dict[str, Any]]:
    try:
        return [json.loads(line) for line in path.read_text(encoding="utf-8").splitlines()]
    except (OSError, ValueError) as error:
        raise InputError(
            f"expected one JSON line per epoch in {path}, found none that read ({str(error).splitlines()[0][:120]}); "
            "train in another folder"
        ) from error
