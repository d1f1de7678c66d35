"""Models in MLflow's registry: a version of a registered model for every finished training, loadable without pickle.

A version's files are `train/pyfunc_model.py` and the model folder as it is; its tags say what it was trained on and by
which code, and its run holds settings, epochs and data.
"""

import importlib.metadata
import logging
import tempfile
from collections.abc import Mapping
from pathlib import Path
from typing import Any, Final, NamedTuple

from jointwise.models.names import CARD
from jointwise.train.mlflow_store import MlflowStore
from jointwise.train.run_folder import read_json
from jointwise.train.settings import TrackingSettings

PYFUNC: Final = "pyfunc"
CODE: Final = Path(__file__).with_name("pyfunc_model.py")
NEEDED: Final = ("mlflow", "monai", "numpy", "pandas", "pyarrow", "safetensors", "torch")
"""Packages that loading and asking the model needs, besides jointwise itself."""


class Version(NamedTuple):
    """A version in the registry.

    Args:
        name: of the registered model.
        number: of the version.
        alias: by which it can be asked for; empty where it has none.
    """

    name: str
    number: str
    alias: str

    @property
    def uri(self) -> str:
        """What `mlflow.pyfunc.load_model` takes."""
        return f"models:/{self.name}@{self.alias}" if self.alias else f"models:/{self.name}/{self.number}"


def register(
    store: MlflowStore, run_id: str, model: Path, settings: TrackingSettings, tags: Mapping[str, str]
) -> Version | None:
    """Register the model folder of a run, once; None if the settings name no registered model.

    A version that this run has already is returned as it is: the alias stays with whoever has it by now.

    Args:
        store: MLflow's.
        run_id: the run that the model came from.
        model: the model folder.
        settings: name and alias.
        tags: what else is to be known of this version.
    """
    name = settings.registered_as
    if not name:
        return None
    for found in store.client.search_model_versions(f"name='{name}' and run_id='{run_id}'"):
        # A search does not tell aliases.
        aliases = store.client.get_model_version(name, found.version).aliases
        alias = settings.alias if settings.alias in aliases else ""
        return Version(name, str(found.version), alias)
    _keep_files(store, run_id, model)
    _make_model(store, name)
    source = f"{store.client.get_run(run_id).info.artifact_uri}/{PYFUNC}"
    made = store.client.create_model_version(name, source, run_id, tags={**tags_of(model), **tags})
    if settings.alias:
        store.client.set_registered_model_alias(name, settings.alias, made.version)
    return Version(name, str(made.version), settings.alias)


def tags_of(model: Path) -> dict[str, str]:
    """What the card of a model folder says of its origin, as far as it says so."""
    card = read_json(model / CARD)
    data, network = card.get("data", {}), card.get("network", {})
    told = {
        "data_fingerprint": data.get("fingerprint"),
        "training_joints": data.get("training_joints"),
        "simulated": data.get("simulated"),
        "weights_sha256": card.get("weights_sha256"),
        "code_version": card.get("code_version"),
        "network": network.get("name"),
    }
    return {f"jointwise.{key}": str(value) for key, value in told.items() if value is not None}


def _keep_files(store: MlflowStore, run_id: str, model: Path) -> None:
    """Put the loadable model among the run's artefacts, unless an earlier call got that far."""
    # MLmodel is what makes it loadable; as files go up in no given order, all go up again unless it is there.
    if any(item.path == f"{PYFUNC}/MLmodel" for item in store.client.list_artifacts(run_id, PYFUNC)):
        return
    with tempfile.TemporaryDirectory(prefix="jointwise-pyfunc-") as folder:
        place = Path(folder) / PYFUNC
        _save(model, place)
        store.client.log_artifacts(run_id, str(place), PYFUNC)


def _save(model: Path, place: Path) -> None:
    from mlflow import pyfunc

    # It would warn that it cannot guess columns from the type of a table; models/answers.py says them.
    logging.getLogger("mlflow.pyfunc").setLevel(logging.ERROR)
    pyfunc.save_model(
        str(place),
        python_model=str(CODE),
        artifacts={"model": str(model.absolute())},
        # Told, not guessed: MLflow would load the model in another process to find out.
        pip_requirements=[f"{name}=={_release(name)}" for name in NEEDED],
        metadata=tags_of(model),
    )


def _release(name: str) -> str:
    """An installed release without what its builder added (`+cpu`), which no index knows."""
    return importlib.metadata.version(name).split("+")[0]


def _make_model(store: MlflowStore, name: str) -> None:
    from mlflow.exceptions import MlflowException

    try:
        store.client.get_registered_model(name)
    except MlflowException:
        try:
            store.client.create_registered_model(name, description=DESCRIPTION)
        except MlflowException:
            # Another process may have made it since we looked.
            store.client.get_registered_model(name)


DESCRIPTION: Final = (
    "Detectors of void, non-wet, bridging and head-in-pillow in solder joints of ball grid arrays by X-ray CT. A "
    "screening aid: a qualified inspector decides. Loading needs the package jointwise."
)


def settings_tag(given: Mapping[str, Any]) -> dict[str, str]:
    """The recipe of a training as a hash over its settings, without what followed from the data."""
    from hashlib import sha256
    from json import dumps

    recipe = {key: value for key, value in given.items() if key != "derived"}
    return {"jointwise.settings_sha256": sha256(dumps(recipe, sort_keys=True).encode()).hexdigest()}
