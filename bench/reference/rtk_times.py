"""itk-rtk's side of bench/generator_cpu.py: a process without numba that times one filter per line it reads.

    python bench/reference/rtk_times.py case.npz THREADS     then "joseph", "fdk" or "quit" on standard input

Answers each line with the seconds the filter took; its inputs are made beforehand and not counted.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import itk
import numpy as np
from itk import RTK

IMAGE = itk.Image[itk.F, 3]


def geometry(case: Any) -> Any:
    """The circular scan of the case."""
    circle = RTK.ThreeDCircularProjectionGeometry.New()
    for angle in case["angles_deg"]:
        circle.AddProjection(float(case["sod"]), float(case["sdd"]), float(angle))
    return circle


def placed(array: Any, spacing: list[float], origin: list[float]) -> Any:
    """A float32 image (z, y, x) at its place."""
    image = itk.image_from_array(np.ascontiguousarray(array, np.float32))
    image.SetSpacing(spacing)
    image.SetOrigin(origin)
    return image


def blank_views(case: Any) -> Any:
    """Empty projections of the case's detector."""
    views, rows, columns = (int(n) for n in case["projections"].shape)
    pixel = float(case["pixel"])
    origin = [-(columns - 1) * pixel / 2, -(rows - 1) * pixel / 2, 0.0]
    return placed(np.zeros((views, rows, columns)), [pixel, pixel, 1.0], origin)


def joseph(case: Any) -> tuple[Callable[[], Any], Callable[[Any], Any]]:
    """Joseph's projector through the voxels of the ball layer."""
    solder = placed(case["solder"], [float(case["voxel"])] * 3, [float(v) for v in case["solder_origin"]])
    circle = geometry(case)

    def make() -> Any:
        projector = RTK.JosephForwardProjectionImageFilter[IMAGE, IMAGE].New()
        # A fresh input each time: the filter works in place and takes its memory.
        projector.SetInput(blank_views(case))
        projector.SetInput(1, solder)
        projector.SetGeometry(circle)
        return projector

    return make, lambda done: itk.array_from_image(done.GetOutput())


def fdk(case: Any) -> tuple[Callable[[], Any], Callable[[Any], Any]]:
    """FDK with the plain ramp onto the wanted voxels."""
    columns, rows = case["projections"].shape[2], case["projections"].shape[1]
    pixel = float(case["pixel"])
    origin = [-(columns - 1) * pixel / 2, -(rows - 1) * pixel / 2, 0.0]
    views = placed(case["projections"], [pixel, pixel, 1.0], origin)
    circle, voxel, start = geometry(case), float(case["voxel"]), [float(v) for v in case["roi_origin"]]

    def make() -> Any:
        target = placed(np.zeros(case["roi_shape"]), [voxel] * 3, start)
        whole = RTK.FDKConeBeamReconstructionFilter[IMAGE].New()
        whole.SetInput(0, target)
        whole.SetInput(1, views)
        whole.SetGeometry(circle)
        whole.GetRampFilter().SetTruncationCorrection(0.0)
        whole.GetRampFilter().SetHannCutFrequency(0.0)
        return whole

    return make, lambda done: itk.array_from_image(done.GetOutput())


def main(path: str, threads: int) -> None:
    """Answer lines until "quit"; the result of each filter is kept beside the case for comparison."""
    itk.MultiThreaderBase.SetGlobalDefaultNumberOfThreads(threads)
    case = np.load(path)
    filters = {"joseph": joseph(case), "fdk": fdk(case)}
    for line in sys.stdin:
        name = line.strip()
        if name == "quit":
            break
        make, result = filters[name]
        stage = make()
        start = time.perf_counter()
        stage.Update()
        taken = time.perf_counter() - start
        np.save(Path(path).with_name(f"{name}.npy"), result(stage))
        print(taken, flush=True)


if __name__ == "__main__":
    main(sys.argv[1], int(sys.argv[2]))
