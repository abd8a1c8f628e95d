# ruff: noqa: E501
"""Folders of exports in shapes drawn at random from one small invented business, each with the truth about every column.

`folder(seed, unseen)` gives files, the canonical tables that they hold, and for each file what a truthful owner would answer.
Numbers are written with all their digits, so that a figure read back through a unit can be compared to 1e-8. What an export
leaves out, its canonical table leaves out too.
"""

from __future__ import annotations

import io
import random
from dataclasses import dataclass, field
from functools import cache
from typing import Any

import polars as pl

from pipelines import units
from seed_data import scenario
from tests.adoption.drawn_words import MONTHS, VALUES, words

LANGUAGES = ("en", "de", "fr", "es", "nl")
#: what an owner knows of one column: sources (header texts), unit, format, weights, tare, values, constant
How = dict[str, Any]


@dataclass
class Column:
    """One column of an export: its header, its cells as text (or numbers and times for workbooks), what it truly is."""

    header: str
    cells: list[Any]
    truth: list[tuple[str, str, How]] = field(default_factory=list)


@dataclass
class Grid:
    """One export before it is written: columns, lines above, totals below, and the truth about it."""

    name: str
    columns: list[Column]
    above: list[str] = field(default_factory=list)
    total: str | None = None
    extra: dict[str, dict[str, How]] = field(default_factory=dict)
    sheet: str | None = None

    def truth(self) -> dict[str, dict[str, How]]:
        """table -> column -> how; columns of several sources are put together."""
        out: dict[str, dict[str, How]] = {t: dict(c) for t, c in self.extra.items()}
        for column in self.columns:
            for table, name, how in column.truth:
                known = out.setdefault(table, {}).setdefault(name, {"sources": []})
                known["sources"] = [*known["sources"], column.header]
                known.update({k: v for k, v in how.items()})
        return out

    def rows(self) -> list[list[Any]]:
        return [list(r) for r in zip(*(c.cells for c in self.columns), strict=True)]


@dataclass
class Folder:
    """`files` path -> bytes; `truth` (path, sheet) -> table -> column -> how; `canonical` table -> frame; `told` what was drawn."""

    name: str
    files: dict[str, bytes]
    truth: dict[tuple[str, str], dict[str, dict[str, How]]]
    canonical: dict[str, pl.DataFrame]
    registers: dict[str, str]
    told: list[str]


@cache
def business(seed: int) -> tuple[dict[str, pl.DataFrame], dict[str, pl.DataFrame]]:
    """Canonical tables and registers of one small shop; cups that were poured into others are left out."""
    made = scenario.build(seed=seed, shops=1, months=2, cups=110)
    tables = dict(made.canonical)
    poured = tables["pours"]
    mixed_in = poured.filter(pl.col("from_mix_id").is_not_null())["mix_id"]
    odd = pl.concat([mixed_in, poured.filter(pl.col("weighed_g") <= 0)["mix_id"]]).unique().to_list()
    for name in ("pours", "leftovers", "draws"):
        tables[name] = tables[name].filter(~pl.col("mix_id").is_in(odd))
    tables["pours"] = tables["pours"].drop("from_mix_id", "measured_by", "scale_id", "colour_id", "job_id")
    tables["leftovers"] = (
        tables["leftovers"].filter(pl.col("weigh_no").is_null() | (pl.col("weigh_no") == 1)).drop("weigh_no")
    )
    tables["readings"] = (
        tables["readings"].filter(pl.col("witness_of").is_null() & pl.col("taken_at").is_not_null()).drop("witness_of")
    )
    tables["operations"] = tables["operations"].drop("redo_of", "booth_id", "removed_um")
    return tables, dict(made.registers)


