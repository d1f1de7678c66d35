"""Records as JSON: written and read back equal, bit for bit."""

from __future__ import annotations

import dataclasses
import json
import types
from typing import Any, TypeVar, Union, get_args, get_origin, get_type_hints

from jointwise.data_gen.drawing.records import ScanRecord
from jointwise.joints.errors import InputError

Record = TypeVar("Record")

# Every field of a record stands in its __dict__, in order; `dataclasses.asdict` would copy all of them deeply.
_ENCODER = json.JSONEncoder(allow_nan=False, separators=(",", ":"), default=vars)


def to_json(record: Any) -> str:
    """The record as one line of JSON; `from_json` gives back an equal record, bit for bit."""
    return _ENCODER.encode(record)


def from_json(text: str, kind: type[Record] = ScanRecord) -> Record:  # type: ignore[assignment]
    """The record that `to_json` wrote.

    Raises:
        InputError: the text is no JSON, or lacks a field or has one too many. A field with a default may be missing,
            as in records older than it.
    """
    try:
        data = json.loads(text)
    except json.JSONDecodeError as error:
        raise InputError(f"expected a record as JSON, found {error.msg} at character {error.pos}") from error
    built: Record = _build(data, kind, kind.__name__)
    return built


def _build(value: Any, kind: Any, where: str) -> Any:
    if dataclasses.is_dataclass(kind):
        return _build_record(value, kind, where)
    origin, inner = get_origin(kind), get_args(kind)
    if origin in (types.UnionType, Union):
        return None if value is None else _build(value, inner[0], where)
    if origin is tuple:
        if not isinstance(value, list) or (inner[-1] is not Ellipsis and len(value) != len(inner)):
            raise InputError(f"expected a list at {where} of the record, found {value!r}")
        kinds = [inner[0]] * len(value) if inner[-1] is Ellipsis else inner
        return tuple(_build(v, k, f"{where}[{i}]") for i, (v, k) in enumerate(zip(value, kinds, strict=True)))
    if kind is float and isinstance(value, int) and not isinstance(value, bool):
        return float(value)
    if not isinstance(value, kind):
        raise InputError(f"expected {kind.__name__} at {where} of the record, found {value!r}")
    return value


def _build_record(value: Any, kind: Any, where: str) -> Any:
    hints = get_type_hints(kind)
    fields = dataclasses.fields(kind)
    names = {f.name for f in fields}
    needed = {f.name for f in fields if f.default is dataclasses.MISSING}
    if not isinstance(value, dict) or not needed <= set(value) <= names:
        found = sorted((needed - set(value)) | (set(value) - names)) if isinstance(value, dict) else value
        raise InputError(
            f"expected the fields of {kind.__name__} at {where} of the record, they differ in {found}"
        )
    return kind(**{name: _build(value[name], hints[name], f"{where}.{name}") for name in value})
