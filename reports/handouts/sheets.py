"""What a hand-out is made of: sheets of headings and rows, and the selection of tables that they are taken from.

Here belongs what every sheet shares, such as the US customary figure beside each amount; what a sheet says is told in
usage.py, rules.py and summary.py.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from typing import Any

import polars as pl

from reports import wording
from reports.handouts.periods import Period
from reports.sorted_tables import Tables
from schemas import validate

#: unit of a table -> US customary unit beside it, and how many of those one is
US = {
    "kg": ("lb", 1 / wording.UNITS["mass_kg"].factor),
    "L": ("US gal", 1 / wording.UNITS["volume_l"].factor),
    "g": ("oz", 1 / wording.UNITS["mass_g"].factor),
    "g/L": ("lb/US gal", 1 / wording.UNITS["content_g_per_l"].factor),
    "mL": ("US fl oz", 1 / wording.UNITS["volume_ml"].factor),
}

#: how a heading writes a unit that tables name otherwise; of a row that states its own unit, none
UNIT_WORDS = {"1": "", "a": "", "unit": "", "tonne": "t", "ton_us": "US ton"}


@dataclass(frozen=True, slots=True)
class Head:
    """A column's heading: word and unit."""

    word: str
    unit: str = ""

    def __str__(self) -> str:
        return f"{self.word} [{self.unit}]" if self.unit else self.word


NOTHING_MISSING = "Nothing is missing that the program can tell."

Cell = str | float | int | bool | date | None
#: a cell of a row: one of its columns, or what is made of it
Made = str | Callable[[dict[str, Any]], Cell]


@dataclass(slots=True)
class Sheet:
    """One sheet: a title, what to know of it, headings and rows. `printed`: it also stands on the page."""

    key: str
    title: str
    heads: list[Head]
    rows: Sequence[tuple[Cell, ...]]
    notes: list[str] = field(default_factory=list)
    printed: bool = True


def told(
    key: str,
    title: str,
    frame: pl.DataFrame,
    columns: Mapping[str, Made],
    notes: Sequence[str] = (),
) -> Sheet | None:
    """A sheet in words of its own, heading (`word` or `word [unit]`) -> the frame's column, or what is made of a row; None without rows."""
    rows = [
        tuple(row[made] if isinstance(made, str) else made(row) for made in columns.values())
        for row in frame.iter_rows(named=True)
    ]
    heads = [Head(word, unit.removesuffix("]")) for word, _, unit in (head.partition(" [") for head in columns)]
    return Sheet(key, title, heads, rows, list(notes)) if rows else None


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

    @property
    def months(self) -> list[str]:
        """Months of the period of which there is a record."""
        for sheet in self.sheets:
            if sheet.key == "emissions_monthly":
                at = [head.word for head in sheet.heads].index("month")
                return sorted({str(row[at]) for row in sheet.rows})
        return []

    @property
    def lacking(self) -> list[str]:
        """What is missing, a sentence each."""
        rows = next((sheet.rows for sheet in self.sheets if sheet.key == "missing"), [])
        return [": ".join(str(cell) for cell in row if cell) for row in rows if row[-1] != NOTHING_MISSING]


