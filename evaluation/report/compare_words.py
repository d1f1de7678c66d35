"""What two detectors on the same joints come to, in words: a sentence or two for each pair, and the detail by kind."""

import math
from collections.abc import Mapping
from typing import Any, Final

import numpy as np
import pandas as pd

from jointwise.evaluation.comparison import NOBODY
from jointwise.evaluation.report.words import WORDS, counted, listed
from jointwise.evaluation.statistics.paired import LEAST_DISCORDANT
from jointwise.evaluation.table import ANY

LEVEL: Final = 0.05
FEW: Final = "too few joints differ to tell"
TOLD_AT: Final = 0.05
"""False-positive rate at which words compare recall; the table holds more."""


def pair_findings(right: pd.DataFrame, recall: pd.DataFrame) -> list[str]:
    """What each pair of detectors comes to, all kinds in a sentence or two.

    Args:
        right, recall: frames of evaluation.comparison.
    """
    findings = []
    for (one, other), rows in right.groupby(["one", "other"], sort=False):
        asked = rows[(rows["n"] > 0) & (rows["joints"] == "all")]
        if not len(asked):
            findings.append(f"{one} against {other}: no joint with known truth, nothing to tell.")
            continue
        least, most = int(asked["n"].min()), int(asked["n"].max())
        n = counted(most, "joint") if least == most else f"{least} to {most} joints"
        part = recall[(recall["one"] == one) & (recall["other"] == other)]
        sentences = [f"{one} against {other}, {n}: {_who(asked)}.", *_other_cuts(rows), *_finds_more(part)]
        findings.append(" ".join(sentences))
    return findings


def _who(rows: pd.DataFrame) -> str:
    """Kinds by what is known of them: who is right more often, nobody, too few joints that differ."""
    groups: dict[str, list[str]] = {}
    for row in rows.to_dict("records"):
        verdict, said = _better(row)
        groups.setdefault(verdict, []).append(said)
    order = sorted(groups, key=lambda verdict: verdict in (NOBODY, FEW))  # stable: winners first
    return "; ".join(
        f"{verdict} {'for' if verdict in (NOBODY, FEW) else 'on'} {listed(groups[verdict])}"
        for verdict in order
    )


def _better(row: Mapping[str, Any]) -> tuple[str, str]:
    """What is known of one kind, and how the kind is named with it."""
    kind, b, c = WORDS[row["kind"]], row["only_one"], row["only_other"]
    if b + c < LEAST_DISCORDANT:
        return FEW, kind
    if row["p"] >= LEVEL:
        return NOBODY, kind
    boards = "" if _holds_by_board(row) else ", but not shown by boards"
    said = f"{kind} ({counted(max(b, c), 'joint')} to {min(b, c)}, p {_p(row['p'])}{boards})"
    return f"{row['one'] if b > c else row['other']} is right more often", said


def _other_cuts(rows: pd.DataFrame) -> list[str]:
    """Kinds for which nobody is right more often, only because finding more is paid for with false positives."""
    told = []
    for kind, part in rows.groupby("kind", sort=False):
        text = other_cut(part.set_index("joints").to_dict("index"))
        if text:
            told.append(f"{WORDS[str(kind)][0].upper()}{WORDS[str(kind)][1:]}: {text}")
    return told


def other_cut(groups: Mapping[str, Mapping[str, Any]]) -> str:
    """That two detectors differ the one way on faulty and the other way on sound joints; empty where they do not.

    Args:
        groups: rows of one pair and kind from evaluation.comparison.mcnemar_table, by `joints`.
    """
    faulty, sound = groups["faulty"], groups["sound"]
    ways = [part["only_one"] - part["only_other"] for part in (faulty, sound)]
    if groups["all"]["p"] < LEVEL or max(faulty["p"], sound["p"]) >= LEVEL or ways[0] * ways[1] >= 0:
        return ""
    one, other = faulty["one"], faulty["other"]
    more, less = (one, other) if ways[0] > 0 else (other, one)
    found, missed = sorted((faulty["only_one"], faulty["only_other"]), reverse=True)
    spared, called = sorted((sound["only_one"], sound["only_other"]), reverse=True)
    where = "sound joints" if faulty["kind"] == ANY else "joints without the kind"
    return (
        f"{more} finds {found} that {less} misses, {missed} the other way (p {_p(faulty['p'])}); on {where} {less} is "
        f"right {spared} times alone, {called} the other way (p {_p(sound['p'])}): a different cut (the score from "
        "which each calls), not a different eye; see recall at equal false-positive rates."
    )


def _holds_by_board(row: Mapping[str, Any]) -> bool:
    return bool(row["difference_low"] > 0 or row["difference_high"] < 0)


