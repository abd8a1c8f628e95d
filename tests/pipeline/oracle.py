"""The deterministic ledger once more, in plain loops, for comparison with the SQL.

Written from the text of the method alone, before the SQL was looked at, and for reading rather than for speed:
dictionaries, one rule after the other. Here belongs what can be said without the transfer model: cups, film increments,
what each operation sprayed, closed equations. Not here: intake (rows are taken as accepted), uncertainty of pooled
variances, emissions.

Units inside: g, mL, um, m2 (um x m2 = mL). A number that is not known is None.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import date, datetime
from itertools import combinations, pairwise
from typing import Any

import polars as pl

Row = dict[str, Any]
Cup = tuple[str, str]  # shop, mix
Op = tuple[str, str, int]  # shop, job, operation
Face = tuple[str, str, str, str]  # shop, job, panel, face

EU_WHOLE_VOLUME = ("preparatory", "pre_cleaner")


def total(values: Iterable[float | None]) -> float | None:
    """Sum, or None where one of them is not known."""
    out = 0.0
    for value in values:
        if value is None:
            return None
        out += value
    return out


def ratio(above: float | None, below: float | None) -> float | None:
    return None if above is None or below is None or below == 0 else above / below


def times(*values: float | None) -> float | None:
    out = 1.0
    for value in values:
        if value is None:
            return None
        out *= value
    return out


def mean(values: Iterable[float]) -> float:
    listed = list(values)
    return sum(listed) / len(listed)


@dataclass
class Mix:
    """A cup. Everything but the two g/L denominators' parts is per cup, in g, mL and currency."""

    shop_id: str
    mix_id: str
    product_id: str | None
    first_poured_at: datetime
    poured_g: float = 0.0
    own_poured_g: float = 0.0
    poured_on_g: float = 0.0
    leftover_g: float | None = None
    leftover_known: bool = False
    readable: bool = True  # every row of it, and of the cups poured into it
    complete: bool = True
    grade: str = "A"
    volume_ml: float | None = None
    own_volume_ml: float | None = None
    solids_g: float | None = None
    solids_ml: float | None = None
    voc_g: float | None = None
    voc_eu_g: float | None = None
    water_g: float | None = None
    exempt_g: float | None = None
    exempt_ml: float | None = None
    cost: float | None = None
    eu_whole_volume: bool = False
    water_density: float = 0.9982
    known: dict[str, float] = field(default_factory=dict)  # what its components tell, of those that tell it
    lacking: set[str] = field(default_factory=set)  # properties that some component of it does not tell

    @property
    def month(self) -> str:
        return self.first_poured_at.strftime("%Y-%m")

    @property
    def density_g_per_ml(self) -> float | None:
        return ratio(self.poured_g, self.volume_ml)

    @property
    def solids_mass_fraction(self) -> float | None:
        return ratio(self.solids_g, self.poured_g)

    @property
    def solids_volume_fraction(self) -> float | None:
        return ratio(self.solids_ml, self.volume_ml)

    @property
    def dry_density_g_per_ml(self) -> float | None:
        return ratio(self.solids_g, self.solids_ml)

    @property
    def voc_mass_fraction(self) -> float | None:
        return ratio(self.voc_g, self.poured_g)

    @property
    def exempt_mass_fraction(self) -> float | None:
        return ratio(self.exempt_g, self.poured_g)

    @property
    def rts_l(self) -> float | None:
        return None if self.own_volume_ml is None else self.own_volume_ml / 1000

    def less_water(self) -> float | None:
        if self.volume_ml is None or self.water_g is None:
            return None
        return self.volume_ml - self.water_g / self.water_density

    def less_water_and_exempt(self) -> float | None:
        less = self.less_water()
        return None if less is None or self.exempt_ml is None else less - self.exempt_ml

    def denominators(self) -> list[float | None]:
        return [self.volume_ml, self.less_water(), self.less_water_and_exempt()]

    def _per_litre(self, grams: float | None, millilitres: float | None) -> float | None:
        return None if grams is None or millilitres is None or millilitres <= 0 else 1000 * grams / millilitres

    @property
    def voc_g_per_l_actual(self) -> float | None:
        return self._per_litre(self.voc_g, self.volume_ml)

    @property
    def voc_g_per_l_regulatory(self) -> float | None:
        return self._per_litre(self.voc_g, self.less_water_and_exempt())

    @property
    def voc_g_per_l_eu(self) -> float | None:
        return self._per_litre(self.voc_eu_g, self.volume_ml if self.eu_whole_volume else self.less_water())


@dataclass
class Increment:
    shop_id: str
    job_id: str
    panel_id: str
    from_operation: int
    to_operation: int
    mean_um: float
    n_before: int
    n_after: int
    paired: bool
    layers: tuple[int, ...]
    usable: bool
    why_not: list[str]
    grade: str
    witness_of: str | None
    area_m2: float | None
    blend: bool
    sd_um: float | None = None


@dataclass
class Piece:
    """Film of some layers on one outer face, as it enters an equation."""

    layers: frozenset[int]
    film_um: float
    area_m2: float | None
    usable: bool
    why_not: list[str]
    grade: str
    blend: bool


@dataclass
class Part:
    """What one operation took from one cup."""

    op: Op
    cup: Cup
    share: float  # of what left the cup between two weigh-backs
    interval: int
    kind: str  # stated | single | rest | split
    clouded: bool = False  # some draw from the same cup was of nobody knows how much
    gone_g: float | None = None  # before the flush
    flush_g: float | None = None
    sprayed_g: float | None = None  # wet
    sprayed_solids_g: float | None = None
    sprayed_solids_ml: float | None = None


