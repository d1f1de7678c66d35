"""Detection curves against the domain's check values, statsmodels, and their own promise: coverage in a simulation."""

import math

import numpy as np
import pytest
import statsmodels.api as sm
from scipy import special, stats

from jointwise.evaluation.statistics.pod import CHI2_90, Curve, NoCurve, fit_pod
from jointwise.evaluation.statistics.pod_boards import a90_of_boards
from jointwise.evaluation.statistics.pod_checks import goodness, proves
from jointwise.evaluation.statistics.pod_likelihood import LINKS, Link, climb

# The project's domain values (section F of its domain notes): GLM = Logit of statsmodels, bounds by scipy's root.
SIZES = (20, 25, 30, 35, 40, 45, 50, 55, 60, 65, 70, 80, 90, 100, 120)
HITS = (0, 1, 1, 2, 3, 4, 5, 6, 7, 8, 8, 9, 10, 10, 10)


def published() -> tuple[np.ndarray, np.ndarray]:
    """Ten trials at each of fifteen sizes."""
    return np.repeat(np.array(SIZES, float), 10), np.concatenate([np.arange(10) < hits for hits in HITS])


def curve_of(size: np.ndarray, hit: np.ndarray, link: Link = "logit", floor: float = 0.0) -> Curve:
    """The curve, which must be there."""
    found = fit_pod(size, hit, link, floor)
    assert isinstance(found, Curve)
    return found


def test_logit_against_the_published_values() -> None:
    """Section F: b0 -18.142702, b1 4.673935, ln L -59.038200, a50 48.5055, a90 77.6163, a90/95 by profile 91.0057."""
    curve = curve_of(*published())
    assert curve.intercept == pytest.approx(-18.142702, abs=1e-6)
    assert curve.slope == pytest.approx(4.673935, abs=1e-6)
    assert curve.log_likelihood == pytest.approx(-59.038200, abs=1e-6)
    assert (curve.a50, curve.a90, curve.a90_95) == pytest.approx((48.5055, 77.6163, 91.0057), abs=5e-5)


def test_the_bound_is_neither_of_the_wald_bounds() -> None:
    """Section F for information: on the curve 92.5266, delta on ln a90 88.9850, both from statsmodels' covariance."""
    size, hit = published()
    fit = sm.GLM(hit.astype(float), sm.add_constant(np.log(size)), family=sm.families.Binomial()).fit(
        tol=1e-12
    )
    b, cov, z = fit.params, fit.cov_params(), stats.norm.ppf(0.95)
    u = (math.log(9) - b[0]) / b[1]
    slope = np.array([-1 / b[1], -u / b[1]])
    delta = math.exp(u + z * math.sqrt(slope @ cov @ slope))
    grid = np.linspace(u, u + 1, 200_001)
    half = z * np.sqrt(cov[0, 0] + 2 * grid * cov[0, 1] + grid**2 * cov[1, 1])
    on_curve = math.exp(grid[np.argmax(b[0] + b[1] * grid - half >= math.log(9))])
    assert (on_curve, delta) == pytest.approx((92.5266, 88.9850), abs=2e-3)
    assert delta < curve_of(size, hit).a90_95 < on_curve


@pytest.mark.parametrize("link", LINKS)
@pytest.mark.parametrize("seed", range(4))
def test_fit_against_statsmodels(link: Link, seed: int) -> None:
    """sm.GLM(Binomial(Logit() or Probit())) on drawn hits and misses."""
    rng = np.random.default_rng(seed)
    size = np.exp(rng.normal(3, 0.8, 300))
    hit = rng.random(300) < special.expit(2 * (np.log(size) - 2.8))
    family = sm.families.Binomial(
        sm.families.links.Logit() if link == "logit" else sm.families.links.Probit()
    )
    theirs = sm.GLM(hit.astype(float), sm.add_constant(np.log(size)), family=family).fit(tol=1e-12)
    ours = curve_of(size, hit, link)
    assert (ours.intercept, ours.slope) == pytest.approx(theirs.params, rel=1e-6)
    assert ours.log_likelihood == pytest.approx(theirs.llf, rel=1e-9)
    assert ours.aic == pytest.approx(theirs.aic, rel=1e-9)


@pytest.mark.parametrize("link", LINKS)
def test_lower_curve_against_a_profile_of_statsmodels(link: Link) -> None:
    """At each size the bound is a POD whose profile (an offset in sm.GLM) has fallen by 2.705543 / 2."""
    size, hit = published()
    family = sm.families.Binomial(
        sm.families.links.Logit() if link == "logit" else sm.families.links.Probit()
    )
    curve = curve_of(size, hit, link)
    for at in (25.0, 48.0, 77.0, 110.0):
        low = float(curve.lower(np.array([at]))[0])
        held = np.full(len(size), special.logit(low) if link == "logit" else special.ndtri(low))
        x = np.log(size / at)[:, None]
        profile = sm.GLM(hit.astype(float), x, family=family, offset=held).fit(tol=1e-12).llf
        assert low < curve.pod(np.array([at]))[0]
        assert 2 * (curve.log_likelihood - profile) == pytest.approx(CHI2_90, abs=2e-5)


def test_chi_square_against_scipy() -> None:
    """scipy.stats.chi2.ppf(0.9, 1)."""
    assert pytest.approx(stats.chi2.ppf(0.9, 1), abs=5e-7) == CHI2_90


