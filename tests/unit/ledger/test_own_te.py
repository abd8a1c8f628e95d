"""The transfer of one operation from its own weighed targets, cups and targets in, operation_te out."""

from __future__ import annotations

from datetime import timedelta

import numpy as np
import polars as pl
from small_shop import SmallShop, at

from pipelines.settings import Settings
from pipelines.transfer.model.estimate import estimate

TARGETS, PRODUCTS = 4, 60


def test_intervals_of_weighed_targets_hold_what_was_truly_transferred(shop: SmallShop) -> None:
    """What is in the can differs from its sheet by 2 % from product to product, and each flush by 40 % from the register's.

    Taken as exact, both made the stated uncertainty 1.0 % where 2.7 % is right.
    """
    rng = np.random.default_rng(7)
    shop.add("guns", gun_id="g2", shop_id="s", atomising="hvlp", flush_loss_g=4.0)
    truth = []
    for p in range(PRODUCTS):
        shop.add("products", product_id=f"clear-{p}", role="clear")
        solids = 0.5 * (1 + 0.02 * rng.standard_normal())
        for k in range(TARGETS):
            job = f"j{p:02d}{k}"
            begin = at(60 * (TARGETS * p + k))
            flush = max(4.0 * (1 + 0.4 * rng.standard_normal()), 0.0)
            te = 0.6 * np.exp(0.08 * rng.standard_normal())
            landed = (110.0 - flush) * solids * te * (1 + 0.01 * rng.standard_normal())
            shop.cup(f"m{job}", 120.0, 10.0, product=f"clear-{p}", poured_at=begin - timedelta(minutes=5))
            shop.add("operations", shop_id="s", job_id=job, operation_no=1, kind="spray", product_id=f"clear-{p}", gun_id="g2",
                     technician_id=f"t{k % 2}", started_at=begin)  # fmt: skip
            shop.add(
                "operation_panels", shop_id="s", job_id=job, operation_no=1, panel_id="foil", face="outer", area_m2=1.0
            )
            shop.add("draws", shop_id="s", job_id=job, operation_no=1, mix_id=f"m{job}")
            shop.add("target_weighings", shop_id="s", job_id=job, operation_no=1, target_id="foil", before_g=100.0,
                     after_g=100.0 + landed, whole=True)  # fmt: skip
            truth.append((job, te))
    ledger = shop.run("records")
    found = estimate(ledger["records"], ledger["record_layers"], Settings())
    said = found["operation_te"].join(pl.DataFrame(truth, schema=["op_job_id", "true"], orient="row"), on="op_job_id")
    assert said["source"].to_list() == ["own"] * (TARGETS * PRODUCTS)
    assert 0.92 <= said["true"].is_between(said["te_low"], said["te_high"]).mean() <= 0.975
    part = found["record_budgets"].row(0, named=True)
    assert part["solids_rel_u"] == 0.02
    assert part["sprayed_rel_u"] == np.hypot(1.6 / 106, 0.002)
    assert part["gauge_rel_u"] == part["area_shared_rel_u"] == part["density_rel_u"] == 0.0
