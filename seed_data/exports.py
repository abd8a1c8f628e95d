"""The invented business as its shops would export it: three shapes of our own, with overlaps, corrections and damage.

What belongs here: turning the canonical tables of a scenario into the files of an inbox that the layouts in
seed_data/demo/layouts read back. What does not: what happened (scenario.py).

- tarnwick: commas, US units, a running total on the scale, one file a month and table, each reaching six days into the
  month before; a few cups were mistyped and are right in the next export.
- ostenried: semicolons, decimal comma, Windows-1252, gross weights; one file a month, and readings handed in later.
- vellmoor: a wide job log and its cups, tab-separated and weekly; jobs that are still open stand in two files.
- what comes rarely (stock, cleaning, checks) is in plain tables of the contract, for all shops together.
- further shops, where a scenario has them, export plain tables.

A few rows are damaged, on purpose and on record: `DemoFiles.damaged` names file, line and what was done.
"""

from __future__ import annotations

import datetime as dt
import gzip
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from importlib import resources
from itertools import pairwise
from pathlib import Path

import numpy as np
import polars as pl

from pipelines.units import factor
from seed_data import business as biz
from seed_data.scenario import EVENT_TABLES, Scenario

LAYOUTS = resources.files("seed_data") / "demo" / "layouts"
OZ_G = factor("oz", "g")
FT2_M2 = factor("ft2", "m2")
MIL_UM = factor("mil", "um")
PSI_KPA = factor("psi", "kPa")
RARE = ("target_weighings", "cleaning", "unscaled_use", "stock", "gauge_checks", "scale_checks", "deviations")
DAILY = ("pours", "leftovers", "jobs", "operations", "operation_panels", "draws", "readings")


@dataclass
class DemoFiles:
    """What write_demo wrote.

    files: paths below the workspace. damaged: file, line (physical, 1-based), table, what, and the ids of the parent
    that the row belongs to as far as it has them (shop_id, mix_id, job_id, operation_no, panel_id). corrected: shop_id,
    mix_id of cups whose earlier export was wrong.
    """

    files: list[str]
    damaged: pl.DataFrame
    corrected: pl.DataFrame


@dataclass
class _File:
    """One export before it is written: all cells are text, null = empty cell."""

    path: str
    frame: pl.DataFrame
    delimiter: str = ","
    encoding: str = "utf-8"
    above: tuple[str, ...] = ()
    packed: bool = False

    def line(self, row: int) -> int:
        """The physical line of a row of the frame."""
        return row + 2 + len(self.above)

    def content(self) -> bytes:
        body = self.frame.write_csv(separator=self.delimiter, null_value="", line_terminator="\n")
        data = ("".join(x + "\n" for x in self.above) + body).encode(self.encoding)
        return gzip.compress(data, mtime=0) if self.packed else data


_DAMAGE_SCHEMA = {
    "file": pl.String,
    "line": pl.Int64,
    "table": pl.String,
    "what": pl.String,
    "shop_id": pl.String,
    "mix_id": pl.String,
    "job_id": pl.String,
    "operation_no": pl.Int64,
    "panel_id": pl.String,
}


@dataclass
class _Book:
    """The files being made, and the damage done to them."""

    files: dict[str, _File] = field(default_factory=dict)
    damaged: list[dict[str, object]] = field(default_factory=list)

    def add(self, file: _File) -> None:
        if file.frame.height:
            self.files[file.path] = file

    def spoil(self, path: str, row: int, table: str, what: str, ids: dict[str, object], **cells: str | None) -> None:
        """Put other text into cells of one row, and write down that it was done."""
        file = self.files[path]
        for column, value in cells.items():
            text = file.frame[column].to_list()
            text[row] = value
            file.frame = file.frame.with_columns(pl.Series(column, text, dtype=pl.String))
        self.note(path, row, table, what, ids)

    def note(self, path: str, row: int, table: str, what: str, ids: dict[str, object]) -> None:
        self.damaged.append(
            {
                **dict.fromkeys(_DAMAGE_SCHEMA),
                "file": path,
                "line": self.files[path].line(row),
                "table": table,
                "what": what,
                **ids,
            }
        )

    def append(self, path: str, table: str, what: str, ids: dict[str, object], like: int, **cells: str | None) -> None:
        """Add a row like another but for some cells, and write it down as damage."""
        file = self.files[path]
        extra = file.frame[like].with_columns(pl.lit(v, pl.String).alias(k) for k, v in cells.items())
        file.frame = pl.concat([file.frame, extra.select(file.frame.columns)])
        self.note(path, file.frame.height - 1, table, what, ids)


