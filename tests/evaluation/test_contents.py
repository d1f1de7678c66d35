"""The contents of the report: every topic, in reading order, of every set; of all sets where there are several."""

import dataclasses
import subprocess
import sys

import numpy as np
import pandas as pd

from jointwise.evaluation.report.contents import Asked, parts
from jointwise.evaluation.report.page import Part, numbers_of
from jointwise.evaluation.report.section import Section
from tests.evaluation.test_verdicts import example


def titles(found: list[Part]) -> list[str]:
    return [f"{part.name}: {section.anchor}" for part in found for section in part.sections]


def test_topics_come_set_by_set_then_of_all_then_what_is_looked_up() -> None:
    one, two = example(), dataclasses.replace(example(seed=1), name="other")
    each = [lambda v, _: Section("a", "a", [], {"x": float(len(v))}), lambda *_: None]
    found = parts(
        Asked([one, two]), each, [lambda asked: Section("all", f"all-{len(asked.sets)}", [])],
        [lambda *_: Section("end", "end", [])],
    )  # fmt: skip
    assert titles(found) == ["example: a", "other: a", ": all-2", "example: end", "other: end"]
    assert numbers_of(found) == {"example/x": 12.0, "other/x": 12.0}
    assert found[0].provenance == one.provenance


def test_every_topic_of_the_harness_speaks() -> None:
    found = titles(parts(Asked([example(60)])))
    for word in ("measures", "readers", "compare", "detection", "slices", "calibration", "failures"):
        assert any(word in title or word[:3] in title for title in found), word
    assert not any("shift" in title for title in found)
    assert found[-1] == "example: failures"


def test_several_sets_are_set_beside_the_reference() -> None:
    two = dataclasses.replace(example(60, seed=1), name="other")
    found = titles(parts(Asked([example(60), two], reference="example"), of_each=[]))
    assert found[0] == ": shift"


def test_numbers_are_flat_and_finite_or_nothing() -> None:
    numbers = numbers_of(parts(Asked([example(60)])))
    assert all(isinstance(value, float | int | np.number) for value in numbers.values())
    assert all(name.startswith("example/") for name in numbers)
    assert len(numbers) > 100


def test_an_observer_study_is_shown() -> None:
    found = titles(parts(Asked([], observer=pd.DataFrame()), of_each=[], at_the_end=[]))
    assert found == [": observer"]


def test_judging_ready_scores_loads_no_network_library() -> None:
    """Loading torch and monai takes several seconds that ready scores do not need."""
    rooms = ("report.contents", "report.head", "subjects", "set_up", "verdicts", "labels.storage")
    lines = [f"import jointwise.evaluation.{room}" for room in rooms]
    code = "; ".join([*lines, "import sys; print([m for m in ('torch', 'monai') if m in sys.modules])"])
    said = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert said.stdout == "[]\n"
