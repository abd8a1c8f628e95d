"""Transfer efficiencies that rules assume, beside the range that a state programme quotes for conventional systems."""

from __future__ import annotations

import math

import polars as pl
import pytest

from pipelines.run import reference_table
from pipelines.transfer.model.design import PRIOR
from pipelines.transfer.model.estimate import estimate
from schemas.published import TRANSFER_LINE
from tests import networks

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


# --- the model against the tables: sanity bounds, not defaults --------------------------------------------------------


def spray_values(rule: str) -> dict[str, float]:
    """Method -> transfer efficiency that the rule assumes, spraying only (nothing is sprayed in a dip tank)."""
    table = reference_table("statutory_te").filter(pl.col("rule") == rule)
    dipped = ["dip", "flow_coat", "electrodeposition"]
    return dict(table.filter(~pl.col("method").is_in(dipped)).select("method", "te").iter_rows())


@pytest.mark.parametrize("rule", ["60.313", "60.453"])
def test_what_the_model_holds_likely_before_any_film_is_read_reaches_over_the_table(rule: str) -> None:
    """40 CFR 60.313 (metal furniture) and 60.453 (large appliances), 2015 edition (READ)."""
    (typical, role_sd), (less, air_sd), (_, other_sd) = (PRIOR[name] for name in ("role", "conventional", "atomising"))
    for method, te in spray_values(rule).items():
        centre, sd = (typical + less, air_sd) if method == "air_atomised" else (typical, other_sd)
        assert abs(math.log(te) - centre) <= 2 * math.hypot(role_sd, sd), method
    assert math.exp(typical + less) < TRANSFER_LINE < spray_values(rule)["rotating_head_electrostatic"]


def test_what_the_model_finds_in_an_invented_business_lies_within_both_tables() -> None:
    """Air sprayed by hand: above the least that either rule assumes for air, below the most that it does for any spray."""
    net = networks.network(networks.Truth(shops=1, jobs=60, conventional=1), seed=3)
    found = estimate(net.records, net.layers)["transfer_by_gun"]["estimate"]
    tables = [spray_values(rule) for rule in ("60.313", "60.453")]
    assert found.min() > min(t["air_atomised"] for t in tables)
    assert found.max() < max(t["rotating_head_electrostatic"] for t in tables)