def _finds_more(recall: pd.DataFrame) -> list[str]:
    """Who finds more at equal false-positive rates, where an interval excludes no difference."""
    groups: dict[str, list[str]] = {}
    for row in recall[np.isclose(recall["rate"], TOLD_AT)].to_dict("records"):
        if _holds_by_board(row):
            size, low, high = _gap(row)
            who = row["one"] if row["difference"] > 0 else row["other"]
            groups.setdefault(who, []).append(f"{WORDS[row['kind']]} (+{size:.2f}, {low:.2f} to {high:.2f})")
    return [
        f"At a false-positive rate of {100 * TOLD_AT:g} % {who} finds a larger share of {listed(kinds)}."
        for who, kinds in groups.items()
    ]


def _gap(row: Mapping[str, Any]) -> tuple[float, float, float]:
    """Difference of recall without its sign, and its interval."""
    low, high = sorted(abs(row[f"difference_{end}"]) for end in ("low", "high"))
    return abs(row["difference"]), low, high


def kind_words(right: pd.DataFrame, recall: pd.DataFrame, prices: pd.DataFrame) -> list[str]:
    """What each pair of detectors comes to, kind by kind, in a sentence or three.

    Args:
        right, recall, prices: frames of evaluation.comparison.
    """
    told = []
    for (one, other), rows in right.groupby(["one", "other"], sort=False):
        for kind, part in rows.groupby("kind", sort=False):
            name, pair = WORDS[str(kind)], (one, other)
            sentences = [
                f"{name[0].upper()}{name[1:]}, {one} against {other}:",
                _verdict(part.set_index("joints").to_dict("index")),
                _at_equal_rate(_of(recall, kind, pair), one, other),
                _cheaper(_of(prices, kind, pair)),
            ]
            told.append(" ".join(text for text in sentences if text))
    return told


def _verdict(groups: Mapping[str, Mapping[str, Any]]) -> str:
    """Who is right more often, in one sentence."""
    every = groups["all"]
    one, other = every["one"], every["other"]
    n, b, c = every["n"], every["only_one"], every["only_other"]
    if not n:
        return f"{one} and {other}: no joint with known truth, nothing to tell."
    counts = f"{one} alone is right on {counted(b, 'joint')}, {other} alone on {c}, of {n}"
    if b + c < LEAST_DISCORDANT:
        return f"{counts}: too few to tell (p < {LEVEL} needs at least {LEAST_DISCORDANT} such joints)."
    gap = _range(every, "difference")
    exact = f"exact McNemar p {_p(every['p'])}"
    if every["p"] >= LEVEL:
        told = f"{counts} ({exact}; share right {gap}): not told apart."
        cut = other_cut(groups)
        return f"{told} But {cut}" if cut else told
    better = one if b > c else other
    faulty, sound = (groups[name][f"only_{'one' if b > c else 'other'}"] for name in ("faulty", "sound"))
    text = (
        f"{counts} ({exact}; share right {gap}): {better} is right more often, alone on {faulty} faulty and {sound} "
        "sound joints."
    )
    if not _holds_by_board(every):
        text += " Resampled by board the difference may be none: it holds only if joints of a board are independent."
    return text


def _at_equal_rate(rows: pd.DataFrame, one: str, other: str) -> str:
    """Recall at a false-positive rate of 5 %, where an interval excludes no difference."""
    found = rows[np.isclose(rows["rate"], TOLD_AT)] if len(rows) else rows
    if not len(found):
        return ""
    row = found.iloc[0]
    if not _holds_by_board(row):
        return ""
    more, less = (one, other) if row["difference"] > 0 else (other, one)
    size, low, high = _gap(row)
    return (
        f"At a false-positive rate of {100 * row['rate']:g} % at most the recall of {more} is {size:.2f} ({low:.2f} to "
        f"{high:.2f}) higher than that of {less} ({row['faulty']} faulty)."
    )


def _cheaper(rows: pd.DataFrame) -> str:
    """Over which ratios somebody is cheaper beyond chance."""
    told = []
    for who in dict.fromkeys(name for name in rows["cheaper"] if name != NOBODY):
        ratios = rows.loc[rows["cheaper"] == who, "ratio"]
        text = (
            f"{who} costs less where one miss is as dear as {_price(ratios.min())} to {_price(ratios.max())} false "
            "positives"
        )
        mine = rows.loc[ratios.index, "cost_one" if who == rows["one"].iloc[0] else "cost_other"]
        if (mine >= rows.loc[ratios.index, "trivial"]).all():
            text += " (where calling every joint or none costs no more)"
        told.append(text)
    return f"At their own cuts {' and '.join(told)}." if told else ""


def _of(frame: pd.DataFrame, kind: Any, pair: Any) -> pd.DataFrame:
    return frame[(frame["kind"] == kind) & (frame["one"] == pair[0]) & (frame["other"] == pair[1])]


def _range(row: Mapping[str, Any], name: str) -> str:
    value, low, high = (row[key] for key in (name, f"{name}_low", f"{name}_high"))
    ends = "interval n/a" if math.isnan(low) else f"{low:+.3f} to {high:+.3f}"
    return f"{value:+.3f}, {ends}"


def _p(value: float) -> str:
    return "< 0.0001" if value < 1e-4 else f"{value:.2g}"


def _price(ratio: float) -> str:
    return f"{ratio:,.3g}" if ratio < 100 else f"{ratio:,.0f}"
