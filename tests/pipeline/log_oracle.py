"""What readers of the environmental record are given, once more in plain loops from rows of the CSV files: the limits of permits
window by window and as a curve, the log of materials, the statement of a year, waste of a month, time at products that hold
isocyanates, and what has become of the figures of closed months.

Written beside emission_oracle.py, from whose sums it goes on; particulate is in none of it. Factors and thresholds are written out
here: 40 CFR 98 table A-1 and the Weights and Measures Act for units, 40 CFR 260.10 for generators of waste, 42 U.S.C. 7412(a)(1) for
major sources.
"""

from __future__ import annotations

import calendar
from collections import defaultdict
from collections.abc import Iterable
from datetime import date
from typing import Any

from emission_oracle import METALS, Record, Row, month_named, month_of, number_of

GAL_US, LB = 3.785411784, 0.45359237
VOLUMES = {"l": 1.0, "gal_us": GAL_US, "gal_imp": 4.54609}
MASSES = {"kg": 1.0, "lb": LB, "ton_us": 2000 * LB, "tonne": 1000.0}
Amounts = dict[int, list[float | None]]  # by number of the month; None: something stands there that nobody can tell


def known(amounts: Iterable[float | None]) -> float | None:
    """The sum of what is known; 0 where there is nothing, None where nothing of it is known."""
    there = list(amounts)
    sure = [a for a in there if a is not None]
    return None if there and not sure else sum(sure)


def _ratio(a: float | None, b: float | None) -> float | None:
    return None if a is None or not b else a / b