class Selection:
    """The tables as one hand-out sees them: some shops, one period."""

    def __init__(self, tables: Tables, settings: Mapping[str, Any], of: Period, shops: list[str]) -> None:
        self.tables, self.settings, self.of, self.shops = tables, settings, of, shops
        own = dict(tables["shops"].select("shop_id", "jurisdiction").iter_rows())
        self.names = {
            column: wording.called(tables[table].select(column, "label").iter_rows())
            for table, column in (("products", "product_id"), ("components", "component_id"))
        }
        named = tables["hap_monthly"].select("cas", "substance").drop_nulls().unique().sort("cas", "substance")
        self.substances = dict(named.iter_rows())
        self.labels = dict(tables["shops"].select("shop_id", "label").iter_rows())
        self.place = {name: own.get(name) or str(settings.get("jurisdiction", "")) for name in shops}
        packs = {row["jurisdiction"]: row for row in tables["packs"].iter_rows(named=True)}
        self.pack = {name: packs.get(self.place[name]) for name in shops}

    def frame(self, name: str, *, months: bool = True) -> pl.DataFrame:
        """Rows of the chosen shops, in the period where the table has months."""
        frame = self.tables[name].filter(pl.col("shop_id").is_in(self.shops))
        return frame.filter(self.of.holds()) if months and "month" in frame.columns else frame

    def as_of(self, name: str, column: str = "as_of") -> pl.DataFrame:
        """Rows of the chosen shops on the last day of the period, or on the last day before it of which there are any."""
        frame = self.frame(name, months=False).filter(pl.col(column).is_null() | (pl.col(column) <= self.of.days[1]))
        return frame.filter(pl.col(column).is_null() | (pl.col(column) == pl.col(column).max().over("shop_id")))

    def having(self, section: str) -> list[str]:
        """Shops whose pack shows a section."""
        return [name for name in self.shops if (pack := self.pack[name]) and section in pack["sections"].split("|")]

    def measures_named(self, frame: pl.DataFrame) -> str:
        """A note: what each measure of a sheet is called in words."""
        words = (f"{one}: {wording.measure_words(one, self.substances)}" for one in frame["measure"].unique().sort())
        return f"Measures. {'; '.join(words)}."

    def shop_named(self, name: str) -> str:
        """A shop with what it is called, where the register says."""
        return f"{name} ({self.labels[name]})" if self.labels.get(name) else name

    def named(self, column: str, cell: Any) -> Any:
        """What a product or component is called, where the register says; everything else as it is."""
        return self.names.get(column, {}).get(cell, cell) if isinstance(cell, str) else cell

    def asked(self, frame: pl.DataFrame) -> pl.DataFrame:
        """Rows of measures that the place of their shop asks for: pollutants by the US list where it shows them, the solvent of the
        European Union's definitions where it counts it."""
        return frame.filter(
            (~pl.col("measure").str.starts_with("hap_kg") | pl.col("shop_id").is_in(self.having("hap")))
            & ((pl.col("measure") != "solvent_kg") | pl.col("shop_id").is_in(self.having("solvent_consumption")))
        )

    def sheet(
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
        infos = {info.name: info for info in validate.columns(name)}
        heads: list[Head] = []
        values: list[list[Cell]] = []
        for column in columns:
            unit = infos[column].unit
            cells = [self.named(column, cell) for cell in rows[column].to_list()]
            heads.append(Head(word(column, unit), UNIT_WORDS.get(unit, unit)))
            values.append(cells)
            if unit in US and infos[column].kind == "float":
                other, factor = US[unit]
                heads.append(Head(word(column, unit), other))
                values.append([None if cell is None else cell * factor for cell in cells])
        return Sheet(key or name, title, heads, list(zip(*values, strict=True)), list(notes), printed)


def word(column: str, unit: str) -> str:
    tail = {"g/L": "_g_per_l", "kg": "_kg", "g": "_g", "L": "_l", "mL": "_ml"}.get(unit, "")
    bare = column.removesuffix(tail).removesuffix("_id") if tail else column.removesuffix("_id")
    said = {
        "rts": "ready to spray",
        "kg": "all",
        "kg_low": "lower end",
        "kg_high": "upper end",
        "kg_63_3941": "by 40 CFR 63.3941",
        "tonnes": "all",
        "tons_us": "all",
        "pm": "particulate",
        "pm_kg_low": "particulate, lower end",
        "pm_kg_high": "particulate, upper end",
        "voc": "VOC",
        "g_per": "VOC content",
        "g_per_l": "VOC content",
    }
    return said.get(bare, bare.replace("_", " "))


def us(value: float | None, unit: str) -> float | None:
    return None if value is None else value * US[unit][1]
