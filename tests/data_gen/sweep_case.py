"""The sweep of the truth by the card's kernels and by the processor's, on one small board; differences are errors.

NUMBA_ENABLE_CUDASIM=1 NUMBA_DISABLE_JIT=1 python tests/data_gen/sweep_case.py      (without those, on a card)
"""

import numpy as np

from jointwise.data_gen.drawing.scan import draw_scan
from jointwise.data_gen.settings import FamilySettings, GeneratorSettings
from jointwise.data_gen.shapes.build import build_scene
from jointwise.data_gen.shapes.columns import GAS_AREA, SHELL_AREA, sweep
from jointwise.data_gen.shapes.truth import ask_truth
from jointwise.data_gen.xray.cuda.card import SIMULATED, card
from jointwise.data_gen.xray.cuda.sweep import sweep_many


def main() -> None:
    """Compare every sum, section and void group of a board that has voids and failed surfaces."""
    rows = 2 if SIMULATED else 8
    settings = GeneratorSettings(family=FamilySettings(rows=(rows, rows), cols=(3, 3)))
    asked = ask_truth(build_scene(draw_scan(settings, 5, 1)), 0.03 if SIMULATED else None)
    ready = [r for r in asked.sweeps if r is not None]
    ours, theirs = sweep_many(ready, card()), [sweep(r) for r in ready]
    # The simulator adds in one order anyway; a card must too: a store's fingerprint hangs on the last bit.
    if not SIMULATED:
        for one, other in zip(ours, sweep_many(ready, card()), strict=True):
            np.testing.assert_array_equal(one.sums, other.sums)
    for one, other in zip(ours, theirs, strict=True):
        np.testing.assert_allclose(one.sums, other.sums, rtol=1e-9, atol=1e-9)
        np.testing.assert_array_equal(one.section, other.section)
        np.testing.assert_array_equal(one.void_area, other.void_area)
    total = sum(c.sums for c in theirs)
    print(f"{len(ready)} joints agree; {total[GAS_AREA]:.0f} rays met voids, {total[SHELL_AREA]:.0f} a shell")
    assert total[GAS_AREA] > 0


if __name__ == "__main__":
    main()
