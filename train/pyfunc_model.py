"""The code that MLflow keeps beside a model folder and runs to load it: nothing of the model is ever pickled.

It asks `jointwise`, which must be installed where the model is loaded, to read the folder (safetensors and JSON).
"""

import warnings
from pathlib import Path
from typing import Any

import pandas as pd

from jointwise.models.answers import answers
from jointwise.models.bench import load_bench
from jointwise.models.names import LEARNED

with warnings.catch_warnings():
    # MLflow warns of its own types when it is loaded.
    warnings.simplefilter("ignore")
    from mlflow.models import set_model
    from mlflow.pyfunc.model import PythonModel, PythonModelContext


class JointDetector(PythonModel):
    """The network of a model folder with its calibration, cuts and envelope."""

    def load_context(self, context: PythonModelContext) -> None:
        """Read the model folder that lies among the artefacts."""
        bench = load_bench(Path(context.artifacts["model"]), [LEARNED])
        self._judge, self._grid = bench.deciding, bench.grid

    def predict(
        self,
        context: PythonModelContext,  # noqa: ARG002
        model_input: pd.DataFrame,
        params: dict[str, Any] | None = None,  # noqa: ARG002
    ) -> pd.DataFrame:
        """Scores and calls of the joints of a table, see :mod:`jointwise.models.answers`."""
        return answers(self._judge, model_input, self._grid)


set_model(JointDetector())
