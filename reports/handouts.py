"""Hand-outs: the environmental record of one period for whoever asks for it, as a workbook, as CSV and as a page to print.

Pure and repeatable: frames in, bytes out, and the same frames give the same bytes. Nobody who works in the shops is named
in any of them: training is told by counts. Here belongs what a hand-out says; the figures themselves come from the ledger,
and where files go is the caller's business.
"""

from __future__ import annotations

import calendar
import csv
import hashlib
import io
import json
import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime
from functools import cache
from pathlib import Path
from typing import Any

import polars as pl
from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup, escape

from reports import wording
from reports.missing import missing, span
from schemas import door

#: what `build` reads; a table that is missing reads as an empty one
TABLES = (
    "emissions_monthly",
    "emission_lines",
    "hap_monthly",
    "hap_63_3941",
    "rolling_12_months",
    "permit_headroom",
    "voc_content",
    "compliance_average",
    "compliance_metals",
    "compliance_training",
    "compliance_booths",
    "compliance_guns",
    "compliance_retention",
    "compliance_solvent",
    "stock_reconciliation",
    "mixes",
    "intake_files",
    "refused_rows",
    "shops",
    "products",
    "components",
    "booths",
    "product_categories",
    "deviations",
    "packs",
    "voc_limits",
)

#: the file of a hand-out from which the next one of the same period tells what has changed
RECORD = "record.json"

#: rows that go on one sheet of a workbook; it can hold 1,048,576 with its headings
MOST_ROWS = 1_000_000

#: made on a day of its own, so that the same figures give the same bytes
CREATED = datetime(2000, 1, 1)

_US = {
    "kg": ("lb", 1 / wording.UNITS["mass_kg"].factor),
    "L": ("US gal", 1 / wording.UNITS["volume_l"].factor),
    "g": ("oz", 1 / wording.UNITS["mass_g"].factor),
    "g/L": ("lb/US gal", 1 / wording.UNITS["content_g_per_l"].factor),
    "mL": ("US fl oz", 1 / wording.UNITS["volume_ml"].factor),
}

NOT_COVERED = (
    "Permits, stack tests, registrations, notifications and local rules are not covered.",
    "What counts and by when is for the authority to say; where this differs from a rule, a permit or a data sheet, they win.",
    "Particulate is an upper figure: floor and masking are taken as if they held nothing back.",
)


class PeriodError(ValueError):
    """A period that cannot be read; the message says what to write."""


@dataclass(frozen=True, slots=True)
class Period:
    """Whole calendar months, both ends included, YYYY-MM."""

    label: str
    first: str
    last: str

    def holds(self, column: str = "month") -> pl.Expr:
        return pl.col(column).is_between(pl.lit(self.first), pl.lit(self.last))

    @property
    def months(self) -> list[str]:
        return [_month(n) for n in range(_number(self.first), _number(self.last) + 1)]

    @property
    def days(self) -> tuple[date, date]:
        year, month = int(self.last[:4]), int(self.last[5:])
        return date(int(self.first[:4]), int(self.first[5:]), 1), date(year, month, calendar.monthrange(year, month)[1])


def period(text: str) -> Period:
    """2026-03, 2026-Q1 or 2026. Raises PeriodError."""
    given = text.strip()
    if found := re.fullmatch(r"(\d{4})-(0[1-9]|1[0-2])", given):
        return Period(given, given, given)
    if found := re.fullmatch(r"(\d{4})-[Qq]([1-4])", given):
        year, quarter = int(found[1]), int(found[2])
        return Period(f"{year}-Q{quarter}", f"{year}-{3 * quarter - 2:02d}", f"{year}-{3 * quarter:02d}")
    if re.fullmatch(r"\d{4}", given):
        return Period(given, f"{given}-01", f"{given}-12")
    raise PeriodError(f"{text!r} is no period; write a month (2026-03), a quarter (2026-Q1) or a year (2026).")


def rolling(tables: Mapping[str, pl.DataFrame], to: Period | None = None) -> Period:
    """The twelve calendar months to the end of a period, or to the latest month of the records. Raises PeriodError where
    there is none."""
    last = to.last if to else latest(tables).last
    return Period(f"12-months-to-{last}", _month(_number(last) - 11), last)


def latest(tables: Mapping[str, pl.DataFrame]) -> Period:
    """The latest month of the records. Raises PeriodError where there is none."""
    months = Tables(tables)["emissions_monthly"]["month"].to_list()
    if not months:
        raise PeriodError("There is no month with a record yet: run filmledger on some exports first.")
    return Period(max(months), max(months), max(months))


def _number(month: str) -> int:
    return int(month[:4]) * 12 + int(month[5:]) - 1


def _month(number: int) -> str:
    return f"{number // 12:04d}-{number % 12 + 1:02d}"


