"""The CUDA C of the generator built as plain C++ (cuda_shim.h), so that it runs where there is a g++ and no card."""

import ctypes
import functools
import re
import shutil
import subprocess
import tempfile
from pathlib import Path

import numpy as np
import torch

from jointwise.data_gen.xray.cuda import compiled

HERE = Path(__file__).parent
KERNEL = re.compile(r'extern "C" __global__ void (?:__launch_bounds__\([^)]*\) )?(\w+)\(([^)]*)\) \{', re.S)
GPP = shutil.which("g++")


@functools.cache
def library(source: str, defines: str = "") -> ctypes.CDLL:
    """One .cu file as a library with a function `run_NAME` for each kernel."""
    # Macros first: parameters may be some.
    expand = [str(GPP), "-E", "-P", "-x", "c++", "-"]
    text = subprocess.run(
        expand, input=compiled.program(source, defines), capture_output=True, text=True, check=True
    ).stdout
    text = re.sub(r"extern __shared__ (\w+) (\w+)\[\];", r"\1 *\2 = (\1 *)shim_dynamic;", text)
    for name, parameters in KERNEL.findall(text):
        types = [re.match(r"\s*(.*?)\w+\s*$", p, re.S).group(1) for p in parameters.split(",")]
        passed = ", ".join(f"*({kind} *)values[{i}]" for i, kind in enumerate(types))
        text += (
            f'\nextern "C" void run_{name}(void **values, unsigned x, unsigned y, unsigned z, unsigned block) '
            f"{{ shim_launch({{x, y, z}}, block, [=] {{ {name}({passed}); }}); }}\n"
        )
    folder = Path(tempfile.mkdtemp(prefix="cuda_cpp_"))
    program, out = folder / f"{source}.cpp", folder / f"{source}.so"
    program.write_text(f'#include "{HERE / "cuda_shim.h"}"\n{text}', encoding="utf-8")
    subprocess.run(
        [str(GPP), "-O2", "-std=c++17", "-w", "-shared", "-fPIC", "-o", str(out), str(program)], check=True
    )
    return ctypes.CDLL(str(out))


def use():
    """Send what a card would do by CUDA C here; what numba compiles is for its simulator."""
    compiled.launch = launch


def launch(source, name, grid, block, *arguments, shared=0, defines=""):
    """`compiled.launch` on the processor."""
    assert shared <= 256 * 1024
    values, kept = [], []
    for argument in arguments:
        if isinstance(argument, torch.Tensor):
            assert argument.is_contiguous()
            value = np.uint64(argument.data_ptr())
        else:
            value = compiled.passed(argument)
        kept.append(np.array(value))
        values.append(kept[-1].ctypes.data)
    table = (ctypes.c_void_p * len(values))(*values)
    x, y, z = (*grid, 1, 1)[:3]
    getattr(library(source, defines), f"run_{name}")(table, x, y, z, block)
