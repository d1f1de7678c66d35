"""How MLflow is reached: an SQLite file of our own, or any address; never a hang, never telemetry.

A plain file store is refused by MLflow, and processes that start at once on an empty SQLite file race to create its
tables: so the file is set up once, under a lock. Its artefact folder is named outright, or MLflow puts it into the
folder one happens to stand in.
"""

import contextlib
import fcntl
import http.client
import logging
import os
import sqlite3
import threading
import urllib.error
import urllib.request
import warnings
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, Final, NamedTuple
from urllib.parse import urlsplit

from jointwise.joints.errors import InputError
from jointwise.train.settings import TrackingSettings

DATABASE: Final = "mlflow.db"
ARTEFACTS: Final = "artefacts"

QUIET: Final = {
    "MLFLOW_DISABLE_TELEMETRY": "true",
    "DO_NOT_TRACK": "true",
    "MLFLOW_SUPPRESS_PRINTING_URL_TO_STDOUT": "true",
    "GIT_PYTHON_REFRESH": "quiet",
    "MLFLOW_HTTP_REQUEST_MAX_RETRIES": "1",
}
"""Set before MLflow is imported, unless the user has set them."""


class MlflowStore(NamedTuple):
    """A tracking store that answered.

    Args:
        client: `mlflow.tracking.MlflowClient` bound to it.
        experiment_id: experiment all runs go to.
        uri: its address.
    """

    client: Any
    experiment_id: str
    uri: str


def tracking_uri(settings: TrackingSettings, out: Path) -> str:
    """Address of the store: the one given, else an SQLite file in the tracking folder.

    Args:
        settings: where tracking goes.
        out: folder of the run; its `tracking` is the tracking folder unless the settings name one.

    Raises:
        InputError: MLflow cannot be given that folder's name.
    """
    if settings.uri is not None:
        return settings.uri
    path = (tracking_folder(settings, out) / DATABASE).absolute()
    if "?" in str(path) or "%" in str(path):
        raise InputError(
            f"expected a tracking folder without '?' and '%' in its name, found {path.parent}; give tracking.folder=…"
        )
    return f"sqlite:///{path}"


def tracking_folder(settings: TrackingSettings, out: Path) -> Path:
    """Folder of the SQLite file and its artefacts."""
    return settings.folder if settings.folder is not None else out / "tracking"


def check_reachable(settings: TrackingSettings) -> None:
    """Ask a tracking server whether it is there; other addresses are tried when they are opened.

    Raises:
        InputError: no answer within `settings.timeout_s`.
    """
    uri = settings.uri or ""
    if not uri.startswith(("http://", "https://")):
        return
    reason = _within(settings.timeout_s, lambda: _ask(uri, settings.timeout_s))
    if reason:
        raise InputError(
            f"expected an MLflow server at {_without_password(uri)}, found {reason}; start it, or leave tracking.uri "
            "out, or give tracking.enabled=false"
        )


def open_store(settings: TrackingSettings, out: Path) -> MlflowStore:
    """Open the store, set up if need be, with the experiment.

    Raises:
        InputError: it does not answer, or is no MLflow store.
    """
    check_reachable(settings)
    uri = tracking_uri(settings, out)
    with quiet_mlflow(settings.timeout_s):
        from mlflow.tracking import MlflowClient

        with in_a_sentence(uri), _set_up_alone(settings, out):
            client = MlflowClient(tracking_uri=uri)
            artefacts = (
                None if settings.uri else (tracking_folder(settings, out) / ARTEFACTS).absolute().as_uri()
            )
            return MlflowStore(client, _experiment(client, settings.experiment, artefacts), uri)


@contextlib.contextmanager
def quiet_mlflow(timeout_s: float) -> Iterator[None]:
    """MLflow without telemetry, retries, notes about its set-up, or warnings about what it is built on."""
    for name, value in (QUIET | {"MLFLOW_HTTP_REQUEST_TIMEOUT": str(max(1, round(timeout_s)))}).items():
        os.environ.setdefault(name, value)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        import mlflow  # noqa: F401  (it sets its loggers up when imported: they are told to be quiet afterwards)

        for name in ("mlflow", "alembic", "sqlalchemy"):
            logging.getLogger(name).setLevel(logging.WARNING)
        yield


@contextlib.contextmanager
def in_a_sentence(uri: str) -> Iterator[None]:
    """Turn what MLflow, its database and its connection raise into one sentence."""
    from mlflow.exceptions import MlflowException
    from requests.exceptions import RequestException
    from sqlalchemy.exc import SQLAlchemyError

    try:
        yield
    except (MlflowException, RequestException, SQLAlchemyError, sqlite3.Error, ImportError, OSError) as error:
        raise InputError(
            f"expected an MLflow store that works at {_without_password(uri)}, found a fault ({_short(error)}); "
            "mend it or give another tracking.uri; the run's own files are complete"
        ) from error


@contextlib.contextmanager
def _set_up_alone(settings: TrackingSettings, out: Path) -> Iterator[None]:
    """Hold the lock of the SQLite file while its tables and the experiment are looked for and made."""
    if settings.uri is not None:
        yield
        return
    folder = tracking_folder(settings, out)
    folder.mkdir(parents=True, exist_ok=True)
    with (folder / ".set-up").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        # Write-ahead logging is kept in the file itself: readers then never block a writer.
        with contextlib.closing(sqlite3.connect(folder / DATABASE, timeout=60)) as database:
            database.execute("PRAGMA journal_mode=WAL")
        yield


def _experiment(client: Any, name: str, artefacts: str | None) -> str:
    found = client.get_experiment_by_name(name)
    if found is not None:
        return str(found.experiment_id)
    from mlflow.exceptions import MlflowException

    try:
        return str(client.create_experiment(name, artifact_location=artefacts))
    except MlflowException:
        # On a server another process may have made it since we looked.
        found = client.get_experiment_by_name(name)
        if found is None:
            raise
        return str(found.experiment_id)


def _ask(uri: str, timeout_s: float) -> str:
    """Empty if the server answers, else what came instead."""
    try:
        with urllib.request.urlopen(f"{uri.rstrip('/')}/health", timeout=timeout_s) as reply:
            reply.read(64)
    except urllib.error.HTTPError as error:
        # 401 and 403 come from a server that wants to know who asks: it is there.
        return "" if error.code in (401, 403) else f"the answer {error.code} {error.reason}"
    except (OSError, ValueError, http.client.HTTPException) as error:
        return f"no answer of its kind ({_short(error)})"
    return ""


def _within(seconds: float, question: Callable[[], str]) -> str:
    """The answer to a question, or that none came in time: looking up a name knows no time limit of its own."""
    answers: list[str] = []
    thread = threading.Thread(target=lambda: answers.append(question()), daemon=True)
    thread.start()
    thread.join(seconds + 1)
    return answers[0] if answers else f"no answer within {seconds:g} s"


def _without_password(uri: str) -> str:
    parts = urlsplit(uri)
    return uri.replace(f":{parts.password}@", ":…@") if parts.password else uri


def _short(error: Exception) -> str:
    return (str(error).strip().split("\n")[0] or type(error).__name__)[:160]
