"""The two walks along a graph that SQL says badly: cups poured into cups, and equations that hang together.

Here belong steps of the ledger whose result depends on chains of any length. Everything that one join or one sum can say
stays in SQL.
"""

from __future__ import annotations

import numpy as np
import polars as pl
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

CUP = ["shop_id", "mix_id"]
POURED_AS = ["component_id", "on_date", "by_volume"]
OPERATION = ["shop_id", "job_id", "operation_no"]


def cup_contents(cup_pours: pl.DataFrame, pours: pl.DataFrame, incomplete: pl.DataFrame) -> pl.DataFrame:
    """What each cup holds, component by component, leftovers of other cups included.

    A pour of w g from a cup of M g brings w/M of each of that cup's components. Cups are settled in the order in which they
    were poured together; one that waits for itself (a circle) keeps its own pours alone.

    Returns shop_id, mix_id, component_id, on_date (picks the component's version), by_volume, mass_g, own_g, trouble (null, or
    why the contents are not known whole).
    """
    own = cup_pours.select(*CUP, *POURED_AS, mass_g="net_g", own_g="net_g")
    taken = (
        pours.filter(pl.col("from_mix_id").is_not_null())
        .group_by(*CUP, "from_mix_id", maintain_order=True)
        .agg(w=pl.col("weighed_g").sum())
    )
    no_trouble = pl.lit(None, pl.String).alias("trouble")
    if taken.is_empty():
        return own.with_columns(no_trouble).sort(*CUP, *POURED_AS)

    # Only the cups that take or give leftovers need settling; all others are their own pours.
    bad = incomplete.filter(pl.col("what") == "cup").select(*CUP).unique()
    settled = own.join(taken.select(*CUP).unique(), on=CUP, how="anti", nulls_equal=True)
    waiting = taken
    troubles = [bad.with_columns(trouble=pl.lit("incomplete"))]
    while waiting.height:
        blocked = waiting.join(
            waiting.select("shop_id", from_mix_id="mix_id").unique(), on=["shop_id", "from_mix_id"], how="semi"
        )
        ready = waiting.join(blocked.select(*CUP).unique(), on=CUP, how="anti")
        if ready.is_empty():
            circle = waiting.select(*CUP).unique()
            settled = pl.concat([settled, own.join(circle, on=CUP, how="semi")])
            troubles.append(circle.with_columns(trouble=pl.lit("cups poured into each other in a circle")))
            break
        held = settled.filter(pl.col("mass_g") > 0).select("shop_id", from_mix_id="mix_id").unique()
        from_nothing = ready.join(held, on=["shop_id", "from_mix_id"], how="anti").select(*CUP).unique()
        troubles.append(
            from_nothing.with_columns(trouble=pl.lit("holds the leftover of a cup of which nothing is known"))
        )
        source_mass = settled.group_by(*CUP, maintain_order=True).agg(M=pl.col("mass_g").sum())
        brought = (
            ready.join(settled.rename({"mix_id": "from_mix_id"}), on=["shop_id", "from_mix_id"], how="inner")
            .join(source_mass.rename({"mix_id": "from_mix_id"}), on=["shop_id", "from_mix_id"])
            .select(
                *CUP,
                *POURED_AS,
                mass_g=pl.when(pl.col("M") > 0).then(pl.col("w") * pl.col("mass_g") / pl.col("M")).otherwise(0.0),
                own_g=pl.lit(0.0),
            )
        )
        done = ready.select(*CUP).unique()
        settled = pl.concat([settled, brought, own.join(done, on=CUP, how="semi")])
        spoiled = pl.concat([t.select(*CUP) for t in troubles]).unique().rename({"mix_id": "from_mix_id"})
        heirs = ready.join(spoiled, on=["shop_id", "from_mix_id"], how="semi").select(*CUP).unique()
        troubles.append(heirs.with_columns(trouble=pl.lit("holds the leftover of an incomplete cup")))
        waiting = waiting.join(done, on=CUP, how="anti")
    why = (
        pl.concat(troubles)
        .filter(pl.col("trouble") != "incomplete")
        .group_by(*CUP, maintain_order=True)
        .agg(pl.col("trouble").min())
    )
    return (
        settled.sort(*CUP, *POURED_AS, "own_g", "mass_g")
        .group_by(*CUP, *POURED_AS, maintain_order=True)
        .agg(pl.col("mass_g").sum(), pl.col("own_g").sum())
        .join(why, on=CUP, how="left", maintain_order="left")
    )


def equations(sprays: pl.DataFrame, film_pieces: pl.DataFrame, cup_feeds: pl.DataFrame) -> pl.DataFrame:
    """Which spray operations hang together: connected components of operations, measured film and cups split by guess.

    Two operations hang together when one piece of measured film holds both, or when they share a cup without stated shares.

    Returns shop_id, job_id, operation_no, equation (the first operation of the component as shop/job/operation),
    first_job_id, record_no (1, 2, ... on the first job).
    """
    nodes = sprays.select(OPERATION).sort(OPERATION).with_row_index("node")
    links = pl.concat(
        [
            film_pieces.select(*OPERATION, link=pl.concat_str([pl.lit("film "), "piece"])),
            cup_feeds.filter(pl.col("shared_with").is_not_null()).select(
                *OPERATION, link=pl.concat_str([pl.lit("cup "), "shared_with"])
            ),
        ]
    ).join(nodes, on=OPERATION, how="inner")
    hubs = links.select("link").unique().sort("link").with_row_index("hub")
    edges = links.join(hubs, on="link", how="inner").sort("node", "hub")
    size = nodes.height + hubs.height
    row = edges["node"].to_numpy().astype(np.int64)
    col = edges["hub"].to_numpy().astype(np.int64) + nodes.height
    _, label = connected_components(coo_array((np.ones(len(row)), (row, col)), shape=(size, size)), directed=False)
    labelled = nodes.with_columns(label=pl.Series(label[: nodes.height], dtype=pl.Int64))
    heads = labelled.group_by("label", maintain_order=True).agg(
        pl.col("shop_id").first(), first_job_id=pl.col("job_id").first(), head=pl.col("operation_no").first()
    )
    heads = heads.sort("shop_id", "first_job_id", "head").with_columns(
        record_no=pl.int_range(1, pl.len() + 1, dtype=pl.Int64).over("shop_id", "first_job_id"),
        equation=pl.concat_str(["shop_id", "first_job_id", pl.col("head").cast(pl.String)], separator="/"),
    )
    return (
        labelled.join(heads.select("label", "first_job_id", "record_no", "equation"), on="label", how="inner")
        .select(*OPERATION, "equation", "first_job_id", "record_no")
        .sort(OPERATION)
    )
