"""A small shop to which each test adds only what it is about."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Any

import polars as pl

from pipelines.ledger import runner
from pipelines.settings import Settings
from schemas import events, registers
from tests import on_frames
from tests.on_frames import frame

DAY = datetime(2026, 3, 2, 8, 0)
EXEMPT = {"cas": pl.String, "density_g_per_ml": pl.Float64}


def at(minutes: float) -> datetime:
    return DAY + timedelta(minutes=minutes)


def table(step: str, settings: dict[str, Any] | None = None, **rows: list[dict[str, Any]]) -> pl.DataFrame:
    """What one step makes of these rows; a table that it reads and that is not given is empty."""
    given = {name: frame(name, *rows.get(name, ())) for name in runner.upstream(step)}
    if "unit_factors" in given:
        given["unit_factors"] = on_frames.run_statement("unit_factors", {}, {})
    return on_frames.run_statement(step, given, Settings().flat() | (settings or {}))


def asked(step: str, settings: dict[str, Any] | None = None, **rows: list[dict[str, Any]]) -> list[dict[str, Any]]:
    return table(step, settings, **rows).to_dicts()


class SmallShop:
    """Rows by table; `run` gives every table of the ledger that needs no transfer model."""

    def __init__(self) -> None:
        self.rows: dict[str, list[dict[str, Any]]] = {}
        self.add("shops", shop_id="s")
        self.add("guns", gun_id="g", shop_id="s", atomising="hvlp", flush_loss_g=0.0)
        self.add(
            "products", product_id="clear1", role="clear", film_min_um=40.0, film_max_um=60.0, film_basis="as_applied"
        )
        self.add("products", product_id="base1", role="base")
        # 50 % solids by mass and 40 % by volume at 1 g/mL: 2 g of mix carry 0.8 mL of solids.
        self.add("components", component_id="c", density_g_per_ml=1.0, solids_mass_fraction=0.5, solids_volume_fraction=0.4,
                 voc_mass_fraction=0.5, water_mass_fraction=0.0, exempt_mass_fraction=0.0, price_per_kg=20.0)  # fmt: skip

    def add(self, table: str, **row: Any) -> SmallShop:
        self.rows.setdefault(table, []).append(row)
        return self

    def cup(
        self, mix: str, grams: float, leftover: float | None = None, product: str = "clear1", **more: Any
    ) -> SmallShop:
        row = {"component_id": "c", "pour_no": 1, "poured_at": at(0), **more}
        self.add("pours", shop_id="s", mix_id=mix, product_id=product, weighed_g=grams, **row)
        if leftover is not None:
            self.add("leftovers", shop_id="s", mix_id=mix, weigh_no=1, weighed_at=at(600), leftover_g=leftover)
        return self

    def spray(
        self, number: int, panels: tuple[str, ...] = ("door",), product: str = "clear1", **more: Any
    ) -> SmallShop:
        faces = {name: more.pop(name) for name in ("area_m2", "covered_fraction", "substrate", "face") if name in more}
        row = {"gun_id": "g", "technician_id": "t", "started_at": at(60 * number), "kind": "spray", **more}
        self.add("operations", shop_id="s", job_id="j", operation_no=number, product_id=product, **row)
        for panel in panels:
            face = {"area_m2": 1.0, "substrate": "steel", "face": "outer", **faces}
            self.add("operation_panels", shop_id="s", job_id="j", operation_no=number, panel_id=panel, **face)
        return self

    def step(self, number: int, kind: str, **more: Any) -> SmallShop:
        return self.add(
            "operations", shop_id="s", job_id="j", operation_no=number, kind=kind, started_at=at(60 * number), **more
        )

    def draw(self, number: int, mix: str, share: float | None = None) -> SmallShop:
        return self.add("draws", shop_id="s", job_id="j", operation_no=number, mix_id=mix, share=share)

    def film(self, after: int, *um: float, panel: str = "door", **more: Any) -> SmallShop:
        for number, value in enumerate(um, start=1):
            self.add("readings", shop_id="s", job_id="j", panel_id=panel, after_operation=after, reading_no=number,
                     reading_um=value, **more)  # fmt: skip
        return self

    def tables(self) -> dict[str, pl.DataFrame]:
        exempt = {"exempt_compounds": pl.DataFrame(schema=EXEMPT)}
        names = [*events.EVENTS, *registers.REGISTERS, "incomplete"]
        return exempt | {name: frame(name, *self.rows.get(name, ())) for name in names}

    def run(self, until: str | None = None) -> dict[str, pl.DataFrame]:
        return on_frames.run_all(self.tables(), Settings().flat(), until=until)