# ---------------------------------------------------------------------------------------------------------- text cells
def _number(column: str, decimals: int, per: float = 1.0, marks: str = ".") -> Callable[[pl.DataFrame], pl.Series]:
    """Text of column / per with fixed decimals; marks: '.', ',' or ',.' (decimal comma, dot for thousands)."""

    def made(frame: pl.DataFrame) -> pl.Series:
        out: list[str | None] = []
        for value in (frame[column] / per).to_list():
            if value is None:
                out.append(None)
                continue
            text = f"{value:,.{decimals}f}" if "." in marks[1:] else f"{value:.{decimals}f}"
            if marks[0] == ",":
                text = text.translate({ord(","): ".", ord("."): ","})
            out.append(text)
        return pl.Series(out, dtype=pl.String)

    return made


def _when(column: str, form: str) -> pl.Expr:
    return pl.col(column).dt.strftime(form)


def _text(column: str) -> pl.Expr:
    return pl.col(column).cast(pl.String)


def _renamed(column: str, names: dict[str, str]) -> pl.Expr:
    return pl.col(column).replace_strict(names, return_dtype=pl.String)


_Cells = dict[str, pl.Expr | Callable[[pl.DataFrame], pl.Series] | str | None]


def _frame(source: pl.DataFrame, cells: _Cells) -> pl.DataFrame:
    """A frame of text: each cell an expression over `source`, a function of it, a constant, or None (empty)."""
    out = []
    for name, cell in cells.items():
        if callable(cell) and not isinstance(cell, pl.Expr):
            series = cell(source)
        elif isinstance(cell, pl.Expr):
            series = source.select(cell.alias("x"))["x"]
        else:
            series = pl.Series([cell] * source.height, dtype=pl.String)
        out.append(series.cast(pl.String).alias(name))
    return pl.DataFrame(out)


@dataclass
class _Shop:
    """The daily tables of one shop, each with `_unit`: the moment that decides which export a row goes into."""

    tables: dict[str, pl.DataFrame]

    @staticmethod
    def of(s: Scenario, shop_id: str) -> _Shop:
        t = {name: s.canonical[name].filter(pl.col("shop_id") == shop_id) for name in DAILY}
        first_pour = t["pours"].group_by("mix_id").agg(pl.col("poured_at").min().alias("_unit"))
        opened = t["operations"].group_by("job_id").agg(pl.col("started_at").min().alias("_unit"))
        t["pours"] = t["pours"].join(first_pour, on="mix_id", how="left", maintain_order="left")
        t["leftovers"] = t["leftovers"].with_columns(pl.col("weighed_at").alias("_unit"))
        for name in ("jobs", "operations", "operation_panels", "draws", "readings"):
            t[name] = t[name].join(opened, on="job_id", how="left", maintain_order="left")
        return _Shop(t)

    def between(self, name: str, since: dt.datetime, until: dt.datetime) -> pl.DataFrame:
        frame = self.tables[name]
        return frame.filter((pl.col("_unit") >= since) & (pl.col("_unit") < until))


def _months(s: Scenario) -> list[tuple[dt.datetime, dt.datetime]]:
    """First and following first of each month, one more than drawn: the last day's work may end in it."""
    first = [biz.add_months(s.parameters.start, m) for m in range(s.parameters.months + 2)]
    days = [dt.datetime.combine(d, dt.time()) for d in first]
    return list(pairwise(days))


