"""Small invented shops that hold every oddity the ledger must bear, for comparing it with the oracle; `reckon` runs it.

`build(seed)` gives accepted rows (what intake hands on): event tables, registers, `incomplete` and `exempt_compounds`.
The same seed gives the same rows. Figures are invented for tests only and mean nothing outside them.
"""

from __future__ import annotations

import random
from collections import defaultdict
from collections.abc import Iterable, Mapping
from datetime import date, datetime, timedelta
from typing import Any

import polars as pl

from pipelines.settings import Settings
from schemas import validate
from schemas.events import EVENTS
from schemas.registers import REGISTERS
from tests import on_frames

Row = dict[str, Any]
SETTINGS = Settings().flat()
START = datetime(2026, 3, 2, 7, 0)
TURN = date(2026, 3, 6)  # new versions of some registers begin here, in the middle of all events


def component(component_id: str, *figures: float | None, **more: Any) -> Row:
    """A row of the register: figures in the order of FIGURES, None where nobody gave one."""
    given = {name: value for name, value in zip(FIGURES, figures, strict=True) if value is not None}
    return dict(component_id=component_id, **given, **more)


FIGURES = (
    "density_g_per_ml", "solids_mass_fraction", "solids_volume_fraction", "voc_mass_fraction", "water_mass_fraction",
    "exempt_mass_fraction", "price_per_kg",
)  # fmt: skip
COMPONENTS: list[Row] = [
    component("filler", 1.55, 0.68, 0.45, 0.32, 0.0, 0.0, 14.0),
    component("filler", 1.62, 0.71, 0.47, 0.24, 0.0, 0.05, 15.5, valid_from=TURN, exempt_density_g_per_ml=1.33),
    component("toner_gaps", 1.1, 0.33, None, 0.6, 0.0, 0.07, 60.0),
    component("toner_no_voc", 1.2, 0.4, 0.3, None, 0.0, 0.0, 55.0),
    component("toner_water", 1.06, 0.22, 0.18, 0.1, 0.68, 0.0, 80.0),
    component("varnish", 1.0, 0.5, 0.44, 0.42, 0.0, 0.08, 30.0, voc_eu_mass_fraction=0.49),
    component("hardener", 1.07, 0.55, 0.49, 0.45, 0.0, 0.0, 45.0),
    component("hardener_no_q", 1.05, 0.5, None, 0.5, 0.0, 0.0, 41.0),
    component("hardener_bare", None, 0.6, None, None, None, None, 40.0),
    component("thinner", 0.87, 0.0, 0.0, 1.0, 0.0, 0.0, 7.0),
    component("thinner_exempt", 0.98, 0.0, 0.0, 0.2, 0.0, 0.8, None),
    component("thinner_unknown", 0.95, 0.0, 0.0, 0.5, 0.0, 0.5, 8.0),
    component("water", 0.9982, 0.0, 0.0, 0.0, 1.0, 0.0, 0.1),
    component("brine", 1.2, 0.01, 0.01, 0.0, 0.99, 0.0, 0.2),
]
SPECIES: list[Row] = [
    dict(component_id="thinner_exempt", cas="67-64-1", substance="acetone", mass_fraction=0.5),
    dict(component_id="thinner_exempt", cas="540-88-5", substance="tert-butyl acetate", mass_fraction=0.3),
    dict(component_id="thinner_exempt", cas="1330-20-7", substance="xylene", mass_fraction=0.2),
    dict(component_id="thinner_unknown", cas="98-56-6", substance="PCBTF", mass_fraction=0.5),
    dict(component_id="varnish", cas="67-64-1", substance="acetone", mass_fraction=0.08),
    dict(component_id="toner_gaps", cas="540-88-5", substance="tert-butyl acetate", mass_fraction=0.07),
]
EXEMPT: list[Row] = [  # densities near 20 C from memory; only that they differ matters here
    dict(cas="67-64-1", density_g_per_ml=0.791),
    dict(cas="540-88-5", density_g_per_ml=0.867),
    dict(cas="98-56-6", density_g_per_ml=None),
]
RTS = dict(
    rts_density_g_per_ml=1.05,
    rts_solids_mass_fraction=0.3,
    rts_solids_volume_fraction=0.22,
    rts_voc_g_per_l=550.0,
    rts_water_mass_fraction=0.02,
    rts_exempt_mass_fraction=0.03,
)
PRODUCTS: list[Row] = [
    dict(product_id="primer", role="surfacer", coats_min=2, film_max_um=150.0),
    dict(product_id="primer", valid_from=TURN, role="surfacer", coats_min=3, film_max_um=140.0),
    dict(product_id="basecoat", role="base", film_max_um=30.0, **RTS),
    dict(product_id="basecoat", valid_from=TURN, role="base", coats_min=2, film_max_um=30.0)
    | RTS
    | dict(rts_solids_volume_fraction=0.25, rts_exempt_mass_fraction=0.0),
    dict(product_id="clearcoat", role="clear", coats_min=2, film_max_um=60.0, rts_density_g_per_ml=1.0),
    dict(product_id="etch", role="wash_primer", **RTS),
]
GAUGES = ("fitted", "drifting", "one_shim", "narrow", "unchecked")
RECIPES = {
    "primer": ["filler", "hardener", "thinner", "thinner_unknown"],
    "basecoat": ["toner_gaps", "toner_water", "toner_no_voc", "water", "thinner", "hardener_bare"],
    "clearcoat": ["varnish", "hardener", "thinner_exempt"],
    "etch": ["varnish", "thinner", "thinner_exempt", "brine"],
}
SUBSTRATE = {"hood": "steel", "door": "aluminium", "fender": "steel", "bumper": "plastic", "roof": "steel"}
PANELS = list(SUBSTRATE)
AREAS: list[Row] = [
    dict(vehicle_class="car", panel_id=panel, face=face, area_m2=area * size, area_rel_sd=0.05, substrate=substrate)
    for (panel, substrate), area in zip(SUBSTRATE.items(), [1.6, 1.1, 0.7, 1.3, 1.9], strict=True)
    for face, size in (("outer", 1.0), ("inner", 0.8), ("jamb", 0.15))
    if (panel, face) != ("roof", "inner")
]


