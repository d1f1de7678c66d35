"""What tables say in a card: development boards, seeds and networks on them, and the best linear test."""

from collections.abc import Sequence
from pathlib import Path
from typing import Any, Final

import pandas as pd

from jointwise.evaluation.model_card.sources import Source
from jointwise.evaluation.model_card.words import NOT_MEASURED, Lines, between, plain_table, table
from jointwise.evaluation.observed import read_study
from jointwise.evaluation.report.cells import written
from jointwise.evaluation.report.observer import size
from jointwise.joints.errors import InputError
from jointwise.joints.kinds import KINDS, TITLES
from jointwise.joints.schema import require_columns

BOARDS: Final = ("model", "board", "kind", "measure", "value", "n", "low", "high")
"""Columns of `bench/transfer/boards.py`."""
POOLED: Final = "pooled "


def boards(source: Source, path: Path) -> Lines:
    """Rates of a model, and of those beside it, on the pools of development boards."""
    frame, rows = _boards(path), []
    models = [source.detector, *source.beside]
    for pool in _pools(frame):
        for kind in KINDS:
            for model in models:
                one = _cells(frame, model, pool, kind)
                ap = f"{_told(one, 'ap')}, {_n(one, 'ap')} faulty"
                rows.append([pool, TITLES[kind], model, _rate(one, "recall"), _rate(one, "precision"), ap])
    head = ("boards", "kind", "model", "recall, Wilson 95 %", "precision, Wilson 95 %", "AP (no interval)")
    return [*table(head, rows), *_any(frame, models)]


def _any(frame: pd.DataFrame, models: Sequence[str]) -> Lines:
    rows = []
    for pool in _pools(frame):
        for model in models:
            one = _cells(frame, model, pool, "any")
            names = ("false_calls", "escapes", "outside_envelope")
            rows.append([pool, model, *(_rate(one, name) for name in names)])
    head = (
        "boards",
        "model",
        "sound joints with any call",
        "faulty joints without any",
        "outside its training",
    )
    return table(head, rows)


def bars(source: Source, path: Path) -> Lines:
    """What was asked of a model on development boards, and whether its figure holds it."""
    frame, rows = _boards(path), []
    for bar in source.bars:
        for kind in KINDS if bar["kind"] == "each" else (bar["kind"],):
            one = _cells(frame, source.detector, bar["board"], kind).get(bar["measure"])
            least, most = bar.get("least", 0.0), bar.get("most", 1.0)
            asked = f"at least {least:g}" if "least" in bar else f"at most {most:g}"
            where = [bar["board"], TITLES.get(kind, f"{kind} kind"), bar["measure"]]
            if one is None or not one["n"]:
                rows.append([*where, asked, NOT_MEASURED, ""])
                continue
            told = f"{between(one['value'], one['low'], one['high'])}, n {one['n']:,.0f}"
            rows.append([*where, asked, told, "held" if least <= one["value"] <= most else "**missed**"])
    head = ("boards", "kind", "measure", "asked for", "measured", "")
    return table(head, rows)


def several(source: Source, path: Path) -> Lines:
    """AP and false calls of several networks on pools of boards, and how far they lie apart; else the plain table."""
    if source.columns:
        return plain_table(source, path)
    frame = _boards(path)
    models = list(source.models) or sorted(set(frame["model"]) - {"finder", "rules"})
    _demand(frame, models, path)
    rows = []
    for pool in _pools(frame):
        for kind in KINDS:
            cells = [_cells(frame, model, pool, kind) for model in models]
            values = [one["ap"]["value"] for one in cells if "ap" in one]
            told = [_told(one, "ap") for one in cells]
            rows.append([pool, f"{TITLES[kind]}, AP, {_n(cells[0], 'ap')} faulty", *told, _spread(values)])
        calls = [_cells(frame, model, pool, "any") for model in models]
        rates = [one["false_calls"]["value"] for one in calls if "false_calls" in one]
        rows.append([pool, "false calls", *(_rate(one, "false_calls") for one in calls), _spread(rates)])
    return table(("boards", "measure", *models, "lowest to highest"), rows)


def observer(source: Source, path: Path) -> Lines:
    """The detector against the best linear test, by the size of the fault."""
    frame = read_study(path)
    frame = frame[frame["detector"] == source.detector]
    if frame.empty:
        raise InputError(
            f"expected the detector {source.detector!r} in {path}, found none; correct the source"
        )
    rows = []
    for row in frame.to_dict("records"):
        one: dict[str, Any] = {str(key): value for key, value in row.items()}
        where = f"{one['voxels_per_ball']:g} voxels per ball, CNR {one['cnr']:.3g}"
        n = f"{one['pairs']:,} pairs of {one['boards']} boards"
        rows.append(
            [TITLES[one["kind"]], size(one), where, n, _span(one, "ideal_auc"), _span(one, "auc"),
             "saturated" if one["note"] == "saturated" else _span(one, "efficiency")]
        )  # fmt: skip
    head = (
        "kind",
        "size",
        "scans",
        "n",
        "AUC of the best linear test",
        "AUC of the detector",
        "efficiency, (d′/d′)²",
    )
    return ["Intervals: 95 %, jackknife over boards.", "", *table(head, rows)]


def _boards(path: Path) -> pd.DataFrame:
    frame = pd.read_csv(path)
    require_columns(frame, BOARDS, str(path))
    return frame


def _demand(frame: pd.DataFrame, models: Sequence[str], path: Path) -> None:
    lacking = [name for name in models if name not in set(frame["model"])]
    if lacking:
        raise InputError(
            f"expected the model {lacking[0]!r} in {path}, found {', '.join(sorted(set(frame['model'])))}"
        )


def _pools(frame: pd.DataFrame) -> list[str]:
    names = list(dict.fromkeys(frame["board"]))
    return [name for name in names if name.startswith(POOLED)] or names


def _cells(frame: pd.DataFrame, model: str, pool: str, kind: str) -> dict[str, dict[str, Any]]:
    """Measure -> its row, of one model, pool and kind.

    Raises:
        InputError: that model is not there.
    """
    own = frame[(frame["model"] == model) & (frame["board"] == pool) & (frame["kind"] == kind)]
    if own.empty and model not in set(frame["model"]):
        raise InputError(f"expected the model {model!r} among {', '.join(sorted(set(frame['model'])))}")
    return {str(row["measure"]): {str(k): v for k, v in row.items()} for row in own.to_dict("records")}


def _rate(cells: dict[str, dict[str, Any]], name: str) -> str:
    one = cells.get(name)
    if one is None or not one["n"]:
        return NOT_MEASURED
    return f"{between(one['value'], one['low'], one['high'])}, n {one['n']:,.0f}"


def _told(cells: dict[str, dict[str, Any]], name: str) -> str:
    return written(cells[name]["value"], "rate") if name in cells else NOT_MEASURED


def _n(cells: dict[str, dict[str, Any]], name: str) -> str:
    return f"{cells[name]['n']:,.0f}" if name in cells else "0"


def _spread(values: Sequence[float]) -> str:
    return f"{written(min(values), 'rate')} to {written(max(values), 'rate')}" if values else NOT_MEASURED


def _span(row: dict[str, Any], name: str) -> str:
    return between(row[name], row[f"{name}_low"], row[f"{name}_high"])
