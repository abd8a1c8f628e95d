"""The environmental record once more, in plain loops, and invented shops to compare it on.

Written from the text of the method, for reading rather than speed: one rule after the other, dictionaries, None for what is
not known. `shops(seed)` gives rows as intake hands them on; `Record(rows)` gives the figures. Particulate is not here: its
formula is checked where the transfer efficiency is stated. All figures are invented.
"""

from __future__ import annotations

import random
import statistics
from collections import defaultdict
from datetime import date, datetime, timedelta
from itertools import pairwise
from typing import Any

Row = dict[str, Any]
FIRST = date(2024, 11, 1)
MONTHS = 9
WATER = 0.9982
UNSEEN_DAYS = 90
Z95 = statistics.NormalDist().inv_cdf(0.975)
DEFAULT_FLUSH_G = 5.0
WIPE_G_PER_L = 750.0  # all of it is VOC, 0.75 g/mL


def month_of(day: date | datetime) -> str:
    return f"{day.year:04d}-{day.month:02d}"


def number_of(month: str) -> int:
    return int(month[:4]) * 12 + int(month[5:]) - 1


def month_named(number: int) -> str:
    return f"{number // 12:04d}-{number % 12 + 1:02d}"


# --- invented shops -----------------------------------------------------------------------------------------------------

JURISDICTIONS = {
    "north": "us",
    "south": "eu",
    "west": None,
    "quay": "ca-qc",
}  # west has none of its own: the setting, us
COMPONENTS: list[Row] = [
    dict(component_id="clear", density_g_per_ml=0.98, solids_mass_fraction=0.5, solids_volume_fraction=0.43,
         voc_mass_fraction=0.4, water_mass_fraction=0.0, exempt_mass_fraction=0.1, exempt_density_g_per_ml=1.33),
    dict(component_id="clear", valid_from=date(2025, 3, 1), density_g_per_ml=1.01, solids_mass_fraction=0.55,
         solids_volume_fraction=0.46, voc_mass_fraction=0.3, water_mass_fraction=0.0, exempt_mass_fraction=0.15,
         exempt_density_g_per_ml=1.33),
    dict(component_id="hard", density_g_per_ml=1.06, solids_mass_fraction=0.6, solids_volume_fraction=0.5,
         voc_mass_fraction=0.4, water_mass_fraction=0.0, exempt_mass_fraction=0.0),
    dict(component_id="thin", density_g_per_ml=0.87, solids_mass_fraction=0.0, solids_volume_fraction=0.0,
         voc_mass_fraction=0.7, water_mass_fraction=0.0, exempt_mass_fraction=0.3, voc_eu_mass_fraction=0.95),
    dict(component_id="aqua", density_g_per_ml=1.04, solids_mass_fraction=0.2, solids_volume_fraction=0.16,
         voc_mass_fraction=0.12, water_mass_fraction=0.68, exempt_mass_fraction=0.0),
    dict(component_id="secret", kind="hardener", density_g_per_ml=1.2, solids_mass_fraction=0.4, solids_volume_fraction=0.3),
    dict(component_id="no_density", solids_mass_fraction=0.5, solids_volume_fraction=0.4, voc_mass_fraction=0.5,
         water_mass_fraction=0.0, exempt_mass_fraction=0.0),
    dict(component_id="wash", density_g_per_ml=0.8, solids_mass_fraction=0.0, solids_volume_fraction=0.0,
         voc_mass_fraction=0.8, water_mass_fraction=0.0, exempt_mass_fraction=0.2),
    dict(component_id="wipe", density_g_per_ml=0.75, solids_mass_fraction=0.0, solids_volume_fraction=0.0,
         voc_mass_fraction=1.0, water_mass_fraction=0.0, exempt_mass_fraction=0.0),
    dict(component_id="can", density_g_per_ml=0.9, solids_mass_fraction=0.2, solids_volume_fraction=0.15,
         voc_mass_fraction=0.6, water_mass_fraction=0.0, exempt_mass_fraction=0.2),
]  # fmt: skip
SPECIES: list[Row] = [
    dict(component_id="clear", cas="108-88-3", substance="toluene", mass_fraction=0.05173),
    dict(component_id="clear", cas="100-41-4", substance="ethylbenzene", mass_fraction=0.004),
    dict(component_id="clear", cas="98-56-6", substance="parachlorobenzotrifluoride", mass_fraction=0.1),
    dict(component_id="hard", cas="822-06-0", substance="HDI", mass_fraction=0.002),
    dict(component_id="thin", cas="1330-20-7", substance="xylenes", mass_fraction=0.3, mass_fraction_low=0.25,
         mass_fraction_high=0.40007),
    dict(component_id="thin", cas="67-64-1", substance="acetone", mass_fraction=0.3),
    dict(component_id="thin", cas="78-93-3", substance="methyl ethyl ketone", mass_fraction=0.2),
    dict(component_id="wash", cas="108-88-3", substance="toluene", mass_fraction=0.5),
    dict(component_id="wash", cas="67-64-1", substance="acetone", mass_fraction=0.2),
    dict(component_id="can", cas="7789-06-2", substance="strontium chromate", mass_fraction=0.01),
]  # fmt: skip
HAP = {"108-88-3": 0.01, "100-41-4": None, "822-06-0": 0.01, "1330-20-7": 0.01, "7789-06-2": None}
METALS = {"7789-06-2"}
PRODUCTS: list[Row] = [
    dict(product_id="top", role="clear"),
    dict(product_id="water_base", role="base"),
    dict(product_id="guess", role="surfacer", rts_density_g_per_ml=1.3, rts_solids_mass_fraction=0.6,
         rts_solids_volume_fraction=0.4, rts_voc_g_per_l=500.0, rts_water_mass_fraction=0.0, rts_exempt_mass_fraction=0.05),
    dict(product_id="odd", role="specialty"),
]  # fmt: skip
RECIPES = {
    "top": ["clear", "hard", "thin"],
    "water_base": ["aqua", "thin"],
    "guess": ["secret", "thin"],
    "odd": ["clear", "secret"],
}
CATEGORIES = [
    ("top", "us", "topcoat_two_stage"), ("top", "us", "primer_sealer"), ("top", "eu", "topcoat"), ("top", "ca-qc", "clear"),
    ("water_base", "us", "topcoat_multi_stage"), ("water_base", "us", "local_without_limit"), ("water_base", "eu", "topcoat"),
    ("guess", "eu", "primer"), ("guess", "us", "primer_surfacer"), ("guess", "us", "specialty"),
]  # fmt: skip
LOWEST = {
    ("top", "us"): ("primer_sealer", 550.0), ("top", "eu"): ("topcoat", 420.0), ("top", "ca-qc"): ("clear", 250.0),
    ("water_base", "us"): ("topcoat_multi_stage", 630.0), ("water_base", "eu"): ("topcoat", 420.0),
    ("guess", "eu"): ("primer", 540.0), ("guess", "us"): ("primer_surfacer", 580.0),
}  # fmt: skip


