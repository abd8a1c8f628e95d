"""Savings from CSV to table: how the same paint was written down moves nothing."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import polars as pl
import pytest

from pipelines import cli, settings, workspace
from seed_data import scenario


def ran(folder: Path, pours: pl.DataFrame, drawn: Any) -> dict[str, pl.DataFrame]:
    space, _ = workspace.init(folder, settings.template())
    scenario.write_canonical(space.root, drawn)
    pours.write_csv(space.root / "inbox" / "pours.csv", datetime_format="%Y-%m-%d %H:%M:%S")
    assert cli.main(["run", str(space.root)]) in (0, 3)
    return {name: pl.read_parquet(space.out / "tables" / f"{name}.parquet") for name in ("savings", "savings_basis")}


@pytest.fixture(scope="module")
def drawn() -> Any:
    return scenario.build(shops=2, months=4, cups=600)


@pytest.fixture(scope="module")
def plain(drawn: Any, tmp_path_factory: Any) -> dict[str, pl.DataFrame]:
    return ran(tmp_path_factory.mktemp("plain") / "shop", drawn.canonical["pours"], drawn)


def test_a_pour_split_in_two_moves_no_saving(drawn: Any, plain: dict[str, pl.DataFrame], tmp_path: Path):
    pours = drawn.canonical["pours"]
    last = pl.col("pour_no").max().over("shop_id", "mix_id")
    third = pours.filter((pl.col("pour_no") == 1) & (pl.col("weighed_g") > 1)).with_columns(
        weighed_g=pl.col("weighed_g") / 3
    )
    rest = pours.with_columns(last=last).filter((pl.col("pour_no") == 1) & (pl.col("weighed_g") > 1))
    rest = rest.with_columns(weighed_g=pl.col("weighed_g") * 2 / 3, pour_no=pl.col("last") + 1).drop("last")
    others = pours.join(third, on=["shop_id", "mix_id", "pour_no"], how="anti")
    split = pl.concat([others, third, rest]).sort("shop_id", "mix_id", "pour_no")
    assert split.height > 1.5 * pours.height / 2 and split["weighed_g"].sum() == pytest.approx(pours["weighed_g"].sum())
    same(ran(tmp_path / "shop", split, drawn), plain)


def same(found: dict[str, pl.DataFrame], expected: dict[str, pl.DataFrame]) -> None:
    """Keys, texts and dates exactly, numbers to 1e-9 of themselves."""
    for name, table in expected.items():
        other = found[name]
        assert other.schema == table.schema and other.height == table.height
        for column, dtype in table.schema.items():
            if dtype.is_float():
                assert other[column].is_null().equals(table[column].is_null()), column
                assert other[column].drop_nulls().to_list() == pytest.approx(
                    table[column].drop_nulls().to_list(), rel=1e-9, abs=0
                ), f"{name}.{column}"
            else:
                assert other[column].equals(table[column]), f"{name}.{column}"
