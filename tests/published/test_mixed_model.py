"""The solver against published fits of public data.

lme4's figures are those of its documented REML fits (R package lme4, data sets Penicillin, Dyestuff, Dyestuff2, Pastes,
InstEval); the Dyestuff sets also have a closed form. SiRstv is from the NIST Statistical Reference Datasets. The data and
where they come from: data/mixed_model/README.md.
"""

from pathlib import Path

import numpy as np
import polars as pl
import pytest

from pipelines.transfer.solver import mixed_model
from tests.ordinary_models import ordinary

DATA = Path(__file__).parent / "data" / "mixed_model"


def fit(name: str, y: str, factors: list[str]) -> tuple[float, mixed_model.Fit]:
    """Mean of the data, and the fit of the data less that mean: sums of squares lose no digits to a large mean."""
    frame = pl.read_csv(DATA / name)
    values = frame[y].cast(pl.Float64).to_numpy()
    model, _ = ordinary(values - values.mean(), [frame[f].cast(pl.String).to_numpy() for f in factors])
    scale = np.log(values.std())
    return float(values.mean()), mixed_model.fit(
        model, np.full(len(factors) + 1, scale - 0.7), bounds=(scale - 9, scale + 2), tolerance=1e-11
    )


def intercept(fitted: mixed_model.Fit, mean: float = 0.0) -> tuple[float, float]:
    return mean + float(fitted.best.theta[0]), float(np.sqrt(fitted.best.factor.inverse_diagonal()[0]))


@pytest.mark.parametrize(
    ("name", "y", "factors", "criterion", "fixed", "se", "sd"),
    [
        ("lme4_penicillin.csv", "diameter", ["plate", "sample"], 330.860589, 22.972222, 0.808595, [0.846703, 1.931614, 0.549923]),
        ("lme4_dyestuff.csv", "Yield", ["Batch"], 319.654277, 1527.5, 19.383412, [42.000595, 49.510100]),
        ("lme4_dyestuff2.csv", "Yield", ["Batch"], 161.828278, 5.6656, 0.678388, [0.0, 3.715684]),
        ("lme4_pastes.csv", "strength", ["sample", "batch"], 246.990746, 60.053333, 0.676870, [2.904078, 1.287365, 0.823408]),
    ],
)  # fmt: skip
def test_a_documented_reml_fit_is_reproduced(name, y, factors, criterion, fixed, se, sd):
    mean, fitted = fit(name, y, factors)
    assert fitted.converged
    assert fitted.best.value == pytest.approx(criterion, abs=1e-5)
    assert intercept(fitted, mean) == (pytest.approx(fixed, abs=1e-6), pytest.approx(se, rel=1e-4))
    for found, published in zip(fitted.sd, sd, strict=True):
        assert found == pytest.approx(published, rel=1e-4) if published else found < 1e-3


def test_predicted_sample_effects_are_those_published():
    _, fitted = fit("lme4_penicillin.csv", "diameter", ["plate", "sample"])
    published = [2.187058, -1.010476, 1.937900, -0.096895, -0.013842, -3.003745]
    assert fitted.best.theta[-6:] == pytest.approx(published, abs=1e-4)


def test_seventy_thousand_crossed_marks_are_solved_exactly():
    mean, fitted = fit("lme4_insteval.csv.gz", "y", ["s", "d"])
    assert fitted.best.value == pytest.approx(237783.880388, abs=1e-5)
    assert intercept(fitted, mean) == (pytest.approx(3.254158, abs=1e-6), pytest.approx(0.01838952, rel=1e-4))
    assert fitted.sd == pytest.approx([0.32591, 0.52320, 1.17779], rel=2e-5)  # published to five digits


def test_balanced_one_way_data_give_the_closed_form_and_the_certified_analysis_of_variance():
    frame = pl.read_csv(DATA / "nist_sirstv.csv")
    groups = [g["resistance"].to_numpy() for _, g in frame.group_by("instrument", maintain_order=True)]
    n, k = len(groups[0]), len(groups)
    means = np.array([g.mean() for g in groups])
    msb = n * means.var(ddof=1)
    msw = sum(((g - g.mean()) ** 2).sum() for g in groups) / (k * (n - 1))
    assert msb / msw == pytest.approx(1.18046237440255, rel=1e-9)  # certified F

    _, fitted = fit("nist_sirstv.csv", "resistance", ["instrument"])
    assert fitted.sd == pytest.approx([np.sqrt((msb - msw) / n), np.sqrt(msw)], rel=1e-5)
    assert fitted.sd == pytest.approx([0.0197724, 0.1040761], rel=1e-4)


def test_days_of_a_voltage_standard_as_the_guide_to_uncertainty_takes_them_apart():
    """JCGM 100:2008, H.5: ten days of five readings; means and standard deviations of days, and what the guide finds in them, from
    MEMORY (they agree with each other: mean 10.000 097 V, 57 uV between means, 85 uV within days). In units of 100 uV."""
    means = np.array([1.72, 1.16, 0.13, 1.44, 1.06, 0.31, 0.60, 1.25, 1.63, 0.41])
    within = np.array([0.60, 0.77, 1.11, 1.01, 0.67, 0.93, 0.80, 0.73, 0.88, 0.86])
    five = np.array([-2.0, -1.0, 0.0, 1.0, 2.0])
    y = (means[:, None] + within[:, None] * five / five.std(ddof=1)).ravel()
    model, _ = ordinary(y, [np.repeat(np.arange(10), 5).astype(str)])
    fitted = mixed_model.fit(model, np.zeros(2), bounds=(-6, 3), tolerance=1e-11)
    assert 100 * fitted.sd == pytest.approx([43, 85], abs=0.5)  # s_B and s_W of H.5.2
    mean, se = intercept(fitted)
    assert (100 * mean, 100 * se) == (pytest.approx(97, abs=0.5), pytest.approx(18, abs=0.1))


def test_crossed_data_agree_with_statsmodels():
    """statsmodels' MixedLM, variance components in one group: another program, another algorithm."""
    from statsmodels.regression.mixed_linear_model import MixedLM

    rng = np.random.default_rng(7)
    n, a, b = 600, 12, 9
    i, j = rng.integers(a, size=n), rng.integers(b, size=n)
    y = 1.0 + 0.5 * rng.standard_normal(a)[i] + 0.3 * rng.standard_normal(b)[j] + 0.8 * rng.standard_normal(n)
    model, _ = ordinary(y, [i.astype(str), j.astype(str)])
    ours = mixed_model.fit(model, np.full(3, -0.5), bounds=(-9, 3), tolerance=1e-11)
    frame = pl.DataFrame({"y": y, "i": i, "j": j}).to_pandas(use_pyarrow_extension_array=False)
    theirs = MixedLM.from_formula(
        "y ~ 1", groups=np.ones(n), vc_formula={"i": "0 + C(i)", "j": "0 + C(j)"}, re_formula="0", data=frame
    ).fit(method=["powell"], ftol=1e-14)
    expected = np.sqrt([theirs.vcomp[0], theirs.vcomp[1], theirs.scale])
    assert ours.sd == pytest.approx(expected, rel=1e-4)
    assert intercept(ours) == (
        pytest.approx(theirs.fe_params.iloc[0], rel=1e-4),
        pytest.approx(theirs.bse_fe.iloc[0], rel=1e-3),
    )