def shops(seed: int, cups: int = 60) -> dict[str, list[Row]]:
    """Rows of four shops over nine months, with gaps, kept leftovers, cups poured on, cleaning, waste and counts."""
    rng = random.Random(seed)
    rows: dict[str, list[Row]] = defaultdict(list)
    rows["shops"] = [{"shop_id": name, "jurisdiction": place} for name, place in JURISDICTIONS.items()]
    rows["components"], rows["component_species"], rows["products"] = COMPONENTS, SPECIES, PRODUCTS
    rows["product_categories"] = [dict(product_id=p, jurisdiction=j, category=c) for p, j, c in CATEGORIES]
    rows["permit_limits"] = [
        dict(shop_id="north", measure="voc_kg", period="rolling_12_months", limit=0.5, unit="ton_us", source="permit"),
        dict(
            shop_id="north",
            measure="rts_l:primer_sealer",
            period="rolling_12_months",
            limit=20.0,
            unit="gal_us",
            source="permit",
        ),
    ]
    rows["scale_checks"] = [
        dict(scale_id="north", checked_at=datetime(2025, 1, 1), weight_g=w, check_no=1, reading_g=w * e)
        for w, e in ((200.0, 1.004), (500.0, 0.998))
    ]
    for shop in JURISDICTIONS:
        rows["guns"] += [
            dict(gun_id=f"{shop} {n}", shop_id=shop, atomising="hvlp", flush_loss_g=f)
            for n, f in enumerate((None, 8.0))
        ]
        _cups(rng, rows, shop, cups)
        _other(rng, rows, shop)
    for n, row in enumerate(rows["operations"]):  # of every fifth nobody wrote down the end
        row["ended_at"] = row["started_at"] + timedelta(minutes=10 + n % 50) if n % 5 else None
    return rows


def _moment(rng: random.Random) -> datetime:
    return datetime(FIRST.year, FIRST.month, FIRST.day, 8) + timedelta(minutes=rng.randrange(60 * 24 * 30 * MONTHS))


def _cups(rng: random.Random, rows: dict[str, list[Row]], shop: str, count: int) -> None:
    kept: list[tuple[str, str, float, datetime]] = []
    times = sorted(_moment(rng) for _ in range(count))
    for number, at in enumerate(times):
        mix = f"m{number:03d}"
        product = rng.choice(list(RECIPES))
        grams = 0.0
        pour_no = 0
        for component in RECIPES[product]:
            if product == "top" and component == "thin" and rng.random() < 0.05:
                component = "no_density"
            pour_no += 1
            w = rng.uniform(80, 400)
            grams += w
            rows["pours"].append(dict(
                shop_id=shop, mix_id=mix, pour_no=pour_no, poured_at=at + timedelta(seconds=pour_no), product_id=product,
                component_id=component, weighed_g=w, scale_id=shop if rng.random() < 0.7 else None,
                measured_by=rng.choice(["scale", "scale", "volume"]),
            ))  # fmt: skip
        older = [k for k in kept if k[1] == product and k[3] < at - timedelta(minutes=1) and k[2] > 10]
        if older and rng.random() < 0.5:
            source = rng.choice(older)
            part = source[2] * rng.choice([1.0, 0.4])
            kept.remove(source)
            rows["pours"].append(dict(
                shop_id=shop, mix_id=mix, pour_no=pour_no + 1, poured_at=at + timedelta(seconds=30), product_id=product,
                from_mix_id=source[0], weighed_g=part,
            ))  # fmt: skip
            grams += part
        operation = at + timedelta(minutes=10)
        if rng.random() < 0.9:
            rows["operations"].append(dict(
                shop_id=shop, job_id=mix, operation_no=1, kind="spray", started_at=operation, gun_id=f"{shop} {rng.randrange(2)}",
                technician_id="t", product_id=product,
            ))  # fmt: skip
            rows["draws"].append(dict(shop_id=shop, job_id=mix, operation_no=1, mix_id=mix, share=None))
        if rng.random() < 0.06:
            rows["incomplete"].append(dict(what="cup", shop_id=shop, mix_id=mix, reason="a pour was refused"))
        if rng.random() < 0.2:
            continue
        left = grams * rng.uniform(0.02, 0.4)
        fate = rng.choice(["kept", "kept", "discarded", None])
        weighed = operation + timedelta(minutes=rng.choice([40, 60 * 24 * 3]))
        number_weighed = 1
        _weigh(rows, shop, mix, number_weighed, weighed, left, fate)
        while fate == "kept" and rng.random() < 0.45:  # seen again, some of it gone
            weighed += timedelta(
                days=rng.choice([rng.uniform(10, 80), rng.uniform(10, 80), 120])
            )  # found again after 90 days
            left *= rng.choice([0.5, 0.9, 0.0])
            fate = rng.choice(["kept", "discarded", None])
            number_weighed += 1
            _weigh(rows, shop, mix, number_weighed, weighed, left, fate)
        if fate == "kept" and left > 10:
            if rng.random() < 0.25:  # a later operation draws from it and nobody weighs again
                rows["operations"].append(dict(
                    shop_id=shop, job_id=mix, operation_no=2, kind="spray",
                    started_at=weighed + timedelta(days=rng.uniform(1, 40)),
                    gun_id=f"{shop} 1", technician_id="t", product_id=product,
                ))  # fmt: skip
                rows["draws"].append(dict(shop_id=shop, job_id=mix, operation_no=2, mix_id=mix, share=None))
            else:
                kept.append((mix, product, left, weighed))