# --------------------------------------------------------------------------------------------------- shape a: tarnwick
def _tarnwick(s: Scenario, book: _Book, rng: np.random.Generator) -> pl.DataFrame:
    shop = _Shop.of(s, "tarnwick")
    labels = dict(s.registers["products"].select("product_id", "label").iter_rows())
    vehicles = {"small_car": "Small car", "large_car": "Large car", "van": "Van"}
    corrected: list[str] = []
    us_date, clock = "%m/%d/%Y", "%I:%M %p"
    for n, (month, following) in enumerate(_months(s)):
        since = month - dt.timedelta(days=6) if n else month
        stamp = f"{following + dt.timedelta(days=2):%Y%m%d}"
        folder = "inbox/tarnwick"

        pours = shop.between("pours", since, following).sort("_unit", "mix_id", "pour_no")
        late = pours.filter(pl.col("_unit") >= following - dt.timedelta(days=6))
        if n < s.parameters.months - 1 and late.height:
            # a first weight read wrong: it stands right in the next export
            cups = late.filter(pl.col("from_mix_id").is_null())["mix_id"].unique().sort()
            wrong = cups.gather(sorted(rng.choice(len(cups), size=min(2, len(cups)), replace=False).tolist()))
            corrected += wrong.to_list()
            pours = pours.with_columns(
                pl.when(pl.col("mix_id").is_in(wrong.implode()) & (pl.col("pour_no") == 1))
                .then((pl.col("weighed_g") * 1.1).round(1))
                .otherwise("weighed_g")
                .alias("weighed_g")
            )
        pours = pours.with_columns(pl.col("weighed_g").cum_sum().over("mix_id").alias("_total"))
        poured = _frame(
            pours,
            {
                "Record": "POUR", "Cup": pl.col("mix_id"), "Step": _text("pour_no"),
                "Date": _when("poured_at", us_date), "Time": _when("poured_at", clock),
                "Product": _renamed("product_id", labels),
                "Material": pl.col("component_id"), "From cup": pl.col("from_mix_id"),
                "On scale, oz": _number("_total", 4, OZ_G), "Asked, oz": _number("target_g", 4, OZ_G),
                "Badge": pl.col("technician_id").str.strip_prefix("t"), "Bench": pl.col("scale_id"),
                "Colour": pl.col("colour_id"),
                "How": _renamed("measured_by", {"scale": "by weight", "ready": "as bought", "volume": "by volume"}),
                "Remark": pl.lit("for ") + pl.col("job_id"),
            },
        )  # fmt: skip
        back = shop.between("leftovers", since, following).sort("weighed_at", "mix_id", "weigh_no")
        weighed = _frame(
            back,
            {
                "Record": "BACK",
                "Cup": pl.col("mix_id"),
                "Step": _text("weigh_no"),
                "Date": _when("weighed_at", us_date),
                "Time": _when("weighed_at", clock),
                "Product": None,
                "Material": None,
                "From cup": None,
                "On scale, oz": _number("leftover_g", 4, OZ_G),
                "Asked, oz": None,
                "Badge": None,
                "Bench": None,
                "Colour": None,
                "How": None,
                "Remark": _renamed("fate", {"kept": "kept", "discarded": "thrown away"}),
            },
        )
        book.add(_File(f"{folder}/mixing_{stamp}.csv", pl.concat([poured, weighed])))
        jobs = shop.between("jobs", since, following)
        book.add(
            _File(
                f"{folder}/jobs_{stamp}.csv",
                _frame(
                    jobs,
                    {
                        "Job": pl.col("job_id"),
                        "Vehicle": _renamed("vehicle_class", vehicles),
                        "In": _when("opened_on", us_date),
                        "Out": _when("closed_on", us_date),
                    },
                ),
            )
        )
        steps = shop.between("operations", since, following)
        book.add(
            _File(
                f"{folder}/steps_{stamp}.csv",
                _frame(
                    steps,
                    {
                        "Job": pl.col("job_id"),
                        "Step": _text("operation_no"),
                        "What": pl.col("kind"),
                        "Sanding": pl.col("removal"),
                        "Taken off, mil": _number("removed_um", 4, MIL_UM),
                        "Date": _when("started_at", us_date),
                        "From": _when("started_at", clock),
                        "To": _when("ended_at", clock),
                        "Badge": pl.col("technician_id").str.strip_prefix("t"),
                        "Gun": pl.lit("gun #") + pl.col("gun_id").str.strip_prefix("g"),
                        "Product code": pl.col("product_id"),
                        "Tip, mm": _number("tip_mm", 1),
                        "Air, psi": _number("inlet_kpa", 3, PSI_KPA),
                        "Coats": _text("coats"),
                        "Booth": pl.col("booth_id"),
                        "Repeats step": _text("redo_of"),
                    },
                ),
            )
        )
        panels = shop.between("operation_panels", since, following)
        book.add(
            _File(
                f"{folder}/panels_{stamp}.csv",
                _frame(
                    panels,
                    {
                        "Job": pl.col("job_id"),
                        "Step": _text("operation_no"),
                        "Panel": pl.col("panel_id"),
                        "Side": pl.col("face"),
                        "Area, sq ft": _number("area_m2", 4, FT2_M2),
                        "Covered": _number("covered_fraction", 2),
                        "Made of": pl.col("substrate"),
                    },
                ),
            )
        )
        draws = shop.between("draws", since, following)
        book.add(
            _File(
                f"{folder}/cups_used_{stamp}.csv",
                _frame(
                    draws,
                    {
                        "Job": pl.col("job_id"),
                        "Step": _text("operation_no"),
                        "Cup": pl.col("mix_id"),
                        "Part of cup": _number("share", 2),
                    },
                ),
            )
        )
        film = shop.between("readings", since, following)
        book.add(
            _File(
                f"{folder}/film_{stamp}.csv",
                _frame(
                    film,
                    {
                        "Job": pl.col("job_id"),
                        "Place": pl.col("panel_id"),
                        "After step": _text("after_operation"),
                        "No.": _text("reading_no"),
                        "Row": _text("row"),
                        "Column": _text("col"),
                        "Film, mil": _number("reading_um", 2, MIL_UM),
                        "Gauge": pl.col("gauge_id"),
                        "Date": _when("taken_at", us_date),
                        "Time": _when("taken_at", clock),
                        "Strip for": pl.col("witness_of"),
                    },
                ),
            )
        )
    return pl.DataFrame(
        {"shop_id": ["tarnwick"] * len(corrected), "mix_id": corrected},
        schema={"shop_id": pl.String, "mix_id": pl.String},
    )