class Limits:
    """The permits of a record's shops."""

    def __init__(self, record: Record, permits: list[Row]) -> None:
        self.record = record
        self.permits = [p for p in permits if p["shop_id"] in record.place and p["measure"] != "pm_kg"]
        self.unread = {(r["shop_id"], number_of(r["month"])) for r in record.rows["incomplete"] if r["what"] == "month"}
        self.span: dict[str, tuple[int, int]] = {}
        for shop in record.place:
            days = [r["poured_at"] for r in record.rows["pours"] if r["shop_id"] == shop]
            days += [r["used_at"] for t in ("cleaning", "unscaled_use") for r in record.rows[t] if r["shop_id"] == shop]
            self.span[shop] = number_of(month_of(min(days))), number_of(month_of(max(days)))

    def amounts(self, shop: str, measure: str) -> Amounts:
        out: Amounts = defaultdict(list)
        name, _, of = measure.partition(":")
        if of in ("cleaning", "surface_prep"):
            for use in self.record.rows["cleaning"]:
                if use["shop_id"] == shop and (use["purpose"] == "surface") == (of == "surface_prep"):
                    density = self.record.fact(use["component_id"], use["used_at"].date())["density_g_per_ml"]
                    out[number_of(month_of(use["used_at"]))].append(use["issued_g"] / density / 1000)
        elif name == "hap_kg":
            for (owner, month, cas), row in self.record.hap.items():
                if owner == shop and (cas == of if of else cas not in METALS):
                    out[number_of(month)].append(row["kg"])
            if not of:
                for owner, month in self.record.hap_gaps:
                    if owner == shop:
                        out[number_of(month)].append(None)
        else:
            for (owner, month, category), row in self.record.emissions.items():
                if owner == shop and of in ("", category):
                    out[number_of(month)].append(row[name])
        return out

    def whole(self, shop: str, measure: str, first: int, last: int) -> bool:
        """Whether nothing is lacking in months first to last."""
        name, _, of = measure.partition(":")
        if any((shop, m) in self.unread for m in range(first, last + 1)):
            return False
        if name == "hap_kg" and any((shop, month_named(m)) in self.record.hap_gaps for m in range(first, last + 1)):
            return False
        return all(
            row["complete"]
            for (owner, month, category), row in self.record.emissions.items()
            if owner == shop and first <= number_of(month) <= last and (of in ("", category) or name == "hap_kg")
            and not (name == "hap_kg" and category == "waste")
        )  # fmt: skip

    def in_force(self, shop: str, measure: str, period: str, month: int) -> Row | None:
        year, at = divmod(month, 12)
        end = date(year, at + 1, calendar.monthrange(year, at + 1)[1])
        rows = [p for p in self.permits if (p["shop_id"], p["measure"], p["period"]) == (shop, measure, period)]
        rows = [p for p in rows if (p.get("valid_from") or date.min) <= end]
        return max(rows, key=lambda p: p.get("valid_from") or date.min) if rows else None

    def _each(self) -> Iterable[tuple[str, str, str, int, int, Row, float]]:
        """shop, measure, period, first and last month of the window, the limit in force and the factor of its unit."""
        for shop, measure, period in sorted({(p["shop_id"], p["measure"], p["period"]) for p in self.permits}):
            begin, end = self.span[shop]
            for m in range(begin, end + 1):
                first = {"month": m, "calendar_year": m - m % 12, "rolling_12_months": m - 11}[period]
                limit = self.in_force(shop, measure, period, m)
                if limit is not None:
                    factor = (VOLUMES if measure.startswith("rts_l") else MASSES)[limit["unit"]]
                    yield shop, measure, period, first, m, limit, factor

    def windows(self) -> dict[tuple[str, str, str, str], Row]:
        out: dict[tuple[str, str, str, str], Row] = {}
        for shop, measure, period, first, m, limit, factor in self._each():
            begin, end = self.span[shop]
            if period == "calendar_year" and m != end and m % 12 != 11:
                continue  # judged by its last month
            amounts = self.amounts(shop, measure)
            total = known(a for at, listed in amounts.items() if first <= at <= m for a in listed)
            most, complete = limit["limit"] * factor, self.whole(shop, measure, first, m)
            within = False if complete and total is not None else None
            out[shop, measure, period, month_named(m)[:4] if period == "calendar_year" else month_named(m)] = dict(
                total=_ratio(total, factor), limit=limit["limit"], unit=limit["unit"], total_metric=total, limit_metric=most,
                share_of_limit=_ratio(total, most), complete=complete, source=limit["source"],
                breached=True if total is not None and total > most * (1 + 1e-9) else within,
                months_present=m - max(first, begin) + 1,
            )  # fmt: skip
        return out

    def curve(self) -> dict[tuple[str, str, str, str], Row]:
        out: dict[tuple[str, str, str, str], Row] = {}
        for shop, measure, period, first, m, limit, factor in self._each():
            begin, _ = self.span[shop]
            by_month = {at: known(listed) for at, listed in self.amounts(shop, measure).items()}
            total = known(v for at, v in by_month.items() if first <= at <= m)
            recent = [v for at in range(max(begin, m - 2), m + 1) if (v := by_month.get(at, 0.0)) is not None]
            pace = sum(recent) / len(recent) if recent else None
            most = limit["limit"] * factor
            crossed = None
            if total is not None and total > most:
                crossed = m
            elif total is not None and pace is not None:
                for k in range(1, 25):
                    kept = sum(by_month.get(at) or 0.0 for at in range(m + k - 11, m + 1))
                    then = {
                        "month": pace,
                        "calendar_year": total + k * pace,
                        "rolling_12_months": kept + min(k, 12) * pace,
                    }[period]
                    if then > most and not (period == "calendar_year" and (m + k) // 12 > m // 12):
                        crossed = m + k
                        break
            out[shop, measure, period, month_named(m)] = {
                "total": total, "limit": most, "headroom": None if total is None else most - total, "unit": limit["unit"],
                "share_of_limit": _ratio(total, most), "pace_per_month": pace, "already": None if total is None else total > most,
                "crossed_in": None if crossed is None else month_named(crossed), "limit_stated": limit["limit"],
                "total_stated": _ratio(total, factor), "pace_stated": _ratio(pace, factor), "unit_fits": True,
                "headroom_stated": None if total is None else limit["limit"] - total / factor, "source": limit["source"],
                "complete": self.whole(shop, measure, first, m), "months_present": min(12, m - begin + 1),
            }  # fmt: skip
        return out


def waste_monthly(record: Record) -> dict[tuple[str, str], Row]:
    """Months of the records and all in which something moved; a generator's category by what went in."""
    limits = Limits(record, [])
    out: dict[tuple[str, str], Row] = {}
    for shop, (begin, end) in limits.span.items():
        moved = {month for owner, month, _ in record.drum if owner == shop}
        if not moved:
            continue
        held = 0.0
        for month in sorted(moved | {month_named(m) for m in range(begin, end + 1)}):
            rows = [row for (owner, at, _), row in record.drum.items() if (owner, at) == (shop, month)]
            put_in, shipped, beyond = (
                sum(row[name] for row in rows) for name in ("in_kg", "shipped_kg", "unexplained_kg")
            )
            held += put_in - shipped
            category = too_much = None
            if record.place[shop] == "us":
                category = "very small" if put_in <= 100 else "small" if put_in < 1000 else "large"
                too_much = {"very small": held > 1000, "small": held > 6000, "large": None}[category]
            out[shop, month] = dict(
                generated_kg=put_in, shipped_kg=shipped, unexplained_kg=beyond, on_hand_kg=held, generator=category,
                too_much_on_hand=too_much,
            )  # fmt: skip
    return out


def waste_drum(record: Record) -> dict[tuple[str, str, str], Row]:
    """What moved, by stream, with what stood there before and after."""
    out: dict[tuple[str, str, str], Row] = {}
    held: dict[tuple[str, str], float] = defaultdict(float)
    for shop, month in sorted(waste_monthly(record)):
        for stream in ("coating", "solvent"):
            row = record.tally(shop, month, stream) if (shop, month, stream) in record.drum else {}
            before = held[shop, stream]
            held[shop, stream] += row.get("in_kg", 0.0) - row.get("shipped_kg", 0.0)
            moved = {name: row.get(name, 0.0) for name in ("in_kg", "shipped_kg", "unexplained_kg", "credit_voc_kg")}
            out[shop, month, stream] = moved | dict(
                opening_kg=before, closing_kg=held[shop, stream], generated_kg=moved["in_kg"]
            )
    return out


def compared(table: str, rows: list[Row]) -> list[Row]:
    """A published table's rows without particulate; of the statement of a year the class beside the substance."""
    if table == "annual_statement":
        rows = [row | {"class": row["substance"] if row["line"] == "class_hap" else None} for row in rows]
        return [row for row in rows if row["line"] != "pm"]
    return [row for row in rows if row.get("measure") != "pm_kg"]


# --- the log of materials -----------------------------------------------------------------------------------------------


def _line(**figures: Any) -> Row:
    return dict.fromkeys(
        ("rts_l", "mass_kg", "share_by_volume", "share_by_mass", "voc_g_per_l_supplied", "voc_g_per_l_applied",
         "voc_g_per_l_regulatory", "limit_g_per_l", "n_over", "recovered_kg", "shipped_kg", "document_ref")
    ) | figures  # fmt: skip


def _all(values: list[float | None]) -> float | None:
    """The sum, where all of it is known."""
    return None if None in values else sum(v for v in values if v is not None)


def material_log(record: Record) -> dict[tuple[str, str, str, str | None, str | None, str], Row]:
    """(shop, month, kind, product, component, category) -> the line."""
    out: dict[tuple[str, str, str, str | None, str | None, str], Row] = {}
    mixes: dict[tuple[str, str, str, str], list[Row]] = defaultdict(list)
    for cup in record.cups:
        mixes[cup["shop"], cup["month"], cup["product_id"], cup["category"] or "unmapped"].append(cup)
    for (shop, month, product, category), cups in mixes.items():
        litres, grams = _all([c["litres"] for c in cups]), sum(c["own"] for c in cups)
        voc = _all([None if c["voc"] is None else c["own"] * c["voc"] for c in cups])
        contents = [record.content[shop, c["mix"]] for c in cups]
        out[shop, month, "product", product, None, category] = _line(
            rts_l=litres, mass_kg=grams / 1000, voc_g_per_l_applied=_ratio(voc, litres),
            voc_g_per_l_regulatory=max((c["g_per_l"] for c in contents if c["g_per_l"] is not None), default=None),
            limit_g_per_l=min((c["limit_g_per_l"] for c in contents if c["limit_g_per_l"] is not None), default=None),
            n_over=sum(c["over"] is True for c in contents), n=len(cups),
        )  # fmt: skip
        used: dict[str, list[Row]] = defaultdict(list)
        names = {c["mix"] for c in cups}
        for pour in record.rows["pours"]:
            if pour["shop_id"] == shop and pour["mix_id"] in names and not pour.get("from_mix_id"):
                used[pour["component_id"]].append(dict(grams=pour["weighed_g"], on=pour["poured_at"].date()))
        for component, pours in used.items():
            ml, voc_g, mass = _supplied(record, shop, component, pours)
            out[shop, month, "component", product, component, category] = _line(
                rts_l=None if ml is None else ml / 1000, mass_kg=mass / 1000, share_by_mass=mass / grams,
                share_by_volume=None if ml is None else _ratio(ml / 1000, litres),
                voc_g_per_l_supplied=None if voc_g is None else _ratio(1000 * voc_g, ml), n=len(cups),
            )  # fmt: skip
    others: dict[tuple[str, str, str, str], list[Row]] = defaultdict(list)
    for use in record.rows["cleaning"]:
        kind = "surface_prep" if use["purpose"] == "surface" else "cleaning"
        one = dict(grams=use["issued_g"], on=use["used_at"].date(), back=use["recovered_g"] or 0.0)
        others[use["shop_id"], month_of(use["used_at"]), kind, use["component_id"]].append(one)
    for use in record.rows["unscaled_use"]:
        one = dict(grams=use["mass_g"], on=use["used_at"].date(), back=None)
        others[use["shop_id"], month_of(use["used_at"]), "unscaled", use["component_id"]].append(one)
    for (shop, month, kind, component), uses in others.items():
        ml, voc_g, mass = _supplied(record, shop, component, uses)
        out[shop, month, kind, None, component, kind] = _line(
            rts_l=None if ml is None else ml / 1000, mass_kg=mass / 1000, n=len(uses),
            recovered_kg=None if kind == "unscaled" else sum(u["back"] for u in uses) / 1000,
            voc_g_per_l_supplied=None if voc_g is None else _ratio(1000 * voc_g, ml),
        )  # fmt: skip
    shipped: dict[tuple[str, str, str | None], list[Row]] = defaultdict(list)
    for row in record.rows["stock"]:
        if row["movement"] == "shipped_as_waste":
            shipped[row["shop_id"], month_of(row["happened_on"]), row.get("component_id")].append(row)
    for (shop, month, of), rows in shipped.items():
        papers = sorted({row["document_ref"] for row in rows if row.get("document_ref")})
        out[shop, month, "waste", None, of, "waste"] = _line(
            shipped_kg=sum(row["mass_g"] for row in rows) / 1000, document_ref="; ".join(papers) or None, n=len(rows)
        )
    for row in out.values():
        for of in ("supplied", "applied", "regulatory"):
            g_per_l = row[f"voc_g_per_l_{of}"]
            row[f"voc_lb_per_gal_{of}"] = None if g_per_l is None else g_per_l / (LB * 1000 / GAL_US)
    return out


def _supplied(record: Record, shop: str, component: str, uses: list[Row]) -> tuple[float | None, float | None, float]:
    """mL, g of VOC by the place's definition, and g of a component over its uses, each by the register's row of its day."""
    densities = [(u["grams"], record.fact(component, u["on"]).get("density_g_per_ml")) for u in uses]
    ml = _all([None if density is None else grams / density for grams, density in densities])
    parts = [(u["grams"], record.fractions(shop, component, u["on"])[0]) for u in uses]
    return ml, _all([None if voc is None else grams * voc for grams, voc in parts]), sum(u["grams"] for u in uses)


# --- the statement of a year --------------------------------------------------------------------------------------------


def annual_statement(record: Record) -> dict[tuple[str, int, str, str | None, str | None], Row]:
    """(shop, year, line, cas, class) -> the line; particulate left out. Thresholds: 10 and 25 US tons a year of one and of
    all hazardous air pollutants."""
    limits = Limits(record, [])
    out: dict[tuple[str, int, str, str | None, str | None], Row] = {}

    def put(shop: str, year: int, line: str, kg: float | None, complete: bool, tons: float | None, **more: Any) -> None:
        begin, end = limits.span[shop]
        n = sum(1 for m in range(begin, end + 1) if m // 12 == year) or None
        threshold = None if tons is None else tons * 2000 * LB
        reached = None
        if threshold is not None and kg is not None and (complete or kg > threshold):
            reached = kg > threshold
        key = shop, year, line, more.pop("cas", None), more.pop("of_class", None)
        out[key] = dict(
            kg=kg, tonnes=_ratio(kg, 1000), tons_us=_ratio(kg, 2000 * LB), complete=complete, n_months=n, threshold=tons,
            share_of_threshold=_ratio(kg, threshold), reached=reached, **more,
        )  # fmt: skip

    years: dict[tuple[str, int], list[Row]] = defaultdict(list)
    for (shop, month, _), row in record.emissions.items():
        years[shop, int(month[:4])].append(row)
    for (shop, year), rows in years.items():
        complete = all(row["complete"] for row in rows)
        put(
            shop,
            year,
            "throughput",
            known(r["rts_kg"] for r in rows),
            complete,
            None,
            litres=known(r["rts_l"] for r in rows),
        )
        put(shop, year, "voc", known(r["voc_kg"] for r in rows), complete, None)
        put(shop, year, "exempt", known(r["exempt_kg"] for r in rows), complete, None)
    for shop, (begin, end) in limits.span.items():
        amounts = limits.amounts(shop, "voc_kg")
        for year in range(begin // 12, end // 12 + 1):
            months = [m for m in range(begin, end + 1) if m // 12 == year]
            sums = [known(a for at, listed in amounts.items() if m - 12 < at <= m for a in listed) for m in months]
            whole = all(limits.whole(shop, "voc_kg", m - 11, m) for m in months)
            put(shop, year, "voc_in_any_12_months", max((s for s in sums if s is not None), default=None), whole, None)
            if record.place[shop] == "us":
                _pollutants(record, limits, shop, year, put)
    return out


def _pollutants(record: Record, limits: Limits, shop: str, year: int, put: Any) -> None:
    mine = {
        (month, cas): row for (owner, month, cas), row in record.hap.items() if owner == shop and int(month[:4]) == year
    }
    gap = any(owner == shop and int(month[:4]) == year for owner, month in record.hap_gaps)
    gap = gap or any(owner == shop and m // 12 == year for owner, m in limits.unread)

    def sure(cas: Iterable[str]) -> bool:
        return not any(
            c in cas and ((shop, month, c) in record.hap_unsure or (shop, month) in record.hap_gaps or (shop, number_of(month)) in limits.unread)
            for month, c in mine
        )  # fmt: skip

    organic = {cas for _, cas in mine if cas not in METALS}
    amounts = [row["kg"] for (_, cas), row in mine.items() if cas in organic]
    put(shop, year, "all_hap", None if gap and not amounts else sum(amounts), sure(organic) and not gap, 25.0)
    for cas in sorted({cas for _, cas in mine}):
        put(
            shop, year, "single_hap", sum(row["kg"] for (_, c), row in mine.items() if c == cas), sure({cas}), 10.0,
            cas=cas, kg_low=sum(row["kg_low"] for (_, c), row in mine.items() if c == cas),
        )  # fmt: skip
    metals = {cas for _, cas in mine if cas in METALS}
    if metals:
        kg = sum(row["kg"] for (_, c), row in mine.items() if c in metals)
        put(shop, year, "class_hap", kg, sure(metals), None, of_class="metal")


# --- time at products that hold isocyanates ---------------------------------------------------------------------------------

#: of the invented substances; counted from 0.1 % (Regulation (EU) 2020/1149, entry 74)
ISOCYANATES, LEAST_PART = {"822-06-0"}, 0.001


def spray_time(record: Record) -> dict[tuple[str, str, str, str], Row]:
    """(shop, technician, month, product) -> operations, those with an end, their minutes."""
    stated = {
        s["component_id"]
        for s in record.rows["component_species"]
        if s["cas"] in ISOCYANATES and s.get("mass_fraction_high", s["mass_fraction"]) >= LEAST_PART
    }
    described = {s["component_id"] for s in record.rows["component_species"]}
    hidden = {
        c["component_id"]
        for c in record.rows["components"]
        if c.get("kind") == "hardener" and c["component_id"] not in described
    }
    out: dict[tuple[str, str, str, str], Row] = {}
    for operation in record.rows["operations"]:
        fed_by = [
            (d["shop_id"], d["mix_id"])
            for d in record.rows["draws"]
            if all(d[k] == operation[k] for k in ("shop_id", "job_id", "operation_no"))
        ]
        held = {component for cup in fed_by for component, _, share in record.composition(cup) if share > 0}
        if not held & (stated | hidden):
            continue
        key = (
            operation["shop_id"],
            operation["technician_id"],
            month_of(operation["started_at"]),
            operation["product_id"],
        )
        row = out.setdefault(key, dict(n_operations=0, n_timed=0, minutes=None))
        row["n_operations"] += 1
        if operation["ended_at"] is not None:
            row["n_timed"] += 1
            spent = (operation["ended_at"] - operation["started_at"]).total_seconds() / 60
            row["minutes"] = (row["minutes"] or 0.0) + spent
    return out


# --- what has become of closed months ---------------------------------------------------------------------------------------


def reported(
    record: Record, permits: list[Row]
) -> dict[tuple[str, str, str, str, str], tuple[float | None, str | None]]:
    """(shop, month, table, of, figure) -> (amount, words) of every figure that a reader is given; particulate and litres handed
    out left out."""
    out: dict[tuple[str, str, str, str, str], tuple[float | None, str | None]] = {}
    for (shop, month, category), row in record.emissions.items():
        at = shop, month, "emissions_monthly", category
        for name in ("rts_l", "voc_kg", "exempt_kg"):
            out[(*at, name)] = row[name], None
        out[(*at, "complete")] = None, "yes" if row["complete"] else "no"
    for (shop, month, cas), row in record.hap.items():
        for name in ("kg", "kg_63_3941"):
            out[shop, month, "hap_monthly", cas, name] = row[name], None
    words = {True: "above the limit", False: "within", None: "cannot be told"}
    for (shop, measure, period, window), row in Limits(record, permits).windows().items():
        if period != "calendar_year":
            of = f"{measure}, {period}"
            out[shop, window, "limit_windows", of, "total_metric"] = row["total_metric"], words[row["breached"]]
    for (shop, month), row in waste_monthly(record).items():
        for name in ("generated_kg", "shipped_kg"):
            out[shop, month, "waste_monthly", "drum", name] = row[name], None
    return out


def restatements(then: Record, now: Record, permits: list[Row], closed: set[tuple[str, str]]) -> dict[Any, Row]:
    """What differs between the figures of closed (shop, month) as reported and as they are."""
    was, is_now = (
        {key: told for key, told in reported(record, permits).items() if key[:2] in closed} for record in (then, now)
    )
    out: dict[Any, Row] = {}
    for key in was.keys() | is_now.keys():
        (a, said), (b, says) = was.get(key, (None, None)), is_now.get(key, (None, None))
        near = a == b or (a is not None and b is not None and abs(a - b) <= 1e-9 * max(abs(a), abs(b), 1e-6))
        if key in was and key in is_now and near and said == says:
            continue
        what = "changed" if key in was and key in is_now else "gone" if key in was else "new"
        out[key] = dict(what=what, was=a, is_now=b, was_said=said, is_said=says)
    return out