def _weigh(
    rows: dict[str, list[Row]], shop: str, mix: str, number: int, at: datetime, left: float, fate: str | None
) -> None:
    rows["leftovers"].append(dict(shop_id=shop, mix_id=mix, weigh_no=number, weighed_at=at, leftover_g=left, fate=fate))


def _other(rng: random.Random, rows: dict[str, list[Row]], shop: str) -> None:
    for n in range(30):
        purpose = rng.choice(["gun", "gun", "booth", "surface"])
        issued = rng.uniform(100, 900)
        back = rng.choice([None, issued * 0.6, issued * 0.05])
        rows["cleaning"].append(dict(
            shop_id=shop, cleaning_no=f"c{n}", used_at=_moment(rng), component_id="wipe" if purpose == "surface" else "wash",
            purpose=purpose, issued_g=issued, recovered_g=back,
        ))  # fmt: skip
    for n in range(12):
        rows["unscaled_use"].append(dict(
            shop_id=shop, use_no=f"u{n}", used_at=_moment(rng), component_id=rng.choice(["can", "can", "wipe", "secret"]),
            mass_g=rng.uniform(20, 400),
        ))  # fmt: skip
    for n in range(6):
        rows["stock"].append(dict(
            shop_id=shop, document_no=f"w{n}", line_no=1, happened_on=_moment(rng).date(), movement="shipped_as_waste",
            component_id=rng.choice([None, None, "clear"]), mass_g=rng.uniform(500, 5000),
            voc_mass_fraction=rng.choice([0.5, 0.3, None]), document_ref=rng.choice([f"m{n}", f"m{n}", None]),
        ))  # fmt: skip
    for component in ("clear", "thin", "wash"):
        for n, day in enumerate((FIRST, date(2025, 1, 31), date(2025, 4, 30), date(2025, 6, 30))):
            for shelf in range(2):
                rows["stock"].append(dict(
                    shop_id=shop, document_no=f"count {n} {component}", line_no=shelf + 1, happened_on=day, movement="counted",
                    component_id=component, mass_g=rng.uniform(2000, 20000),
                ))  # fmt: skip
        for n in range(5):
            rows["stock"].append(dict(
                shop_id=shop, document_no=f"d{n} {component}", line_no=1, happened_on=_moment(rng).date(), component_id=component,
                movement=rng.choice(["delivered", "delivered", "returned", "transferred", "written_off"]),
                mass_g=rng.uniform(500, 9000),
            ))  # fmt: skip
    if rng.random() < 0.5:
        rows["incomplete"].append(dict(what="month", shop_id=shop, month="2025-02", reason="a cleaning was refused"))


# --- the record ---------------------------------------------------------------------------------------------------------


FIGURES = ("rts_l", "rts_kg", "voc_kg", "exempt_kg")


