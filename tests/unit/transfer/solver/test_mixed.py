"""The solver: gradient, compression, blocks, determinism. Published data: tests/published/test_mixed_model.py."""

import functools

import duckdb
import numpy as np
import polars as pl
import pytest
import scipy.sparse as sp

from pipelines.transfer.model import design, linearise
from pipelines.transfer.solver import mixed_model
from tests.ordinary_models import ordinary


@pytest.fixture(scope="module")
def built(network):
    return design.build(network.records, design.prepare_layers(network.layers))


@pytest.fixture(scope="module")
def linear(built):
    theta = np.where(built.unknowns.component < 0, built.unknowns.prior_mean, 0.0)
    return linearise.linearise(built, theta, np.ones(built.n, bool))


def model_of(built, linear, unknowns=None):
    unknowns = unknowns or built.unknowns
    data = mixed_model.Data(linear.y, linear.v, linear.h, built.signature, np.ones(built.n), linear.s)
    return mixed_model.Model(linear.design, unknowns, data)


def log_sds(built):
    return np.where(np.isnan(built.scale), 0.2, np.log(built.scale) - 0.4 + 0.1 * np.arange(len(built.scale)))


def prior_covariance(u, x):
    """Of all unknowns before any record: what roles share is an unknown of its own, written out here as one."""
    return np.diag(np.where(u.component < 0, u.prior_sd**2, np.exp(2 * np.append(x, 0)[u.component]))) + np.outer(
        u.common_sd, u.common_sd
    )


def total(linear, x):
    return linear.v + linear.s * np.exp(2 * x[-2]) + linear.h * np.exp(2 * x[-1])


def test_the_gradient_is_that_of_finite_differences(built, linear):
    model, x = model_of(built, linear), log_sds(built)
    gradient = model.evaluate(x).gradient
    for i in range(len(x)):
        step = 1e-5 * (np.arange(len(x)) == i)
        slope = (model.evaluate(x + step).value - model.evaluate(x - step).value) / 2e-5
        assert gradient[i] == pytest.approx(slope, rel=1e-6, abs=1e-5)


def test_the_prior_has_the_gradient_of_its_own_value(built, linear):
    model, x, prior = model_of(built, linear), log_sds(built), mixed_model.Prior(built.scale)
    gradient = prior.add(model.evaluate(x))[1]
    for i in range(len(x)):
        step = 1e-5 * (np.arange(len(x)) == i)
        slope = (prior.add(model.evaluate(x + step))[0] - prior.add(model.evaluate(x - step))[0]) / 2e-5
        assert gradient[i] == pytest.approx(slope, rel=1e-6, abs=1e-5)


def test_blocks_by_shop_give_what_one_dense_piece_gives(built, linear):
    x = log_sds(built)
    blocks = model_of(built, linear).evaluate(x)
    u = built.unknowns
    one = mixed_model.Unknowns(u.component, np.full(u.size, -1), u.prior_mean, u.prior_sd, u.n_components, u.common_sd)
    dense = model_of(built, linear, one).evaluate(x)
    assert built.unknowns.block.max() == 1, "two shops are two blocks"
    assert blocks.theta == pytest.approx(dense.theta, abs=1e-10)
    assert blocks.value == pytest.approx(dense.value, abs=1e-7)
    assert blocks.gradient == pytest.approx(dense.gradient, rel=1e-8, abs=1e-7)


def test_signatures_give_what_the_records_one_by_one_give(built, linear):
    x = log_sds(built)
    compressed = model_of(built, linear).evaluate(x)
    every = sp.csr_matrix(linear.design[built.signature_of_record])
    data = mixed_model.Data(linear.y, linear.v, linear.h, np.arange(built.n), np.ones(built.n), linear.s)
    plain = mixed_model.Model(every, built.unknowns, data).evaluate(x)
    assert linear.design.shape[0] < built.n
    assert compressed.theta == pytest.approx(plain.theta, abs=1e-10)
    assert compressed.value == pytest.approx(plain.value, abs=1e-7)
    assert compressed.gradient == pytest.approx(plain.gradient, rel=1e-8, abs=1e-7)


def test_the_equations_are_henderson_s_written_out(built, linear):
    """C theta = A'Wy with C = A'WA + D, its log determinant and inverse, in plain dense algebra."""
    x = log_sds(built)
    solved = model_of(built, linear).evaluate(x)
    a = linear.design[built.signature_of_record].toarray()
    u = built.unknowns
    w = 1 / total(linear, x)
    precision = np.linalg.inv(prior_covariance(u, x))
    c = a.T @ (w[:, None] * a) + precision
    mean = np.where(u.component < 0, u.prior_mean, 0.0)
    assert solved.theta == pytest.approx(np.linalg.solve(c, a.T @ (w * linear.y) + precision @ mean), abs=1e-9)
    assert solved.factor.log_det == pytest.approx(np.linalg.slogdet(c)[1], rel=1e-11)
    assert solved.factor.inverse_diagonal() == pytest.approx(np.linalg.inv(c).diagonal(), rel=1e-7)