class Tables:
    """Tables by name, sorted by key; one that is missing is empty."""

    def __init__(self, given: Mapping[str, pl.DataFrame]) -> None:
        self._given = given

    def __getitem__(self, name: str) -> pl.DataFrame:
        frame = self._given.get(name)
        if frame is None:
            return door.empty(name)
        return frame.sort(door.keys(name), nulls_last=True)


@dataclass(frozen=True, slots=True)
class Head:
    """A column's heading: word and unit."""

    word: str
    unit: str = ""

    def __str__(self) -> str:
        return f"{self.word} [{self.unit}]" if self.unit else self.word


Cell = str | float | int | bool | date | None


@dataclass(slots=True)
class Sheet:
    """One sheet: a title, what to know of it, headings and rows. `printed`: it also stands on the page."""

    key: str
    title: str
    heads: list[Head]
    rows: Sequence[tuple[Cell, ...]]
    notes: list[str] = field(default_factory=list)
    printed: bool = True


@dataclass(slots=True)
class Handout:
    """Everything a hand-out says. `name`: of its folder and files; `facts`: name -> value, by which the next one tells what
    has changed; `csv`: each sheet as a file; `same`: the hand-out before said the same."""

    name: str
    period: Period
    shops: list[str]
    sheets: list[Sheet]
    facts: dict[str, Cell]
    csv: dict[str, bytes]
    same: bool


# --- what it says -------------------------------------------------------------------------------------------------------


def build(
    tables: Mapping[str, pl.DataFrame],
    settings: Mapping[str, Any],
    of: Period,
    *,
    shops: Sequence[str] | None = None,
    before: Callable[[str], bytes | None] = lambda _: None,
) -> Handout:
    """The hand-out of a period, for all shops or those named.

    `settings` flat, as SQL gets them; `before`: gives by a hand-out's name what `record` gave for the last one of it, None
    where there was none. Raises PeriodError where a shop that is named does not exist.
    """
    found = Tables(tables)
    known = sorted({*found["shops"]["shop_id"], *found["emissions_monthly"]["shop_id"]})
    chosen = sorted(set(shops)) if shops else known
    for shop in chosen:
        if shop not in known:
            raise PeriodError(f"There is no shop {shop!r}; known here: {', '.join(known) or 'none'}.")
    view = _View(found, settings, of, chosen)
    sheets = [sheet for sheet in view.sheets() if sheet is not None]
    order = [view.summary(sheets), *sheets, view.sources()]
    as_csv = {sheet.key: csv_of(sheet) for sheet in order}
    facts = view.facts()
    name = of.label if chosen == known else "_".join([of.label, *(_plain_name(shop) for shop in chosen)])
    last = before(name)
    old = json.loads(last) if last else None
    if old is not None:
        changed = _changes(old["facts"], facts)
        order.insert(1, changed)
        as_csv[changed.key] = csv_of(changed)
    made = Handout(name, of, chosen, order, facts, as_csv, False)
    made.same = old is not None and old["content"] == _content(made)
    return made


def _plain_name(text: str) -> str:
    """An id as a part of a file name on any system; ids that differ stay different."""
    flat = re.sub(r"[^A-Za-z0-9-]+", "-", text)[:40]
    return flat if flat == text else f"{flat}-{hashlib.sha256(text.encode()).hexdigest()[:6]}"


def _content(handout: Handout) -> str:
    """A hash of all that a hand-out says but what differs from the one before."""
    total = hashlib.sha256()
    for key in sorted(handout.csv.keys() - {"changes"}):
        total.update(key.encode() + b"\0" + handout.csv[key] + b"\0")
    return total.hexdigest()