def test_floor_against_a_general_optimiser() -> None:
    """scipy.optimize on the likelihood written out, floor 0.1."""
    from scipy import optimize

    rng = np.random.default_rng(3)
    size = np.exp(rng.uniform(1, 5, 400))
    hit = rng.random(400) < 0.1 + 0.9 * special.expit(3 * (np.log(size) - 3))

    def loss(line: np.ndarray) -> float:
        pod = 0.1 + 0.9 * special.expit(line[0] + line[1] * np.log(size))
        return -float(np.sum(np.log(np.where(hit, pod, 1 - pod))))

    theirs = optimize.minimize(
        loss, [-9.0, 3.0], method="Nelder-Mead", options={"xatol": 1e-9, "fatol": 1e-12}
    )
    ours = curve_of(size, hit, "logit", 0.1)
    assert (ours.intercept, ours.slope) == pytest.approx(theirs.x, rel=1e-5)
    assert ours.pod(np.array([ours.a90]))[0] == pytest.approx(0.9, abs=1e-12)


def test_separable_targets_are_refused_where_statsmodels_sees_no_maximum() -> None:
    """Complete and quasi-complete separation; statsmodels' Logit raises or warns there."""
    size = np.repeat([10.0, 20.0, 30.0, 40.0], 15)
    for hit in (size > 20, (size > 20) | ((size == 20) & (np.arange(60) % 2 == 0))):
        found = fit_pod(size, hit)
        assert isinstance(found, NoCurve)
        assert found.key == "separable"
        x = sm.add_constant(np.log(size))
        with pytest.warns(sm.tools.sm_exceptions.ModelWarning):
            sm.Logit(hit.astype(float), x).fit(disp=0, maxiter=40)


def test_few_misses_against_the_published_table() -> None:
    """Section F: 29/0, 46/1, 61/2, 76/3 prove a POD of 0.9 at 95 %, one target less does not."""
    for n, misses in ((29, 0), (46, 1), (61, 2), (76, 3)):
        assert proves(n, misses)
        assert not proves(n - 1, misses)


def test_fit_p_is_uniform_where_the_curve_is_true() -> None:
    """Below 0.25 in a quarter of 300 drawn sets (se 2.5 %): chi-square with groups - 2 degrees of freedom."""
    rng, p = np.random.default_rng(5), []
    for _ in range(300):
        size = np.exp(rng.uniform(1, 5, 400))
        hit = rng.random(400) < special.expit(1.5 * (np.log(size) - 3))
        fit = goodness(size, hit, curve_of(size, hit))
        assert fit is not None
        p.append(fit.p)
    assert 0.175 <= np.mean(np.array(p) < 0.25) <= 0.325
    assert np.mean(np.array(p) < 0.01) < 0.03


@pytest.mark.parametrize("link", LINKS)
def test_interval_by_boards_against_refits_of_statsmodels(link: Link) -> None:
    """The same 150 draws of 14 boards, each refitted by sm.GLM with frequency weights on all 300 sizes: within 2 %."""
    rng = np.random.default_rng(8)
    size, boards = np.exp(rng.uniform(1, 5, 300)), np.arange(300) % 14
    hit = rng.random(300) < special.expit(2.5 * (np.log(size) - 3 + rng.normal(0, 0.4, 14)[boards]))
    curve = curve_of(size, hit, link)
    family = sm.families.Binomial(
        sm.families.links.Logit() if link == "logit" else sm.families.links.Probit()
    )
    level, x, sizes = (
        (math.log(9) if link == "logit" else stats.norm.ppf(0.9)),
        sm.add_constant(np.log(size)),
        [],
    )
    for draw in np.random.default_rng(6).multinomial(14, np.full(14, 1 / 14), 150):
        used = draw[boards] > 0
        fit = sm.GLM(hit[used].astype(float), x[used], family=family, freq_weights=draw[boards][used]).fit()
        sizes.append(math.exp((level - fit.params[0]) / fit.params[1]))
    expected = np.quantile(sizes, (0.025, 0.975), method="inverted_cdf")
    assert a90_of_boards(size, hit, boards, curve, 150, 6) == pytest.approx(tuple(expected), rel=0.02)
    assert expected[1] / expected[0] > 1.2


@pytest.mark.slow
@pytest.mark.parametrize("floor", [0.0, 0.05])
def test_the_bound_covers_the_true_size(floor: float) -> None:
    """a90/95 must lie above the true a90 in about 95 % of repetitions; 1,500 sets of 120 targets (se 0.6 %)."""
    rng, covered = np.random.default_rng(11), []
    true = math.exp(2.6 + special.logit((0.9 - floor) / (1 - floor)) / 2.5)
    for _ in range(1500):
        x = rng.uniform(1, 5, 120)
        hit = rng.random(120) < floor + (1 - floor) * special.expit(2.5 * (x - 2.6))
        found = fit_pod(np.exp(x), hit, "logit", floor)
        if isinstance(found, Curve):
            covered.append(found.a90_95 >= true)
    # With a floor some sets part without overlap, and are refused.
    assert len(covered) > (1480 if floor else 1499)
    assert 0.92 <= np.mean(covered) <= 0.97


def test_climb_reaches_the_null_model() -> None:
    """One constant: the logit of the share of hits."""
    _, hit = published()
    peak = climb(np.ones((150, 1)), hit, "logit", 0.0, np.zeros(1))
    assert peak.line[0] == pytest.approx(special.logit(hit.mean()), abs=1e-9)
