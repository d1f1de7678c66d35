"""The summary over boards: figures, files and page from tables made here."""

import json
import os
import re
from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from types import SimpleNamespace
from typing import Any
from urllib.parse import unquote

import numpy as np
import pandas as pd
import pytest

from jointwise.commands.failures import sentence
from jointwise.joints.names import ball_name
from jointwise.joints.schema import COLUMNS
from jointwise.scoring.batch import (
    AS_BEFORE,
    FAULT,
    REFUSED,
    SCORED,
    SUMMARY,
    Job,
    Outcome,
    Work,
    plan,
    score_batch,
)
from jointwise.scoring.summary.drawn import trend
from jointwise.scoring.summary.write import write_summary
from jointwise.scoring.write import REPORT, TABLE_PARQUET

WHEN = datetime(2026, 1, 2, 3, 4)
EDGE = "its surroundings reach beyond the edge of the scan"


def table(
    name: str, findings: dict[str, str], component: str = "U1", review: tuple[str, ...] = ()
) -> pd.DataFrame:
    row, col = np.divmod(np.arange(20), 5)
    joints = pd.DataFrame(index=range(20), columns=list(COLUMNS))
    joints["scan"], joints["board_id"], joints["component"] = name, name, component or None
    joints["row"], joints["col"] = row, col
    joints["ball"] = [ball_name(r, c) for r, c in zip(row.tolist(), col.tolist(), strict=True)]
    joints["findings"] = [findings.get(ball) for ball in joints["ball"]]
    joints["present"] = (joints["findings"] != "missing").astype(int)
    joints.loc[joints["ball"].isin(review), ["disposition", "reason"]] = ["review", EDGE]
    return joints.assign(detector="plain", thresholds_id="f1-12345678")


def outcome(
    out: Path, name: str, joints: pd.DataFrame | None, state: str = SCORED, sentence: str = ""
) -> Outcome:
    folder = out / re.sub(r"\W", "_", name)
    if joints is not None:
        folder.mkdir(parents=True)
        joints.to_parquet(folder / TABLE_PARQUET, index=False)
        (folder / REPORT).write_text("a report")
    return Outcome(Job(Path(f"lot/{name}.mha"), name, folder), state, sentence, sha256=name)


@pytest.fixture
def lot(tmp_path: Path) -> Callable[..., tuple[Path, list[Outcome]]]:
    """A lot of scored boards with C3 void on each, and one board that failed."""

    def make(boards: int) -> tuple[Path, list[Outcome]]:
        tmp_path.mkdir(exist_ok=True)
        outcomes = []
        for n in range(boards):
            findings = {"C3": "void", "A1": "missing"} if n else {"C3": "void"}
            joints = table(f"b&{n}", findings, review=("B2",) if n == 1 else ())
            outcomes.append(outcome(tmp_path, f"b&{n}", joints))
        bad = outcome(tmp_path, "<bad>", None, REFUSED, "expected a scan in <bad>.mha, found none")
        return tmp_path, [outcomes[0], bad, *outcomes[1:]]

    return make


def test_page_tells_what_was_found(lot: Callable[..., tuple[Path, list[Outcome]]]) -> None:
    out, outcomes = lot(6)
    said = write_summary(outcomes, out, WHEN)
    assert said == "6 of 7 scans were scored, 1 failed. 11 of 120 sites carry a finding; 1 goes to review."
    html = (out / SUMMARY[0]).read_text()
    assert said in html
    assert "&lt;bad&gt;</b>, failed: expected a scan in &lt;bad&gt;.mha, found none." in html
    assert "<bad>" not in html
    assert f"<b>b&amp;1</b>, 1: {EDGE} (1)." in html
    assert "2 sites stand out: C3, A1" in html
    assert "<title>C3: 6 of 6 boards (void 6)</title>" in html
    assert "<title>A1: 5 of 6 boards (missing 5)</title>" in html
    assert html.count('class="marked" x=') == 2
    assert "Judged by plain, thresholds f1-12345678." in html
    links = re.findall(r'<a href="([^"]+)"', html)
    assert len(links) == 6
    assert all((out / unquote(link)).is_file() for link in links)
    assert not re.findall(r'(?:src|href)="(?:https?:)?//', html)
    trend_numbers = re.findall(r'<text x="[\d.]+" y="204">(\d+)</text>', html)
    assert trend_numbers == [
        "1",
        "3",
        "4",
        "5",
        "6",
        "7",
    ]  # as in the table, where the failed one is the second


def test_four_boards_are_too_few(lot: Callable[..., tuple[Path, list[Outcome]]]) -> None:
    out, outcomes = lot(4)
    write_summary(outcomes, out, WHEN)
    html = (out / SUMMARY[0]).read_text()
    assert "4 boards: too few to tell whether a site fails more often" in html
    assert "4 boards: too few for a trend" in html
    assert "stand out" not in html
    assert 'class="marked"' not in html
    facts = json.loads((out / SUMMARY[1]).read_text())
    assert facts["parts"][0]["marked"] == []
    assert {site["p_holm"] for site in facts["parts"][0]["sites"]} == {None}