class _View:
    """The tables as one hand-out sees them."""

    def __init__(self, tables: Tables, settings: Mapping[str, Any], of: Period, shops: list[str]) -> None:
        self.tables, self.settings, self.of, self.shops = tables, settings, of, shops
        own = dict(tables["shops"].select("shop_id", "jurisdiction").iter_rows())
        self.labels = dict(tables["shops"].select("shop_id", "label").iter_rows())
        self.place = {name: own.get(name) or str(settings.get("jurisdiction", "")) for name in shops}
        packs = {row["jurisdiction"]: row for row in tables["packs"].iter_rows(named=True)}
        self.pack = {name: packs.get(self.place[name]) for name in shops}

    def frame(self, name: str, *, months: bool = True) -> pl.DataFrame:
        """Rows of the chosen shops, in the period where the table has months."""
        frame = self.tables[name].filter(pl.col("shop_id").is_in(self.shops))
        return frame.filter(self.of.holds()) if months and "month" in frame.columns else frame

    def having(self, section: str) -> list[str]:
        """Shops whose pack shows a section."""
        return [name for name in self.shops if (pack := self.pack[name]) and section in pack["sections"].split("|")]

    def of_table(
        self,
        name: str,
        title: str,
        columns: Sequence[str],
        *,
        frame: pl.DataFrame | None = None,
        notes: Sequence[str] = (),
        shops: Sequence[str] | None = None,
        printed: bool = True,
        key: str = "",
    ) -> Sheet | None:
        """A sheet of some columns of a table, each amount with its US customary figure beside it; None without rows."""
        rows = self.frame(name) if frame is None else frame
        if shops is not None:
            rows = rows.filter(pl.col("shop_id").is_in(list(shops)))
        if rows.is_empty():
            return None
        infos = {info.name: info for info in door.columns(name)}
        heads: list[Head] = []
        values: list[list[Cell]] = []
        for column in columns:
            unit = infos[column].unit
            cells = rows[column].to_list()
            heads.append(Head(_word(column, unit), "" if unit == "1" else unit))
            values.append(cells)
            if unit in _US and infos[column].kind == "float":
                other, factor = _US[unit]
                heads.append(Head(_word(column, unit), other))
                values.append([None if cell is None else cell * factor for cell in cells])
        return Sheet(key or name, title, heads, list(zip(*values, strict=True)), list(notes), printed)

    # sheets

    def sheets(self) -> Iterable[Sheet | None]:
        yield self.gaps()
        yield self.totals()
        yield self.of_table(
            "emissions_monthly",
            "Usage and emissions by month and category",
            (
                "shop_id month category rts_l rts_kg voc_kg exempt_kg pm_kg pm_kg_low pm_kg_high complete "
                "share_a share_b share_c"
            ).split(),
            notes=[
                "VOC counts when the material left its cup or was thrown away; kept leftovers when they are shown gone.",
                "complete = no: something was unreadable or has no figure, and the row is a lower bound.",
                "Shares by mass: A weighed; B data sheets, volumes, leftovers nobody weighed; C unreadable or no figure.",
            ],
        )
        last = self.frame("rolling_12_months").filter(pl.col("month") == pl.col("month").max().over("shop_id"))
        yield self.of_measures(last)
        yield self.limits()
        content = self.having("voc_content")
        yield self.content(content)
        yield self.of_table(
            "voc_content",
            "Cups above a limit on VOC content",
            ["shop_id", "mix_id", "month", "jurisdiction", "category", "g_per_l", "basis", "limit_g_per_l", "source"],
            frame=self.frame("voc_content").filter(pl.col("over").fill_null(False)),
            shops=content,
            key="cups_above",
            notes=["Compared in g/L only; lb/US gal for information."],
        )
        judged = [name for name in content if (pack := self.pack[name]) and pack["averaging"] == "monthly_weighted"]
        yield self.of_table(
            "compliance_average",
            "VOC content of the month, weighted by volume",
            ["shop_id", "month", "category", "g_per_l", "limit_g_per_l", "over", "n_cups", "complete", "source"],
            shops=judged,
        )
        hap = self.having("hap")
        yield self.of_table(
            "hap_monthly",
            "Hazardous air pollutants",
            "shop_id month cas substance kg kg_low kg_high kg_63_3941 metal complete grade".split(),
            shops=hap,
            notes=[
                "kg counts all, at the upper end of a stated range. Metals: the compound in the material used, not in the air."
            ],
        )
        yield self.of_table(
            "hap_63_3941",
            "Organic HAP by 40 CFR 63.3941",
            ["shop_id", "month", "kg"],
            shops=hap,
            notes=["Each material's counted fractions summed and cut off to 3 decimals; waste not taken off."],
        )
        yield self.metals()
        yield from self.shop_rules()
        yield from self.europe()
        first, end = self.of.days
        stock = self.frame("stock_reconciliation").filter(pl.col("from_on") <= end, pl.col("to_on") >= first)
        yield self.of_table(
            "stock_reconciliation",
            "The store against the scale",
            (
                "shop_id component_id from_on to_on opening_g delivered_g out_g closing_g recorded_use_g "
                "unexplained_g low high hint"
            ).split(),
            frame=stock,
            notes=["Counts whose span touches the period. low and high: 95 %, from the scales alone."],
        )
        yield self.of_table(
            "emission_lines",
            "What every figure was added from",
            (
                "shop_id line month category kind source on_date mix_id job_id operation_no number "
                "document_line component_id mass_g rts_l rts_kg voc_kg exempt_kg pm_kg complete grade note"
            ).split(),
            printed=False,
        )

    def of_measures(self, frame: pl.DataFrame) -> Sheet | None:
        """Twelve-month and yearly sums: the unit follows the measure."""
        rows: list[tuple[Cell, ...]] = []
        for row in frame.iter_rows(named=True):
            unit = "L" if row["measure"].startswith("rts_l") else "kg"
            rows.append(
                (
                    row["shop_id"],
                    row["month"],
                    row["measure"],
                    unit,
                    row["total"],
                    row["year_to_date"],
                    row["limit"],
                    _US[unit][0],
                    _times(row["total"], unit),
                    _times(row["year_to_date"], unit),
                    _times(row["limit"], unit),
                    row["months_present"],
                    row["share_of_limit"],
                    row["complete"],
                )
            )
        if not rows:
            return None
        heads = [
            "shop",
            "month",
            "measure",
            "unit",
            "last 12 months",
            "since 1 January",
            "limit over 12 months",
            "US unit",
            "last 12 months, US",
            "since 1 January, US",
            "limit over 12 months, US",
            "months present",
            "share of limit",
            "complete",
        ]
        return Sheet("rolling_12_months", "Sums of twelve months and of the year", [Head(h) for h in heads], rows)

    def limits(self) -> Sheet | None:
        rows: list[tuple[Cell, ...]] = []
        for row in self.frame("permit_headroom", months=False).iter_rows(named=True):
            unit = "L" if row["measure"].startswith("rts_l") else "kg"
            rows.append(
                (
                    row["shop_id"],
                    row["measure"],
                    row["period"].replace("_", " "),
                    row["month"],
                    unit,
                    row["total"],
                    row["limit"],
                    row["headroom"],
                    row["share_of_limit"],
                    row["pace_per_month"],
                    "now" if row["already"] else row["crossed_in"],
                    row["limit_stated"],
                    row["unit"],
                    row["unit_fits"],
                    row["complete"],
                    row["source"],
                )
            )
        heads = [
            "shop",
            "measure",
            "period",
            "up to month",
            "unit",
            "total",
            "limit",
            "head-room",
            "share of limit",
            "pace a month",
            "crossed at this pace",
            "limit as stated",
            "unit as stated",
            "unit fits",
            "complete",
            "source",
        ]
        notes = [
            "Pace: the mean of the last three months. As of each shop's last month, whatever the period of this hand-out."
        ]
        return Sheet("permit_limits", "Limits of the permits", [Head(h) for h in heads], rows, notes) if rows else None

    def content(self, shops: list[str]) -> Sheet | None:
        frame = self.frame("voc_content").filter(pl.col("shop_id").is_in(shops))
        if frame.is_empty():
            return None
        grouped = (
            frame.group_by("shop_id", "jurisdiction", "category", "basis", "limit_g_per_l", "source")
            .agg(
                cups=pl.len(),
                known=pl.col("g_per_l").count(),
                highest=pl.col("g_per_l").max(),
                over=pl.col("over").fill_null(False).sum(),
            )
            .sort("shop_id", "category", "limit_g_per_l", nulls_last=True)
        )
        rows = [
            (
                r["shop_id"],
                r["jurisdiction"],
                r["category"] or "no category known",
                r["basis"],
                r["cups"],
                r["cups"] - r["known"],
                r["over"],
                r["highest"],
                _times(r["highest"], "g/L"),
                r["limit_g_per_l"],
                _times(r["limit_g_per_l"], "g/L"),
                r["source"],
            )
            for r in grouped.iter_rows(named=True)
        ]
        heads = [
            Head("shop"),
            Head("jurisdiction"),
            Head("category"),
            Head("basis"),
            Head("cups"),
            Head("without a figure"),
            Head("above the limit"),
            Head("highest", "g/L"),
            Head("highest", "lb/US gal"),
            Head("limit", "g/L"),
            Head("limit", "lb/US gal"),
            Head("source"),
        ]
        return Sheet(
            "voc_content", "VOC content by category", heads, rows, ["Compared in g/L only; lb/US gal for information."]
        )

    def totals(self) -> Sheet | None:
        frame = self.frame("emissions_monthly")
        if frame.is_empty():
            return None
        names = ["rts_l", "rts_kg", "voc_kg", "exempt_kg", "pm_kg"]
        grouped = frame.group_by("shop_id", "category").agg(
            *[pl.when(pl.col(n).count() > 0).then(pl.col(n).sum()).alias(n) for n in names],
            complete=pl.col("complete").all(),
        )
        return self.of_table(
            "emissions_monthly",
            "Usage and emissions of the period by category",
            ["shop_id", "category", *names, "complete"],
            frame=grouped.sort("shop_id", "category"),
            key="by_category",
        )

    def metals(self) -> Sheet | None:
        frame = self.frame("compliance_metals").filter(pl.col("shop_id").is_in(self.having("target_metals")))
        if frame.is_empty():
            return None
        grouped = (
            frame.group_by("shop_id", "product_id", "cas", "metal", "form", "substance", "threshold_mass_fraction")
            .agg(
                cups=pl.len(),
                highest=pl.col("mass_fraction_high").max(),
                above=(pl.col("verdict") == "above").sum(),
                review=(pl.col("verdict") == "review").sum(),
            )
            .sort("shop_id", "product_id", "cas", "metal")
        )
        heads = [
            "shop",
            "product",
            "CAS number",
            "metal",
            "form",
            "compound",
            "threshold by mass",
            "cups",
            "highest by mass",
            "cups above",
            "cups to review",
        ]
        return Sheet(
            "target_metals",
            "Target metals of 40 CFR 63 subpart HHHHHH",
            [Head(h) for h in heads],
            grouped.rows(),
            ["Exactly at the threshold, or with a stated range that holds it: review."],
        )

    def training(self, shops: list[str]) -> Sheet | None:
        """Counts only: nobody is named."""
        frame = self.frame("compliance_training").filter(pl.col("shop_id").is_in(shops), pl.col("status") != "left")
        if frame.is_empty():
            return None
        grouped = (
            frame.group_by("shop_id", "label", "as_of", "source")
            .agg(
                people=pl.len(),
                **{s: (pl.col("status") == s).sum() for s in ("trained", "due", "overdue", "expired", "missing")},
                lacking=pl.col("missing").count(),
                next_end=pl.col("valid_until").filter(pl.col("status") == "trained").min(),
            )
            .sort("shop_id", "label")
        )
        columns = [
            "shop_id",
            "label",
            "as_of",
            "people",
            "trained",
            "due",
            "overdue",
            "expired",
            "missing",
            "lacking",
            "next_end",
            "source",
        ]
        heads = [
            "shop",
            "training",
            "on",
            "people",
            "trained",
            "not yet due",
            "overdue",
            "expired",
            "cannot be told",
            "people with evidence missing",
            "next one ends on",
            "source",
        ]
        return Sheet(
            "training",
            "Training",
            [Head(h) for h in heads],
            grouped.select(columns).rows(),
            ["Nobody is named here: names and certificates stand in the table compliance_training of the workspace."],
        )

    def shop_rules(self) -> Iterable[Sheet | None]:
        shops = self.having("shop_rules")
        yield self.training(shops)
        yield self.of_table(
            "compliance_booths",
            "Booths and filters",
            (
                "shop_id booth_id from_on until_on filter_capture filter_capture_needed evidence_ref status "
                "missing source"
            ).split(),
            shops=shops,
            notes=["Nothing is assumed: what is not in the registers is missing."],
        )
        yield self.of_table(
            "compliance_guns",
            "Guns and cups",
            "shop_id gun_id atomising qualifies why cup_ml cup n_refilled in_service_on retired_on".split(),
            shops=shops,
        )
        yield self.deviations(self.shops)
        yield self.of_table(
            "compliance_retention",
            "How long records must be kept",
            ["shop_id", "record", "years", "keep_since", "n_rules", "note", "source"],
            notes=["The longest rule wins."],
        )

    def deviations(self, shops: list[str]) -> Sheet | None:
        first, end = self.of.days
        frame = self.frame("deviations").filter(
            pl.col("shop_id").is_in(shops), pl.col("from_on") <= end, pl.col("to_on").fill_null(end) >= first
        )
        return self.of_table(
            "deviations",
            "Deviations",
            ["shop_id", "deviation_no", "from_on", "to_on", "rule", "nature", "action"],
            frame=frame,
        )

    def europe(self) -> Iterable[Sheet | None]:
        years = {int(m[:4]) for m in self.of.months}
        balance = self.frame("compliance_solvent").filter(pl.col("year").is_in(sorted(years)))
        yield self.of_table(
            "compliance_solvent",
            "Organic solvent of the year: consumption and balance",
            (
                "shop_id year pours_kg cleaning_issued_kg unscaled_kg input_kg came_back_kg consumed_kg "
                "emitted_kg kept_change_kg waste_kg emitted_less_waste_kg complete"
            ).split(),
            frame=balance,
            shops=self.having("solvent_balance"),
            notes=[
                "Whole calendar years as far as the records reach. Input = emitted + came back + more kept in cups."
            ],
        )
        sheet = self.training(self.having("diisocyanate_training"))
        if sheet:
            sheet.key, sheet.title = "diisocyanates", "Diisocyanate training"
            sheet.notes.append("Regulation (EU) 2020/1149: verify before use.")
        yield sheet

    # what is missing

    def gaps(self) -> Sheet:
        """Each thing that is missing on a line of its own."""
        setting = str(self.settings.get("jurisdiction", ""))
        lines = missing(self.tables.__getitem__, setting, self.shops, self.of.months, self.of.label)
        if not lines:
            lines.append(("", self.of.label, "Nothing is missing that the program can tell."))
        return Sheet("missing", "What is missing", [Head("shop"), Head("month"), Head("what")], lines)

    # first and last sheet

    def summary(self, sheets: list[Sheet]) -> Sheet:
        frame = self.frame("emissions_monthly")
        files, refused = self.tables["intake_files"], self.tables["refused_rows"]
        rows: list[tuple[Cell, ...]] = [
            ("Period", f"{self.of.label}: {self.of.first} to {self.of.last}", None, "", None, ""),
            ("Refused rows in all files", refused.height, None, "", None, ""),
            ("Refused files", files.filter(pl.col("state") == "refused").height, None, "", None, ""),
        ]
        for name in self.shops:
            own = frame.filter(pl.col("shop_id") == name)
            first, last = span(self.tables.__getitem__, name)
            label = f"{name} ({self.labels[name]})" if self.labels.get(name) else name
            pack = self.pack[name]
            rows.append((f"Shop {label}", pack["label"] if pack else self.place[name], None, "", None, ""))
            rows.append(("  Records", f"{first} to {last}" if first else "none", None, "", None, ""))
            if own.is_empty():
                rows.append(("  This period", "no record", None, "", None, ""))
                continue
            of_months = own.group_by("month").agg(pl.col("n_refused").max())["n_refused"]
            rows.append(("  Rows refused in these months", int(of_months.sum()), None, "", None, ""))
            rows.append(("  Evidence by mass poured", _evidence(own), None, "", None, ""))
            lost = float(own["not_split_solids_kg"].sum())
            for column, word in (
                ("rts_l", "Poured, ready to spray"),
                ("rts_kg", "Poured, ready to spray"),
                ("voc_kg", "VOC, documented waste taken off"),
                ("exempt_kg", "Exempt compounds"),
                ("pm_kg", "Particulate, upper figure"),
            ):
                unit = "L" if column == "rts_l" else "kg"
                total = float(own[column].sum()) if own[column].count() else None
                rows.append(
                    (
                        f"  {word}",
                        _bound(total, own["complete"], lost if column == "pm_kg" else 0.0),
                        total,
                        unit,
                        _times(total, unit),
                        _US[unit][0],
                    )
                )
            if name in self.having("hap"):
                hap = self.frame("hap_monthly").filter(pl.col("shop_id") == name, ~pl.col("metal"))
                total = float(hap["kg"].sum()) if own["n_lines"].sum() else None
                said = _bound(total, own["complete"], 0.0)
                rows.append(("  Organic hazardous air pollutants", said, total, "kg", _times(total, "kg"), "lb"))
        rows += [("", "", None, "", None, "")]
        rows += [("Prepared by", "", None, "", None, ""), ("Reviewed by", "", None, "", None, "")]
        heads = [Head("what"), Head("remark"), Head("figure"), Head("unit"), Head("figure, US"), Head("US unit")]
        names = ", ".join(sheet.title for sheet in sheets)
        return Sheet(
            "summary", f"Environmental record {self.of.label}", heads, rows, [f"Sheets: {names}.", *NOT_COVERED]
        )

    def sources(self) -> Sheet:
        rows: list[tuple[Cell, ...]] = []
        for place in sorted({p for p in self.place.values() if p}):
            pack = next((row for row in self.pack.values() if row and row["jurisdiction"] == place), None)
            if pack:
                rows.append(("jurisdiction", pack["label"], pack["note"], pack["source"], _READ[pack["read"]]))
        used = self.frame("voc_content").select("jurisdiction", "category").unique()
        limits = (
            self.tables["voc_limits"]
            .join(used, on=["jurisdiction", "category"], how="semi")
            .sort("jurisdiction", "category")
        )
        for row in limits.iter_rows(named=True):
            said = f"{row['label']}: {row['limit_g_per_l']:g} g/L"
            rows.append(("limit", f"{row['jurisdiction']} {row['category']}", said, row["source"], _READ[row["read"]]))
        for key in ("water_density_g_per_ml", "flush_loss_g", "kept_unseen_days", "volume_rel_u", "scale_rel_u"):
            if key in self.settings:
                rows.append(("setting", key, f"{self.settings[key]}", "filmledger.toml", ""))
        for said, source in _ASSUMPTIONS:
            rows.append(("assumption", "", said, source, ""))
        for unit, (other, factor) in _US.items():
            rows.append(
                (
                    "conversion",
                    f"1 {unit}",
                    f"{factor:.9g} {other}",
                    "exact by definition of the international pound and the US gallon",
                    "",
                )
            )
        heads = [Head("kind"), Head("of"), Head("what"), Head("source"), Head("read by us")]
        return Sheet("sources", "Sources and assumptions", heads, rows)

    # what the next hand-out compares itself with

    def facts(self) -> dict[str, Cell]:
        out: dict[str, Cell] = {}
        for row in self.frame("emissions_monthly").iter_rows(named=True):
            for name in ("rts_l", "voc_kg", "exempt_kg", "pm_kg", "complete"):
                out[" | ".join(("emissions_monthly", row["shop_id"], row["month"], row["category"], name))] = row[name]
        for row in self.frame("hap_monthly").iter_rows(named=True):
            out[" | ".join(("hap_monthly", row["shop_id"], row["month"], row["cas"], "kg"))] = row["kg"]
        judged = {
            "permit_headroom": ["limit_stated", "unit"],
            "compliance_guns": ["qualifies", "cup", "retired_on"],
            "compliance_booths": ["status", "filter_capture"],
            "deviations": ["nature", "action"],
        }
        for name, columns in judged.items():
            for row in self.frame(name, months=False).iter_rows(named=True):
                who = " | ".join((name, *(str(row[key]) for key in door.keys(name))))
                out |= {f"{who} | {column}": row[column] for column in columns}
        counts = self.frame("compliance_training").group_by("shop_id", "label", "status").len()
        out |= {f"training | {shop} | {label} | {status}": n for shop, label, status, n in counts.iter_rows()}
        registers = {
            "booths": ["filter_capture", "evidence_ref"],
            "components": ["density_g_per_ml", "voc_mass_fraction", "water_mass_fraction", "exempt_mass_fraction"],
            "shops": ["jurisdiction"],
            "product_categories": [],
        }
        end = self.of.days[1]
        for name, columns in registers.items():
            keys = door.keys(name)
            for row in self.tables[name].iter_rows(named=True):
                if row.get("valid_from") and row["valid_from"] > end:
                    continue
                who = " | ".join((name, *(str(row[key]) if row[key] is not None else "from ever" for key in keys)))
                for column in columns:
                    out[f"{who} | {column}"] = row[column]
                if not columns:
                    out[who] = True
        return out