class _Shop:
    """One drawn shop: language, marks, how its ids are written."""

    def __init__(self, seed: int, unseen: bool) -> None:
        self.rng = rng = random.Random(f"{seed} {unseen}")
        self.unseen = unseen
        self.tables, self.registers = business(11 + seed % 4)
        self.language = rng.choice(LANGUAGES)
        us = self.language == "en" and rng.random() < 0.6
        comma = self.language != "en" and rng.random() < 0.75
        self.decimal = "," if comma else "."
        self.delimiter = rng.choice([";", "\t"] if comma else [",", ";", "\t"])
        self.encoding = rng.choice(["utf-8", "utf-8", "utf-8-sig", "windows-1252", "utf-16"])
        self.header_style = rng.choice(["plain", "plain", "plain", "upper", "snake", "short", "nothing"])
        day_first = ["%d.%m.%Y", "%d/%m/%Y", "%d-%m-%Y", "%Y-%m-%d", "months"]
        self.date = rng.choice(["%m/%d/%Y", "%m/%d/%Y", "%Y-%m-%d"] if us else day_first)
        self.clock = rng.choice(["%I:%M %p"] if us and rng.random() < 0.5 else ["%H:%M", "%H:%M:%S"])
        self.split_time = rng.random() < 0.35
        self.unit_shown = rng.choice(["(x)", "[x]", " x", None])
        self.mass = rng.choice(["oz", "lb", "g"] if us else ["g", "g", "g", "kg"])
        self.film = rng.choice(["mil", "um"] if us else ["um"])
        self.area = rng.choice(["ft2", "m2"] if us else ["m2"])
        self.pressure = rng.choice(["psi"] if us else ["bar", "kPa"])
        self.told = [f"{self.language}, {self.decimal!r} {self.delimiter!r} {self.encoding}, headers {self.header_style}, dates {self.date},"
                     f" {self.mass}/{self.film}/{self.area}/{self.pressure} shown {self.unit_shown}"]  # fmt: skip
        self.nameless = 0
        self.used: set[str] = set()
        jobs = self.tables["jobs"]["job_id"].to_list()
        first = rng.choice([101, 4400, 88210])
        style = rng.choice(["as is", "number", "letter", "year"])
        at = {j: first + i for i, j in enumerate(jobs)}
        self.job_style, self.job_at = style, at
        self.job = {
            j: {"as is": j, "number": f"{at[j]}", "letter": f"R-{at[j]}", "year": f"2025-{at[j]:06d}"}[style]
            for j in jobs
        }
        cups = self.tables["pours"]["mix_id"].unique(maintain_order=True).to_list()
        start = rng.choice([1, 701, 30100])
        cup_style = rng.choice(["as is", "number", "padded"])
        self.cup = {
            m: {"as is": m, "number": f"{start + i}", "padded": f"{start + i:07d}"}[cup_style]
            for i, m in enumerate(cups)
        }
        self.told.append(f"jobs {style}, cups {cup_style}")
        self.by_label = rng.random() < 0.4  # technicians by name, components by label
        self.labels = {
            "technician_id": dict(self.registers["technicians"].select("technician_id", "label").iter_rows()),
            "component_id": dict(
                self.registers["components"].select("component_id", "label").unique("component_id").iter_rows()
            ),
        }

    # --- headers and cells

    def header(self, concept: str, unit: str | None = None) -> str:
        word = self.rng.choice(words(concept, self.language, self.unseen))
        shown = {"um": "µm", "m2": "m²", "ft2": "sq ft", "fraction": None, "percent": "%"}.get(unit or "", unit)
        text = word
        if shown and self.unit_shown:
            text += (
                self.unit_shown.replace("(x)", f" ({shown})").replace("[x]", f" [{shown}]").replace(" x", f" {shown}")
            )
        if self.header_style == "upper":
            text = text.upper() if not shown else word.upper() + text[len(word) :]
        elif self.header_style == "snake":
            text = text.replace(" ", "_").lower()
        elif self.header_style == "short":
            text = word[:4] + text[len(word) :] if len(word) > 6 else text
        elif self.header_style == "nothing":
            self.nameless += 1
            text = f"F{self.nameless}"
        while text in self.used:
            text += "_" if self.header_style == "snake" else "."
        self.used.add(text)
        return text

    def number(self, value: float | None, unit: str | None = None, inside: str | None = None) -> str:
        if value is None:
            return ""
        if unit and inside and unit != inside:
            value = value / units.factor(unit, inside)
        return repr(float(value)).replace(".", self.decimal)

    def moment(
        self, concept: str, values: list[Any], truth: list[tuple[str, str]], day_only: bool = False
    ) -> list[Column]:
        """A time as one column or as two."""
        day = "%d. %B %Y" if self.date == "months" else self.date
        days = [self._day(v, day) for v in values]
        clocks = [v.strftime(self.clock) if v is not None and not day_only else "" for v in values]
        if day_only:
            return [Column(self.header(concept), days, [(t, c, {"format": day}) for t, c in truth])]
        whole = {"format": f"{day} {self.clock}"}
        if self.split_time and concept == "at":
            one = Column(self.header("date"), days, [(t, c, whole) for t, c in truth])
            return [one, Column(self.header("time"), clocks, [(t, c, whole) for t, c in truth])]
        both = [f"{d} {c}".strip() for d, c in zip(days, clocks, strict=True)]
        return [Column(self.header(concept), both, [(t, c, whole) for t, c in truth])]

    def _day(self, value: Any, form: str) -> str:
        if value is None:
            return ""
        month = MONTHS[self.language][value.month - 1]
        return value.strftime(form.replace("%B", month))

    def ids(
        self,
        concept: str,
        values: list[str | None],
        truth: list[tuple[str, str]],
        mapping: dict[str, str] | None = None,
    ) -> Column:
        names = self.labels.get(concept, {}) if self.by_label else {}
        cells = [(mapping or names).get(v, v) if v is not None else "" for v in values]
        how: How = {"values": {names[v]: v for v in values if v in names}} if names else {}
        return Column(self.header(concept), cells, [(t, c, how) for t, c in truth])

    def figures(
        self, concept: str, values: list[float | None], unit: str, inside: str, truth: list[tuple[str, str]], **how: Any
    ) -> Column:
        cells = [self.number(v, unit, inside) for v in values]
        return Column(self.header(concept, unit), cells, [(t, c, {"unit": unit, **how}) for t, c in truth])

    def closed(self, concept: str, values: list[str | None], truth: list[tuple[str, str]]) -> Column:
        names = VALUES[concept][self.language]
        cells = [names.get(v, v) if v else "" for v in values]
        return Column(
            self.header(concept), cells, [(t, c, {"values": {names[v]: v for v in set(values) if v}}) for t, c in truth]
        )

    def distractors(self, n: int) -> list[Column]:
        out = []
        if self.rng.random() < 0.4:
            notes = ["rush", "see desk", "", "ok"]
            out.append(Column(self.header("note"), [self.rng.choice(notes) for _ in range(n)]))
        if self.rng.random() < 0.25:
            out.append(Column(self.header("price"), [self.number(round(self.rng.uniform(3, 90), 2)) for _ in range(n)]))
        return out

    # --- exports

    def pours(self) -> Grid:
        rng, table = self.rng, self.tables["pours"].sort("poured_at", "mix_id", "pour_no", maintain_order=True)
        rows = table.to_dicts()
        shape = rng.choice(["single", "single", "cumulative", "gross with tare", "repeat", "blocks"])
        self.told.append(f"pours {shape}")
        self.used = set()
        before: dict[str, float] = {}
        figures: list[float] = []
        tares = {m: rng.choice([31.5, 44.25]) for m in self.cup}
        for r in rows:
            m = r["mix_id"]
            before[m] = before.get(m, 0.0) + r["weighed_g"]
            figures.append(
                before[m] + (tares[m] if shape == "gross with tare" else 0.0)
                if shape in ("cumulative", "gross with tare")
                else r["weighed_g"]
            )
        truth = [("pours", "weighed_g")]
        cups = self.ids("mix_id", [r["mix_id"] for r in rows], [("pours", "mix_id")], self.cup)
        columns = [cups, *self.moment("at", [r["poured_at"] for r in rows], [("pours", "poured_at")]),
                   self.ids("component_id", [r["component_id"] for r in rows], [("pours", "component_id")])]  # fmt: skip
        product = self.ids("product_id", [r["product_id"] for r in rows], [("pours", "product_id")])
        columns.append(product)
        if shape in ("cumulative", "gross with tare"):
            how = {"weights": "cumulative" if shape == "cumulative" else "cumulative_with_tare"}
            weight = self.figures("gross", figures, self.mass, "g", truth, **how)
            columns.append(weight)
            if shape == "gross with tare":
                tare = self.figures("tare", [tares[r["mix_id"]] for r in rows], self.mass, "g", [])
                columns.append(tare)
                weight.truth[0][2]["tare"] = tare.header
        else:
            columns.append(self.figures("weighed_g", figures, self.mass, "g", truth, weights="incremental"))
        if rng.random() < 0.5:
            columns.append(self.ids("technician_id", [r["technician_id"] for r in rows], [("pours", "technician_id")]))
        else:
            self._drop("pours", "technician_id")
        if rng.random() < 0.35 and shape == "single":
            columns.append(
                self.figures("target_g", [r["target_g"] for r in rows], self.mass, "g", [("pours", "target_g")])
            )
        else:
            self._drop("pours", "target_g")
        if rng.random() < 0.5:
            columns.append(
                Column(self.header("pour_no"), [str(r["pour_no"]) for r in rows], [("pours", "pour_no", {})])
            )
        if shape in ("repeat",):
            for c in (cups, product):
                c.cells = [
                    x if i == 0 or rows[i]["mix_id"] != rows[i - 1]["mix_id"] else "" for i, x in enumerate(c.cells)
                ]
        columns += self.distractors(len(rows))
        grid = self._grid("pours", columns, keep_first=shape == "repeat")
        if shape == "blocks":
            self._blocks(grid, cups, product)
        return grid

    def _blocks(self, grid: Grid, cups: Column, product: Column) -> None:
        """A line for each cup above its rows, in place of two columns."""
        rest = [c for c in grid.columns if c not in (cups, product)]
        out: list[list[Any]] = []
        for i, row in enumerate(zip(*(c.cells for c in rest), strict=True)):
            if i == 0 or cups.cells[i] != cups.cells[i - 1]:
                out.append(
                    [f"{cups.header}: {cups.cells[i]}  {product.header}: {product.cells[i]}", *[""] * (len(rest) - 1)]
                )
            out.append(list(row))
        truth = {
            "pours": {
                "mix_id": {**cups.truth[0][2], "sources": [f"@{cups.header}"]},
                "product_id": {**product.truth[0][2], "sources": [f"@{product.header}"]},
            }
        }
        for j, c in enumerate(rest):
            c.cells = [r[j] for r in out]
        grid.columns, grid.extra = rest, truth

    def leftovers(self) -> Grid:
        rows, self.used = self.tables["leftovers"].sort("weighed_at").to_dicts(), set()
        columns = [self.ids("mix_id", [r["mix_id"] for r in rows], [("leftovers", "mix_id")], self.cup),
                   *self.moment("at", [r["weighed_at"] for r in rows], [("leftovers", "weighed_at")])]  # fmt: skip
        if self.rng.random() < 0.3:
            tares = [self.rng.choice([31.5, 44.25]) for _ in rows]
            weight = self.figures(
                "gross",
                [r["leftover_g"] + t for r, t in zip(rows, tares, strict=True)],
                self.mass,
                "g",
                [("leftovers", "leftover_g")],
            )
            tare = self.figures("tare", tares, self.mass, "g", [])
            weight.truth[0][2]["tare"] = tare.header
            columns += [weight, tare]
        else:
            columns.append(
                self.figures(
                    "leftover_g", [r["leftover_g"] for r in rows], self.mass, "g", [("leftovers", "leftover_g")]
                )
            )
        if self.rng.random() < 0.6:
            columns.append(self.closed("fate", [r["fate"] for r in rows], [("leftovers", "fate")]))
        else:
            self._drop("leftovers", "fate")
        return self._grid("leftovers", [*columns, *self.distractors(len(rows))])

    def jobs(self) -> Grid:
        rows, self.used = self.tables["jobs"].to_dicts(), set()
        columns = [self.ids("job_id", [r["job_id"] for r in rows], [("jobs", "job_id")], self.job),
                   Column(self.header("vehicle_class"), [r["vehicle_class"] for r in rows], [("jobs", "vehicle_class", {})]),
                   *self.moment("opened_on", [r["opened_on"] for r in rows], [("jobs", "opened_on")], True),
                   *self.moment("closed_on", [r["closed_on"] for r in rows], [("jobs", "closed_on")], True)]  # fmt: skip
        return self._grid("jobs", [*columns, *self.distractors(len(rows))])

    def operations(self) -> Grid:
        rng, self.used = self.rng, set()
        rows = self.tables["operations"].sort("started_at", "job_id", "operation_no").to_dicts()
        ops = [("operations", "job_id")]
        inside = rng.random() < 0.35  # panels and cups as lists in the step's own row
        self.told.append("steps with lists of panels and cups" if inside else "steps, panels and cups apart")
        feeds = ["operations", *(["operation_panels", "draws"] if inside else [])]
        ops = [(t, "job_id") for t in feeds]
        columns = [self.ids("job_id", [r["job_id"] for r in rows], ops, self.job),
                   Column(self.header("operation_no"), [str(r["operation_no"]) for r in rows], [(t, "operation_no", {}) for t in feeds]),
                   self.closed("kind", [r["kind"] for r in rows], [("operations", "kind")]),
                   self.closed("removal", [r["removal"] for r in rows], [("operations", "removal")]),
                   *self.moment("start", [r["started_at"] for r in rows], [("operations", "started_at")]),
                   *self.moment("end", [r["ended_at"] for r in rows], [("operations", "ended_at")]),
                   self.ids("technician_id", [r["technician_id"] for r in rows], [("operations", "technician_id")]),
                   Column(self.header("gun_id"), [r["gun_id"] or "" for r in rows], [("operations", "gun_id", {})]),
                   self.ids("product_id", [r["product_id"] for r in rows], [("operations", "product_id")])]  # fmt: skip
        if rng.random() < 0.5:
            columns.append(
                Column(
                    self.header("coats"),
                    ["" if r["coats"] is None else str(r["coats"]) for r in rows],
                    [("operations", "coats", {})],
                )
            )
        else:
            self._drop("operations", "coats")
        if rng.random() < 0.5:
            columns.append(
                self.figures(
                    "inlet_kpa", [r["inlet_kpa"] for r in rows], self.pressure, "kPa", [("operations", "inlet_kpa")]
                )
            )
        else:
            self._drop("operations", "inlet_kpa")
        self._drop("operations", "tip_mm")
        if inside:
            keys = ["job_id", "operation_no"]
            panels = self.tables["operation_panels"].filter(
                (pl.col("face") == "outer") & (pl.col("covered_fraction") == 1)
            )
            self.tables["operation_panels"] = panels.drop("face", "covered_fraction", "area_m2", "substrate")
            self._drop("draws", "share")
            mark = rng.choice([" + ", "/", "; "])
            by_step = {tuple(k): g for k, g in panels.group_by(keys)}
            cups_of = {tuple(k): g for k, g in self.tables["draws"].group_by(keys)}
            names = [
                mark.join(by_step[k]["panel_id"].sort()) if (k := (r["job_id"], r["operation_no"])) in by_step else ""
                for r in rows
            ]
            cups = [
                mark.join(sorted(self.cup[m] for m in cups_of[k]["mix_id"]))
                if (k := (r["job_id"], r["operation_no"])) in cups_of
                else ""
                for r in rows
            ]
            columns.append(
                Column(self.header("panel_list"), names, [("operation_panels", "panel_id", {"split": mark.strip()})])
            )
            columns.append(Column(self.header("cup_list"), cups, [("draws", "mix_id", {"split": mark.strip()})]))
        self.inside = inside
        return self._grid("operations", [*columns, *self.distractors(len(rows))])

    def panels(self) -> Grid:
        rows, self.used = self.tables["operation_panels"].filter(pl.col("face") == "outer").to_dicts(), set()
        self.tables["operation_panels"] = self.tables["operation_panels"].filter(pl.col("face") == "outer").drop("face")
        of = "operation_panels"
        areas = dict(
            self.registers["panel_areas"]
            .filter(pl.col("face") == "outer", pl.col("vehicle_class") == "small_car")
            .select("panel_id", "area_m2")
            .iter_rows()
        )
        columns = [self.ids("job_id", [r["job_id"] for r in rows], [(of, "job_id")], self.job),
                   Column(self.header("operation_no"), [str(r["operation_no"]) for r in rows], [(of, "operation_no", {})]),
                   Column(self.header("panel_id"), [r["panel_id"] for r in rows], [(of, "panel_id", {})])]  # fmt: skip
        if self.rng.random() < 0.5:
            stated = [areas[r["panel_id"]] for r in rows]
            self.tables[of] = self.tables[of].with_columns(pl.Series("area_m2", stated))
            columns.append(self.figures("area_m2", stated, self.area, "m2", [(of, "area_m2")]))
        else:
            self._drop(of, "area_m2")
        unit = self.rng.choice(["percent", "fraction"])
        columns.append(
            self.figures(
                "covered_fraction", [r["covered_fraction"] for r in rows], unit, "fraction", [(of, "covered_fraction")]
            )
        )
        if self.rng.random() < 0.5:
            columns.append(self.closed("substrate", [r["substrate"] for r in rows], [(of, "substrate")]))
        else:
            self._drop(of, "substrate")
        return self._grid("panels", [*columns, *self.distractors(len(rows))])

    def draws(self) -> Grid:
        rows, self.used = self.tables["draws"].to_dicts(), set()
        columns = [self.ids("job_id", [r["job_id"] for r in rows], [("draws", "job_id")], self.job),
                   Column(self.header("operation_no"), [str(r["operation_no"]) for r in rows], [("draws", "operation_no", {})]),
                   self.ids("mix_id", [r["mix_id"] for r in rows], [("draws", "mix_id")], self.cup)]  # fmt: skip
        if self.tables["draws"]["share"].null_count() < len(rows):
            columns.append(
                self.figures(
                    "share",
                    [r["share"] for r in rows],
                    self.rng.choice(["percent", "fraction"]),
                    "fraction",
                    [("draws", "share")],
                )
            )
        return self._grid("draws", columns)

    def readings(self) -> Grid:
        self.used = set()
        wide = self.rng.random() < 0.5
        self.told.append("readings " + ("side by side" if wide else "one a row"))
        table = self.tables["readings"].drop("row", "col")
        stage = ["job_id", "panel_id", "after_operation"]
        table = table.sort("taken_at", *stage, "reading_no").with_columns(
            reading_no=pl.int_range(1, pl.len() + 1).over(stage)
        )
        self.tables["readings"] = table
        of, rows = "readings", table.to_dicts()
        if wide:
            groups = list(table.group_by(*stage, "gauge_id", "taken_at", maintain_order=True))
            rows = [dict(zip([*stage, "gauge_id", "taken_at"], k, strict=True)) for k, _ in groups]
        columns = [self.ids("job_id", [r["job_id"] for r in rows], [(of, "job_id")], self.job),
                   Column(self.header("panel_id"), [r["panel_id"] for r in rows], [(of, "panel_id", {})])]  # fmt: skip
        if self.rng.random() < 0.25:  # a batch name holds both
            both = [f"{a} {b}" for a, b in zip(columns[0].cells, columns[1].cells, strict=True)]
            columns = [
                Column(columns[1].header, both, [(of, "job_id", {"part": "job"}), (of, "panel_id", {"part": "panel"})])
            ]
            self.told.append("batch names")
        columns += [Column(self.header("after_operation"), [str(r["after_operation"]) for r in rows], [(of, "after_operation", {})]),
                    Column(self.header("gauge_id"), [r["gauge_id"] for r in rows], [(of, "gauge_id", {})]),
                    *self.moment("at", [r["taken_at"] for r in rows], [(of, "taken_at")])]  # fmt: skip
        if wide:
            most = max(g.height for _, g in groups)
            stem = self.header("reading_no")
            for i in range(most):
                cells = [self.number(g["reading_um"][i], self.film, "um") if i < g.height else "" for _, g in groups]
                shown = f" ({'µm' if self.film == 'um' else self.film})" if self.unit_shown else ""
                columns.append(Column(f"{stem} {i + 1}{shown}", cells, [(of, "reading_um", {"unit": self.film})]))
        else:
            columns.append(
                Column(self.header("reading_no"), [str(r["reading_no"]) for r in rows], [(of, "reading_no", {})])
            )
            columns.append(
                self.figures("reading_um", [r["reading_um"] for r in rows], self.film, "um", [(of, "reading_um")])
            )
        grid = self._grid("readings", columns, shuffle=not wide)
        return grid

    def cleaning(self) -> Grid:
        rows, self.used, of = self.tables["cleaning"].to_dicts(), set(), "cleaning"
        columns = [Column(self.header("cleaning_no"), [r["cleaning_no"] for r in rows], [(of, "cleaning_no", {})]),
                   *self.moment("at", [r["used_at"] for r in rows], [(of, "used_at")]),
                   self.ids("component_id", [r["component_id"] for r in rows], [(of, "component_id")]),
                   self.closed("purpose", [r["purpose"] for r in rows], [(of, "purpose")]),
                   self.figures("issued_g", [r["issued_g"] for r in rows], self.mass, "g", [(of, "issued_g")]),
                   self.figures("recovered_g", [r["recovered_g"] for r in rows], self.mass, "g", [(of, "recovered_g")])]  # fmt: skip
        self._drop("cleaning", "gun_id")
        return self._grid("cleaning", columns)

    def stock(self) -> Grid:
        rows, self.used, of = self.tables["stock"].to_dicts(), set(), "stock"
        self._drop("stock", "voc_mass_fraction", "document_ref")
        columns = [Column(self.header("document_no"), [r["document_no"] for r in rows], [(of, "document_no", {})]),
                   Column(self.header("line_no"), [str(r["line_no"]) for r in rows], [(of, "line_no", {})]),
                   *self.moment("at", [r["happened_on"] for r in rows], [(of, "happened_on")], True),
                   self.ids("component_id", [r["component_id"] for r in rows], [(of, "component_id")]),
                   self.closed("movement", [r["movement"] for r in rows], [(of, "movement")]),
                   self.figures("mass_g", [r["mass_g"] for r in rows], "lb" if self.mass in ("oz", "lb") else "kg", "g", [(of, "mass_g")])]  # fmt: skip
        return self._grid("stock", columns)

    def gauge_checks(self) -> Grid:
        rows, self.used, of = self.tables["gauge_checks"].to_dicts(), set(), "gauge_checks"
        self._drop(of, "check_no")
        columns = [Column(self.header("gauge_id"), [r["gauge_id"] for r in rows], [(of, "gauge_id", {})]),
                   *self.moment("at", [r["checked_at"] for r in rows], [(of, "checked_at")]),
                   self.figures("shim_um", [r["shim_um"] for r in rows], self.film, "um", [(of, "shim_um")]),
                   self.figures("reading_um", [r["reading_um"] for r in rows], self.film, "um", [(of, "reading_um")])]  # fmt: skip
        return self._grid("checks", columns)

    def _drop(self, table: str, *columns: str) -> None:
        self.tables[table] = self.tables[table].drop(c for c in columns if c in self.tables[table].columns)

    def _grid(self, name: str, columns: list[Column], shuffle: bool = True, keep_first: bool = False) -> Grid:
        if shuffle:
            first, rest = (columns[:1], columns[1:]) if keep_first else ([], columns)
            self.rng.shuffle(rest)
            columns = first + rest
        grid = Grid(name, columns)
        if self.rng.random() < 0.3:
            grid.above = [self.rng.choice(["Export", "Log", "Liste"]) + " 04/2025", ""]
        if self.rng.random() < 0.25 and name in ("pours", "leftovers", "stock"):
            grid.total = {"en": "Total", "de": "Summe", "fr": "Total", "es": "Total", "nl": "Totaal"}[self.language]
        return grid

    # --- writing

    def text(self, grid: Grid) -> bytes:
        def cell(c: Any) -> str:
            c = "" if c is None else str(c)
            return f'"{c}"' if self.delimiter in c else c

        lines = [*grid.above, self.delimiter.join(cell(c.header) for c in grid.columns)]
        lines += [self.delimiter.join(cell(c) for c in row) for row in grid.rows()]
        if grid.total:
            at = self.rng.randrange(len(grid.columns))
            lines.append(self.delimiter.join(grid.total if i == at else "" for i in range(len(grid.columns))))
        text = "\r\n".join(lines) + "\r\n"
        try:
            return text.encode(self.encoding)
        except UnicodeEncodeError:
            return text.encode("utf-8")

    def workbook(self, grids: list[Grid]) -> bytes:
        """Sheets of one workbook: numbers as numbers, times as texts."""
        import xlsxwriter

        out = io.BytesIO()
        with xlsxwriter.Workbook(out) as book:
            for grid in grids:
                sheet = book.add_worksheet(grid.sheet)
                for i, line in enumerate(grid.above):
                    sheet.write(i, 0, line)
                top = len(grid.above)
                for j, column in enumerate(grid.columns):
                    sheet.write(top, j, column.header)
                    figures = any("unit" in how for _, _, how in column.truth)
                    for i, cell in enumerate(column.cells):
                        if figures and cell not in ("", None) and not str(cell)[0].isalpha():
                            sheet.write_number(top + 1 + i, j, float(str(cell).replace(",", ".")))
                        elif cell not in ("", None):
                            sheet.write_string(top + 1 + i, j, str(cell))
        return out.getvalue()