def test_files_say_the_same(lot: Callable[..., tuple[Path, list[Outcome]]]) -> None:
    out, outcomes = lot(6)
    write_summary(outcomes, out, WHEN)
    facts = json.loads((out / SUMMARY[1]).read_text())
    assert facts["format"] == 1
    assert [board["state"] for board in facts["boards"]] == [SCORED, REFUSED, *[SCORED] * 5]
    counts = facts["boards"][2]["counts"]
    assert [counts[word] for word in ("sites", "joints", "with_finding", "void", "missing")] == [
        20,
        19,
        2,
        1,
        1,
    ]
    assert facts["boards"][2]["review"] == {EDGE: 1}
    (part,) = facts["parts"]
    c3 = next(site for site in part["sites"] if site["ball"] == "C3")
    assert (c3["k"], c3["n"], c3["void"]) == (6, 6, 6)
    assert c3["low"] == pytest.approx(0.6097, abs=1e-4)  # Wilson of 6 in 6
    lines = pd.read_csv(out / SUMMARY[2])
    assert list(lines["board"]) == ["b&0", "<bad>", *(f"b&{n}" for n in range(1, 6))]
    assert lines["void"].sum() == 6
    joints = pd.read_parquet(out / SUMMARY[3])
    assert len(joints) == 120
    assert list(joints.columns) == ["board", "folder", *COLUMNS]
    assert (joints["folder"] != "").all()


def test_parts_are_told_apart(tmp_path: Path) -> None:
    outcomes = []
    for n in range(5):
        both = [table(f"b{n}", {"A1": "void"}, "U1"), table(f"b{n}", {"B2": "bridging"}, "U2")]
        outcomes.append(outcome(tmp_path, f"b{n}", pd.concat(both, ignore_index=True)))
    write_summary(outcomes, tmp_path, WHEN)
    first, second = json.loads((tmp_path / SUMMARY[1]).read_text())["parts"]
    assert (first["component"], first["marked"]) == ("U1", ["A1"])
    assert (second["component"], second["marked"]) == ("U2", ["B2"])
    html = (tmp_path / SUMMARY[0]).read_text()
    assert "Which sites fail often: U1" in html
    assert "Which sites fail often: U2" in html


def test_no_scan_scored_is_told_too(tmp_path: Path) -> None:
    failed = [outcome(tmp_path, f"b{n}", None, FAULT, "ZeroDivisionError: x") for n in range(2)]
    assert write_summary(failed, tmp_path, WHEN) == "0 of 2 scans were scored, 2 failed."
    assert len(pd.read_parquet(tmp_path / SUMMARY[3])) == 0
    assert len(pd.read_csv(tmp_path / SUMMARY[2])) == 2


def test_scans_of_the_same_bytes_and_old_reports_are_told_of(tmp_path: Path) -> None:
    one, two = (outcome(tmp_path, name, table(name, {}), AS_BEFORE) for name in "ab")
    twin = Outcome(two.job, two.state, sha256=one.sha256)
    stale = outcome(tmp_path, "c", table("c", {}))
    stale = Outcome(stale.job, REFUSED, "expected another scan", "")
    write_summary([one, twin, stale], tmp_path, WHEN)
    html = (tmp_path / SUMMARY[0]).read_text()
    assert "The scans a, b hold the same bytes" in html
    assert "The report in its folder is of an earlier run" in html
    assert "2 of them stood ready" in html
    assert len(pd.read_parquet(tmp_path / SUMMARY[3])) == 40


def test_a_name_that_is_no_text_is_refused_alone(tmp_path: Path) -> None:
    odd, fine = (
        Path(os.fsdecode(os.fsencode(tmp_path) + b"/" + name)) for name in (b"\xff\xfe.mha", b"fine.mha")
    )
    for path in (odd, fine):
        path.write_bytes(b"x")
    out = tmp_path / "out"

    def write(_: Any, folder: Path, __: Any) -> list[tuple[str, str]]:
        folder.mkdir()
        table(folder.name, {}).to_parquet(folder / TABLE_PARQUET)
        return []

    work = Work(lambda path, _: SimpleNamespace(scan=SimpleNamespace(path=path)), write, sentence, {})  # type: ignore
    outcomes = score_batch(plan([odd, fine], out), out, work, lambda *_: None, lambda _: None)
    assert [o.state for o in outcomes] == [REFUSED, SCORED]
    write_summary(outcomes, out, WHEN)
    assert "\\udcff\\udcfe</b>, failed: expected a path in UTF-8" in (out / SUMMARY[0]).read_text()


def test_trend_shows_shares_at_their_heights() -> None:
    svg = trend([(1, "a", 0, 100), (2, "b", 50, 100)])
    low, high = (float(y) for y in re.findall(r'class="dot" cx="[\d.]+" cy="([\d.]+)"', svg))
    zero = float(re.findall(r'class="grid"[^>]*y1="([\d.]+)"', svg)[0])
    assert low == pytest.approx(zero)
    top = float(re.findall(r">([\d.]+) %</text>", svg)[-1])
    assert (zero - high) / (zero - 14) == pytest.approx(50 / top, abs=0.01)
