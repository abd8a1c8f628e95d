"""Tilt, edge and stripes from nine readings, by hand and by simulation."""

import numpy as np
import polars as pl
import pytest

from pipelines.settings import Settings
from pipelines.transfer.decisions import technique


def panel_rows(um: np.ndarray, job: str = "j", who: str = "t", role: str = "clear") -> pl.DataFrame:
    """A gained frame of one panel from a 3x3 array, rows from the upper edge."""
    row, col = np.divmod(np.arange(9), 3)
    return pl.DataFrame(
        {
            "shop_id": "s", "job_id": job, "panel_id": "door", "from_operation": 0, "to_operation": 1, "technician_id": who,
            "gun_id": "g", "role": role, "row": row + 1, "col": col + 1, "um": um.ravel(), "mean_um": float(um.mean()),
        }
    )  # fmt: skip


def many(rng: np.random.Generator, n: int, tilt: float, edge: float, cv: float = 0.12) -> pl.DataFrame:
    out = []
    for i in range(n):
        rows = np.array([1 + tilt / 2 + edge / 3, 1 - 2 * edge / 3, 1 - tilt / 2 + edge / 3])
        out.append(panel_rows(50 * (rows[:, None] + rng.normal(0, cv, (3, 3))), job=f"j{i}"))
    return pl.concat(out)


def test_tilt_and_edge_by_hand():
    um = np.array([[60.0, 60, 60], [48, 48, 48], [42, 42, 42]])  # mean 50: T = 18/50, E = (51 - 48)/50
    each = technique.panels(panel_rows(um)).row(0, named=True)
    assert each["tilt"] == pytest.approx(0.36)
    assert each["edge"] == pytest.approx(0.06)
    assert each["within"] == pytest.approx(0.0)
    # lack of a straight line, one degree of freedom: 3^2 / (1/12 + 1/12 + 1/3) = 18, over 50^2
    assert each["lack"] == pytest.approx(18 / 2500)


def test_a_row_with_one_reading_takes_the_panel_out():
    rng = np.random.default_rng(1)
    whole = many(rng, 1, 0, 0)
    poor = whole.filter(~((pl.col("row") == 2) & (pl.col("col") > 1)))
    frames = {
        "increments": whole.select(*technique.PANEL).unique().with_columns(
            usable=True, paired=True, blend=False, witness_of=pl.lit(None, pl.String), face=pl.lit("outer"), mean_um=50.0
        ),
        "layers": whole.select(*technique.PANEL).unique().with_columns(operation_no=1),
        "sprays": pl.DataFrame(
            {"shop_id": "s", "job_id": "j0", "operation_no": 1, "technician_id": "t", "gun_id": "g", "role": "clear"}
        ),
    }  # fmt: skip

    def stages(gained: pl.DataFrame) -> pl.DataFrame:
        after = gained.select(
            "shop_id", "job_id", "panel_id", after_operation="to_operation", row_no="row", col_no="col", um="um"
        )
        return pl.concat(
            [after, after.with_columns(after_operation=pl.lit(0, pl.Int32), um=pl.lit(0.0))], how="vertical_relaxed"
        )

    found = technique.places(frames["increments"], stages(whole), frames["layers"], frames["sprays"])
    assert found.height == 9
    assert technique.places(frames["increments"], stages(poor), frames["layers"], frames["sprays"]).height == 0


def test_one_panel_is_never_quoted():
    row = technique.edge_bias(technique.panels(many(np.random.default_rng(2), 1, 0.5, 0)), Settings()).row(
        0, named=True
    )
    assert row["n_panels"] == 1 and row["tilt"] is None and not row["flagged"]


def test_intervals_cover_and_spread_is_found():
    rng = np.random.default_rng(3)
    hits = 0
    for _ in range(60):
        each = technique.panels(many(rng, 8, 0.06, 0.04))
        row = technique.edge_bias(each, Settings()).row(0, named=True)
        hits += (row["tilt_low"] < 0.06 < row["tilt_high"]) + (row["edge_low"] < 0.04 < row["edge_high"])
    assert 0.88 <= hits / 120 <= 1
    assert technique.spread(technique.panels(many(rng, 60, 0.2, 0.1))) == pytest.approx(0.12, rel=0.1)


def test_stripes_show_where_rows_differ_and_not_where_they_only_tilt():
    rng = np.random.default_rng(4)
    tilted = technique.edge_bias(technique.panels(many(rng, 30, 0.3, 0)), Settings()).row(0, named=True)
    striped = technique.edge_bias(technique.panels(many(rng, 30, 0.0, 0.15)), Settings()).row(0, named=True)
    assert tilted["stripe_p"] > 0.01
    assert striped["stripe_p"] < 1e-6 and striped["stripe_f"] > 3


def test_the_stated_number_of_panels_has_the_stated_power():
    rng = np.random.default_rng(5)
    n = technique.panels_needed(0.10, 0.12, technique.TILT_FACTOR)
    assert n is not None
    t = 0.10 + rng.normal(0, 0.12 * technique.TILT_FACTOR, (4000, n))
    shown = np.abs(t.mean(axis=1) / t.std(axis=1, ddof=1) * np.sqrt(n))
    from scipy import stats

    power = (shown > stats.t.ppf(0.975, n - 1)).mean()
    assert 0.78 <= power <= 0.86
    assert technique.panels_needed(0.10, float("nan"), 1.0) is None


def test_the_heat_map_says_where_the_film_lies():
    heat = technique.panel_heat(many(np.random.default_rng(6), 40, 0.2, 0)).sort("row", "col")
    top, low = (heat.filter(pl.col("row") == k)["relative_film"].mean() for k in (1, 3))
    assert top == pytest.approx(1.1, abs=0.03) and low == pytest.approx(0.9, abs=0.03)
    assert ((heat["low"] < heat["relative_film"]) & (heat["relative_film"] < heat["high"])).all()