_READ = {"yes": "yes", "secondary": "in a secondary account", "memory": "no, from memory: verify before use"}
_ASSUMPTIONS = (
    ("Volumes are taken as additive.", "stated in the method"),
    (
        "A leftover that was not weighed back counts as emitted; one weighed back and not marked as kept counts as thrown away.",
        "stated in the method",
    ),
    (
        "Flush losses are taken off recovered cleaning solvent: their VOC was counted with the cup.",
        "stated in the method",
    ),
    ("Waste earns a credit once, in the month shipped, with a document and an analysis.", "40 CFR 63.3951(e)"),
    ("Where no booth or no filter capture is known, nothing is taken as held back.", "stated in the method"),
)


def _word(column: str, unit: str) -> str:
    tail = {"g/L": "_g_per_l", "kg": "_kg", "g": "_g", "L": "_l", "mL": "_ml"}.get(unit, "")
    word = column.removesuffix(tail).removesuffix("_id") if tail else column.removesuffix("_id")
    said = {
        "rts": "ready to spray",
        "kg": "all",
        "kg_low": "lower end",
        "kg_high": "upper end",
        "kg_63_3941": "by 40 CFR 63.3941",
        "pm": "particulate",
        "pm_kg_low": "particulate, lower end",
        "pm_kg_high": "particulate, upper end",
        "voc": "VOC",
        "g_per": "VOC content",
        "g_per_l": "VOC content",
    }
    return said.get(word, word.replace("_", " "))


