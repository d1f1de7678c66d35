"""`jointwise paint` and the store that `score` keeps for it: what is refused in one sentence."""

from pathlib import Path

import pytest

from jointwise.commands.demo_boards import refuse_demo_boards
from jointwise.commands.evaluate import set_folder
from jointwise.commands.main import main
from jointwise.evaluation.labels.labelled_set import read_set
from jointwise.joints.batch import Joints
from jointwise.joints.errors import InputError
from jointwise.joints.store import StoreWriter

DEMO = set_folder("demo")


def refused(capsys: pytest.CaptureFixture[str], *words: str) -> str:
    """The one sentence with which a command line is refused."""
    assert main(list(words)) == 2
    said = capsys.readouterr().err
    assert said.count("\n") == 1
    assert "Traceback" not in said
    return said


def demo_joints() -> Joints:
    """Joints of the first demo board as somebody might have scored and kept them."""
    joints = read_set(DEMO, "demo").joints
    return joints.take(list(joints.table.index[joints.table["scan"] == "board_01"]))


def test_labelled_sets_and_demo_boards_are_never_painted_into(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = f"out={tmp_path / 'painted'}"
    assert "is for judging only" in refused(capsys, "paint", f"joints={DEMO}", out)
    joints = demo_joints()
    with pytest.raises(InputError, match="those of a demo board"):
        refuse_demo_boards(joints)
    renamed = joints.table.assign(
        scan="mine", board_id="mine", split="train", axes="[[1,0,0],[0,1,0],[0,0,1]]", row=joints.table["row"]
    )
    with StoreWriter(tmp_path / "store", joints.grid, None, {"made_by": "score"}) as writer:
        writer.add("mine", Joints(joints.volumes, renamed, joints.grid))
    assert "those of a demo board" in refused(capsys, "paint", f"joints={tmp_path / 'store'}", out)
    assert not (tmp_path / "painted").exists()


def test_what_paint_and_score_cannot_do_is_refused(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert "expected a store of joints" in refused(capsys, "paint", f"joints={tmp_path / 'nowhere'}")
    same = f"={tmp_path / 'one'}"
    assert "for both" in refused(capsys, "paint", f"joints{same}", f"out{same}")
    assert "edge_um" in refused(capsys, "paint", "joints=x", "edge_um=-3")
    assert "copies" in refused(capsys, "paint", "joints=x", "copies=0")
    assert "split: expected one of" in refused(capsys, "score", "scan=a.mha", "model=m", "split=tset")