# -------------------------------------------------------------------------------------------------- shape b: ostenried
def _ostenried(s: Scenario, book: _Book, rng: np.random.Generator) -> None:
    shop = _Shop.of(s, "ostenried")
    day, clock, both = "%d.%m.%Y", "%H:%M", "%d.%m.%Y %H:%M"
    cups = shop.tables["pours"]["mix_id"].unique().sort()
    empty = pl.DataFrame({"mix_id": cups, "_empty": np.round(rng.normal(14.0, 0.4, len(cups)), 1)})
    job = pl.col("job_id").str.strip_prefix("J")
    kinds = {"spray": "Spritzen", "hand": "Spachteln", "sand": "Schleifen", "polish": "Polieren"}
    for n, (month, following) in enumerate(_months(s)):
        name, folder = f"{month:%Y-%m}", "inbox/ostenried"

        def add(
            stem: str, frame: pl.DataFrame, above: tuple[str, ...] = (), name: str = name, folder: str = folder
        ) -> None:
            book.add(_File(f"{folder}/{stem}_{name}.csv", frame, ";", "windows-1252", above))

        pours = (
            shop.between("pours", month, following)
            .sort("_unit", "mix_id", "pour_no")
            .join(empty, on="mix_id", how="left", maintain_order="left")
            .with_columns((pl.col("weighed_g").cum_sum().over("mix_id") + pl.col("_empty")).alias("_gross"))
        )
        add(
            "Waage",
            _frame(
                pours,
                {
                    "Becher": pl.col("mix_id"),
                    "Nr.": _text("pour_no"),
                    "Datum": _when("poured_at", day),
                    "Uhrzeit": _when("poured_at", clock),
                    "Produkt": pl.col("product_id"),
                    "Komponente": pl.col("component_id"),
                    "aus Becher": pl.col("from_mix_id"),
                    "Brutto (g)": _number("_gross", 1, marks=",."),
                    "Leergewicht (g)": _number("_empty", 1, marks=",."),
                    "Soll (g)": _number("target_g", 1, marks=",."),
                    "Person": pl.col("technician_id"),
                    "Waage": pl.col("scale_id"),
                    "Farbton": pl.col("colour_id"),
                    "Art": _renamed("measured_by", {"scale": "gewogen", "ready": "gebrauchsfertig"}),
                    "Auftrag": job,
                },
            ),
            (f"Ostenried Lackierstube: Wägungen {month:%m.%Y}", "Angaben in Gramm, brutto"),
        )
        back = shop.between("leftovers", month, following).join(empty, on="mix_id", how="left", maintain_order="left")
        add(
            "Rueckwaage",
            _frame(
                back.with_columns((pl.col("leftover_g") + pl.col("_empty")).alias("_gross")),
                {
                    "Becher": pl.col("mix_id"), "Rückwaage Nr.": _text("weigh_no"), "Datum": _when("weighed_at", day),
                    "Uhrzeit": _when("weighed_at", clock), "Brutto (g)": _number("_gross", 1, marks=",."),
                    "Leergewicht (g)": _number("_empty", 1, marks=",."),
                    "Verbleib": _renamed("fate", {"kept": "aufgehoben", "discarded": "entsorgt"}),
                },
            ),
        )  # fmt: skip
        add(
            "Auftraege",
            _frame(
                shop.between("jobs", month, following),
                {
                    "Auftrag": job,
                    "Fahrzeuggröße": _renamed(
                        "vehicle_class", {"small_car": "klein", "large_car": "groß", "van": "Transporter"}
                    ),
                    "Annahme": _when("opened_on", day),
                    "Übergabe": _when("closed_on", day),
                },
            ),
        )
        add(
            "Arbeitsgaenge",
            _frame(
                shop.between("operations", month, following),
                {
                    "Auftrag": job, "Schritt": _text("operation_no"),
                    "Tätigkeit": _renamed("kind", kinds),
                    "Schliff": _renamed("removal", {"scuff": "anschleifen", "cut": "planschleifen", "strip": "blank"}),
                    "Abtrag (µm)": _number("removed_um", 1, marks=","), "Beginn": _when("started_at", both),
                    "Ende": _when("ended_at", both), "Person": pl.col("technician_id"), "Pistole": pl.col("gun_id"),
                    "Produkt": pl.col("product_id"), "Düse (mm)": _number("tip_mm", 1, marks=","),
                    "Druck (bar)": _number("inlet_kpa", 3, 100.0, marks=","), "Gänge": _text("coats"),
                    "Kabine": pl.col("booth_id"), "wiederholt Schritt": _text("redo_of"),
                },
            ),
        )  # fmt: skip
        add(
            "Flaechen",
            _frame(
                shop.between("operation_panels", month, following),
                {
                    "Auftrag": job,
                    "Schritt": _text("operation_no"),
                    "Teil": pl.col("panel_id"),
                    "Seite": _renamed("face", {"outer": "außen", "inner": "innen", "jamb": "Falz"}),
                    "Fläche (m²)": _number("area_m2", 2, marks=","),
                    "lackiert (%)": _number("covered_fraction", 0, 0.01, marks=","),
                    "Werkstoff": _renamed(
                        "substrate", {"steel": "Stahl", "aluminium": "Aluminium", "plastic": "Kunststoff"}
                    ),
                },
            ),
        )
        add(
            "Entnahmen",
            _frame(
                shop.between("draws", month, following),
                {"Auftrag": job, "Schritt": _text("operation_no"), "Becher": pl.col("mix_id"),
                 "Anteil (%)": _number("share", 0, 0.01, marks=",")},
            ),
        )  # fmt: skip
        film = shop.between("readings", month, following)
        cells: _Cells = {
            "Auftrag": job, "Teil": pl.col("panel_id"), "Messung": _text("reading_no"), "Reihe": _text("row"),
            "Spalte": _text("col"), "Dicke (µm)": _number("reading_um", 0, marks=","), "Gerät": pl.col("gauge_id"),
            "gemessen am": _when("taken_at", both), "Streifen für": pl.col("witness_of"),
        }  # fmt: skip
        late = pl.lit(False)
        if n == 3:
            # one week's readings above number 6 were forgotten and came in later
            late = (pl.col("_unit") >= month + dt.timedelta(days=14)) & (pl.col("reading_no") > 6)
        add("Schichtdicke", _frame(film.filter(~late), cells))
        if film.filter(late).height:
            add("Schichtdicke", _frame(film.filter(late), cells), name=f"{name}_Nachtrag")