def _evidence(frame: pl.DataFrame) -> str:
    """ "A 71 %, B 29 %, C 0 %": shares of the mass poured, by grade; categories without any weigh nothing."""
    weight = pl.col("rts_kg").fill_null(0.0)
    shares = frame.select((pl.col(f"share_{g}").fill_null(0.0) * weight).sum().alias(g.upper()) for g in "abc")
    whole = sum(shares.row(0))
    told = ", ".join(
        f"{name} {100 * value / whole:.0f} %" for name, value in shares.row(0, named=True).items() if whole
    )
    return told or "not known"


def _bound(total: float | None, complete: pl.Series, lost_kg: float) -> str:
    """The remark beside a sum: that it is not known, or what makes it a lower bound, if anything does."""
    if total is None:
        return "not known"
    why = [] if complete.all() else ["a lower bound"]
    if lost_kg > 1e-9:
        why.append(f"without {wording.plain(lost_kg, wording.digits(lost_kg))} kg of solids whose way is not known")
    return "; ".join(why)


def _times(value: float | None, unit: str) -> float | None:
    return None if value is None else value * _US[unit][1]


# --- what differs from the last one ---------------------------------------------------------------------------------------


def record(handout: Handout) -> bytes:
    """What the next hand-out of the same name needs to tell what has changed."""
    facts = {key: value.isoformat() if isinstance(value, date) else value for key, value in handout.facts.items()}
    said = {"period": handout.period.label, "shops": handout.shops, "content": _content(handout), "facts": facts}
    return json.dumps(said, sort_keys=True, indent=0).encode()


