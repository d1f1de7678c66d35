"""Every file in configs composes with its command, and so does every command that the developers' notes write out."""

import dataclasses
import json
import re
import shlex
from pathlib import Path
from typing import Any

import pytest

from jointwise.commands import hydra_wrapper, settings_tree, train
from jointwise.commands.registry import COMMANDS, load
from jointwise.models.settings import NetworkSettings
from jointwise.train import novelty, rules, run
from jointwise.train.settings import TrackingSettings, TrainSettings

ROOT = Path(__file__).parents[2]
NEEDED = {"train": ["data=x"], "score": ["scan=x"]}


@pytest.mark.parametrize("name", ["generate", "train", "score"])
def test_every_choice_of_every_group_composes(name: str) -> None:
    """A file with a key or a value that the settings do not take; each is another choice than the others."""
    with hydra_wrapper.session(load(name)) as active:
        for group, choices in active.vocabulary.groups.items():
            assert set(choices) == {path.stem for path in (ROOT / "configs" / group).glob("*.yaml")}
            words = [[*NEEDED.get(name, []), f"{group}={choice}"] for choice in choices]
            found = [hydra_wrapper.settings(active, line) for line in words]
            assert all(one != other for i, one in enumerate(found) for other in found[:i])


def test_families_for_training_are_those_of_mixed_drawn_wider() -> None:
    """The same parts at the same pitches; balls reach further both ways, lands further down, and
    every nominal land lies inside its range."""
    with hydra_wrapper.session(load("generate")) as active:
        wide, mixed = (
            hydra_wrapper.settings(active, [f"family={name}"]).families for name in ("training", "mixed")
        )
    assert [family.name for family in wide] == [family.name for family in mixed]
    for ours, other in zip(wide, mixed, strict=True):
        assert ours.pitch_mm == other.pitch_mm
        (low, high), (least, greatest) = ours.ball_range_mm, other.ball_range_mm
        assert low < least < greatest < high
        for key in ("board_land", "package_land"):
            smallest, largest = getattr(ours, f"{key}_range_mm")
            assert smallest <= getattr(other, f"{key}_range_mm")[0]
            assert smallest < getattr(ours, f"{key}_mm") < largest


def written(text: str) -> list[list[str]]:
    """Command lines of `jointwise` in the shell blocks of a text, variables filled in, a loop's by its first value."""
    blocks = re.findall(r"^```sh\n(.*?)^```", text, re.MULTILINE | re.DOTALL)
    joined = "\n".join(blocks).replace("\\\n", "")
    values = dict(re.findall(r'^(\w+)="(.*)"$', joined, re.MULTILINE))
    lines = []
    for line in joined.splitlines():
        loop = re.match(r"for (\w+) in (\w+)", line)
        known = {**values, **({loop[1]: loop[2]} if loop else {})}
        full = re.sub(r"\$(\w+)", lambda name: known.get(name[1], name[0]), line)  # noqa: B023
        lines += [shlex.split(found) for found in re.findall(r"jointwise ([^;\n]+)", full)]
    return lines


def test_the_commands_that_make_the_shipped_network_compose() -> None:
    """As DEVELOPERS.md writes them: one training; of its eleven stores one chooses, the others are learned whole."""
    lines = written((ROOT / "DEVELOPERS.md").read_text(encoding="utf-8"))
    trained = []
    for name, *words in lines:
        with hydra_wrapper.session(load(name)) as active:
            if name == "train":
                trained.append(hydra_wrapper.settings(active, words))
    (reference,) = trained
    learned = reference.training
    assert len(reference.recipe.stores) == 11
    assert len(set(learned.more_data)) == 10
    assert learned.data.name == "every_1"
    assert learned.more_data_whole
    assert learned.data_validates
    assert learned.thresholds.noise_classes > 1
    assert not learned.rules
    assert not learned.novelty
    assert learned.init_from is None
    assert reference.network.sizes
    assert reference.network.masks


@pytest.mark.parametrize(
    ("wanted", "there", "fitted"), [((True, True), True, 2), ((False, True), True, 1), ((False, False), True, 0),
                                    ((True, True), False, 0), ((False, False), False, 0)]
)  # fmt: skip
def test_others_are_fitted_where_wanted_and_where_the_joints_are(
    wanted: tuple[bool, bool],
    there: bool,
    fitted: int,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: Any,
) -> None:
    """`rules=false novelty=false`, or no store, and the command ends with the network alone; in the second case only it
    says why."""
    calls: list[Path] = []
    monkeypatch.setattr(run, "train", lambda *_: tmp_path / "model")
    monkeypatch.setattr("jointwise.train.stores.open_stores", lambda data, *_: data)
    for module, name in ((rules, "fit_rules"), (novelty, "fit_novelty")):
        monkeypatch.setattr(module, name, lambda store, *_, **__: calls.append(store))
    if there:
        (tmp_path / "manifest.json").touch()
    tracking = TrackingSettings(enabled=False)
    cfg = TrainSettings(tmp_path, tmp_path / "out", rules=wanted[0], novelty=wanted[1], tracking=tracking)
    assert train.run(cfg).wrote == [tmp_path / "model"]
    assert calls == [tmp_path] * fitted
    told = capsys.readouterr()
    assert ("not fitted: rules and novelty" in told.out + told.err) == (any(wanted) and not there)
    if fitted:
        assert len(json.loads((tmp_path / "out" / "fitted.json").read_text())) == fitted


def test_the_recipe_learns_sizes_and_leaves_thin_gaps_out() -> None:
    """What `experiment=first` is about, whatever its other numbers."""
    with hydra_wrapper.session(load("train")) as active:
        cfg = hydra_wrapper.settings(active, ["data=x", "experiment=first"])
    assert cfg.network.sizes
    assert cfg.network.stem_stride[0] == 1
    assert cfg.sizes_weight > 0
    assert cfg.least_gap_voxels > 0
    assert dataclasses.replace(cfg.network, sizes=False) != NetworkSettings()


@pytest.mark.parametrize("name", COMMANDS)
def test_no_key_is_taken_for_a_group(name: str) -> None:
    """A folder of choices called as a key would make Hydra refuse the key's own values."""
    command = load(name)
    with hydra_wrapper.session(command) as active:
        keys = {key.name for key in settings_tree.keys(command.config)} - set(active.vocabulary.groups)
    assert not [key for key in keys if (ROOT / "configs" / key.replace(".", "/")).is_dir()]


def test_limits_of_ones_own_reach_the_settings() -> None:
    with hydra_wrapper.session(load("score")) as active:
        cfg = hydra_wrapper.settings(active, ["scan=board.mha", "acceptance=my limits.yaml"])
    assert cfg.acceptance == Path("my limits.yaml")
