"""Small scenes for the physics tests."""

import numpy as np

from jointwise.data_gen.shapes import solids as sd
from jointwise.data_gen.shapes.scene import Boxes, Joint, Scene
from jointwise.data_gen.xray.energies import Energies

NO_BOXES = Boxes(np.zeros((0, 3)), np.zeros((0, 3)), np.zeros(0, np.int8))


def joint_of(solids, row=0, col=0):
    centre, radius = sd.enclosing_sphere(sd.of_role(solids, sd.BODY))
    return Joint(row, col, solids, centre, centre, radius, centre[:2], centre[:2], 2 * radius, 0.2, 0.2, 0.07)


def scene_of(*solids, copper=None, sunk=None, boxes=NO_BOXES):
    joints = tuple(joint_of(s, 0, i) for i, s in enumerate(solids))
    return Scene(joints, (), copper or sd.empty(), sunk or sd.empty(), boxes)


def one_energy(mu=1.0, others=(0.5, 0.1, 0.05)):
    """A single energy at which solder attenuates `mu` per mm."""
    return Energies(np.array([[mu], *([m] for m in others)]), np.ones(1), np.ones(1), np.array([60.0]))