def _changes(old: Mapping[str, Cell], now: Mapping[str, Cell]) -> Sheet:
    rows: list[tuple[Cell, ...]] = []
    for key in sorted(old.keys() | now.keys()):
        was, is_now = old.get(key), now.get(key)
        if isinstance(is_now, date):
            is_now = is_now.isoformat()
        same = was == is_now
        if isinstance(was, float | int) and isinstance(is_now, float | int) and not isinstance(was, bool):
            same = abs(was - is_now) <= 1e-9 * max(abs(was), abs(is_now))
        if not same or (key in old) != (key in now):
            what = "changed" if key in old and key in now else "new" if key in now else "gone"
            rows.append((key, what, was, is_now))
    if not rows:
        rows.append(("nothing", "", None, None))
    heads = [Head("figure or register row"), Head("what"), Head("before"), Head("now")]
    return Sheet("changes", "What differs from the last hand-out of this period", heads, rows)


# --- how it looks -------------------------------------------------------------------------------------------------------


def defused(text: str) -> str:
    """A text that a spreadsheet would take for a formula gets an apostrophe in front."""
    return f"'{text}" if text[:1] in ("=", "+", "-", "@", "\t", "\r") else text


def files(handout: Handout) -> dict[str, bytes]:
    """All files of a hand-out by path in its folder: workbook, CSV of each sheet, page to print, record for the next one."""
    return {
        f"environmental_record_{handout.name}.xlsx": xlsx(handout),
        f"environmental_record_{handout.name}.html": page(handout),
        RECORD: record(handout),
        **{f"csv/{key}.csv": content for key, content in handout.csv.items()},
    }


