"""How solder ends at the lands, and the outline's notch."""

import numpy as np
import pytest

from jointwise.models.rules.numbers import Examination, examine, suspect


def look(joints) -> Examination:
    row = joints.table.iloc[0]
    found = examine(joints.volumes[0], joints.grid, row["pitch_mm"], row["ball_mm"])
    assert found is not None
    return found


@pytest.mark.parametrize("noise", [0.0, 0.1])
def test_sound_lands_look_alike(phantom, noise) -> None:
    found = look(phantom(noise=noise))
    board, package = found.board, found.package
    assert board.z == pytest.approx(-0.185, abs=0.02)
    assert package.z == pytest.approx(0.185, abs=0.02)
    assert abs(board.steep_mm - package.steep_mm) < 0.006
    assert max(abs(board.sag_mm), abs(package.sag_mm)) < 0.006
    assert max(board.reached(package, 3), package.reached(board, 3)) < 8


@pytest.mark.parametrize("place", ["open_board", "open_package"])
@pytest.mark.parametrize("noise", [0.0, 0.1])
def test_the_open_land_is_suspected_and_its_gap_measured(phantom, place, noise) -> None:
    found = look(phantom(noise=noise, **{place: 0.03}))
    odd, even = suspect(found)
    assert odd.side == (-1 if place == "open_board" else 1)
    gap, contact = odd.gap(even)
    # The cap's tip is 30 µm over the land; on average over the disc it recedes by r²/(4 R) more.
    assert gap == pytest.approx(30 + 1000 * 0.17**2 / (4 * 0.45), rel=0.35)
    assert contact < 0.1
    assert odd.sag_mm > even.sag_mm + 0.01


def test_wider_gaps_recede_more(phantom) -> None:
    receded = []
    for tip in (0.005, 0.02, 0.04):
        odd, even = suspect(look(phantom(open_package=tip)))
        receded.append(odd.reached(even, 3))
    assert receded == sorted(receded)
    assert receded[-1] - receded[0] == pytest.approx(35, rel=0.3)


def test_copper_behind_a_gap_makes_a_low_ledge(phantom) -> None:
    odd, even = suspect(look(phantom(open_board=0.045, copper=0.035)))
    assert odd.ledge > 0.02
    assert odd.ledge_level < 0.5
    assert even.ledge < 0.02


def test_a_ball_has_no_waist_and_a_cut_one_has(phantom) -> None:
    sound, parted = look(phantom()).profile, look(phantom(gap=0.04, gap_radius=2.0)).profile
    assert sound.waist_um < 3
    assert max(sound.notches_um) < 0
    assert parted.waist_um > 30
    assert max(parted.notches_um) > 30
    assert sound.largest_mm2 == pytest.approx(np.pi * 0.272**2, rel=0.04)