class Record:
    """emissions: (shop, month, category) -> {rts_l, rts_kg, voc_kg, exempt_kg, complete}; hap: (shop, month, cas) -> kg, ..."""

    def __init__(self, rows: dict[str, list[Row]]) -> None:
        self.rows = rows
        self.place = {row["shop_id"]: row["jurisdiction"] or "us" for row in rows["shops"]}
        self.emissions: dict[tuple[str, str, str], Row] = {}
        self.hap: dict[tuple[str, str, str], Row] = {}
        self.content: dict[tuple[str, str], Row] = {}
        self.kept_at_end: dict[tuple[str, str], float] = {}
        self._gone: dict[
            tuple[str, str, datetime], float
        ] = {}  # shop, cup, start of an operation: what it took, where weighed back
        self.cups: list[Row] = []
        self.voc_of: dict[tuple[str, str], float | None] = {}
        self.recovered: list[tuple[str, date, float]] = []  # shop, day, g of solvent less the flush in it
        self.left_in_drum: dict[tuple[str, str], float] = {}
        self.discards: list[tuple[str, date, str, float]] = []  # shop, day, cup, g thrown away
        self.drum: dict[tuple[str, str, str], Row] = {}
        self.hap_gaps: set[tuple[str, str]] = set()  # shop, month
        self.hap_unsure: set[tuple[str, str, str]] = set()
        self.hap_63: dict[tuple[str, str], float] = defaultdict(float)
        self._pours: dict[tuple[str, str], list[Row]] = defaultdict(list)
        for row in rows["pours"]:
            self._pours[row["shop_id"], row["mix_id"]].append(row)
        self._composition: dict[tuple[str, str], list[tuple[str, date, float]]] = {}
        self._cups()
        self.flushes: list[tuple[str, date, str, float]] = []  # shop, day, cup, g
        self._flush = self._flush_losses()
        self._cleaning()
        self._unscaled()
        self._waste()
        self._sum_up()
        for what in self.rows["incomplete"]:
            if what["what"] == "month":
                for (shop, month, _), row in self.emissions.items():
                    if (shop, month) == (what["shop_id"], what["month"]):
                        row["complete"] = False

    # facts of a component on a day, by the EU's definition where its shop is in the EU

    def fact(self, component: str, day: date) -> Row:
        versions = [r for r in COMPONENTS if r["component_id"] == component and r.get("valid_from", date.min) <= day]
        return max(versions, key=lambda r: r.get("valid_from", date.min))

    def fractions(self, shop: str, component: str, day: date) -> tuple[float | None, float | None]:
        """VOC and exempt of a component, g per g."""
        of = self.fact(component, day)
        v, x = of.get("voc_mass_fraction"), of.get("exempt_mass_fraction")
        if self.place[shop] == "eu":
            e = of.get("voc_eu_mass_fraction")
            if e is None and v is not None and x is not None:
                e = v + x
            return e, 0.0
        return v, x

    def per_gram(self, shop: str, parts: list[tuple[str, date, float]], product: Row) -> dict[str, float | None]:
        """Of one g of a cup: ml, voc, exempt, water (g), exempt_ml. What any component does not tell is the sheet's figure of
        the whole cup; VOC not below what the known components bring."""
        told: dict[str, list[float | None]] = defaultdict(list)
        for component, day, share in parts:
            of = self.fact(component, day)
            rho, w, x = (of.get(k) for k in ("density_g_per_ml", "water_mass_fraction", "exempt_mass_fraction"))
            v, e = of.get("voc_mass_fraction"), self.fractions(shop, component, day)[0]
            xd = of.get("exempt_density_g_per_ml") or {"thin": 0.79, "wash": 0.79, "can": None}.get(component)
            told["ml"].append(None if rho is None else share / rho)
            for name, value in (("v", v), ("e", e), ("x", x), ("w", w)):
                told[name].append(None if value is None else share * value)
            told["xml"].append(0.0 if x == 0 else None if x is None or xd is None else share * x / xd)
        sums = {
            name: None if None in values else sum(v for v in values if v is not None) for name, values in told.items()
        }
        known = {name: sum(v for v in values if v is not None) for name, values in told.items()}
        if sums["ml"] is None and product.get("rts_density_g_per_ml"):
            sums["ml"] = 1 / product["rts_density_g_per_ml"]
        if sums["v"] is None and product.get("rts_voc_g_per_l") is not None and sums["ml"] is not None:
            sums["v"] = max(product["rts_voc_g_per_l"] / 1000 * sums["ml"], known["v"])
        if sums["x"] is None:
            sums["x"] = product.get("rts_exempt_mass_fraction")
            sums["xml"] = 0.0 if sums["x"] == 0 else None
        if sums["w"] is None:
            sums["w"] = product.get("rts_water_mass_fraction")
        if sums["e"] is None and sums["v"] is not None and sums["x"] is not None:
            sums["e"] = max(sums["v"] + sums["x"], known["e"])
        if self.place[shop] == "eu":
            return {"ml": sums["ml"], "voc": sums["e"], "exempt": 0.0, "water": sums["w"], "exempt_ml": 0.0}
        return {"ml": sums["ml"], "voc": sums["v"], "exempt": sums["x"], "water": sums["w"], "exempt_ml": sums["xml"]}

    def composition(self, cup: tuple[str, str]) -> list[tuple[str, date, float]]:
        """Component, day it was poured, part of the cup's mass."""
        if cup not in self._composition:
            parts: list[tuple[str, date, float]] = []
            for pour in self._pours[cup]:
                if pour.get("from_mix_id"):
                    source = self.composition((cup[0], pour["from_mix_id"]))
                    parts += [(c, d, share * pour["weighed_g"]) for c, d, share in source]
                else:
                    parts.append((pour["component_id"], pour["poured_at"].date(), pour["weighed_g"]))
            whole = sum(g for _, _, g in parts)
            self._composition[cup] = [(c, d, g / whole) for c, d, g in parts]
        return self._composition[cup]

    def book(self, shop: str, month: str, category: str, complete: bool, **figures: float | None) -> None:
        row = self.emissions.setdefault((shop, month, category), {"complete": True, **{name: [] for name in FIGURES}})
        for name, value in figures.items():
            row[name].append(value)
        row["complete"] = row["complete"] and complete and None not in figures.values()

    def _sum_up(self) -> None:
        """Sums keep what is known; nothing of the kind is 0, nothing known is not known."""
        for row in self.emissions.values():
            for name in FIGURES:
                known = [value for value in row[name] if value is not None]
                row[name] = sum(known) if known or not row[name] else None

    def book_hap(self, shop: str, month: str, parts: list[tuple[str, float]], complete: bool = True) -> None:
        for component, grams in parts:
            if grams > 0 and not any(of["component_id"] == component for of in SPECIES):
                self.hap_gaps.add((shop, month))  # nobody said what is in it
            if not complete:
                self.hap_unsure |= {(shop, month, of["cas"]) for of in SPECIES if of["component_id"] == component}
            counted = 0.0  # of the material's mass, for the sum of 63.3941: cut off to three decimals once it is whole
            for of in SPECIES:
                if of["component_id"] == component and of["cas"] in HAP and of["cas"] not in METALS:
                    most = of.get("mass_fraction_high", of["mass_fraction"])
                    counted += int(most * 10000 + 1e-7) / 10000 if most >= (HAP[of["cas"]] or 0.001) else 0.0
            self.hap_63[shop, month] += grams * int(counted * 1000 + 1e-7) / 1000 / 1000
            for of in SPECIES:
                if of["component_id"] != component or of["cas"] not in HAP:
                    continue
                high = of.get("mass_fraction_high", of["mass_fraction"])
                row = self.hap.setdefault(
                    (shop, month, of["cas"]), {"kg": 0.0, "kg_low": 0.0, "kg_high": 0.0, "kg_63_3941": 0.0}
                )
                row["kg"] += grams * high / 1000
                row["kg_high"] += grams * high / 1000
                row["kg_low"] += grams * of.get("mass_fraction_low", of["mass_fraction"]) / 1000
                if of["cas"] in METALS:
                    row["kg_63_3941"] = None
                else:
                    # ethylbenzene is an IARC 2B carcinogen: counted from 0.1 %
                    threshold = HAP[of["cas"]] or 0.001
                    if high >= threshold:
                        row["kg_63_3941"] += grams * int(high * 10000 + 1e-7) / 10000 / 1000

    # cups

    def _last_day(self, shop: str) -> date:
        days = [r["poured_at"].date() for r in self.rows["pours"] if r["shop_id"] == shop]
        days += [
            r["used_at"].date() for t in ("cleaning", "unscaled_use") for r in self.rows[t] if r["shop_id"] == shop
        ]
        days += [r["weighed_at"].date() for r in self.rows["leftovers"] if r["shop_id"] == shop]
        days += [r["started_at"].date() for r in self.rows["operations"] if r["shop_id"] == shop]
        days += [r["happened_on"] for r in self.rows["stock"] if r["shop_id"] == shop]
        return max(days)

    def _cups(self) -> None:
        broken = {(r["shop_id"], r["mix_id"]) for r in self.rows["incomplete"] if r["what"] == "cup"}
        while True:  # what holds an incomplete cup's leftover is incomplete too
            more = {
                cup for cup, pours in self._pours.items() for p in pours
                if p.get("from_mix_id") and (cup[0], p["from_mix_id"]) in broken
            } - broken  # fmt: skip
            if not more:
                break
            broken |= more
        self.broken = broken
        weighings: dict[tuple[str, str], list[Row]] = defaultdict(list)
        for row in sorted(self.rows["leftovers"], key=lambda r: r["weigh_no"]):
            weighings[row["shop_id"], row["mix_id"]].append(row)
        taken: dict[tuple[str, str], list[Row]] = defaultdict(list)
        for row in self.rows["pours"]:
            if row.get("from_mix_id"):
                taken[row["shop_id"], row["from_mix_id"]].append(row)
        starts = {(r["shop_id"], r["job_id"], r["operation_no"]): r["started_at"] for r in self.rows["operations"]}
        draws: dict[tuple[str, str], list[datetime]] = defaultdict(list)
        for row in self.rows["draws"]:
            draws[row["shop_id"], row["mix_id"]].append(starts[row["shop_id"], row["job_id"], row["operation_no"]])
        products = {r["product_id"]: r for r in PRODUCTS}
        last = {shop: self._last_day(shop) for shop in self.place}
        for cup, pours in self._pours.items():
            shop = cup[0]
            first = min(p["poured_at"] for p in pours)
            product = products[pours[0]["product_id"]]
            category, limit = LOWEST.get((product["product_id"], self.place[shop]), (None, None))
            parts = self.composition(cup)
            figures = self.per_gram(shop, parts, product)
            voc, exempt = figures["voc"], figures["exempt"]
            own = [pour for pour in pours if not pour.get("from_mix_id")]
            grams = sum(pour["weighed_g"] for pour in own)
            # rts_l needs the volume of everything in the cup, so a poured-in part without a density takes it away as well
            densities = [self.fact(component, day).get("density_g_per_ml") for component, day, _ in parts]
            litres: float | None = None
            if None not in densities:
                litres = (
                    sum(
                        pour["weighed_g"]
                        / self.fact(pour["component_id"], pour["poured_at"].date())["density_g_per_ml"]
                        for pour in own
                    )
                    / 1000
                )
            elif figures["ml"] is not None:
                litres = grams * figures["ml"] / 1000
            self.cups.append(
                dict(
                    shop=shop,
                    mix=cup[1],
                    product_id=product["product_id"],
                    month=month_of(first),
                    category=category,
                    limit=limit,
                    own=grams,
                    litres=litres,
                    broken=cup in broken,
                    **figures,
                )
            )
            emitted = self._emitted(cup, first, pours, weighings[cup], taken[cup], draws[cup], last[shop])
            for month, mass in emitted.items():
                used = month == month_of(first)
                if mass == 0 and not used:
                    continue
                whole = cup not in broken
                self.book(
                    shop, month, category or "unmapped", whole,
                    voc_kg=None if voc is None else mass * voc / 1000,
                    exempt_kg=None if exempt is None else mass * exempt / 1000,
                    **({"rts_l": litres, "rts_kg": grams / 1000} if used else {}),
                )  # fmt: skip
                known = None not in (voc, exempt) and not (used and litres is None)
                self.book_hap(shop, month, [(c, mass * share) for c, _, share in parts], whole and known)
            self.voc_of[cup] = voc
            end = weighings[cup][-1] if weighings[cup] else None
            if end and end["fate"] != "kept" and end["leftover_g"] > 0:
                self.discards.append((shop, end["weighed_at"].date(), cup[1], end["leftover_g"]))
            self.content[cup] = self._content(shop, product, parts, category, limit, cup in broken)

    def _emitted(
        self, cup: tuple[str, str], first: datetime, pours: list[Row], weighings: list[Row], taken: list[Row],
        draws: list[datetime], last: date,
    ) -> dict[str, float]:  # fmt: skip
        """Grams by the month in which they count as gone."""
        out: dict[str, float] = defaultdict(float)
        own = month_of(first)
        out[own] += 0.0
        inside = sum(p["weighed_g"] for p in pours)
        if not weighings:
            out[own] += inside - sum(t["weighed_g"] for t in taken)
            return out
        kept_since: datetime | None = None
        before: datetime | None = None
        held = inside
        for row in (
            weighings
        ):  # operations between two weigh-backs share alike what left between them, whatever month that counts in
            now = row["weighed_at"]
            fed = [d for d in draws if (before is None or d > before) and (d <= now or row is weighings[-1])]
            on = [t for t in taken if (before is None or t["poured_at"] >= before) and t["poured_at"] < now]
            for drawn in fed:
                self._gone[*cup, drawn] = (held - sum(t["weighed_g"] for t in on) - row["leftover_g"]) / len(fed)
            held, before = row["leftover_g"], now
        before = None
        said: str | None = None
        for row in weighings:
            now = row["weighed_at"]
            if said == "kept":
                shown = min([now, *(d for d in draws if before < d <= now)])
                if self._lost(out, before, inside, taken, shown, last):
                    return out
            said = row["fate"]
            on = sum(
                t["weighed_g"] for t in taken if (before is None or t["poured_at"] >= before) and t["poured_at"] < now
            )
            gone = inside - on - row["leftover_g"]
            if kept_since is None:
                out[own] += gone
            else:
                between = sorted(d for d in draws if before < d <= now)
                out[month_of(between[0] if between else now)] += gone
            inside = row["leftover_g"]
            if row["fate"] == "kept" and kept_since is None:
                kept_since = now
            before = now
        final = weighings[-1]
        after = [t for t in taken if t["poured_at"] >= final["weighed_at"]]
        inside -= sum(t["weighed_g"] for t in after)
        if final["fate"] != "kept":
            out[month_of(final["weighed_at"]) if len(weighings) > 1 and kept_since else own] += inside
            return out
        later = sorted(d for d in draws if d > final["weighed_at"])
        whole = inside + sum(t["weighed_g"] for t in after)
        if self._lost(out, final["weighed_at"], whole, taken, later[0] if later else None, last):
            return out
        if later:
            out[month_of(later[0])] += inside
        else:
            self.kept_at_end[cup] = inside
        return out

    def _lost(
        self,
        out: dict[str, float],
        kept_at: datetime,
        inside: float,
        taken: list[Row],
        shown: datetime | None,
        last: date,
    ) -> bool:
        """Whether nobody saw a kept leftover for 90 days: then all of it is gone, once and for all; what is poured on from it
        after that day is taken off again, as it leaves with the other cup."""
        seen = kept_at.date()
        for pour in sorted(taken, key=lambda t: t["poured_at"]):
            if pour["poured_at"] >= kept_at and (shown is None or pour["poured_at"] < shown):
                if pour["poured_at"].date() - seen > timedelta(days=UNSEEN_DAYS):
                    break
                inside -= pour["weighed_g"]
                seen = pour["poured_at"].date()
        else:
            if (shown.date() if shown else last + timedelta(days=1)) - seen <= timedelta(days=UNSEEN_DAYS):
                return False
        gone_on = seen + timedelta(days=UNSEEN_DAYS)
        out[month_of(gone_on)] += inside
        for pour in taken:
            if pour["poured_at"].date() > gone_on:
                out[month_of(pour["poured_at"])] -= pour["weighed_g"]
        return True

    def _content(
        self, shop: str, product: Row, parts: list[tuple[str, date, float]], category: str | None, limit: float | None,
        broken: bool,
    ) -> Row:  # fmt: skip
        of = self.per_gram(shop, parts, product)
        g_per_l = None
        if None not in of.values():
            below = of["ml"] - of["water"] / WATER - of["exempt_ml"]
            g_per_l = 1000 * of["voc"] / below if below > 0 else None
        over = None if g_per_l is None or limit is None or broken or self.place[shop] == "ca-qc" else g_per_l > limit
        return {"category": category, "limit_g_per_l": limit, "g_per_l": g_per_l, "over": over}

    # what is not a cup

    def _flush_losses(self) -> dict[tuple[str, str], float]:
        """One flush at each change of cup, never more than left the cup; an incomplete cup is not split, so nothing is flushed
        from it."""
        guns = {
            r["gun_id"]: DEFAULT_FLUSH_G if r["flush_loss_g"] is None else r["flush_loss_g"] for r in self.rows["guns"]
        }
        by_gun: dict[str, list[Row]] = defaultdict(list)
        for row in self.rows["operations"]:
            by_gun[row["gun_id"]].append(row)
        out: dict[tuple[str, str], float] = defaultdict(float)
        for gun, operations in by_gun.items():
            operations.sort(key=lambda r: (r["started_at"], r["shop_id"], r["job_id"], r["operation_no"]))
            for this, following in zip(operations, [*operations[1:], None], strict=True):
                if following and (following["shop_id"], following["job_id"]) == (this["shop_id"], this["job_id"]):
                    continue  # here a job is one cup
                cup = (this["shop_id"], this["job_id"])
                if cup not in self.broken:
                    flush = min(guns[gun], self._gone.get((*cup, this["started_at"]), guns[gun]))
                    out[this["shop_id"], month_of(this["started_at"])] += flush
                    self.flushes.append((this["shop_id"], this["started_at"].date(), this["job_id"], flush))
        return out

    def _cleaning(self) -> None:
        groups: dict[tuple[str, str, str], list[Row]] = defaultdict(list)
        for row in self.rows["cleaning"]:
            category = "surface_prep" if row["purpose"] == "surface" else "cleaning"
            groups[row["shop_id"], month_of(row["used_at"]), category].append(row)
        for (shop, month, category), uses in groups.items():
            issued = sum(r["issued_g"] for r in uses)
            back = sum(r["recovered_g"] or 0 for r in uses)
            flush = self._flush[shop, month] if category == "cleaning" else 0.0
            lost = max(0.0, issued - max(0.0, back - flush))
            for use in uses:
                if use["recovered_g"] and back > flush:
                    clean = use["recovered_g"] * (back - flush) / back
                    self.recovered.append((shop, use["used_at"].date(), clean))
            component, day = uses[0]["component_id"], uses[0]["used_at"].date()
            v, x = self.fractions(shop, component, day)
            self.book(shop, month, category, True, voc_kg=lost * v / 1000, exempt_kg=lost * x / 1000)
            self.book_hap(shop, month, [(component, lost)])

    def _unscaled(self) -> None:
        for row in self.rows["unscaled_use"]:
            day = row["used_at"].date()
            v, x = self.fractions(row["shop_id"], row["component_id"], day)
            density = self.fact(row["component_id"], day).get("density_g_per_ml")
            self.book(
                row["shop_id"], month_of(day), "unscaled", True,
                voc_kg=None if v is None else row["mass_g"] * v / 1000, exempt_kg=None if x is None else row["mass_g"] * x / 1000,
                rts_kg=row["mass_g"] / 1000, rts_l=row["mass_g"] / density / 1000,
            )  # fmt: skip
            self.book_hap(
                row["shop_id"], month_of(day), [(row["component_id"], row["mass_g"])], v is not None and x is not None
            )

    def _waste(self) -> None:
        """A drum per shop: what comes back from cleaning leaves first and earns nothing; then thrown away coating does, no more
        than its analysis says, than the VOC of coating that waits there, than the month's own VOC that is left."""
        for shop in self.place:
            waits = {"solvent": 0.0, "coating": 0.0, "voc": 0.0}
            voc_left: dict[str, float] = defaultdict(float)
            for (owner, month, _), figures in self.emissions.items():
                if owner == shop:
                    voc_left[month] += sum(v for v in figures["voc_kg"] if v is not None)
            filled = [(day, "solvent", grams, 0.0) for owner, day, grams in self.recovered if owner == shop]
            filled += [
                (day, "coating", grams, grams * (self.voc_of[shop, mix] or 0.0))
                for owner, day, mix, grams in [*self.flushes, *self.discards] if owner == shop
            ]  # fmt: skip
            shipped = [r for r in self.rows["stock"] if r["shop_id"] == shop and r["movement"] == "shipped_as_waste"]
            for day in sorted({*(one[0] for one in filled), *(r["happened_on"] for r in shipped)}):
                for _, stream, grams, voc in (one for one in filled if one[0] == day):
                    waits[stream] += grams
                    waits["voc"] += voc
                    self.tally(shop, month_of(day), stream)["in_kg"] += grams / 1000
                for row in sorted(shipped, key=lambda r: r["document_no"]):
                    if row["happened_on"] == day:
                        self._ship(shop, row, waits, voc_left)
            for stream in ("solvent", "coating"):
                self.left_in_drum[shop, stream] = waits[stream] / 1000

    def _ship(self, shop: str, row: Row, waits: dict[str, float], voc_left: dict[str, float]) -> None:
        month, analysed = month_of(row["happened_on"]), row.get("voc_mass_fraction")
        solvent = min(waits["solvent"], row["mass_g"])
        rest = row["mass_g"] - solvent
        coating = min(waits["coating"], rest)
        if analysed is not None:
            voc = min(rest * analysed, waits["voc"])
        else:
            voc = waits["voc"] * coating / waits["coating"] if waits["coating"] else 0.0
        waits["solvent"] -= solvent
        waits["coating"] -= coating
        waits["voc"] = waits["voc"] - voc if waits["coating"] > 0 else 0.0
        credit = 0.0
        if analysed is not None and row.get("document_ref") is not None:
            credit = min(voc / 1000, max(0.0, voc_left[month]))
            voc_left[month] -= credit
        self.book(shop, month, "waste", True, voc_kg=-credit)
        self.tally(shop, month, "solvent")["shipped_kg"] += solvent / 1000
        of = self.tally(shop, month, "coating")
        of["shipped_kg"] += coating / 1000
        of["unexplained_kg"] += (rest - coating) / 1000
        of["credit_voc_kg"] += credit

    def tally(self, shop: str, month: str, stream: str) -> Row:
        blank = {"in_kg": 0.0, "shipped_kg": 0.0, "unexplained_kg": 0.0, "credit_voc_kg": 0.0}
        return self.drum.setdefault((shop, month, stream), blank)

    # sums over months

    def averages(self) -> dict[tuple[str, str, str], Row]:
        """VOC content of a month by category, over the volumes poured; Quebec judges it (Q-2, r. 4.1, s. 38)."""
        unread = {(r["shop_id"], r["month"]) for r in self.rows["incomplete"] if r["what"] == "month"}
        groups: dict[tuple[str, str, str], list[Row]] = defaultdict(list)
        for cup in self.cups:
            if cup["category"] is not None:
                groups[cup["shop"], cup["month"], cup["category"]].append(cup)
        out: dict[tuple[str, str, str], Row] = {}
        for key, cups in groups.items():
            voc = ml = 0.0
            known = True
            for cup in cups:
                if None in (cup["voc"], cup["ml"], cup["water"], cup["exempt_ml"]):
                    known = False
                    continue
                voc += cup["own"] * cup["voc"]
                ml += cup["own"] * (cup["ml"] - cup["water"] / WATER - cup["exempt_ml"])
            g_per_l = 1000 * voc / ml if known and ml > 0 else None
            complete = not any(cup["broken"] for cup in cups) and key[:2] not in unread
            judged = self.place[key[0]] == "ca-qc" and complete and g_per_l is not None
            out[key] = dict(
                n_cups=len(cups), g_per_l=g_per_l, limit_g_per_l=cups[0]["limit"], complete=complete,
                over=g_per_l > cups[0]["limit"] if judged else None,
            )  # fmt: skip
        for use in self.rows["cleaning"]:  # of cleaners only Quebec's average is taken
            if self.place[use["shop_id"]] == "ca-qc" and use["purpose"] == "surface":
                key = use["shop_id"], month_of(use["used_at"]), "surface_cleaner"
                before = out.get(key, {"n_cups": 0})
                complete = key[:2] not in unread
                out[key] = dict(
                    n_cups=before["n_cups"] + 1, g_per_l=WIPE_G_PER_L, limit_g_per_l=50.0, complete=complete,
                    over=True if complete else None,
                )  # fmt: skip
        return out

    def cleaners(self) -> dict[tuple[str, str], tuple[str, float, float, bool | None]]:
        """Solvent for surfaces and guns where the place limits it: category, g/L, limit and verdict. The EU counts VOC and exempt
        alike, over the whole litre."""
        out: dict[tuple[str, str], tuple[str, float, float, bool | None]] = {}
        for use in self.rows["cleaning"]:
            key = use["shop_id"], use["cleaning_no"]
            surface = use["purpose"] == "surface"
            if self.place[key[0]] == "eu":
                wash = (0.8 + 0.2) * 0.8 * 1000
                out[key] = (
                    ("pre_cleaner", WIPE_G_PER_L, 200.0, True) if surface else ("preparatory", wash, 850.0, False)
                )
            elif self.place[key[0]] == "ca-qc" and surface:
                out[key] = "surface_cleaner", WIPE_G_PER_L, 50.0, None
        return out

    def solvent(self) -> dict[tuple[str, int], Row]:
        """Organic solvent of a calendar year where the EU's definitions hold: handed out for cleaning, emitted, in waste."""
        out: dict[tuple[str, int], Row] = {}
        for (shop, month, category), row in self.emissions.items():
            if self.place[shop] == "eu":
                year = out.setdefault(
                    (shop, int(month[:4])), {"cleaning_issued_kg": 0.0, "emitted_kg": None, "waste_kg": 0.0}
                )
                if category == "waste":
                    year["waste_kg"] -= row["voc_kg"] or 0.0
                elif row["voc_kg"] is not None:
                    year["emitted_kg"] = (year["emitted_kg"] or 0.0) + row["voc_kg"]
        for use in self.rows["cleaning"]:
            if self.place[use["shop_id"]] == "eu":
                voc, _ = self.fractions(use["shop_id"], use["component_id"], use["used_at"].date())
                out[use["shop_id"], use["used_at"].year]["cleaning_issued_kg"] += use["issued_g"] * voc / 1000
        for year in out.values():
            emitted = year["emitted_kg"]
            year["emitted_less_waste_kg"] = None if emitted is None else emitted - year["waste_kg"]
        return out

    def rolling(self) -> dict[tuple[str, str, str], tuple[float | None, int]]:
        """(shop, month, measure) -> total and months present, for each month of the shop's span. A sum of which something
        stands there and nothing is known is not known."""
        sums: dict[tuple[str, str], dict[int, list[float | None]]] = defaultdict(lambda: defaultdict(list))
        for (shop, month, category), row in self.emissions.items():
            at = number_of(month)
            for measure in ("rts_l", "voc_kg", "exempt_kg"):
                sums[shop, measure][at].append(row[measure])
            if category not in ("cleaning", "surface_prep", "waste"):
                sums[shop, f"rts_l:{category}"][at].append(row["rts_l"])
        for (shop, month, cas), row in self.hap.items():
            sums[shop, f"hap_kg:{cas}"][number_of(month)].append(row["kg"])
            if cas not in METALS:
                sums[shop, "hap_kg"][number_of(month)].append(row["kg"])
        out: dict[tuple[str, str, str], tuple[float | None, int]] = {}
        for shop in self.place:
            days = [r["poured_at"] for r in self.rows["pours"] if r["shop_id"] == shop]
            days += [r["used_at"] for t in ("cleaning", "unscaled_use") for r in self.rows[t] if r["shop_id"] == shop]
            first, end = number_of(month_of(min(days))), number_of(month_of(max(days)))
            for (owner, measure), by_month in sums.items():
                if owner == shop:
                    for at in range(first, end + 1):
                        inside = [g for m, all_g in by_month.items() for g in all_g if at - 12 < m <= at]
                        known = [g for g in inside if g is not None]
                        total = sum(known) if known or not inside else None
                        out[shop, month_named(at), measure] = total, min(at - first + 1, 12)
        return out

    def stock(self) -> dict[tuple[str, str, date, date], Row]:
        """Two roads to usage between counts."""
        out: dict[tuple[str, str, date, date], Row] = {}
        counts: dict[tuple[str, str], dict[date, float]] = defaultdict(lambda: defaultdict(float))
        for row in self.rows["stock"]:
            if row["movement"] == "counted":
                counts[row["shop_id"], row["component_id"]][row["happened_on"]] += row["mass_g"]
        checks = [(r["reading_g"] / r["weight_g"] - 1) ** 2 for r in self.rows["scale_checks"]]
        known = {"north": (sum(checks) / len(checks)) ** 0.5}
        for (shop, component), by_day in counts.items():
            days = sorted(by_day)
            for start, end in pairwise(days):

                def inside(day: date, start: date = start, end: date = end) -> bool:
                    return start < day <= end

                moved = [
                    r for r in self.rows["stock"]
                    if (r["shop_id"], r.get("component_id")) == (shop, component) and r["movement"] != "counted"
                    and inside(r["happened_on"])
                ]  # fmt: skip
                delivered = sum(r["mass_g"] for r in moved if r["movement"] == "delivered")
                away = sum(r["mass_g"] for r in moved if r["movement"] != "delivered")
                ways: dict[str, float] = defaultdict(float)
                for r in self.rows["pours"]:
                    if (r["shop_id"], r.get("component_id")) == (shop, component) and inside(r["poured_at"].date()):
                        ways[(r["scale_id"] or "-") if r["measured_by"] == "scale" else "volume"] += r["weighed_g"]
                for name, mass in (("cleaning", "issued_g"), ("unscaled_use", "mass_g")):
                    for r in self.rows[name]:
                        if (r["shop_id"], r["component_id"]) == (shop, component) and inside(r["used_at"].date()):
                            ways["-"] += r[mass]
                used = sum(ways.values())
                spread = (
                    sum((g * (0.04 if way == "volume" else known.get(way, 0.002))) ** 2 for way, g in ways.items())
                    + sum((0.002 * by_day[day]) ** 2 for day in (start, end))
                ) ** 0.5
                unexplained = by_day[start] + delivered - away - by_day[end] - used
                out[shop, component, start, end] = {
                    "opening_g": by_day[start], "delivered_g": delivered, "out_g": away, "closing_g": by_day[end],
                    "recorded_use_g": used, "unexplained_g": unexplained, "low": unexplained - Z95 * spread,
                    "high": unexplained + Z95 * spread,
                }  # fmt: skip
        return out