def folder(seed: int, unseen: bool) -> Folder:
    """One folder. The same seed gives the same folder."""
    shop = _Shop(seed, unseen)
    shop.tables = dict(shop.tables)
    rng = shop.rng
    grids = [shop.pours(), shop.leftovers(), shop.jobs(), shop.operations()]
    grids += [] if shop.inside else [shop.panels(), shop.draws()]
    grids.append(shop.readings())
    others = [shop.cleaning, shop.stock, shop.gauge_checks]
    for one in rng.sample(others, rng.randint(0, 2)):
        grids.append(one())
    files: dict[str, bytes] = {}
    truth = {}
    if rng.random() < 0.25:
        shop.decimal = "."
        for grid in grids:
            grid.sheet = grid.name.title()
            truth["inbox/book.xlsx", grid.sheet] = grid.truth()
        files["inbox/book.xlsx"] = shop.workbook(grids)
        shop.told.append("one workbook")
    else:
        ending = ".txt" if shop.delimiter == "\t" else ".csv"
        for i, grid in enumerate(grids):
            name = f"inbox/{'export' + str(i + 1) if rng.random() < 0.5 else grid.name.replace('pours', 'scale').replace('operations', 'work')}_2025-05{ending}"
            files[name] = shop.text(grid)
            truth[name, ""] = grid.truth()
    tables = {t for per in truth.values() for t in per}
    canonical = {t: _as_written(shop, t) for t in tables}
    registers = {f"registers/{n}.csv": f.write_csv() for n, f in shop.registers.items()}
    return Folder(f"{'unseen' if unseen else 'seen'} {seed}", files, truth, canonical, registers, shop.told)


def _as_written(shop: _Shop, table: str) -> pl.DataFrame:
    """The canonical table as far as the folder holds it."""
    frame = shop.tables[table]
    keep = [c for c in frame.columns if frame[c].null_count() < frame.height or c in ("after_operation",)]
    return frame.select(keep)
