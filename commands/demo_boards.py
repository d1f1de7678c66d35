"""Keeps the demo boards out of whatever may be trained on."""

from typing import TYPE_CHECKING

from jointwise.joints.errors import InputError

if TYPE_CHECKING:
    from jointwise.joints.batch import Joints

ALIKE = 0.55
"""Likeness from which joints count as cut from a demo board. Measured on boards of the mesh simulator: 0.24 between two
boards; 1.0, 0.93, 0.78 for one scan cut anew with places off by 0, 0.3, 0.6 voxels (standard deviation)."""


def refuse_demo_boards(joints: "Joints") -> None:
    """Compare with the demo sets, where they are at hand (a checkout of the repository).

    Raises:
        InputError: the joints were cut from a demo board.
    """
    from jointwise.commands.evaluate import DEMO, DEMO_FOLDER, ROOMS, set_folder
    from jointwise.evaluation.labels.labelled_set import FACTS, likeness, read_set

    if not (ROOMS / DEMO_FOLDER / FACTS).is_file():
        return
    found = likeness(joints, read_set(set_folder(DEMO), DEMO))
    if found >= ALIKE:
        raise InputError(
            f"expected joints that may be trained on, found those of a demo board (likeness {found:.2f}, other "
            "boards give about 0.2); the demo sets are for judging only: take other scans, or give "
            "judging_only=true to `score`"
        )
