"""Two sets of tables held against each other: equal means keys, counts, texts and times exactly, numbers to 1e-9."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator

import polars as pl
import pytest

from pipelines import workbench
from pipelines.intake.bringing_together import merge

REL = 1e-9  # sums of floats in another order


@contextlib.contextmanager
def at_a_time(rows: int) -> Iterator[None]:
    """Shops are brought together and worked on so many rows at a time: 1, each by itself."""
    with pytest.MonkeyPatch.context() as patched:
        for module in (merge, workbench):
            patched.setattr(module, "AT_A_TIME", rows)
        yield


def differences(left: dict[str, pl.DataFrame], right: dict[str, pl.DataFrame]) -> list[str]:
    """Where two sets of tables differ: keys, counts, texts and times in anything, numbers by more than REL of their size."""
    found = [f"tables: {sorted(left.keys() ^ right.keys())}"] if left.keys() != right.keys() else []
    for name in sorted(left.keys() & right.keys()):
        a, b = left[name], right[name]
        if a.schema != b.schema or a.height != b.height:
            found.append(f"{name}: {a.height} rows against {b.height}")
            continue
        for column, dtype in a.schema.items():
            x, y = a[column], b[column]
            if x.equals(y):
                continue
            if not dtype.is_float() or not x.is_null().equals(y.is_null()):
                found.append(f"{name}.{column}")
                continue
            scale = max(float(x.abs().mean() or 0.0), 1e-12)  # a difference of two large numbers has their rounding
            worst = float(
                ((x - y).abs() / pl.select(pl.max_horizontal(x.abs(), pl.lit(scale))).to_series()).max() or 0.0
            )
            if worst > REL:
                found.append(f"{name}.{column}: {worst:.1e}")
    return found


def test_a_difference_is_found_where_there_is_one() -> None:
    one = {"t": pl.DataFrame({"k": ["a", "b"], "x": [1.0, None]})}
    assert differences(one, one) == []
    assert differences(one, {"t": one["t"].with_columns(pl.col("x") * (1 + 1e-12))}) == []
    assert differences(one, {"t": one["t"].with_columns(pl.col("x") * (1 + 1e-7))}) == ["t.x: 1.0e-07"]
    assert differences(one, {"t": one["t"].with_columns(x=pl.lit(1.0))}) == ["t.x"]
    assert differences(one, {"t": one["t"].with_columns(k=pl.lit("a"))}) == ["t.k"]
    assert differences(one, {"t": one["t"].head(1)}) == ["t: 2 rows against 1"]
    assert differences(one, {}) == ["tables: ['t']"]
