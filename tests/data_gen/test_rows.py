"""What is worked out many at a time, or in a shorter way, is what it would be one by one.

Guards: a row of rays whose intervals differ from a single ray's, a ray lost at the rim of a row, an inverse or a
cylinder of another form than the general way gives, heights passed over that hold the least air.
"""

import dataclasses
import json
import math

import numpy as np
import pytest
from numba import njit

from jointwise.data_gen.drawing import numbers
from jointwise.data_gen.drawing.record_json import to_json
from jointwise.data_gen.drawing.scan import draw_scan
from jointwise.data_gen.settings import GeneratorSettings
from jointwise.data_gen.shapes import clearance, rows
from jointwise.data_gen.shapes import solids as sd
from jointwise.data_gen.shapes.chords import segment_intervals
from jointwise.data_gen.shapes.quadrature import shadow
from jointwise.data_gen.xray.detector import _view_stream


@njit
def one_by_one(solids, k, x0, y, step, n, out):
    matrix, origin, profile, ends = solids
    for i in range(n):
        out[:, i] = segment_intervals(
            matrix, origin, profile, ends, k, x0 + i * step, y, 0.0, 0.0, 0.0, 1.0
        )  # fmt: skip


def some_solids():
    """Every way a row may go: closed, waist, straight, sheared, level axis, turned about, tilted, swapped."""
    waist = sd.segment((0.02, -0.08, 0.3), (0.0, 0.35), origin=(0.01, 0.02, 0.0))
    neck = sd.segment(
        (1.0, 0.0, 4.0), (-0.3, 0.3), origin=(0.0, 0.0, 0.2), matrix=[[0, 9.0, 0], [0, 0, 11.0], [1.0, 0, 0]]
    )
    tilted = sd.ellipsoid(
        (0.1, 0.0, 0.2), (0.2, 0.1, 0.05), np.linalg.qr(np.arange(9.0).reshape(3, 3) ** 2 + np.eye(3))[0]
    )
    ball = sd.sphere((0.0, 0.05, 0.15), 0.2)
    rod = sd.cylinder((0.05, 0.0, 0.0), (0.05, 0.0, 0.3), 0.15)
    bowl = sd.segment((0.0, 0.2, 0.0), (0.0, 0.3))
    cup = sd.affine(
        sd.cap((0.02, 0.0, 0.05), 0.4, up=True, depth=0.2), np.diag([1.0, 1.0, -1.0]), (0, 0, 0.3)
    )
    plain = sd.join(waist, neck, tilted, ball, rod, bowl, cup)
    return sd.join(plain, sd.sheared(plain, 0.05, -0.03))


def test_rows_of_rays_hold_the_intervals_of_single_rays_to_the_bit():
    solids, n, x0, step, met = some_solids(), 61, -0.3, 0.01, 0
    shade = shadow(solids)
    for y in (-0.21, -0.05, 0.0, 0.013, 0.2):
        work = rows.row_work(solids.size, n)
        count = rows.row_met(solids[:4], shade, 0, solids.size, x0, y, step, 0, n, work, 0)
        found = {
            k: (work[1][r], first, last, twice) for r, (k, first, last, twice) in enumerate(work[0][:count])
        }
        for k in range(solids.size):
            single = np.empty((4, n))
            one_by_one(solids[:4], k, x0, y, step, n, single)
            inside = (single[1] > single[0], single[3] > single[2])
            if k not in found:
                assert not np.any(inside), (k, y)
                continue
            pieces, first, last, twice = found[k]
            outside = np.ones(n, bool)
            outside[first:last] = False
            assert not np.any(inside[0] & outside)
            assert not np.any(inside[1] & (outside | (not twice)))
            for piece in range(1 + twice):
                begin, end = pieces[2 * piece, first:last], pieces[2 * piece + 1, first:last]
                here = inside[piece][first:last]
                np.testing.assert_array_equal(end > begin, here)
                np.testing.assert_array_equal(begin[here], single[2 * piece, first:last][here])
                np.testing.assert_array_equal(end[here], single[2 * piece + 1, first:last][here])
                met += int(here.sum())
    assert met > 1000