def test_minus_two_log_reml_is_the_density_of_the_data(built, linear):
    """With every fixed effect informed, y is normal with covariance A P A' + V, P the priors': the criterion must be its density."""
    x = log_sds(built)
    a = linear.design[built.signature_of_record].toarray()
    u = built.unknowns
    v = a @ prior_covariance(u, x) @ a.T + np.diag(total(linear, x))
    miss = linear.y - a @ np.where(u.component < 0, u.prior_mean, 0.0)
    expected = np.linalg.slogdet(v)[1] + miss @ np.linalg.solve(v, miss) + len(miss) * np.log(2 * np.pi)
    assert model_of(built, linear).evaluate(x).value == pytest.approx(expected, abs=1e-6)


def test_covariances_of_rows_are_those_of_the_inverse(built, linear):
    solved, model = model_of(built, linear).evaluate(log_sds(built)), model_of(built, linear)
    one = mixed_model.Rows.of(model.layout, built.rows[:6])
    other = mixed_model.Rows.of(model.layout, built.rows[-6:])
    w = 1 / total(linear, log_sds(built))
    a, u = linear.design[built.signature_of_record].toarray(), built.unknowns
    c = a.T @ (w[:, None] * a) + np.linalg.inv(prior_covariance(u, log_sds(built)))
    full = np.linalg.inv(c)
    expected = np.diag(built.rows[:6].toarray() @ full @ built.rows[-6:].toarray().T)
    assert solved.factor.covariance(one, other) == pytest.approx(expected, abs=1e-10)


# What `Data.sums` takes from the records, in the words of a database.
SIGNATURE_SUMS_SQL = """
SELECT signature,
       sum(w) AS w, sum(w * y) AS wy, sum(w * y * y) AS wyy, sum(-ln(w)) AS log_var,
       sum(h * w) AS hw, sum(h * w * w) AS hw2, sum(h * w * w * y) AS hw2y, sum(h * w * w * y * y) AS hw2yy,
       sum(s * w) AS sw, sum(s * w * w) AS sw2, sum(s * w * w * y) AS sw2y, sum(s * w * w * y * y) AS sw2yy
FROM (SELECT signature, y, h, s, 1 / (v + s * $f2 + h * $se2) AS w FROM residuals WHERE used)
GROUP BY signature
ORDER BY signature
"""


def test_the_database_s_words_for_signature_sums_give_the_same_sums(built, linear):
    se2, f2 = 0.09**2, 1.3
    residuals = pl.DataFrame(
        {
            "signature": built.signature_of_record,
            "y": linear.y,
            "v": linear.v,
            "h": linear.h,
            "s": linear.s,
            "used": np.ones(built.n, bool),
        }
    )
    with duckdb.connect() as db:
        db.register("residuals", residuals)
        found = db.execute(SIGNATURE_SUMS_SQL, {"se2": se2, "f2": f2}).fetchnumpy()
    data = mixed_model.Data(linear.y, linear.v, linear.h, built.signature, np.ones(built.n), linear.s)
    ours = data.sums(np.array([f2, se2]))
    near = functools.partial(pytest.approx, rel=1e-12)
    assert (ours.w, ours.wy) == (near(found["w"]), near(found["wy"]))
    assert ours.free_of_theta == near((found["log_var"] + found["wyy"]).sum())
    for letter, part in zip("sh", ours.parts, strict=True):
        assert part.pw2 == near(found[f"{letter}w2"])
        assert part.pw2y == near(found[f"{letter}w2y"])
        assert (part.pw, part.pw2yy) == (near(found[f"{letter}w"].sum()), near(found[f"{letter}w2yy"].sum()))


def test_slices_of_records_give_the_sums_of_all_at_once(built, linear, monkeypatch):
    data = mixed_model.Data(linear.y, linear.v, linear.h, built.signature, np.ones(built.n), linear.s)
    whole = data.sums(np.array([1.3, 0.01]))
    monkeypatch.setattr(mixed_model, "SLICE", 7)
    sliced = data.sums(np.array([1.3, 0.01]))
    assert np.array_equal(whole.wy, sliced.wy), "a signature is never cut in two"
    assert whole.free_of_theta == pytest.approx(sliced.free_of_theta, rel=1e-12)
    assert whole.parts[0].pwpw == pytest.approx(sliced.parts[0].pwpw, rel=1e-12)