def frame(table: str, rows: Iterable[Row]) -> pl.DataFrame:
    """Rows as a typed frame of the table; what a row leaves out takes the table's default."""
    infos = validate.columns(table)
    filled = [{i.name: r[i.name] if r.get(i.name) is not None else i.default for i in infos} for r in rows]
    return pl.DataFrame(filled, schema=validate.empty(table).schema, orient="row")


def tables_of(rows: dict[str, list[Row]]) -> dict[str, pl.DataFrame]:
    """Every event table and register (empty ones too), `incomplete` and `exempt_compounds` from rows by table."""
    found = {name: frame(name, rows.get(name, [])) for name in (*EVENTS, *REGISTERS, "incomplete")}
    found["exempt_compounds"] = pl.DataFrame(
        rows.get("exempt_compounds", []), schema={"cas": pl.String, "density_g_per_ml": pl.Float64}
    )
    return found


def registers(shops: Iterable[str] = ("s1", "s2")) -> dict[str, list[Row]]:
    """The registers that every small workspace shares."""
    return {
        "shops": [dict(shop_id=s) for s in shops],
        "components": COMPONENTS,
        "component_species": SPECIES,
        "exempt_compounds": EXEMPT,
        "products": PRODUCTS,
        "product_categories": [
            dict(product_id="etch", jurisdiction="eu", category="preparatory"),
            dict(product_id="primer", jurisdiction="us", category="preparatory"),
            dict(product_id="clearcoat", jurisdiction="eu", category="topcoat"),
        ],
        "guns": [
            dict(gun_id="g1", shop_id="s1", atomising="hvlp", flush_loss_g=4.0),
            dict(gun_id="g2", shop_id="s1", atomising="reduced_pressure"),
            dict(gun_id="g3", shop_id="s1", atomising="conventional", flush_loss_g=30.0),
        ],
        "technicians": [dict(technician_id=t, shop_id="s1") for t in ("t1", "t2")],
        "gauges": [dict(gauge_id=g, principle="dual") for g in GAUGES],
        "panel_areas": AREAS,
    }


