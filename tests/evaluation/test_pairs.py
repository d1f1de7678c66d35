"""The best linear test on pairs, and efficiency: laws, ends of the scale, refusals. Values: tests/outside."""

import math

import numpy as np
import pytest

from jointwise.evaluation.statistics.pairs import (
    MOST_CHANNELS,
    Efficiency,
    auc_of,
    d_prime,
    demand_pairs,
    found_at,
    linear_snr2,
    observe,
    signal_channels,
)
from jointwise.joints.errors import InputError

BOARDS, JOINTS, P = 20, 12, 4


def draw(seed: int, signal: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Pairs that share half their background, and boards that share a part of it."""
    rng = np.random.default_rng(seed)
    board = np.repeat(np.arange(BOARDS), JOINTS)
    shared = 0.5 * rng.normal(size=(BOARDS, P))[board] + 0.5 * rng.normal(size=(BOARDS * JOINTS, P))
    sound, faulty = (shared + math.sqrt(0.5) * rng.normal(size=shared.shape) for _ in range(2))
    return sound, faulty + signal * np.array([1.0, 0.0, 0.0, 0.0]), board.astype(str)


def found(seed: int, signal: float, detector: int = 0) -> Efficiency:
    """The observer, beside a detector that looks at one of the channels."""
    sound, faulty, board = draw(seed, signal)
    return observe(sound, faulty, sound[:, detector], faulty[:, detector], board)


def test_a_fault_of_no_size_is_said_to_be_nothing_to_find() -> None:
    one = found(1, 0.0)
    assert one.ideal_snr2.low < 0.0 < one.ideal_snr2.high
    assert one.note == "nothing to find"
    assert math.isnan(one.efficiency.value)
    assert 0.4 < one.auc.value < 0.6


def test_a_detector_that_looks_elsewhere_gets_nothing_out_of_it() -> None:
    one = found(2, 1.5, detector=1)
    assert one.ideal_snr2.low > 1.0
    assert one.note == ""
    assert one.efficiency.value < 0.05
    assert one.efficiency.low >= 0.0


def test_a_detector_without_a_mistake_is_saturated_and_has_a_lower_bound() -> None:
    one = found(3, 12.0)
    assert (one.auc.value, one.note) == (1.0, "saturated")
    assert math.isnan(one.efficiency.value)
    assert one.snr.value == math.inf
    assert 3.0 < one.snr.low < 5.0


def test_order_of_pairs_and_names_of_boards_do_not_matter() -> None:
    sound, faulty, board = draw(4, 1.0)
    turn = np.random.default_rng(0).permutation(len(board))
    renamed = np.array([f"b{(7 * int(name)) % BOARDS}" for name in board])
    one = observe(sound, faulty, sound[:, 0], faulty[:, 0], board)
    other = observe(sound[turn], faulty[turn], sound[turn, 0], faulty[turn, 0], renamed[turn])
    for a, b in zip(one[:4], other[:4], strict=True):
        assert b == pytest.approx(a, rel=1e-9)


def test_a_linear_change_of_channels_changes_nothing() -> None:
    sound, faulty, board = draw(5, 1.0)
    mixed = np.random.default_rng(1).normal(size=(P, P)) * [1e-4, 1.0, 10.0, 1e4]
    assert linear_snr2(sound @ mixed, faulty @ mixed, board) == pytest.approx(
        linear_snr2(sound, faulty, board), rel=1e-6
    )


def test_a_monotone_change_of_scores_changes_nothing() -> None:
    sound, faulty, board = draw(6, 1.0)
    one = observe(sound, faulty, sound[:, 0], faulty[:, 0], board)
    other = observe(sound, faulty, np.exp(sound[:, 0]), np.exp(faulty[:, 0]), board)
    assert other == one


def test_a_detector_turned_round_has_no_efficiency() -> None:
    sound, faulty, board = draw(7, 1.0)
    one = observe(sound, faulty, -sound[:, 0], -faulty[:, 0], board)
    assert one.snr.value < 0.0
    assert one.efficiency.value == 0.0


def test_what_follows_from_d_prime() -> None:
    """A d' of 0 finds as many faults as it calls sound joints; where the SNR² fell below 0, d' is 0."""
    assert found_at(0.0, 0.01) == pytest.approx(0.01)
    assert found_at(2.3263479, 0.01) == pytest.approx(0.5, abs=1e-6)
    one = found(1, 0.0)
    assert d_prime(one.ideal_snr2).low == 0.0
    assert auc_of(one.ideal_snr2).low == 0.5


def test_channels_are_of_length_one_and_see_the_signal() -> None:
    z, y, x = np.mgrid[-8:9, -9:10, -9:10]
    ball = (z**2 + y**2 + x**2 < 49).astype(float)
    signal = -0.3 * (z**2 + y**2 + x**2 < 6) + 0.1 * (np.abs(np.sqrt(z**2 + y**2 + x**2) - 7) < 1)
    templates = signal_channels(signal, ball)
    assert templates @ templates.T == pytest.approx(np.eye(len(templates)), abs=1e-9)
    # Metal lost and metal pushed outwards are seen apart, and together they are the whole signal.
    for part in (signal, np.minimum(signal, 0.0), np.maximum(signal, 0.0), ball):
        assert templates.T @ (templates @ part.ravel()) == pytest.approx(part.ravel(), abs=1e-6)


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ("boards", "at least 3 boards"),
        ("few", "more than 6 pairs"),
        ("nan", "finite channels"),
        ("score", "finite score"),
        ("shape", "both members"),
        ("silent", "vary"),
        ("sum", "sum of others"),
    ],
)
def test_what_does_not_fit_is_refused(change: str, said: str) -> None:
    sound, faulty, board = draw(8, 1.0)
    score = sound[:, 0].copy()
    if change == "boards":
        board = np.repeat(["a", "b"], len(board) // 2)
    elif change == "few":
        sound, faulty, score, board = sound[:6], faulty[:6], score[:6], np.array(list("aabbcc"))
    elif change == "nan":
        sound[3, 1] = np.nan
    elif change == "score":
        score[2] = np.nan
    elif change == "shape":
        faulty = faulty[:-1]
    elif change == "sum":
        sound[:, 3], faulty[:, 3] = sound[:, 0] - sound[:, 1], faulty[:, 0] - faulty[:, 1]
    else:
        sound[:, 2] = faulty[:, 2] = 1.0
    with pytest.raises(InputError, match=said):
        observe(sound, faulty, score, score + 1.0, board)


def test_no_signal_has_no_channels() -> None:
    with pytest.raises(InputError, match="found none"):
        signal_channels(np.zeros((3, 3, 3)), np.ones((3, 3, 3)))


def test_too_few_pairs_are_told_with_the_boards_that_give_enough() -> None:
    """The least number is the one that the observer itself takes, with the largest board left out."""
    rng = np.random.default_rng(0)
    n = MOST_CHANNELS + 3
    demand_pairs([n, n])
    assert np.isfinite(linear_snr2(*rng.normal(size=(2, n, MOST_CHANNELS)), np.arange(n).astype(str)))
    with pytest.raises(InputError, match="take more boards"):
        linear_snr2(*rng.normal(size=(2, n - 1, MOST_CHANNELS)), np.arange(n - 1).astype(str))
    for counts in ([n - 1, n], [5, 5, 5], [0, 0, 0], []):
        with pytest.raises(InputError, match=f"at least {n} pairs for {MOST_CHANNELS} channels"):
            demand_pairs(counts)
    with pytest.raises(InputError, match="take pairs.boards=5 "):
        demand_pairs([5, 5, 5])
    demand_pairs([5] * 5)


def test_no_fault_gives_more_channels_than_are_counted_on() -> None:
    rng = np.random.default_rng(1)
    assert len(signal_channels(*rng.normal(size=(2, 16, 9, 10)))) == MOST_CHANNELS
