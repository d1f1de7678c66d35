"""The shortest account of a set: one line of each kind and detector, counted anew here, and where it stands."""

from dataclasses import replace
from datetime import datetime

import numpy as np
import pytest

from jointwise.evaluation.report.overview import overview
from jointwise.evaluation.report.page import Head, Part, page_html
from jointwise.evaluation.report.section import Paragraph, Section
from jointwise.evaluation.table import ANY
from jointwise.joints.kinds import KINDS
from tests.evaluation.test_verdicts import example


def test_each_kind_and_detector_has_one_line_with_its_counts() -> None:
    one = example(120)
    grid = overview(one)
    assert grid is not None
    frame = grid.frame.set_index(["kind", "detector"])
    assert len(frame) == (len(KINDS) + 1) * len(one.scores)
    for k, kind in enumerate(KINDS):
        known, yes, call = one.known[:, k], one.truth[:, k] == 1, one.calls("rules")[:, k]
        row = frame.loc[(kind, "rules")]
        assert row["joints"] == f"{int((yes & known).sum())} of {int(known.sum())}"
        assert row["recall"] == pytest.approx((yes & call).sum() / (yes & known).sum())
        assert row["precision"] == pytest.approx((yes & call).sum() / (call & known).sum())
    sound = one.present & (one.truth == 0).all(axis=1)
    called = one.calls("rules").any(axis=1)
    row = frame.loc[(ANY, "rules")]
    assert row["false_calls_text"] == f"{int((sound & called).sum())} of {int(sound.sum())}"
    faulty = one.present & (one.truth == 1).any(axis=1)
    assert row["recall"] == pytest.approx((faulty & called).sum() / faulty.sum())
    assert row["precision"] == pytest.approx((faulty & called).sum() / ((faulty | sound) & called).sum())


@pytest.mark.parametrize("rows", [[0], []])
def test_one_joint_or_none_has_its_lines(rows: list[int]) -> None:
    one = example(12).take(np.array(rows, dtype=np.int64))
    grid = overview(one)
    assert grid is not None
    assert len(grid.frame) == 5 * len(one.scores)


def test_it_stands_above_the_findings_and_is_absent_where_nobody_judged() -> None:
    one = example(40)
    head = Head("Title", "Lead.", datetime(2030, 1, 2, 3, 4), "0.0", [], [])
    section = Section("Title", "a", [Paragraph("A finding.", "finding")])
    text = page_html(head, [Part(one.name, [section], "", overview(one))], [])
    assert text.index('id="short"') < text.index('id="settled"')
    nobody = overview(replace(one, scores={}, cuts={}, outside={}))
    assert nobody is None
    assert 'id="short"' not in page_html(head, [Part(one.name, [section], "", nobody)], [])