# --------------------------------------------------------------------------------------------------- shape c: vellmoor
_LOG = (
    "Exported",
    "Line",
    "Job",
    "Class",
    "Opened",
    "Closed",
    "Step",
    "Work",
    "Sanded to",
    "Sanded off um",
    "Begin",
    "End",
    "Painter",
    "Gun",
    "Product",
    "Tip mm",
    "Air kPa",
    "Coats",
    "Booth",
    "Redo of",
    "Panels",
    "Side",
    "m2 each",
    "Part",
    "Metal or plastic",
    "Cups",
    "Share of cup",
    "Panel read",
    "Gauge",
    "F11",
    "F12",
    "F13",
    "F21",
    "F22",
    "F23",
    "F31",
    "F32",
    "F33",
)


def _vellmoor(s: Scenario, book: _Book) -> None:
    shop = _Shop.of(s, "vellmoor")
    t = shop.tables
    stamp = "%Y-%m-%d %H:%M"
    key = ["job_id", "operation_no"]
    # panels alike stand on one line; what a step drew stands on its first line
    alike = ["face", "area_m2", "covered_fraction", "substrate"]
    groups = (
        t["operation_panels"]
        .group_by(*key, *alike, maintain_order=True)
        .agg(pl.col("panel_id").str.join("+").alias("_panels"))
        .with_columns(pl.int_range(pl.len()).over(key).alias("_group"))
    )
    drawn = (
        t["draws"]
        .group_by(key, maintain_order=True)
        .agg(
            pl.col("mix_id").str.join("+").alias("_cups"),
            pl.col("share").first(),
            pl.col("share").n_unique().alias("_kinds"),
        )
    )
    if drawn["_kinds"].max() not in (None, 1):
        raise ValueError("vellmoor: the cups of one step have different shares, which one line cannot hold")
    steps = (
        t["operations"]
        .join(t["jobs"].drop("shop_id", "_unit"), on="job_id", how="left", maintain_order="left")
        .join(groups, on=key, how="left", maintain_order="left")
        .with_columns(pl.col("_group").fill_null(0))
        .join(drawn.with_columns(_group=pl.lit(0, pl.Int64)), on=[*key, "_group"], how="left", maintain_order="left")
    )
    stage = ["job_id", "panel_id", "after_operation"]
    film = (
        t["readings"]
        .with_columns(("F" + pl.col("row").cast(pl.String) + pl.col("col").cast(pl.String)).alias("_box"))
        .pivot("_box", index=[*stage, "gauge_id", "taken_at"], values="reading_um", maintain_order=True)
    )
    boxes = [f"F{r}{c}" for r in (1, 2, 3) for c in (1, 2, 3)]
    film = film.with_columns(pl.lit(None, pl.Float64).alias(b) for b in boxes if b not in film.columns)

    start = dt.datetime.combine(s.parameters.start, dt.time())
    start -= dt.timedelta(days=start.weekday())
    last = _months(s)[-1][1]
    weeks = [start + dt.timedelta(weeks=w) for w in range((last - start).days // 7 + 1)]
    for n, week in enumerate(weeks):
        end = week + dt.timedelta(days=6, hours=6)
        since = week - dt.timedelta(days=3)
        exported = f"{end:{stamp}}"
        name = f"{week:%G-w%V}"
        touched = (
            t["operations"].filter((pl.col("ended_at") >= since) & (pl.col("started_at") < end))["job_id"].unique()
        )
        mine = pl.col("job_id").is_in(touched.implode())
        done = steps.filter(mine & (pl.col("started_at") < end)).with_columns(
            # a job that goes on after the export is not closed yet
            pl.when(pl.col("closed_on") <= end.date()).then("closed_on").alias("closed_on")
        )
        step_lines = _frame(
            done,
            {
                "Exported": exported,
                "Line": "STEP",
                "Job": pl.col("job_id"),
                "Class": pl.col("vehicle_class"),
                "Opened": _when("opened_on", "%Y-%m-%d"),
                "Closed": _when("closed_on", "%Y-%m-%d"),
                "Step": _text("operation_no"),
                "Work": pl.col("kind"),
                "Sanded to": pl.col("removal"),
                "Sanded off um": _number("removed_um", 1),
                "Begin": _when("started_at", stamp),
                "End": _when("ended_at", stamp),
                "Painter": pl.col("technician_id"),
                "Gun": pl.col("gun_id"),
                "Product": pl.col("product_id"),
                "Tip mm": _number("tip_mm", 1),
                "Air kPa": _number("inlet_kpa", 0),
                "Coats": _text("coats"),
                "Booth": pl.col("booth_id"),
                "Redo of": _text("redo_of"),
                "Panels": pl.col("_panels"),
                "Side": pl.col("face"),
                "m2 each": _number("area_m2", 2),
                "Part": _number("covered_fraction", 2),
                "Metal or plastic": pl.col("substrate"),
                "Cups": pl.col("_cups"),
                "Share of cup": _number("share", 2),
            },
        )
        read = film.filter(mine & (pl.col("taken_at") < end))
        film_lines = _frame(
            read,
            {
                "Exported": exported, "Line": "FILM", "Job": pl.col("job_id"), "Step": _text("after_operation"),
                "Begin": _when("taken_at", stamp), "Panel read": pl.col("panel_id"), "Gauge": pl.col("gauge_id"),
                **{b: _number(b, 0) for b in boxes},
            },
        )  # fmt: skip
        lines = pl.concat([step_lines, film_lines], how="diagonal")
        lines = lines.with_columns(pl.lit(None, pl.String).alias(c) for c in _LOG if c not in lines.columns).select(
            _LOG
        )
        book.add(_File(f"inbox/vellmoor/log_{name}.tsv", lines, "\t", packed=n % 10 == 9))

        pours = shop.between("pours", since, end).sort("_unit", "mix_id", "pour_no").join(
            s.registers["components"].filter(pl.col("valid_from").is_null()).select("component_id", "density_g_per_ml"),
            on="component_id", how="left", maintain_order="left",
        )  # fmt: skip
        by_volume = pl.col("measured_by") == "volume"
        pours = pours.with_columns(
            pl.when(by_volume)
            .then(pl.col("weighed_g") / pl.col("density_g_per_ml"))
            .otherwise("weighed_g")
            .alias("_amount")
        )
        added = _frame(
            pours,
            {
                "Exported": exported,
                "Mix": pl.col("mix_id"),
                "Line": _text("pour_no"),
                "At": _when("poured_at", stamp),
                "Product": pl.col("product_id"),
                "Added": pl.col("component_id"),
                "Added from mix": pl.col("from_mix_id"),
                "Amount": _number("_amount", 1),
                "Unit": pl.when(by_volume).then(pl.lit("ml")).otherwise(pl.lit("g")),
                "Wanted g": _number("target_g", 1),
                "Who": pl.col("technician_id"),
                "Scale": pl.col("scale_id"),
                "Colour": pl.col("colour_id"),
                "Measured by": pl.when(~by_volume).then("measured_by"),
                "Job": pl.col("job_id"),
                "Then": None,
            },
        )
        left = _frame(
            shop.between("leftovers", since, end),
            {
                "Exported": exported,
                "Mix": pl.col("mix_id"),
                "Line": _text("weigh_no"),
                "At": _when("weighed_at", stamp),
                "Amount": _number("leftover_g", 1),
                "Unit": "g left",
                "Then": pl.col("fate"),
            },
        )
        book.add(
            _File(f"inbox/vellmoor/cups_{name}.csv", pl.concat([added, left], how="diagonal").select(added.columns))
        )


# -------------------------------------------------------------------------------------------------------------- damage
def _damage(s: Scenario, book: _Book, rng: np.random.Generator) -> None:
    """A few rows as real exports have them. Each is written down; nothing else in the demo is meant to be refused."""
    read = s.canonical["readings"].select("shop_id", "job_id").unique()

    def month_file(folder: str, stem: str, which: int) -> str | None:
        paths = sorted(p for p in book.files if p.startswith(f"inbox/{folder}/{stem}_") and "Nachtrag" not in p)
        return paths[which] if len(paths) > which + 1 else None

    def pick(path: str | None, rows: pl.Expr) -> int | None:
        """A row of the file in the middle of its span, so that no other export has it too; None without such a row."""
        if path is None:
            return None
        found = book.files[path].frame.with_row_index("_row").filter(rows)["_row"].to_list()
        low = len(found) // 3
        return found[int(rng.integers(low, max(len(found) * 2 // 3, low + 1)))] if found else None

    def ids_of(path: str, row: int, shop_id: str, **columns: str) -> dict[str, object]:
        """The ids of a row's parent: contract column = column of the file; job numbers get back the J they may lack."""
        out: dict[str, object] = {"shop_id": shop_id}
        for name, column in columns.items():
            text = str(book.files[path].frame[column][row])
            out[name] = int(text) if name == "operation_no" else f"J{text.lstrip('J')}" if name == "job_id" else text
        return out

    def spoil(path: str | None, rows: pl.Expr, table: str, what: str, ids: dict[str, str], **cells: str) -> int | None:
        row = pick(path, rows)
        if path is not None and row is not None:
            book.spoil(path, row, table, what, ids_of(path, row, path.split("/")[1], **ids), **cells)
        return row

    cup, scale = {"mix_id": "Cup"}, "On scale, oz"
    # the last pour of its cup: after it the running total is read no more
    last_pour = (
        pl.col("Record").eq("POUR") & (pl.col("Cup") != pl.col("Cup").shift(-1)) & pl.col("Material").is_not_null()
    )
    bench = [month_file("tarnwick", "mixing", n) for n in range(5)]
    spoil(bench[1], last_pour, "pours", "text in a number", cup, **{scale: "12.4 ca"})
    spoil(bench[2], last_pour, "pours", "infinite mass", cup, **{scale: "inf"})
    spoil(bench[4], last_pour, "pours", "unknown component", cup, Material="sf_hardner")
    once = pl.col("Record").eq("BACK") & pl.col("Remark").eq("thrown away") & pl.col("Step").eq("1")
    spoil(bench[3], once, "leftovers", "leftover above what was poured", cup, **{scale: "512.0000"})

    step = {"job_id": "Job", "operation_no": "Step"}
    first_time = pl.col("What").eq("spray") & pl.col("Repeats step").is_null()
    spoil(month_file("tarnwick", "steps", 1), first_time, "operations", "unknown gun", step, Gun="gun #999")
    film = month_file("tarnwick", "film", 2)
    place = {"job_id": "Job", "panel_id": "Place", "operation_no": "After step"}
    row = spoil(film, pl.col("Strip for").is_null(), "readings", "text in a number", place, **{"Film, mil": "4..2"})
    if film is not None and row is not None:
        # one row more: somebody held the magnetic gauge on a bumper
        mine = pl.col("job_id").str.starts_with(str(book.files[film].frame["Job"][row])[:5])
        bumpers = s.canonical["operation_panels"].filter(
            mine, pl.col("panel_id").str.ends_with("bumper"), shop_id="tarnwick", face="outer"
        )
        magnetic = s.registers["gauges"].filter(pl.col("gauge_id").str.starts_with("f1"), principle="magnetic")
        if bumpers.height:
            on = bumpers.row(bumpers.height // 2, named=True)
            replaced = {
                "Job": on["job_id"], "Place": on["panel_id"], "After step": str(on["operation_no"]), "No.": "1",
                "Row": None, "Column": None, "Film, mil": "3.10", "Gauge": magnetic["gauge_id"][0], "Strip for": None,
            }  # fmt: skip
            ids = {k: on[k] for k in ("shop_id", "job_id", "operation_no", "panel_id")}
            book.append(film, "readings", "a magnetic gauge on plastic", ids, row, **replaced)

    last = (pl.col("Becher") != pl.col("Becher").shift(-1)) & pl.col("Komponente").is_not_null()
    waage = month_file("ostenried", "Waage", 2)
    spoil(waage, last, "pours", "a day that does not exist", {"mix_id": "Becher"}, Datum="31.06.2025")
    # jobs without readings: there the step of a reading is found from times, which a lost step would make unsure
    unread = ~pl.col("Auftrag").is_in(read.filter(shop_id="ostenried")["job_id"].str.strip_prefix("J").implode())
    step = {"job_id": "Auftrag", "operation_no": "Schritt"}
    work = unread & pl.col("Tätigkeit").eq("Spritzen") & pl.col("wiederholt Schritt").is_null()
    steps = month_file("ostenried", "Arbeitsgaenge", 4)
    spoil(steps, work, "operations", "a kind of work nobody knows", step, **{"Tätigkeit": "Spritzn"})
    panels, panel = month_file("ostenried", "Flaechen", 5), {**step, "panel_id": "Teil"}
    whole = unread & pl.col("lackiert (%)").eq("100")
    spoil(panels, whole, "operation_panels", "more than all of a panel", panel, **{"lackiert (%)": "140"})

    weeks = sorted(p for p in book.files if p.startswith("inbox/vellmoor/cups_"))
    for path in weeks[7:8]:
        middle = pl.col("At").str.slice(0, 10).is_in(_middle_of(path))
        added = middle & pl.col("Unit").eq("g") & pl.col("Added").is_not_null()
        spoil(path, added, "pours", "a product that no register has", {"mix_id": "Mix"}, Product="base_solvnt")


def _middle_of(path: str) -> list[str]:
    """Tuesday and Wednesday of the week a file is named after: no other file has them."""
    year, week = path.rsplit("_", 1)[-1].split(".")[0].split("-w")
    return [dt.date.fromisocalendar(int(year), int(week), d).isoformat() for d in (2, 3)]


# ------------------------------------------------------------------------------------------------------------- writing
def _plain(s: Scenario, tables: Iterable[str], shops: list[str], folder: str, book: _Book) -> None:
    for name in tables:
        frame = s.canonical[name]
        if "shop_id" in frame.columns:
            frame = frame.filter(pl.col("shop_id").is_in(shops))
        text = frame.select(
            pl.col(c).dt.strftime("%Y-%m-%d %H:%M") if isinstance(d, pl.Datetime) else pl.col(c).cast(pl.String)
            for c, d in frame.schema.items()
        )
        book.add(_File(f"{folder}/{name}.csv", text))


def write_demo(directory: Path | str, scenario: Scenario, damage: bool = True) -> DemoFiles:
    """Write a workspace's inbox/, layouts/ and registers/ as the three shops would have them.

    Read by the intake, the exports give back the canonical tables, but for the rows in `damaged` (and what they make
    incomplete) and the rounding of converted units: 0.003 g, 1e-5 m2, 0.01 kPa, 0.002 um. The same scenario gives the
    same bytes.
    """
    directory = Path(directory)
    book = _Book()
    ids = scenario.registers["shops"]["shop_id"].to_list()
    corrected = _tarnwick(scenario, book, np.random.default_rng([scenario.parameters.seed, 4]))
    if "vellmoor" in ids:
        _vellmoor(scenario, book)
    if "ostenried" in ids:
        _ostenried(scenario, book, np.random.default_rng([scenario.parameters.seed, 5]))
    _plain(scenario, RARE, ids, "inbox/office", book)
    for shop_id in ids[3:]:
        _plain(scenario, DAILY, [shop_id], f"inbox/{shop_id}", book)
    if damage:
        _damage(scenario, book, np.random.default_rng([scenario.parameters.seed, 6]))
    written = []
    for path, file in sorted(book.files.items()):
        target = directory / (path + ".gz" if file.packed else path)
        target.parent.mkdir(parents=True, exist_ok=True)
        target.write_bytes(file.content())
        written.append(target.relative_to(directory).as_posix())
    for folder in ("registers", "layouts"):
        (directory / folder).mkdir(parents=True, exist_ok=True)
    for name, frame in scenario.registers.items():
        frame.write_csv(directory / "registers" / f"{name}.csv")
        written.append(f"registers/{name}.csv")
    for layout in sorted(LAYOUTS.iterdir(), key=lambda one: one.name):
        if layout.name.split("_")[0] in ids:
            (directory / "layouts" / layout.name).write_bytes(layout.read_bytes())
            written.append(f"layouts/{layout.name}")
    return DemoFiles(sorted(written), pl.DataFrame(book.damaged, schema=_DAMAGE_SCHEMA), corrected)


__all__ = ["DAILY", "EVENT_TABLES", "RARE", "DemoFiles", "write_demo"]
