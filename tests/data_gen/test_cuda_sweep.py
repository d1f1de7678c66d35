"""The card's sweep of the truth is the processor's; kernels run in numba's simulator, in a process of its own."""

import os
import subprocess
import sys
from pathlib import Path

import pytest


@pytest.mark.slow
def test_sweep_on_a_card_tells_the_same_truth():
    simulate = {"NUMBA_ENABLE_CUDASIM": "1", "NUMBA_DISABLE_JIT": "1"}
    case = Path(__file__).with_name("sweep_case.py")
    done = subprocess.run(
        [sys.executable, str(case)], env=os.environ | simulate, capture_output=True, text=True, timeout=240
    )
    assert done.returncode == 0, done.stderr
    assert "joints agree" in done.stdout