def csv_of(sheet: Sheet) -> bytes:
    """One sheet as UTF-8 CSV with a byte order mark; yes and no in words, nothing for what is not known."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow([defused(str(head)) for head in sheet.heads])
    for row in sheet.rows:
        writer.writerow([_plain(cell) for cell in row])
    return out.getvalue().encode("utf-8-sig")


def _plain(cell: Cell) -> str | float | int:
    if cell is None:
        return ""
    if isinstance(cell, bool):
        return "yes" if cell else "no"
    if isinstance(cell, date):
        return cell.isoformat()
    return defused(cell) if isinstance(cell, str) else cell


def xlsx(handout: Handout) -> bytes:
    """The workbook: one sheet each, headings repeated on every printed page. The same hand-out gives the same bytes."""
    import xlsxwriter

    out = io.BytesIO()
    never = {"strings_to_formulas": False, "strings_to_urls": False, "strings_to_numbers": False}
    with xlsxwriter.Workbook(
        out, {"in_memory": True, "default_date_format": "yyyy-mm-dd", "nan_inf_to_errors": False, **never}
    ) as book:
        book.set_properties({"title": f"Environmental record {handout.period.label}", "created": CREATED})
        title = book.add_format({"bold": True, "font_size": 14})
        note = book.add_format({"italic": True})
        head = book.add_format({"bold": True, "text_wrap": True, "valign": "top", "bottom": 1})
        number = book.add_format({"num_format": "#,##0.######"})
        line = book.add_format({"bottom": 1})
        for sheet in handout.sheets:
            page_ = book.add_worksheet(sheet.key[:31])
            page_.write_string(0, 0, defused(sheet.title), title)
            for n, said in enumerate(sheet.notes, start=1):
                page_.write_string(n, 0, defused(said), note)
            top = len(sheet.notes) + 2
            for column, one in enumerate(sheet.heads):
                page_.write_string(top, column, defused(str(one)), head)
            if len(sheet.rows) > MOST_ROWS:
                said = f"{len(sheet.rows):,} rows are more than a sheet can hold: they are in csv/{sheet.key}.csv."
                page_.write_string(top + 1, 0, said)
                continue
            for r, row in enumerate(sheet.rows, start=top + 1):
                for column, cell in enumerate(row):
                    if isinstance(cell, bool):
                        page_.write_string(r, column, "yes" if cell else "no")
                    elif isinstance(cell, int | float):
                        page_.write_number(r, column, cell, number)
                    elif isinstance(cell, date):
                        page_.write_string(r, column, cell.isoformat())
                    elif cell:
                        page_.write_string(r, column, defused(cell))
                if row and row[0] in ("Prepared by", "Reviewed by"):
                    page_.write_blank(r, 1, None, line)
            for column, one in enumerate(sheet.heads):
                longest = max(
                    (len(str(_plain(row[column]))) for row in sheet.rows[:200] if not isinstance(row[column], float)),
                    default=0,
                )
                page_.set_column(column, column, min(60, max(11, len(str(one)) * 0.7, longest + 1)))
            page_.freeze_panes(top + 1, 0)
            page_.repeat_rows(top)
            page_.set_landscape()
            page_.fit_to_pages(1, 0)
            page_.set_footer(f"&Lfilmledger, {handout.period.label}&RPage &P of &N")
    return out.getvalue()


def _breakable(text: str) -> Markup:
    """A line may break after each underscore of a name."""
    return Markup("_<wbr>").join(escape(part) for part in text.split("_"))


@cache
def _template() -> Any:
    loader = FileSystemLoader(Path(__file__).parent / "templates")
    found = Environment(loader=loader, autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True)
    found.filters["breakable"] = _breakable
    return found.get_template("handout.html")


def page(handout: Handout) -> bytes:
    """The page to print, A4 or Letter; it opens from disk and asks nothing of a network. Lists of single lines stay out."""
    sheets = [
        {
            "title": sheet.title,
            "notes": sheet.notes,
            "heads": [str(head) for head in sheet.heads],
            "rows": [
                [(_shown(cell), isinstance(cell, int | float) and not isinstance(cell, bool)) for cell in row]
                for row in sheet.rows
            ],
            "key": sheet.key,
        }
        for sheet in handout.sheets
        if sheet.printed
    ]
    return _template().render(period=handout.period, shops=handout.shops, sheets=sheets).encode()


def _shown(cell: Cell) -> str:
    if isinstance(cell, float):
        return wording.plain(cell, wording.digits(cell))
    return str(_plain(cell)) if not isinstance(cell, str) else cell