class Workspace:
    """One small workspace, drawn row by row."""

    def __init__(self, seed: int) -> None:
        self.rng = random.Random(seed)
        self.rows: dict[str, list[Row]] = defaultdict(list)
        self.shops = ["s1", "s2"][: self.rng.choice([1, 1, 2])]
        self.rows.update(registers(self.shops))
        self.cup_no = 0
        self.calm = self.chance(0.6)  # every second workspace or so is mostly in order, so that records close
        self._gauge_checks()
        for shop in self.shops:
            for number in range(self.rng.randint(2, 4)):
                self._job(shop, f"{shop}j{number}", START + timedelta(days=2 * number, minutes=self.rng.uniform(0, 90)))
            for number in range(self.rng.choice([0, 1])):
                self._target_job(shop, f"{shop}t{number}", START + timedelta(days=5, minutes=self.rng.uniform(0, 90)))
            self._cups(shop)
            self._spoil(shop)

    def chance(self, p: float) -> bool:
        return self.rng.random() < p

    def add(self, table: str, **row: Any) -> None:
        self.rows[table].append(row)

    # --- gauges -----------------------------------------------------------------------------------------------------

    def _gauge_checks(self) -> None:
        def check(gauge: str, day: float, shim: float, reading: float, no: int = 1) -> None:
            at = START + timedelta(days=day)
            self.add("gauge_checks", gauge_id=gauge, checked_at=at, shim_um=shim, check_no=no, reading_um=reading)

        offset, gain = self.rng.uniform(1, 6), self.rng.uniform(0.9, 1.1)
        for no, shim in enumerate([0.0, 50.0, 125.0, 125.0, 250.0], 1):
            check("fitted", 3, shim, max(0.0, offset + gain * shim + self.rng.uniform(-1, 1)), no)
        for shim in (0.0, 250.0):  # long ago: does not count
            check("fitted", -200, shim, 1.5 * shim + 20)
        for day in (-28, 33):  # one counts up to the third day, the other after it
            offset, gain = self.rng.uniform(1, 9), self.rng.uniform(0.9, 1.1)
            for shim in (0.0, 250.0):
                check("drifting", day, shim, offset + gain * shim)
        check("one_shim", 2, 125.0, 140.0, 1)
        check("one_shim", 2, 125.0, 139.0, 2)
        check("narrow", 2, 100.0, 111.0)
        check("narrow", 2, 120.0, 135.0)

    # --- jobs ---------------------------------------------------------------------------------------------------------

    def _job(self, shop: str, job: str, start: datetime) -> None:
        rng = self.rng
        stated_areas = self.chance(0.2)
        self.add("jobs", shop_id=shop, job_id=job, vehicle_class=None if stated_areas else "car")
        panels = rng.sample(PANELS, rng.randint(1, 4))
        plan = self._plan()
        at = start
        no = 0
        film = {p: rng.uniform(60, 130) for p in panels}
        stages: list[tuple[int, datetime, dict[str, float]]] = [(0, at, dict(film))]
        last_of_product: dict[str, int] = {}
        some = [[], [], [], ["inner"], ["jamb"], ["inner", "jamb"]]
        extra_faces = {p: [f for f in rng.choice(some) if (p, f) != ("roof", "inner") or not self.calm] for p in panels}
        blend = {p: rng.choice([0.5, 0.3]) if self.chance(0.1 if self.calm else 0.3) else 1.0 for p in panels}
        unknown_substrate = {p for p in panels if self.chance(0.05)}
        for kind, detail in plan:
            no += rng.choice([1, 1, 1, 2])
            at += timedelta(minutes=rng.uniform(60, 120), hours=14 if self.chance(0.08) else 0)
            op: Row = dict(
                shop_id=shop,
                job_id=job,
                operation_no=no,
                kind=kind,
                started_at=at,
                ended_at=at + timedelta(minutes=rng.uniform(10, 40)) if self.chance(0.8) else None,
            )
            chosen = [p for p in panels if self.chance(0.97 if self.calm else 0.85)] or panels[:1]
            sprayed: dict[str, float] = {}
            if kind == "spray" and detail is not None:
                product = detail
                op |= dict(
                    product_id=product,
                    gun_id=rng.choice(["g1", "g1", "g2", "g3"]),
                    technician_id="t1",
                    coats=rng.choice([None, None, 1, 2, 3]),
                )
                if product in last_of_product and self.chance(0.5):
                    op["redo_of"] = last_of_product[product]
                last_of_product[product] = no
                sprayed = {p: rng.uniform(12, 70) for p in chosen}
            elif kind == "hand":
                op |= dict(product_id="primer")
                sprayed = {p: rng.uniform(50, 300) for p in chosen}
            elif kind == "polish":
                op |= dict(removed_um=rng.choice([None, 2.5]))
            elif kind == "sand":
                removal = detail
                op |= dict(removal=removal, removed_um=rng.choice([None, 6.0]) if removal == "scuff" else None)
            whole_job = kind != "spray" and self.chance(0.4)
            for p in panels if whole_job else chosen:
                if kind == "sand" and detail == "strip":
                    film[p] = 0.0
                elif kind in ("sand", "polish"):
                    film[p] = max(0.0, film[p] - rng.uniform(2, 15))
                film[p] += sprayed.get(p, 0.0)
            self.rows["operations"].append(op)
            if not whole_job:
                for p in chosen:
                    faces = ["outer", *extra_faces[p]] if kind == "spray" else ["outer"]
                    if kind == "spray" and extra_faces[p] and self.chance(0.1):
                        faces = extra_faces[p]
                    for face in faces:
                        fraction = blend[p] if kind == "spray" else 1.0
                        if fraction < 1 and self.chance(0.2):
                            fraction /= 2
                        self.add(
                            "operation_panels",
                            shop_id=shop,
                            job_id=job,
                            operation_no=no,
                            panel_id=p,
                            face=face,
                            covered_fraction=fraction if face == "outer" else None,
                            area_m2=1.0 + len(p) / 10 + len(face) / 50 if stated_areas else None,
                            substrate="unknown" if p in unknown_substrate else rng.choice([None, SUBSTRATE[p]]),
                        )
            stages.append((no, op["ended_at"] or at, dict(film)))
        self._readings(shop, job, panels, stages)
        self._witnesses(shop, job, panels, stages)

    def _plan(self) -> list[tuple[str, str | None]]:
        """Steps of a job: (kind, product or removal)."""
        rng = self.rng
        plan: list[tuple[str, str | None]] = []
        if self.chance(0.25):
            plan.append(("sand", "strip"))
        if self.chance(0.15):
            plan.append(("hand", None))
        if self.chance(0.2):
            plan.append(("spray", "etch"))
        if self.chance(0.6):
            plan.append(("spray", "primer"))
            if self.chance(0.2):
                plan.append(("spray", "primer"))
            plan.append(("sand", rng.choice(["cut", "cut", "scuff", None])))
        if self.chance(0.8):
            plan.append(("spray", "basecoat"))
            if self.chance(0.2):
                plan.append(("sand", "scuff"))
            plan.append(("spray", "clearcoat"))
            if self.chance(0.3):
                plan.append(("sand", rng.choice(["cut", "scuff", "strip"])))
                if self.chance(0.5):
                    plan.append(("spray", "basecoat"))
                plan.append(("spray", "clearcoat"))
            if self.chance(0.3):
                plan.append(("polish", None))
        return plan or [("spray", "primer")]

    def _reading_rows(
        self, shop: str, job: str, panel: str, stage: tuple[int, datetime, float], how: str, **more: Any
    ) -> None:
        no, at, film = stage
        places: list[tuple[int | None, int | None]]
        if how == "grid":
            places = [(r, c) for r in (1, 2, 3) for c in (1, 2, 3)]
        elif how == "four":
            places = [(1, 1), (1, 3), (3, 1), (3, 3)]
        elif how == "uneven":  # the same places, but one of them read twice at some stages
            places = [(1, 1), (2, 2), (3, 3), *[(2, 2)] * self.rng.randint(0, 2)]
        elif how == "loose":
            places = [(None, None)] * self.rng.randint(1, 5)
        else:  # mixed: some stages marked, some not
            places = [(1, 1), (2, 2), (3, 3)] if self.chance(0.5) else [(None, None)] * 4
        if self.chance(0.04):  # one of them at a place nobody noted
            places[-1] = (None, None)
        for number, (row, col) in enumerate(places, 1):
            value = min(2999.0, max(0.0, film + self.rng.gauss(0, 0.05 * film + 1)))
            self.add(
                "readings",
                shop_id=shop,
                job_id=job,
                panel_id=panel,
                after_operation=no,
                reading_no=number,
                row=row,
                col=col,
                reading_um=value,
                **({"taken_at": at + timedelta(minutes=1)} | more),
            )

    def _readings(
        self, shop: str, job: str, panels: list[str], stages: list[tuple[int, datetime, dict[str, float]]]
    ) -> None:
        rng = self.rng
        common = [s for s in stages if s[0] == 0 or s is stages[-1] or self.chance(0.6)]
        for panel in panels:
            if self.chance(0.2) or (panel == "bumper" and self.chance(0.7)):
                continue  # nobody reads it
            gauges = [rng.choice([*GAUGES, "fitted", "drifting", None])] * (1 if self.chance(0.95) else 0) or [*GAUGES]
            dated = self.chance(0.9)
            how = rng.choice(["grid", "grid", "four", "uneven", "loose", "mixed"])
            for stage in common if self.calm or self.chance(0.8) else stages:
                if self.chance(0.01 if self.calm else 0.07):
                    continue
                taken = stage[1] + timedelta(minutes=1) if dated else None
                more = dict(gauge_id=rng.choice(gauges), taken_at=taken)
                self._reading_rows(shop, job, panel, (stage[0], stage[1], stage[2][panel]), how, **more)

    def _witnesses(
        self, shop: str, job: str, panels: list[str], stages: list[tuple[int, datetime, dict[str, float]]]
    ) -> None:
        for index in range(1, len(stages)):
            for panel in panels:
                for letter in "ab":  # now and then two strips side by side, or one that stays for two steps
                    since = stages[max(0, index - self.rng.choice([1, 1, 1, 2]))]
                    until = stages[index]
                    grown = until[2][panel] - since[2][panel]
                    if grown <= 12 or not self.chance(0.15):
                        continue
                    name = f"strip_{panel}_{until[0]}{letter}"
                    more = dict(witness_of=panel, gauge_id=self.rng.choice(["fitted", None]))
                    how = self.rng.choice(["four", "loose"])
                    self._reading_rows(shop, job, name, (since[0], since[1], 3.0), how, **more)
                    self._reading_rows(shop, job, name, (until[0], until[1], 3.0 + grown), how, **more)

    def _target_job(self, shop: str, job: str, start: datetime) -> None:
        """A direct test on weighed targets."""
        self.add("jobs", shop_id=shop, job_id=job)
        self.add(
            "operations",
            shop_id=shop,
            job_id=job,
            operation_no=1,
            kind="spray",
            started_at=start,
            product_id="primer",
            gun_id="g2",
            technician_id="t2",
        )
        whole = self.chance(0.8)
        for target in ("x", "y")[: self.rng.randint(1, 2)]:
            before = self.rng.uniform(50, 90)
            self.add(
                "target_weighings",
                shop_id=shop,
                job_id=job,
                operation_no=1,
                target_id=target,
                before_g=before,
                after_g=before + self.rng.uniform(5, 30),
                whole=whole,
            )

    # --- cups ---------------------------------------------------------------------------------------------------------

    def _pour(self, shop: str, product: str, at: datetime, job: str | None) -> tuple[str, float, datetime]:
        """Pour a cup of components; (mix_id, grams, end)."""
        rng = self.rng
        self.cup_no += 1
        mix = f"m{self.cup_no}"
        recipe = RECIPES[product]
        wanted = rng.sample(recipe[1:], rng.randint(1, len(recipe) - 1))
        first = rng.choice(["toner_water", *recipe[:1]]) if product == "basecoat" else recipe[0]
        wanted = [first, *(c for c in wanted if c != first)]
        if not self.calm and self.chance(0.05):
            wanted.append("hardener_no_q")
        poured: list[tuple[str, float, str | None]] = []
        for place, component in enumerate(wanted):
            grams = rng.uniform(120, 400) if place == 0 else rng.uniform(15, 90)
            if component == "hardener_bare" and self.calm:
                continue
            if component == "brine":
                grams *= 40 if self.chance(0.1) else 1
            measured = "volume" if self.chance(0.03) else None
            if self.chance(0.08):
                poured += [(component, grams + 20, measured), (component, -20.0, measured)]
            else:
                poured.append((component, grams, measured))
        if self.chance(0.15):
            poured.insert(1, (rng.choice(["hardener_bare", "thinner"]), 0.0, None))
        if self.chance(0.05):
            poured += [("thinner_unknown", 12.0, None), ("thinner_unknown", -12.0, None)]
        for number, (component, grams, measured) in enumerate(poured, 1):
            self.add(
                "pours",
                shop_id=shop,
                mix_id=mix,
                pour_no=number,
                poured_at=at + timedelta(seconds=10 * number),
                product_id=product,
                component_id=component,
                weighed_g=grams,
                measured_by=measured,
                job_id=job,
            )
        return mix, sum(grams for _, grams, _ in poured), at + timedelta(seconds=10 * len(poured))

    def _cups(self, shop: str) -> None:
        """Cups for all spray operations of a shop, in every way the method knows."""
        rng = self.rng
        waiting = sorted(
            (op for op in self.rows["operations"] if op["shop_id"] == shop and op["kind"] == "spray"),
            key=lambda op: op["started_at"],
        )
        kept: list[tuple[str, str, float, datetime]] = []  # mix, product, grams left, weighed at
        while waiting:
            first = waiting[0]
            product = first["product_id"]
            same = [op for op in waiting if op["product_id"] == product]
            way = rng.choices(["single", "shared", "derived", "two_cups", "none"], [8, 5, 3, 2, 0.4])[0]
            if any(t["job_id"] == first["job_id"] for t in self.rows["target_weighings"]):
                way, same = "single", same[:1]
            if way == "derived":
                group = [op for op in same if op["job_id"] == first["job_id"]]
                self._derived_cups(shop, product, group)
            elif way == "none":
                group = same[:1]
            else:
                group = same[: rng.randint(2, 3)] if way == "shared" else same[:1]
                for _ in range(2 if way == "two_cups" else 1):
                    self._stated_cup(shop, product, group, kept)
            waiting = [op for op in waiting if op not in group]

    def _stated_cup(
        self, shop: str, product: str, group: list[Row], kept: list[tuple[str, str, float, datetime]]
    ) -> None:
        rng = self.rng
        start = group[0]["started_at"] - timedelta(minutes=rng.uniform(10, 40))
        mix, grams, end = self._pour(shop, product, start, rng.choice([None, group[0]["job_id"]]))
        older = [k for k in kept if k[3] < end and k[2] > 5]
        if older and self.chance(0.5):
            source = rng.choice(older)
            part = source[2] * (rng.uniform(0.2, 0.9) if self.chance(0.97) else 1.3)
            kept[kept.index(source)] = (source[0], source[1], source[2] - part, source[3])
            number = 50
            for portion in [part] if self.chance(0.7) else [part + 2, -2.0]:
                number += 1
                self.add(
                    "pours",
                    shop_id=shop,
                    mix_id=mix,
                    pour_no=number,
                    poured_at=end + timedelta(seconds=number),
                    product_id=product,
                    from_mix_id=source[0],
                    weighed_g=portion,
                )
            grams += part
        timed = len(group) > 1 and self.chance(0.4)  # a weigh-back between the first operation and the others
        shares = self._shares(len(group), timed)
        for op, share in zip(group, shares, strict=True):
            self.add(
                "draws", shop_id=shop, job_id=op["job_id"], operation_no=op["operation_no"], mix_id=mix, share=share
            )
        after = group[-1]["started_at"] + timedelta(minutes=rng.uniform(45, 55))
        if not timed and self.chance(0.3):
            return  # nobody weighed it back
        left = grams
        number = 1
        if timed:
            left *= rng.uniform(0.3, 0.8)
            between = group[0]["started_at"] + timedelta(minutes=50)
            self.add("leftovers", shop_id=shop, mix_id=mix, weigh_no=1, weighed_at=between, leftover_g=left)
            number = 2
            if self.chance(0.3):  # some of it goes on into a cup of its own before the last weigh-back
                onward = left * (0.2 if self.chance(0.9) else 1.2)
                self._onward(shop, product, mix, onward, between + timedelta(seconds=30))
                left = max(0.0, left - onward)
        left *= rng.choice([0.0, rng.uniform(0.05, 0.7)])
        self.add(
            "leftovers",
            shop_id=shop,
            mix_id=mix,
            weigh_no=number,
            weighed_at=after,
            leftover_g=left,
            fate=rng.choice(["kept", "discarded", None]),
        )
        if self.chance(0.6):
            kept.append((mix, product, left, after))

    def _onward(self, shop: str, product: str, source: str, grams: float, at: datetime) -> None:
        """A cup that nothing sprays, made partly of another cup's rest."""
        mix, _, end = self._pour(shop, product, at, None)
        self.add(
            "pours",
            shop_id=shop,
            mix_id=mix,
            pour_no=90,
            poured_at=end + timedelta(seconds=5),
            product_id=product,
            from_mix_id=source,
            weighed_g=grams,
        )

    def _shares(self, count: int, timed: bool) -> list[float | None]:
        rng = self.rng
        if count == 1:
            return [rng.choice([None, None, None, 1.0, 0.9])]
        way = rng.choice(["none", "none", "all", "some"] if timed else ["all", "all", "none", "some"])
        parts = [rng.uniform(0.2, 1) for _ in range(count)]
        scale = rng.choice([1.0, 1.0, 0.95]) / sum(parts)
        shares: list[float | None] = [p * scale for p in parts]
        if way == "none":
            return [None] * count
        if way == "some":
            shares[0] = None
            if count == 3 and self.chance(0.5):
                shares[1] = None
        return shares

    def _derived_cups(self, shop: str, product: str, group: list[Row]) -> None:
        """Cups that only name a job; a redo gets a cup of its own."""
        rng = self.rng
        for number, op in enumerate(group):
            if number and op.get("redo_of") is None:
                continue
            for _ in range(rng.choice([1, 1, 1, 2])):
                start = op["started_at"] - timedelta(minutes=rng.uniform(5, 30))
                mix, grams, _end = self._pour(shop, product, start, op["job_id"])
                if self.chance(0.7):
                    self.add(
                        "leftovers",
                        shop_id=shop,
                        mix_id=mix,
                        weigh_no=1,
                        leftover_g=grams * rng.uniform(0.05, 0.5),
                        fate="kept",
                        weighed_at=group[-1]["started_at"] + timedelta(minutes=45),
                    )

    # --- what could not be read ---

    def _spoil(self, shop: str) -> None:
        rng = self.rng

        def mark(**row: Any) -> None:
            self.add("incomplete", shop_id=shop, reason="test", file="inbox/x.csv", line=2, **row)

        cups = sorted({r["mix_id"] for r in self.rows["pours"] if r["shop_id"] == shop})
        ops = [r for r in self.rows["operations"] if r["shop_id"] == shop]
        stages = sorted(
            {(r["job_id"], r["panel_id"], r["after_operation"]) for r in self.rows["readings"] if r["shop_id"] == shop}
        )
        if cups and self.chance(0.25):
            mark(what="cup", mix_id=rng.choice(cups))
        if self.chance(0.25):
            op = rng.choice(ops)
            mark(what="operation", job_id=op["job_id"], operation_no=op["operation_no"])
        if self.chance(0.2):
            op = rng.choice(ops)
            mark(what="operation", job_id=op["job_id"], operation_no=op["operation_no"])
            self.rows["operations"].remove(op)
        if stages and self.chance(0.25):
            job, panel, after = rng.choice(stages)
            mark(what="panel_stage", job_id=job, panel_id=panel, after_operation=rng.choice([after, after, None]))
        if self.chance(0.1):
            mark(what="month", month="2026-03")


def build(seed: int) -> dict[str, pl.DataFrame]:
    """The tables of one small workspace, as intake hands them on."""
    return tables_of(Workspace(seed).rows)


def together(seeds: Iterable[int]) -> dict[str, pl.DataFrame]:
    """Many small workspaces as one: ids of places, people and instruments carry their seed, `s1` becomes `w7_s1`.

    One run of the ledger then answers for all of them.
    """
    frames: dict[str, list[pl.DataFrame]] = defaultdict(list)
    for seed in seeds:
        for name, table in build(seed).items():
            own = [c for c in ("shop_id", "gun_id", "gauge_id", "technician_id") if c in table.columns]
            frames[name].append(table.with_columns(pl.format(f"w{seed}_{{}}", pl.col(c)).alias(c) for c in own))
    return {name: pl.concat(parts).unique(maintain_order=True) for name, parts in frames.items()}


def reckon(
    tables: dict[str, pl.DataFrame], *wanted: str, settings: Mapping[str, Any] = SETTINGS
) -> dict[str, pl.DataFrame]:
    """Run the ledger's steps that lead to `wanted` (and no others) on top of `tables`, by default with the default settings."""
    return on_frames.run_wanted(tables, *wanted, settings=settings)
