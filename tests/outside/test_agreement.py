"""Agreement of readers and McNemar's test against published values and other people's implementations."""

import numpy as np
import pytest
from scipy.stats import binomtest
from statsmodels.stats import inter_rater
from statsmodels.stats.contingency_tables import mcnemar

from jointwise.evaluation.labels.adjudication import adjudicate
from jointwise.evaluation.statistics.kappa import agreement_of, cohen, fleiss
from jointwise.evaluation.statistics.mcnemar import exact

# J. L. Fleiss, Psychol. Bull. 76:378 (1971), table 1 (the data set `diagnoses` of the R package irr): 30 patients, six
# raters; depression, personality disorder, schizophrenia, neurosis, other.
DIAGNOSES = """
00060 03003 01401 00006 03030 20400 00402 20310 20040 00006 10050 11040 03300 10050 02031
00501 30012 51000 02040 10203 00006 01050 02013 20040 10041 05010 40002 02040 10500 00006
"""


def diagnoses() -> np.ndarray:
    return np.array([[int(digit) for digit in row] for row in DIAGNOSES.split()])


def test_fleiss_against_the_paper() -> None:
    """Domain values, section F: totals 26, 26, 30, 55, 43; kappa 0.430245 (the paper prints 0.430)."""
    assert diagnoses().sum(axis=0).tolist() == [26, 26, 30, 55, 43]
    assert set(diagnoses().sum(axis=1)) == {6}
    assert fleiss(diagnoses()) == pytest.approx(0.430245, abs=5e-7)


def test_cohen_against_the_published_value() -> None:
    """Domain values, section F."""
    assert cohen([[20, 5], [10, 15]]) == pytest.approx(0.4, abs=1e-12)


@pytest.mark.parametrize("categories", [2, 3, 5])
def test_cohen_against_statsmodels(categories: int) -> None:
    """statsmodels.stats.inter_rater.cohens_kappa."""
    rng = np.random.default_rng(categories)
    for n in (3, 10, 200):
        table = rng.multinomial(n, rng.dirichlet(np.ones(categories**2))).reshape(categories, categories)
        table += np.eye(
            categories, dtype=table.dtype
        )  # every answer given, else its standard error is 0/0 there
        theirs = inter_rater.cohens_kappa(table).kappa
        assert cohen(table) == pytest.approx(theirs, abs=1e-12)


@pytest.mark.parametrize(("readers", "categories"), [(2, 2), (3, 2), (6, 5)])
def test_fleiss_against_statsmodels(readers: int, categories: int) -> None:
    """statsmodels.stats.inter_rater.fleiss_kappa."""
    rng = np.random.default_rng([readers, categories])
    for n in (4, 50):
        table = rng.multinomial(readers, rng.dirichlet(np.ones(categories)), size=n)
        table[0] = [readers - 1, 1] + [0] * (categories - 2)  # two answers at least, else there is no kappa
        assert fleiss(table) == pytest.approx(inter_rater.fleiss_kappa(table), abs=1e-12)


@pytest.mark.parametrize("readers", [2, 3, 5])
def test_kappa_of_labels_against_statsmodels(readers: int) -> None:
    """From answers to kappa: statsmodels' own aggregation and kappa, joints that one could not tell left out."""
    rng = np.random.default_rng(readers)
    truth = rng.random(300) < 0.3
    labels = np.where(rng.random((readers, 300)) < 0.15, ~truth, truth).astype(float)
    labels[rng.random(labels.shape) < 0.05] = np.nan
    whole = labels[:, ~np.isnan(labels).any(axis=0)]
    found = agreement_of(labels, np.arange(300) // 10)
    if readers == 2:
        table = np.histogram2d(*whole, bins=2)[0]
        theirs = inter_rater.cohens_kappa(table).kappa
    else:
        theirs = inter_rater.fleiss_kappa(inter_rater.aggregate_raters(whole.T)[0])
    assert found.kappa == pytest.approx(theirs, abs=1e-12)
    assert (found.n, found.boards) == (whole.shape[1], 30)


def test_interval_is_near_the_asymptotic_one_where_every_joint_is_a_board() -> None:
    """statsmodels.stats.inter_rater.cohens_kappa: its asymptotic interval holds for independent joints, which is what
    boards of one joint are; both are approximate, so they are held to a twentieth of the interval's width."""
    rng = np.random.default_rng(5)
    one = (rng.random(1000) < 0.4).astype(float)
    other = np.where(rng.random(1000) < 0.15, 1 - one, one)
    theirs = inter_rater.cohens_kappa(np.histogram2d(one, other, bins=2)[0])
    found = agreement_of(np.stack([one, other]), np.arange(1000))
    width = theirs.kappa_upp - theirs.kappa_low
    assert found.low == pytest.approx(theirs.kappa_low, abs=0.05 * width)
    assert found.high == pytest.approx(theirs.kappa_upp, abs=0.05 * width)


@pytest.mark.parametrize(("b", "c", "p"), [(3, 11, 0.0573730), (0, 6, 0.03125)])
def test_mcnemar_against_the_published_values(b: int, c: int, p: float) -> None:
    """Domain values, section F: scipy = statsmodels."""
    assert exact(b, c) == pytest.approx(p, abs=5e-8)


def test_mcnemar_against_scipy_and_statsmodels() -> None:
    """scipy.stats.binomtest and statsmodels.stats.contingency_tables.mcnemar(exact=True)."""
    for b in range(13):
        for c in range(13):
            assert exact(b, c) == pytest.approx(mcnemar([[7, b], [c, 5]], exact=True).pvalue, abs=1e-12)
            if b + c:
                assert exact(b, c) == pytest.approx(binomtest(b, b + c).pvalue, abs=1e-12)


def test_majority_by_hand() -> None:
    """By hand: 1 1 0 -> 1; 0 0 1 -> 0; 1 0 ? -> tie; ? ? 1 -> 1; ? ? ? -> not known; consensus only where all agree."""
    nan = np.nan
    by_reader = [[1, 0, 1, nan, nan, 1], [1, 0, 0, nan, nan, 1], [0, 1, nan, 1, nan, 1]]
    readers = {name: np.array(said, float)[:, None] for name, said in zip("abc", by_reader, strict=True)}
    np.testing.assert_array_equal(adjudicate(readers, "majority")[:, 0], [1, 0, nan, 1, nan, 1])
    np.testing.assert_array_equal(adjudicate(readers, "consensus")[:, 0], [nan, nan, nan, nan, nan, 1])
    np.testing.assert_array_equal(adjudicate(readers, "c")[:, 0], by_reader[2])
