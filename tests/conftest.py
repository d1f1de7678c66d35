"""Set before torch is loaded: its threads otherwise spin while they wait (see commands/main.py)."""

import os

os.environ.setdefault("OMP_WAIT_POLICY", "PASSIVE")
