"""Every experiment file composes with the real command's settings and runs for one step."""

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from jointwise.commands import hydra_wrapper
from jointwise.commands.hydra_wrapper import Session
from jointwise.commands.registry import load
from jointwise.joints.grid import Grid
from jointwise.models.folder import load_model
from jointwise.train import run
from jointwise.train.settings import TrainSettings

FILES = sorted((Path(__file__).parents[2] / "configs" / "experiment").glob("*.yaml"))
ANEW = [path for path in FILES if path.stem != "fine_tune"]
"""Those that need no other model."""


@pytest.fixture(scope="module")
def session() -> Iterator[Session]:
    """`jointwise train` with Hydra set up."""
    with hydra_wrapper.session(load("train")) as active:
        yield active


@pytest.fixture(scope="module")
def larger_store(make_store: Callable[..., Path], tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Painted joints on a grid that DenseNet121 can halve five times."""
    return make_store(tmp_path_factory.mktemp("large") / "store", 20, 10, Grid((32, 32, 32)))


@pytest.fixture(scope="module")
def further(make_store: Callable[..., Path], tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Other joints on that grid, to learn from where the first store only validates."""
    return make_store(tmp_path_factory.mktemp("further") / "store", 22, 12, Grid((32, 32, 32)))


def settings(session: Session, *words: str) -> TrainSettings:
    found = hydra_wrapper.settings(session, words)
    assert isinstance(found, TrainSettings)
    return found


@pytest.mark.parametrize("path", ANEW, ids=lambda path: path.stem)
def test_every_experiment_runs_one_step(
    path: Path,
    session: Session,
    larger_store: Path,
    further: Path,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """The real file, shrunk: one epoch of one batch; painted joints have no masks."""
    monkeypatch.setattr(run, "_draw_examples", lambda *_: None)
    small = ("epochs=1", "limit=4", "batch=4", "device=cpu", "threads=1", "network.masks=false")
    small += (f"data={larger_store}", f"more_data=[{further}]")
    cfg = settings(session, f"experiment={path.stem}", f"out={tmp_path}", *small)
    told: list[tuple[int, int]] = []
    model = run.train(cfg, lambda done, total, _: told.append((done, total)))
    assert told == [(1, 1)]
    assert load_model(model).name == cfg.network.name


def test_fine_tuning_runs_one_step_from_another_model(
    session: Session, larger_store: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The recipe that `init_from` brings along, on what `quick` made in one."""
    monkeypatch.setattr(run, "_draw_examples", lambda *_: None)
    small = (f"data={larger_store}", "epochs=1", "limit=4", "batch=4", "device=cpu", "threads=1")
    first = run.train(settings(session, *small, "experiment=quick", f"out={tmp_path / 'first'}"))
    cfg = settings(session, *small, f"init_from={first}", f"out={tmp_path / 'tuned'}")
    assert cfg == settings(
        session, *small, "experiment=fine_tune", f"init_from={first}", f"out={tmp_path / 'tuned'}"
    )
    assert load_model(run.train(cfg)).name == "resnet_tiny_tuned"


def test_an_experiment_differs_from_the_defaults_and_the_user_from_it(session: Session) -> None:
    """Words on the command line win over the file."""
    plain = settings(session, "data=x")
    quick = settings(session, "data=x", "experiment=quick")
    assert quick.network.name == "resnet_tiny"
    assert plain.network.name == "resnet_small"
    given = settings(session, "data=x", "experiment=quick", "network=resnet_small", "epochs=3")
    assert (given.network, given.epochs, given.augment) == (plain.network, 3, quick.augment)


def test_defaults_in_files_and_in_code_agree(session: Session) -> None:
    """`jointwise train data=x` does what TrainSettings(data=x) does."""
    assert settings(session, "data=x").training == TrainSettings(Path("x"))


def test_a_server_is_one_word(session: Session) -> None:
    """tracking=server, and its address."""
    cfg = settings(session, "data=x", "tracking=server", "tracking.uri=http://there:5000")
    assert cfg.tracking.uri == "http://there:5000"
