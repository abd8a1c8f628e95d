"""Transfer efficiencies that rules assume, beside the range that a state programme quotes for conventional systems."""

from __future__ import annotations

import polars as pl

from pipelines.run import reference_table

# "Basics of Spray Painting", state pollution-prevention programme (READ): conventional systems reach 20 to 50 %.
LEAST, MOST = 0.20, 0.50


def test_every_statutory_value_for_air_atomised_spray_lies_in_the_quoted_range() -> None:
    """40 CFR 60.313, 60.393, 60.453 and 60.723 (READ, 2015 edition) against that range."""
    air = reference_table("statutory_te").filter(pl.col("method").str.contains("air.atomi"))
    assert air.height >= 6
    assert air["te"].is_between(LEAST, MOST).all(), air.select("rule", "condition", "te").rows()


def test_electrostatic_methods_are_never_assumed_worse_than_air_alone_in_the_same_rule() -> None:
    table = reference_table("statutory_te")
    air = table.filter(pl.col("method").str.contains("air.atomi")).group_by("rule").agg(worst=pl.col("te").min())
    charged = table.filter(pl.col("method").str.contains("electrostatic")).join(air, on="rule")
    assert charged.height >= 5
    assert (charged["te"] >= charged["worst"]).all()