def test_inverses_cylinders_and_draws_are_those_of_the_general_way():
    solids = some_solids()
    swapped = sd.sheared(sd.posts([(0.1, 0.2)], 0.0, 0.3, 0.1), 0.1, 0.2)
    maps = np.concatenate([solids.matrix, swapped.matrix, np.random.default_rng(0).normal(size=(20, 3, 3))])
    np.testing.assert_array_equal(sd.inverses(maps), np.linalg.inv(maps))
    posts = sd.posts([(0.1, 0.2), (-0.3, 0.07)], [0.0, 0.1], 0.3, [0.1, 0.05], sd.PATCH)
    one, other = (
        sd.cone((0.1, 0.2, 0.0), (0.1, 0.2, 0.3), 0.1, 0.1),
        sd.cylinder((-0.3, 0.07, 0.1), (-0.3, 0.07, 0.3), 0.05),
    )
    for found, expected in zip(posts[:4], sd.join(one, other)[:4], strict=True):
        np.testing.assert_array_equal(found, expected)
    np.testing.assert_array_equal(sd.UPRIGHT, sd.axis_frame((0.0, 0.0, 0.2)).T)
    mine, theirs = np.random.default_rng(5), np.random.default_rng(5)
    for pair in ((0.0, 1.0), (-0.3, 0.7), (0.2, 0.2), (1e-3, 5e4)):
        assert numbers.uniform(mine, pair) == theirs.uniform(*pair)
    for view in (0, 7, 2**33):
        for seed in (0, 5, 2**40 + 3, 2**63 - 1):
            words = np.random.default_rng([seed, view, 3])
            assert _view_stream(seed, view, 3).standard_normal() == words.standard_normal()


def test_records_are_written_as_their_plain_copies_are():
    record = draw_scan(GeneratorSettings(), 3, 1)
    plain = json.dumps(dataclasses.asdict(record), allow_nan=False, separators=(",", ":"))
    assert to_json(record) == plain
    with pytest.raises(ValueError, match="not JSON compliant"):
        to_json(dataclasses.replace(record.joints[0], solder_mm3=math.nan))


def test_passing_over_heights_loses_no_air():
    """Against rays at all heights: bounds that say nothing leave none out."""
    one = sd.sheared(
        sd.join(sd.sphere((0, 0, 0.2), 0.25), sd.ellipsoid((0.1, 0, 0.1), (0.3, 0.1, 0.05))), 0.1, 0.05
    )
    other = sd.moved(sd.sheared(sd.sphere((0, 0, 0.2), 0.22), -0.05, 0.0), (0.8, 0.1, 0.0))
    along = np.array([0.8, 0.1]) / math.hypot(0.8, 0.1)
    centre = np.array([0.0, 0.0, 0.2])
    every = np.inf
    for z in np.arange(0.008, 0.4, 0.016):
        window = (float(z) - 0.008, float(z) + 0.0081, -0.25, 0.25)
        every = min(every, clearance._least_air(one[:4], other[:4], centre, along, window, 0.016, np.inf)[0])
    window = 0.0, 0.4001, -0.25, 0.25
    least, z, u = clearance._least_air(one[:4], other[:4], centre, along, window, 0.016, np.inf)
    assert least == pytest.approx(every, abs=1e-9)
    assert 0.0 < least < 0.5
    # A bar already lower than anything here leaves nothing to be found.
    assert clearance._least_air(one[:4], other[:4], centre, along, window, 0.016, least) == (least, 0.0, 0.0)
    # The bound itself: no ray of a layer reaches beyond it, and some nearly do.
    rows_of, reached = np.empty(one.size, np.int64), -np.inf
    for height in np.linspace(0.01, 0.4, 27):
        count, far = clearance._layer(one[:4], centre, along, height, 1.0, rows_of)
        for sideways in np.linspace(-0.3, 0.3, 121):
            x, y = centre[0] - along[1] * sideways, centre[1] + along[0] * sideways
            out = clearance._reach(one[:4], np.arange(one.size), x, y, height, along[0], along[1], 1.0)
            if out > -np.inf:
                assert count
                assert out <= far + 1e-9
                reached = max(reached, out - far)
    assert z > 0.0
    assert abs(u) < 0.25
    assert reached > -1e-3