def test_a_record_set_aside_weighs_as_if_it_were_not_there(built, linear):
    """Weight 0 and absence are one: the screening need not rebuild anything."""
    x = log_sds(built)
    on = np.ones(built.n)
    on[5] = 0.0
    data = mixed_model.Data(linear.y, linear.v, linear.h, built.signature, on, linear.s)
    without = mixed_model.Model(linear.design, built.unknowns, data).evaluate(x)
    rows = np.delete(np.arange(built.n), 5)
    every = sp.csr_matrix(linear.design[built.signature_of_record[rows]])
    data = mixed_model.Data(
        linear.y[rows], linear.v[rows], linear.h[rows], np.arange(len(rows)), np.ones(len(rows)), linear.s[rows]
    )
    plain = mixed_model.Model(every, built.unknowns, data).evaluate(x)
    assert without.theta == pytest.approx(plain.theta, abs=1e-10)
    assert without.value == pytest.approx(plain.value, abs=1e-7)


def test_a_stated_spread_that_is_wrong_by_a_factor_is_found_out():
    """Readings stated at twice their true standard deviation: f comes out near one half, the event near its truth."""
    rng = np.random.default_rng(8)
    groups = np.repeat(np.arange(40), 25)
    stated = rng.uniform(0.05, 0.4, 1000) ** 2
    y = 0.1 * rng.standard_normal(40)[groups] + np.sqrt(stated / 4 + 0.08**2) * rng.standard_normal(1000)
    plain, unknowns = ordinary(y, [groups.astype(str)])
    ones = np.ones(1000)
    model = mixed_model.Model(
        plain.design, unknowns, mixed_model.Data(y, np.zeros(1000), ones, np.arange(1000), ones, stated)
    )
    fitted = mixed_model.fit(model, np.log([0.1, 1.0, 0.1]), mixed_model.Prior(np.array([0.15, np.nan, 0.15])))
    assert fitted.sd[1] == pytest.approx(0.5, rel=0.2)  # the prior leans towards 1
    assert fitted.sd[2] == pytest.approx(0.08, rel=0.15)


def groups_of(levels: int, each: int, sd: float, seed: int):
    rng = np.random.default_rng(seed)
    groups = np.repeat(np.arange(levels), each)
    y = sd * rng.standard_normal(levels)[groups] + 0.1 * rng.standard_normal(levels * each)
    model, _ = ordinary(y, [groups.astype(str)])
    prior = mixed_model.Prior(np.array([0.15, 0.15]))
    return model, mixed_model.fit(model, np.log([0.1, 0.1]), prior), prior


def test_points_that_are_not_drawn_are_symmetric_about_the_best_fit():
    """Dyestuff-like balanced data: the mean of log sd over the points is the mode they were built on."""
    model, fitted, prior = groups_of(30, 20, 0.2, 3)
    points = mixed_model.points(model, fitted, prior, drawn=False)
    assert len(points) == 4
    assert np.mean([p.log_sd for p in points], axis=0) == pytest.approx(fitted.best.log_sd, abs=1e-12)
    # the spread of log se is that of the chi-square law of a residual with 570 degrees of freedom: 1/sqrt(2 df)
    spread = np.std([p.log_sd[-1] for p in points])
    assert spread == pytest.approx(1 / np.sqrt(2 * 570), rel=0.03)


@pytest.mark.parametrize(("levels", "each", "seed"), [(3, 20, 1), (3, 60, 2), (5, 30, 3)])
def test_points_of_few_levels_against_the_posterior_summed_over_a_grid(levels, each, seed):
    """Mean square of a standard deviation that three levels hardly tell, and the variance of their effects: every pair of
    log sd on a grid, weighted by its posterior."""
    model, fitted, prior = groups_of(levels, each, 0.08, seed)
    rows = mixed_model.Rows.of(model.layout, np.eye(1 + levels)[1:])
    grid = [model.evaluate(np.array([a, b])) for a in np.linspace(-6.5, 0, 90) for b in np.linspace(-2.8, -1.9, 25)]
    density = np.array([-prior.add(one)[0] / 2 for one in grid])
    weight = np.exp(density - density.max())
    weight /= weight.sum()
    theta = np.array([one.theta[1:] for one in grid])
    mean = weight @ theta
    variance = weight @ np.array([one.factor.covariance(rows, rows) for one in grid]) + weight @ (theta - mean) ** 2
    square = weight @ np.exp(2 * np.array([one.log_sd for one in grid]))
    found = mixed_model.Integrated(mixed_model.points(model, fitted, prior, drawn=True))
    assert found.sd() == pytest.approx(np.sqrt(square), rel=0.12)
    assert np.sqrt(found.variance(rows)) == pytest.approx(np.sqrt(variance), rel=0.06)
    assert found.mean(rows) == pytest.approx(mean, abs=0.15 * np.sqrt(variance).max())