@dataclass
class Record:
    shop_id: str
    operations: tuple[tuple[str, int], ...]
    basis: str
    landed: float | None = None  # mL, or g for a weighed target
    sprayed: float | None = None
    usable: bool = False
    why_not: list[str] = field(default_factory=list)
    grade: str = "C"
    read_area_m2: float = 0.0
    area_m2: float = 0.0
    filled: bool = False

    @property
    def ratio(self) -> float | None:
        return ratio(self.landed, self.sprayed)


class Ledger:
    """All of it, from accepted rows; `exempt_compounds` needs only cas and density_g_per_ml."""

    def __init__(self, tables: Mapping[str, pl.DataFrame], settings: Mapping[str, Any]) -> None:
        self.settings = settings
        self.rows: dict[str, list[Row]] = {name: frame.to_dicts() for name, frame in tables.items()}
        self._index()
        self.mixes: dict[Cup, Mix] = {}
        self._cups()
        self.parts: list[Part] = self._draws()
        self._sprayed()
        self.gains: dict[tuple[str | None, datetime | None], tuple[float, float]] = {}
        self.increments: list[Increment] = self._increments()
        self.pieces: dict[Face, list[Piece]] = self._pieces()
        self.read_panels: dict[tuple[str, str], list[str]] = defaultdict(list)
        for shop, job, panel, _ in sorted(self.pieces):
            self.read_panels[shop, job].append(panel)
        self.records: list[Record] = self._film_records() + self._target_records()

    # --- looking things up ---

    def _index(self) -> None:
        self.incomplete_cups = {(r["shop_id"], r["mix_id"]) for r in self.rows["incomplete"] if r["what"] == "cup"}
        self.incomplete_ops: set[Op] = {
            (r["shop_id"], r["job_id"], r["operation_no"]) for r in self.rows["incomplete"] if r["what"] == "operation"
        }
        self.incomplete_stages = {
            (r["shop_id"], r["job_id"], r["panel_id"], r["after_operation"])
            for r in self.rows["incomplete"]
            if r["what"] == "panel_stage"
        }
        self.ops: dict[Op, Row] = {(r["shop_id"], r["job_id"], r["operation_no"]): r for r in self.rows["operations"]}
        self.ops_of_job: dict[tuple[str, str], dict[Op, Row]] = defaultdict(dict)
        for key, op in self.ops.items():
            self.ops_of_job[key[:2]][key] = op
        self.class_of = {(r["shop_id"], r["job_id"]): r["vehicle_class"] for r in self.rows["jobs"]}
        self.areas = {(r["vehicle_class"], r["panel_id"], r["face"]): r for r in self.rows["panel_areas"]}
        self.faces_of_op: dict[Op, list[Row]] = defaultdict(list)
        for r in self.rows["operation_panels"]:
            self.faces_of_op[r["shop_id"], r["job_id"], r["operation_no"]].append(r)
        self.guns = {r["gun_id"]: r for r in self.rows["guns"]}

        self.versions: dict[tuple[str, str], list[Row]] = defaultdict(list)
        for table, name in (("products", "product_id"), ("components", "component_id")):
            for r in self.rows[table]:
                self.versions[table, r[name]].append(r)

    def valid(self, table: str, value: str | None, on: datetime) -> Row | None:
        """The version of a register's row valid on a day: the latest valid_from that is not after it."""
        found: Row | None = None
        for r in self.versions.get((table, value or ""), []):
            if r["valid_from"] is not None and r["valid_from"] > on.date():
                continue
            if found is None or (r["valid_from"] or date.min) > (found["valid_from"] or date.min):
                found = r
        return found

    def face_area(self, row: Row) -> float | None:
        """The whole face of an operation_panels row, m2."""
        if row["area_m2"] is not None:
            return row["area_m2"]
        vehicle_class = self.class_of.get((row["shop_id"], row["job_id"]))
        known = self.areas.get((vehicle_class, row["panel_id"], row["face"]))
        return None if known is None else known["area_m2"]

    def substrate(self, row: Row) -> str:
        """What lies under the film: by the operation, else by the table of areas."""
        vehicle_class = self.class_of.get((row["shop_id"], row["job_id"]))
        known = self.areas.get((vehicle_class, row["panel_id"], row["face"])) or {}
        for stated in (row["substrate"], known.get("substrate")):
            if stated not in (None, "unknown"):
                return stated
        return "unknown"

    # --- 1. cups ---

    def _cups(self) -> None:
        self.pours: dict[Cup, list[Row]] = defaultdict(list)
        for r in self.rows["pours"]:
            self.pours[r["shop_id"], r["mix_id"]].append(r)
        self.poured_on: dict[Cup, list[Row]] = defaultdict(list)  # what was taken from it into other cups
        for r in self.rows["pours"]:
            if r["from_mix_id"] is not None:
                self.poured_on[r["shop_id"], r["from_mix_id"]].append(r)
        self.weighings: dict[Cup, list[Row]] = defaultdict(list)
        for r in self.rows["leftovers"]:
            self.weighings[r["shop_id"], r["mix_id"]].append(r)
        for rows in self.weighings.values():
            rows.sort(key=lambda r: (r["weighed_at"], r["weigh_no"]))
        for cup in sorted(self.pours):
            self._cup(cup, ())
        for cup, mix in self.mixes.items():
            weighings, gone = self.weighings[cup], self._gone(cup)
            mix.poured_on_g = sum(r["weighed_g"] for r in self.poured_on[cup])
            mix.leftover_known = bool(weighings)
            if weighings:
                last = weighings[-1]
                later = sum(r["weighed_g"] for r in self.poured_on[cup] if r["poured_at"] > last["weighed_at"])
                mix.leftover_g = max(0.0, last["leftover_g"] - later)
                if later > last["leftover_g"] + 1e-9 or min(gone or [0.0]) < -1e-9:
                    mix.complete = False  # more was taken out than was in it

    def _cup(self, cup: Cup, above: tuple[Cup, ...]) -> Mix | None:
        """The cup's composition; None where it was nowhere poured or is poured into itself on a way."""
        if cup in self.mixes:
            return self.mixes[cup]
        if cup not in self.pours or cup in above:
            return None
        rows = self.pours[cup]
        products = {r["product_id"] for r in rows}
        first = min(r["poured_at"] for r in rows)
        mix = Mix(*cup, product_id=next(iter(products)) if len(products) == 1 else None, first_poured_at=first)
        mix.water_density = self.settings["water_density_g_per_ml"]
        mix.readable = cup not in self.incomplete_cups and len(products) == 1
        categories = {
            r["category"]
            for r in self.rows["product_categories"]
            if r["product_id"] == mix.product_id and r["jurisdiction"] == "eu"
        }
        mix.eu_whole_volume = bool(categories & set(EU_WHOLE_VOLUME))
        sheet = self.valid("products", mix.product_id, first)

        by_source: dict[tuple[str, str], list[Row]] = defaultdict(list)
        for r in rows:
            if r["from_mix_id"] is not None:
                by_source["cup", r["from_mix_id"]].append(r)
            else:
                by_source["component", r["component_id"]].append(r)
        known: dict[str, float] = defaultdict(float)
        costs: list[float | None] = []
        own_ml = 0.0
        for (what, name), poured in sorted(by_source.items()):
            net = sum(r["weighed_g"] for r in poured)
            mix.poured_g += net
            if what == "component":
                mix.own_poured_g += net
            if abs(net) < 1e-9:  # a skipped line, or all of it taken out again
                continue
            if any(r["measured_by"] in ("volume", "ready") for r in poured if r["weighed_g"] != 0):
                mix.grade = "B"
            if what == "cup":
                source = self._cup((cup[0], name), (*above, cup))
                if source is None or not source.readable:
                    mix.readable = False
                if source is None or source.poured_g == 0:
                    mix.lacking |= set(_AMOUNTS)
                    costs.append(None)
                    continue
                part = net / source.poured_g
                for amount, value in source.known.items():
                    known[amount] += part * value
                mix.lacking |= source.lacking
                costs.append(times(source.cost, part))
                mix.grade = max(mix.grade, source.grade)
                continue
            for r in poured:  # each pour by the version of its day
                amounts = self._component(r)
                for amount, value in amounts.items():
                    if amount == "cost":
                        costs.append(value)
                    elif value is None:
                        mix.lacking.add(amount)
                    else:
                        known[amount] += value
                own_ml += amounts["volume_ml"] or 0.0
        mix.known = dict(known)
        mix.cost = total(costs)
        self._whole_cup(mix, sheet or {}, own_ml)
        mix.complete = mix.readable and not any(d is not None and d <= 0 for d in mix.denominators())
        self.mixes[cup] = mix
        return mix

    def _component(self, pour: Row) -> dict[str, float | None]:
        """What a pour brings by its component's figures on its day, g, mL and currency; None: the component does not tell."""
        own = self.valid("components", pour["component_id"], pour["poured_at"]) or {}
        grams = pour["weighed_g"]
        ml = ratio(grams, own.get("density_g_per_ml"))
        solids, voc, exempt = (own.get(f"{of}_mass_fraction") for of in ("solids", "voc", "exempt"))
        exempt_density = own.get("exempt_density_g_per_ml")
        if exempt_density is None:
            exempt_density = self._exempt_density(pour["component_id"])
        eu = own.get("voc_eu_mass_fraction")
        return {
            "volume_ml": ml,
            "solids_g": times(grams, solids),
            "solids_ml": 0.0 if solids == 0 else times(ml, own.get("solids_volume_fraction")),
            "voc_g": times(grams, voc),
            "voc_eu_g": times(grams, total([voc, exempt]) if eu is None else eu),
            "water_g": times(grams, own.get("water_mass_fraction")),
            "exempt_g": times(grams, exempt),
            "exempt_ml": 0.0 if exempt == 0 else ratio(times(grams, exempt), exempt_density),
            "cost": times(grams, ratio(own.get("price_per_kg"), 1000.0)),
        }

    def _whole_cup(self, mix: Mix, sheet: Row, own_ml: float) -> None:
        """The cup's amounts: what its components tell where all of them do, else the sheet's figure for the whole cup.

        VOC is then no smaller than what the known components bring. The volume of exempt compounds has no figure on a
        sheet: where the sheet says that there are none it is 0, else it is not known.
        """
        lacking = mix.lacking
        if lacking - {"exempt_ml", "voc_eu_g"}:
            mix.grade = "B"
        known = {amount: None if amount in lacking else mix.known.get(amount, 0.0) for amount in _AMOUNTS}
        grams = mix.poured_g
        mix.volume_ml, mix.own_volume_ml = known["volume_ml"], own_ml
        if "volume_ml" in lacking:
            mix.volume_ml = ratio(grams, sheet.get("rts_density_g_per_ml"))
            mix.own_volume_ml = ratio(mix.own_poured_g, sheet.get("rts_density_g_per_ml"))
        voc = times(ratio(sheet.get("rts_voc_g_per_l"), 1000.0), mix.volume_ml)
        exempt = times(grams, sheet.get("rts_exempt_mass_fraction"))
        by_sheet = {
            "solids_g": times(grams, sheet.get("rts_solids_mass_fraction")),
            "solids_ml": times(mix.volume_ml, sheet.get("rts_solids_volume_fraction")),
            "voc_g": None if voc is None else max(voc, mix.known.get("voc_g", 0.0)),
            "water_g": times(grams, sheet.get("rts_water_mass_fraction")),
            "exempt_g": exempt,
            "exempt_ml": 0.0 if "exempt_g" in lacking and exempt == 0 else None,
        }
        for amount, value in by_sheet.items():
            setattr(mix, amount, value if amount in lacking else known[amount])
        mix.voc_eu_g = known["voc_eu_g"]
        if "voc_eu_g" in lacking:
            stands_in = total([mix.voc_g, mix.exempt_g])  # no sheet has a figure by the EU's definition
            mix.voc_eu_g = None if stands_in is None else max(stands_in, mix.known.get("voc_eu_g", 0.0))

    def _exempt_density(self, component_id: str) -> float | None:
        """Density of a component's exempt species together, by mass; None where one of them has none."""
        listed = {r["cas"]: r["density_g_per_ml"] for r in self.rows["exempt_compounds"]}
        grams: list[float | None] = []
        millilitres: list[float | None] = []
        for r in self.rows["component_species"]:
            if r["component_id"] == component_id and r["cas"] in listed:
                grams.append(r["mass_fraction"])
                millilitres.append(ratio(r["mass_fraction"], listed[r["cas"]]))
        return ratio(total(grams), total(millilitres)) if grams else None

    # --- 2. what left the gun ---

    def _interval(self, cup: Cup, started_at: datetime) -> int:
        """Between which two weigh-backs an operation started. Draws after the last one count with the last interval."""
        weighings = self.weighings[cup]
        for number, weighing in enumerate(weighings):
            if started_at <= weighing["weighed_at"]:
                return number
        return max(len(weighings) - 1, 0)

    def _gone(self, cup: Cup) -> list[float] | None:
        """What left a cup for guns in each interval between weigh-backs, g; None where nobody weighed it back."""
        gone: list[float] = []
        since = datetime.min
        held = 0.0
        for weighing in self.weighings[cup]:
            until = weighing["weighed_at"]
            # gone = poured - leftover: a pour after the last weigh-back counts as gone
            upto = datetime.max if weighing is self.weighings[cup][-1] else until
            into = sum(r["weighed_g"] for r in self.pours[cup] if since < r["poured_at"] <= upto)
            onward = sum(r["weighed_g"] for r in self.poured_on[cup] if since < r["poured_at"] <= until)
            gone.append(held + into - onward - weighing["leftover_g"])
            held, since = weighing["leftover_g"], until
        return gone or None

    def _derived(self, cup: Cup) -> list[Op]:
        """Operations that drew from a cup for which no draws are given."""
        mix = self.mixes[cup]
        found: set[Op] = set()
        for job in {r["job_id"] for r in self.pours[cup] if r["job_id"] is not None}:
            candidates = [
                (key, op)
                for key, op in self.ops_of_job[cup[0], job].items()
                if op["kind"] == "spray"
                and op["product_id"] == mix.product_id
                and op["started_at"] > mix.first_poured_at
            ]
            if not candidates:
                continue
            # A redo gets a cup of its own: the next one poured after an operation has begun on this one.
            begun = min(op["started_at"] for _, op in candidates)
            same = [m for c, m in self.mixes.items() if c[0] == cup[0] and m.product_id == mix.product_id]
            same = [m for m in same if any(r["job_id"] == job for r in self.pours[m.shop_id, m.mix_id])]
            later = [m.first_poured_at for m in same if m.first_poured_at > begun]
            first = min(candidates, key=lambda pair: pair[1]["started_at"])[1]
            if first["redo_of"] is not None and (cup[0], job, first["redo_of"]) not in self.ops:
                # what it repeats could not be read: a cup poured before the repeat's own went there
                later = [m.first_poured_at for m in same if m.first_poured_at > mix.first_poured_at]
            if later and any(op["redo_of"] is not None for _, op in candidates):
                candidates = [(key, op) for key, op in candidates if op["started_at"] < min(later)]
            found |= {key for key, _ in candidates}
        return sorted(found)

    def _split_weight(self, key: Op) -> tuple[float | None, int]:
        """(area x covered fraction, coats)."""
        op = self.ops.get(key)
        if op is None:
            return None, 1
        coats = op["coats"]
        if coats is None:
            sheet = self.valid("products", op["product_id"], op["started_at"])
            coats = (sheet or {}).get("coats_min") or 1
        area = total(times(self.face_area(r), r["covered_fraction"]) for r in self.faces_of_op[key])
        return area or None, coats

    def _draws(self) -> list[Part]:
        stated: dict[Cup, list[Row]] = defaultdict(list)
        for r in self.rows["draws"]:
            stated[r["shop_id"], r["mix_id"]].append(r)
        unread_jobs = {key[:2] for key in self.incomplete_ops if key not in self.ops}
        parts: list[Part] = []
        self.shared: list[list[Op]] = []  # operations of which only the sum is known
        for cup in self.mixes:
            wanted: list[tuple[Op, float | None]]
            if cup in stated:
                wanted = [((r["shop_id"], r["job_id"], r["operation_no"]), r["share"]) for r in stated[cup]]
            else:
                wanted = [(op, None) for op in self._derived(cup)]
            by_interval: dict[int, list[tuple[Op, float | None]]] = defaultdict(list)
            for op, share in wanted:
                started = self.ops[op]["started_at"] if op in self.ops else None
                by_interval[0 if started is None else self._interval(cup, started)].append((op, share))
            many = len(self.weighings[cup]) > 1
            for interval, group in sorted(by_interval.items()):
                parts += self._share_out(cup, interval, sorted(group), many)
            # kept, drawn from again and not weighed after that: what left it since the weigh-back before is not known
            last = len(self.weighings[cup]) - 1
            again = (
                last >= 0
                and self.weighings[cup][last]["fate"] == "kept"
                and any(
                    op in self.ops and self.ops[op]["started_at"] > self.weighings[cup][last]["weighed_at"]
                    for op, _ in wanted
                )
            )
            unread = any(part.cup == cup and part.op not in self.ops for part in parts)
            for part in parts:
                # it started nobody knows when, so between two weigh-backs nothing is certain either
                if part.cup == cup and unread and (many or part.kind == "split"):
                    part.clouded = True
                if part.cup == cup and again and part.interval == last:
                    part.clouded = True
                # nobody stated the draw, and a step of the job that could not be read may have been the one
                if part.cup == cup and cup not in stated and part.op[:2] in unread_jobs:
                    part.clouded = True
        return parts

    def _share_out(self, cup: Cup, interval: int, group: list[tuple[Op, float | None]], many: bool) -> list[Part]:
        given = sum(share for _, share in group if share is not None)
        missing = [op for op, share in group if share is None]
        # Shares speak of all that left the cup. Where weigh-backs tell what left in between, all of that went to the
        # draws there: to the stated ones alone where each states a share, else they take theirs of the whole cup.
        scale = 1.0
        if many and given > 0:
            gone = self._gone(cup) or []
            here, everywhere = gone[interval], sum(gone)
            claim = 1.0
            if missing:
                claim = min(1.0, given * everywhere / here) if here else 0.0
            scale = claim / given
            given = claim
        rest = max(0.0, 1 - given)
        sizes = [self._split_weight(op) for op in missing]
        by_area = all(area is not None for area, _ in sizes)  # where one is not known: by coats alone
        weights = [(area or 0.0) * coats if by_area else float(coats) for area, coats in sizes]
        known = [op for op in missing if op in self.ops]
        if len(known) > 1:
            self.shared.append(known)
        parts = []
        for op, share in group:
            if share is not None:
                parts.append(Part(op, cup, share * scale, interval, "stated"))
            elif len(group) == 1:
                parts.append(Part(op, cup, 1.0, interval, "single"))
            elif len(missing) == 1:
                parts.append(Part(op, cup, rest, interval, "rest"))
            else:
                portion = weights[missing.index(op)] / sum(weights)
                parts.append(Part(op, cup, rest * portion, interval, "split"))
        return parts

    def _sprayed(self) -> None:
        self.gone = {cup: self._gone(cup) for cup in self.mixes}
        by_op: dict[Op, list[Part]] = defaultdict(list)
        for part in self.parts:
            known = self.gone[part.cup]
            part.gone_g = None if known is None else part.share * known[part.interval]
            by_op[part.op].append(part)
        self.parts_of = by_op
        cups_of = {op: {p.cup for p in parts} for op, parts in by_op.items()}
        self.flushes: dict[Op, float] = {}
        by_gun: dict[str, list[tuple[datetime, Op]]] = defaultdict(list)
        for key, row in self.ops.items():
            if row["kind"] == "spray":
                by_gun[row["gun_id"]].append((row["started_at"], key))
        for gun, turns in by_gun.items():
            turns.sort()
            loss = self.guns.get(gun, {}).get("flush_loss_g")
            loss = self.settings["flush_loss_g"] if loss is None else loss
            for turn, (_, key) in enumerate(turns):
                following = cups_of.get(turns[turn + 1][1], set()) if turn + 1 < len(turns) else set()
                self.flushes[key] = 0.0 if cups_of.get(key, set()) & following else loss
        for key, parts in by_op.items():
            flush = self.flushes.get(key, 0.0)
            left = total(p.gone_g for p in parts)
            for p in parts:
                mix = self.mixes[p.cup]
                if left is None or p.gone_g is None:
                    continue
                p.flush_g = min(flush, left) * p.gone_g / left if left > 0 else 0.0
                p.sprayed_g = p.gone_g - p.flush_g
                p.sprayed_solids_g = times(p.sprayed_g, mix.solids_mass_fraction)
                p.sprayed_solids_ml = times(ratio(p.sprayed_g, mix.density_g_per_ml), mix.solids_volume_fraction)

    # --- 3. film ---

    def concerns(self, key: Op, panel: str, face: str = "outer") -> Row | None:
        """The operation_panels row by which an operation concerns a face; {} where it concerns every panel."""
        rows = self.faces_of_op[key]
        if not rows and self.ops[key]["kind"] != "spray":
            return {}
        for r in rows:
            if r["panel_id"] == panel and r["face"] == face:
                return r
        return None

    def _gain(self, gauge: str | None, at: datetime | None) -> tuple[float, float]:
        """(offset, gain) of a gauge by its checks near a day."""
        if (gauge, at) not in self.gains:
            self.gains[gauge, at] = self._fit(gauge, at)
        return self.gains[gauge, at]

    def _fit(self, gauge: str | None, at: datetime | None) -> tuple[float, float]:
        checks = [
            r
            for r in self.rows["gauge_checks"]
            if gauge is not None
            and at is not None
            and r["gauge_id"] == gauge
            and abs((r["checked_at"].date() - at.date()).days) <= self.settings["gauge_check_days"]
        ]
        shims = [r["shim_um"] for r in checks]
        if not shims or max(shims) - min(shims) < self.settings["gauge_check_span_um"]:
            return 0.0, 1.0
        x0, y0 = mean(shims), mean(r["reading_um"] for r in checks)
        gain = sum((r["shim_um"] - x0) * (r["reading_um"] - y0) for r in checks) / sum((x - x0) ** 2 for x in shims)
        return y0 - gain * x0, gain

    def _read_at(self, reading: Row) -> datetime | None:
        if reading["taken_at"] is not None:
            return reading["taken_at"]
        op = self.ops.get((reading["shop_id"], reading["job_id"], reading["after_operation"]))
        return None if op is None else op["ended_at"] or op["started_at"]

    def _films(self, before: list[Row], after: list[Row]) -> dict[int, float]:
        """Film at each reading (by id of its row). One gauge at both stages: one fit, so that its offset cancels."""
        fits = {id(r): self._gain(r["gauge_id"], self._read_at(r)) for r in (*before, *after)}
        if before and after and len({r["gauge_id"] for r in (*before, *after)}) == 1:
            last = fits[id(max(after, key=lambda r: (str(self._read_at(r)), r["reading_no"])))]
            fits = dict.fromkeys(fits, last)
        return {id(r): (r["reading_um"] - fits[id(r)][0]) / fits[id(r)][1] for r in (*before, *after)}

    def _increments(self) -> list[Increment]:
        by_panel: dict[tuple[str, str, str], dict[int, list[Row]]] = defaultdict(lambda: defaultdict(list))
        for r in self.rows["readings"]:
            by_panel[r["shop_id"], r["job_id"], r["panel_id"]][r["after_operation"]].append(r)
        found = []
        for panel, stages in sorted(by_panel.items()):
            targets = {r["witness_of"] for rows in stages.values() for r in rows} - {None}
            witness_of = min(targets) if targets else None
            real = dict(stages)
            if witness_of is None:
                for key, op in self.ops_of_job[panel[:2]].items():
                    stripped = op["kind"] == "sand" and op["removal"] == "strip"
                    if stripped and self.concerns(key, panel[2]) is not None:
                        real.setdefault(key[2], [])  # bare: a film of nothing, though nobody read it
            order = sorted(real)
            for start, end in pairwise(order):
                found.append(self._increment(panel, witness_of, start, real[start], end, real[end]))
        return found

    def _increment(
        self,
        panel: tuple[str, str, str],
        witness_of: str | None,
        start: int,
        before: list[Row],
        end: int,
        after: list[Row],
    ) -> Increment:
        shop, job, name = panel
        stands_for = witness_of or name
        why: list[str] = []
        grade = "A"
        removed = 0.0
        layers: list[Row] = []  # their operation_panels rows
        for key in sorted(k for k in self.ops_of_job[shop, job] if start < k[2] <= end):
            op = self.ops[key]
            row = self.concerns(key, stands_for)
            if row is None:
                continue
            if op["kind"] == "spray":
                layers.append(row)
                if witness_of is None and self.substrate(row) == "unknown":
                    grade = "B"
            elif op["kind"] == "hand":
                why.append(f"operation {key[2]}: film by hand")
            elif op["kind"] == "polish" or op["removal"] == "scuff":
                removed += self.settings["scuff_removed_um"] if op["removed_um"] is None else op["removed_um"]
                grade = "B"
            elif op["removal"] == "strip":
                why.append(f"operation {key[2]}: stripped")
            else:
                why.append(f"operation {key[2]}: {op['removal'] or 'sanding with no removal stated'}")
        for key in sorted(k for k in self.incomplete_ops if k[:2] == (shop, job) and start < k[2] <= end):
            # it may have put film here: its row is not known, or a row that names its panels is not
            rows = self.faces_of_op[key]
            named = any(r["panel_id"] == stands_for and r["face"] == "outer" for r in rows)
            if self.concerns(key, stands_for) is None if key in self.ops else named or not rows:
                why.append(f"operation {key[2]}: could not be read")
        for stage in (start, end):
            if {(*panel, stage), (*panel, None)} & self.incomplete_stages:
                why.append(f"readings after {stage}: some could not be read")

        film_at = self._films(before, after)

        def places(rows: list[Row]) -> dict[tuple[int, int], list[float]] | None:
            if any(r["row"] is None or r["col"] is None for r in rows) or not rows:
                return None
            out: dict[tuple[int, int], list[float]] = defaultdict(list)
            for r in rows:
                out[r["row"], r["col"]].append(film_at[id(r)])
            return out

        at_before, at_after = places(before), places(after)
        # read in both: all places of both, or five of them (a reading lost from nine leaves eight pairs)
        both = sorted(set(at_before or ()) & set(at_after or ()))
        paired = bool(both) and (len(both) >= 5 or set(at_before or ()) == set(at_after or ()))
        sd = None
        if paired and at_before is not None and at_after is not None:
            gains = [mean(at_after[place]) - mean(at_before[place]) for place in both]
            film = mean(gains)
            if len(gains) > 1:
                sd = (sum((g - film) ** 2 for g in gains) / (len(gains) - 1)) ** 0.5
        else:
            film = (mean(film_at[id(r)] for r in after) if after else 0.0) - (
                mean(film_at[id(r)] for r in before) if before else 0.0
            )
        fractions = {r["covered_fraction"] for r in layers}
        blend = any(f < 1 for f in fractions)
        area = next((a for a in (self.face_area(r) for r in layers) if a is not None), None)
        if layers and area is None:
            why.append("area not known")
        if blend:
            read = [rows for rows in (before, after) if rows]
            places_read = [{(r["row"], r["col"]) for r in rows if None not in (r["row"], r["col"])} for rows in read]
            whole = witness_of is None and all(len(spots) >= 5 for spots in places_read)
            if not whole and len(fractions) > 1:
                why.append("blend read at unknown place")
            elif not whole:
                area = times(area, fractions.pop())
        return Increment(
            shop,
            job,
            name,
            start,
            end,
            film + removed,
            len(before),
            len(after),
            paired,
            tuple(r["operation_no"] for r in layers),
            not why,
            why,
            grade,
            witness_of,
            area if layers else None,
            blend,
            sd,
        )

    def _pieces(self) -> dict[Face, list[Piece]]:
        """Increments as they enter equations: witness strips take their layers, the panel keeps the rest."""
        own: dict[Face, list[Piece]] = defaultdict(list)
        strips: dict[Face, dict[frozenset[int], list[Piece]]] = defaultdict(lambda: defaultdict(list))
        for i in sorted(self.increments, key=lambda i: (i.from_operation, i.to_operation, i.panel_id)):
            if not i.layers:
                continue
            piece = Piece(frozenset(i.layers), i.mean_um, i.area_m2, i.usable, i.why_not, i.grade, i.blend)
            if i.witness_of is None:
                own[i.shop_id, i.job_id, i.panel_id, "outer"].append(piece)
            elif i.usable:
                strips[i.shop_id, i.job_id, i.witness_of, "outer"][piece.layers].append(piece)
        for face, by_layers in strips.items():
            pieces = own[face]
            # most layers first, so that a shorter one inside a longer one leaves it a difference; then the earlier
            for layers, found in sorted(by_layers.items(), key=lambda item: -len(item[0])):
                film, grade = mean(p.film_um for p in found), max(p.grade for p in found)
                strip = Piece(layers, film, found[0].area_m2, True, [], grade, found[0].blend)
                good = [p for p in pieces if p.usable]
                if self._tiles(good, layers) is not None:
                    continue  # the panel's own readings win
                holder = next((p for p in pieces if p.layers > layers), None)
                same = next((p for p in pieces if p.layers == layers), None)
                if same is not None:
                    pieces.remove(same)
                    pieces.append(strip)
                elif holder is not None:
                    pieces.remove(holder)
                    pieces.append(strip)
                    pieces.append(
                        Piece(
                            holder.layers - layers,
                            # in mL: the strip's film is over its layers' area, the panel's over what was read of it
                            self._rest_um(holder, strip),
                            holder.area_m2,
                            holder.usable,
                            holder.why_not,
                            "B",
                            holder.blend,
                        )
                    )
                elif not any(p.layers & layers for p in pieces):
                    pieces.append(strip)
        return own

    @staticmethod
    def _rest_um(holder: Piece, strip: Piece) -> float:
        """Film that a strip leaves of a panel's, um over the panel's area: (film x area - strip x its area) / area."""
        if not holder.area_m2 or not strip.area_m2:
            return holder.film_um - strip.film_um  # an area is not known: unusable anyway
        return (holder.film_um * holder.area_m2 - strip.film_um * strip.area_m2) / holder.area_m2

    @staticmethod
    def _tiles(pieces: list[Piece], layers: frozenset[int]) -> list[Piece] | None:
        """Pieces that together hold exactly these layers, each once."""
        inside = [p for p in pieces if p.layers <= layers]
        for size in range(1, len(inside) + 1):
            for chosen in combinations(inside, size):
                union = frozenset().union(*(p.layers for p in chosen))
                if union == layers and sum(len(p.layers) for p in chosen) == len(layers):
                    return list(chosen)
        return None

    def _film_records(self) -> list[Record]:
        weighed: dict[Op, list[bool]] = defaultdict(list)
        for r in self.rows["target_weighings"]:
            weighed[r["shop_id"], r["job_id"], r["operation_no"]].append(r["whole"])
        together_only = {key for group in self.shared for key in group} | (set(weighed) - set(self.ops))
        self.whole_targets = {key for key, whole in weighed.items() if all(whole)} - together_only
        sprays = [key for key, op in sorted(self.ops.items()) if op["kind"] == "spray"]
        parent: dict[Op, Op] = {}

        def find(key: Op) -> Op:
            while parent.setdefault(key, key) != key:
                key = parent[key]
            return key

        def join(keys: list[Op]) -> None:
            for other in keys[1:]:
                parent[find(other)] = find(keys[0])

        for key in sprays:
            find(key)
        for (shop, job, _, _), pieces in self.pieces.items():
            for piece in pieces:
                join([(shop, job, no) for no in sorted(piece.layers)])
        for group in self.shared:
            join(group)
        together: dict[Op, list[Op]] = defaultdict(list)
        for key in sorted(parent):
            together[find(key)].append(key)
        return [self._film_record(keys) for keys in together.values() if not set(keys) <= self.whole_targets]

    def _film_record(self, keys: list[Op]) -> Record:
        record = Record(keys[0][0], tuple((job, no) for _, job, no in keys), "volume")
        why = record.why_not
        weighed = True
        plain_draws = True
        sprayed: list[float | None] = []
        for key in keys:
            own = total(part.sprayed_solids_ml for part in self.parts_of.get(key, []))
            if own is not None and own <= 1e-9:
                why.append(f"operation {key} sprayed nothing")
            if key in self.incomplete_ops:
                why.append(f"operation {key} incomplete")
            if not self.faces_of_op[key]:
                why.append(f"operation {key} names no panels")
            parts = self.parts_of.get(key, [])
            if not parts:
                why.append(f"operation {key} has no cup")
            for part in parts:
                if part.clouded:
                    why.append(f"an operation that could not be read drew from cup {part.cup}")
                mix = self.mixes[part.cup]
                if not mix.complete:
                    why.append(f"cup {part.cup} incomplete")
                if mix.solids_volume_fraction is None:
                    why.append(f"cup {part.cup} has no solids by volume")
                weighed = weighed and part.gone_g is not None
                plain_draws = plain_draws and part.kind in ("stated", "single") and mix.grade == "A"
                sprayed.append(part.sprayed_solids_ml)
        record.sprayed = total(sprayed) if sprayed else None

        on_face: dict[Face, set[int]] = defaultdict(set)
        for shop, job, no in keys:
            for r in self.faces_of_op[shop, job, no]:
                on_face[shop, job, r["panel_id"], r["face"]].add(no)
        landed: list[float | None] = []
        any_film = False
        grade = "A"
        for face, layers in sorted(on_face.items()):
            pieces = [p for p in self.pieces.get(face, []) if p.layers & layers] if face[3] == "outer" else []
            bad = [reason for p in pieces if not p.usable for reason in p.why_not]
            if bad:
                why.extend(bad)
                continue
            read = frozenset().union(*(p.layers for p in pieces))
            face_area = 0.0
            for p in pieces:
                any_film = True
                landed.append(times(p.film_um, p.area_m2))
                grade = max(grade, p.grade)
                face_area = max(face_area, p.area_m2 or 0.0)
            if read == layers:
                record.area_m2 += face_area
                record.read_area_m2 += face_area
                continue
            rest = frozenset(layers) - read
            film, area = self._fill(face, rest, keys, why)
            record.filled = True
            record.area_m2 += max(area or 0.0, face_area)
            landed.append(times(film, area))
        record.landed = total(landed) if any_film and landed else None
        if not any_film:
            why.append("no film")
        record.usable = not why
        half = record.read_area_m2 * 2 >= record.area_m2
        if any_film:
            record.grade = "A" if len(keys) == 1 and weighed and plain_draws and half and grade == "A" else "B"
        return record

    def _fill(
        self, face: Face, layers: frozenset[int], keys: list[Op], why: list[str]
    ) -> tuple[float | None, float | None]:
        """(film, area) of an unread face, from read panels of the same operations."""
        shop, job, panel, side = face
        if side == "outer" and any(s[:3] == (shop, job, panel) for s in self.incomplete_stages):
            why.append(f"{panel}: readings that could not be read")
            return None, None
        rows = [
            r
            for no in sorted(layers)
            for r in self.faces_of_op[shop, job, no]
            if (r["panel_id"], r["face"]) == (panel, side)
        ]
        area = next((a for a in (self.face_area(r) for r in rows) if a is not None), None)
        if area is None:
            why.append(f"{panel}: area not known")
        fractions = {r["covered_fraction"] for r in rows}
        if len(fractions) > 1:
            why.append(f"{panel}: blend of unknown place")
            return None, None
        area = times(area, fractions.pop())
        films: dict[str, float] = {}
        for donor in self.read_panels[shop, job]:
            pieces = self.pieces[shop, job, donor, "outer"]
            chosen = self._tiles([p for p in pieces if p.usable and not p.blend], layers)
            if chosen is not None:
                films[donor] = sum(p.film_um for p in chosen)
        if not films:
            why.append("unread panel with other layers")
            return None, area
        pooled = mean(films.values())
        if side == "outer":
            return pooled, area
        return films.get(panel, pooled) * self.settings["inner_face_ratio"], area

    def _target_records(self) -> list[Record]:
        """Targets weighed before and after: solids in g on both sides."""
        by_op: dict[Op, list[Row]] = defaultdict(list)
        for r in self.rows["target_weighings"]:
            by_op[r["shop_id"], r["job_id"], r["operation_no"]].append(r)
        found = []
        for key, rows in sorted(by_op.items()):
            if key not in self.whole_targets:
                continue
            record = Record(key[0], (key[1:],), "mass", sum(r["after_g"] - r["before_g"] for r in rows))
            parts = self.parts_of.get(key, [])
            record.sprayed = total(p.sprayed_solids_g for p in parts) if parts else None
            if any(part.clouded for part in parts):
                record.why_not.append("a draw that nobody can size was from its cup")
            if key in self.incomplete_ops:
                record.why_not.append("operation incomplete")
            if not parts:
                record.why_not.append("no cup")
            if any(not self.mixes[p.cup].complete for p in parts):
                record.why_not.append("cup incomplete")
            if any(self.mixes[p.cup].solids_mass_fraction is None for p in parts):
                record.why_not.append("no solids by mass")
            if any(self.mixes[p.cup].solids_volume_fraction is None for p in parts):
                record.why_not.append("no solids by volume")  # the ratio is of masses, but the model reckons in mL
            record.usable = not record.why_not
            weighed = all(p.gone_g is not None for p in parts)
            plain = all(p.kind in ("stated", "single") and self.mixes[p.cup].grade == "A" for p in parts)
            record.grade = "A" if weighed and plain else "B"
            found.append(record)
        return found


_AMOUNTS = ("volume_ml", "solids_g", "solids_ml", "voc_g", "voc_eu_g", "water_g", "exempt_g", "exempt_ml")
