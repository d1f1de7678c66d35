"""exp(-x) of many depths at once, for compiled code."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numba import types
from numba.extending import overload
from numpy.typing import NDArray


def decay(depth: NDArray[Any]) -> None:
    """Replace each depth by exp(-depth); :func:`_compiled_decay` chooses how, by precision."""
    np.exp(-depth, out=depth)


@overload(decay, jit_options={"cache": True, "error_model": "numpy"})  # type: ignore[typeddict-unknown-key]
def _compiled_decay(depth):  # type: ignore[no-untyped-def]
    """libm for float64; for float32 a form that vectorises: 2^n by bits, 2^f by polynomial, within 1e-6 to depth 20."""
    if not (isinstance(depth, types.Array) and depth.dtype == types.float32):

        def exact(depth):  # type: ignore[no-untyped-def]
            for i in range(depth.shape[0]):
                depth[i] = math.exp(-depth[i])

        return exact

    def fast(depth):  # type: ignore[no-untyped-def]
        bits = depth.view(np.int32)
        for i in range(depth.shape[0]):
            # NaN passes through the polynomial; the clip keeps 2^n a normal number.
            power = min(depth[i] * np.float32(1.4426950408889634), np.float32(125.0))
            whole = np.int32(power)
            f = np.float32(whole) - power
            g = np.float32(1.088992322e-4)
            g = g * f + np.float32(1.274361115e-3)
            g = g * f + np.float32(9.578722962e-3)
            g = g * f + np.float32(5.549050685e-2)
            g = g * f + np.float32(2.402243057e-1)
            g = g * f + np.float32(6.931470590e-1)
            depth[i] = g * f + np.float32(1.0)
            bits[i] -= whole << np.int32(23)

    return fast
