"""The JSON document keeps to its schema, and the schema to it."""

import json
from dataclasses import replace
from datetime import datetime
from importlib.resources import files
from pathlib import Path
from typing import Any

import jsonschema
import numpy as np
import pandas as pd
import pytest

from jointwise.joints.schema import COLUMNS
from jointwise.scoring.report.document import OF_THE_SCAN, SCHEMA_VERSION
from jointwise.scoring.scored import Scored
from jointwise.scoring.write import DOCUMENT, TABLE_CSV, write_results
from tests.scoring.made import ACCEPTANCE, package, scored

WHEN = datetime(2026, 1, 2, 3, 4)


@pytest.fixture(scope="module")
def schema() -> dict[str, Any]:
    text = files("jointwise.scoring.report").joinpath("joints.schema.json").read_text(encoding="utf-8")
    found: dict[str, Any] = json.loads(text)
    jsonschema.Draft202012Validator.check_schema(found)
    return found


def closed(schema: Any) -> Any:
    """The schema with no key beyond those it names."""
    if isinstance(schema, list):
        return [closed(item) for item in schema]
    if not isinstance(schema, dict):
        return schema
    inner = {key: closed(value) for key, value in schema.items()}
    return {**inner, "additionalProperties": False} if isinstance(schema.get("required"), list) else inner


def described(schema: Any) -> list[str]:
    """Names of all keys that the schema does not say anything about."""
    if not isinstance(schema, dict):
        return []
    here = [
        name
        for name, of in schema.get("properties", {}).items()
        if not of.get("description") and "const" not in of
    ]
    parts = [*schema.get("properties", {}).values(), schema.get("items")]
    return here + [name for part in parts for name in described(part)]


def written(made: Scored, folder: Path) -> dict[str, Any]:
    """The document of a scored scan, read back."""
    write_results(replace(made, settings=replace(made.settings, pictures=0)), folder, WHEN)
    content: dict[str, Any] = json.loads((folder / DOCUMENT).read_text(encoding="utf-8"))
    return content


def test_it_keeps_to_the_schema_to_the_last_key(schema: dict[str, Any], tmp_path: Path) -> None:
    plain = written(scored(), tmp_path / "a")
    limited = written(
        scored(package(dispositions={(0, 1): "review"}), package(2, 3), acceptance=ACCEPTANCE), tmp_path / "b"
    )
    bare = written(scored(package(1, 1, faults={(0, 0): "missing"}, shows=None), seconds={}), tmp_path / "c")
    for content in (plain, limited, bare):
        jsonschema.validate(content, closed(schema))
    assert plain["schema_version"] == SCHEMA_VERSION == schema["properties"]["schema_version"]["const"]
    assert plain["acceptance"] is None
    assert len(limited["packages"]) == 2
    assert bare["packages"][0]["shows"] is None


def test_every_key_is_described(schema: dict[str, Any]) -> None:
    assert described(schema) == []


def test_joints_are_those_of_the_table(tmp_path: Path) -> None:
    content = written(scored(), tmp_path)
    joints = content["packages"][0]["joints"]
    csv = pd.read_csv(tmp_path / TABLE_CSV)
    assert [joint["ball"] for joint in joints] == list(csv["ball"])
    assert set(COLUMNS) - set(OF_THE_SCAN) <= set(joints[0])
    np.testing.assert_allclose([joint["x_mm"] for joint in joints], csv["x_mm"])
    of = {joint["ball"]: joint for joint in joints}
    assert of["A1"]["findings"] == ["void"]
    assert of["A1"]["void_projected_area_pct"] == 12.25
    assert of["A2"]["findings"] == []
    assert of["A1"]["gap_um"] is of["D4"]["score_void"] is of["D4"]["diameter_mm"] is None
    assert (of["D4"]["present"], of["A1"]["present"]) == (False, True)
    assert content["outcome"] == {
        "sentence": content["outcome"]["sentence"],
        "sites": 16,
        "present": 15,
        "missing": 1,
        "with_findings": 4,
        "reject": 0,
        "review": 0,
        "accept": 0,
    }


def test_odd_values_stay_json(tmp_path: Path) -> None:
    its = package()
    levels = replace(its.cut.levels, noise=0.0)
    assert np.isinf(levels.cnr)
    its = replace(its, cut=replace(its.cut, levels=levels), table=its.table.assign(cnr=np.inf, lane=np.nan))
    made = scored(its)
    facts = {'"joints": "@"': "[]", "a\x00b": "\ud800".encode("utf-8", "replace").decode()}
    content = written(replace(made, scan=replace(made.scan, facts=facts)), tmp_path)
    assert content["packages"][0]["levels"]["cnr"] is None
    assert content["packages"][0]["joints"][0]["cnr"] is None
    assert content["scan"]["facts"] == facts
    assert "Infinity" not in (tmp_path / DOCUMENT).read_text()
