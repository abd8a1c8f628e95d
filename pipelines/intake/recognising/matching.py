"""One table against one shape: which source column feeds which of ours, each with its evidence.

Evidence adds up: words of the header, a unit, what the cells look like, ids of registers, ids that join with other files, order
within cups and jobs, plausible sizes. The best assignment of all columns together is taken, not the best of each.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import datetime
from itertools import pairwise
from statistics import median

import numpy as np
from scipy.optimize import linear_sum_assignment

from pipelines import units
from pipelines.intake.reading import layout
from pipelines.intake.recognising import words
from pipelines.intake.recognising.columns import Column, complete, grouped
from pipelines.intake.recognising.shapes import REGISTER_OF, Joins, Known, Shape, closed_rate, key
from schemas import validate
from schemas.vocabulary import ColumnInfo

TABLES = (
    "pours", "leftovers", "operations", "operation_panels", "draws", "readings", "jobs", "cleaning", "unscaled_use", "stock",
    "gauge_checks", "scale_checks", "target_weighings", "guns", "components", "products", "technicians",
)  # fmt: skip
#: columns without which an export is not of the table, whatever else fits
CORE = {
    "pours": ["mix_id", "component_id", "weighed_g"], "leftovers": ["mix_id", "leftover_g"], "operations": ["job_id", "kind"],
    "operation_panels": ["job_id", "operation_no", "panel_id"], "draws": ["job_id", "operation_no", "mix_id"],
    "readings": ["job_id", "panel_id", "reading_um"], "jobs": ["job_id"], "cleaning": ["component_id", "purpose", "issued_g"],
    "unscaled_use": ["component_id", "mass_g"], "stock": ["component_id", "movement", "mass_g"],
    "gauge_checks": ["gauge_id", "shim_um", "reading_um"],
    "scale_checks": ["scale_id", "weight_g", "reading_g"], "target_weighings": ["target_id", "before_g", "after_g"],
    "guns": ["gun_id", "atomising"], "components": ["component_id", "density_g_per_ml"], "products": ["product_id", "role"],
    "technicians": ["technician_id", "label"],
}  # fmt: skip
#: tables that the rows of another may feed too
ALONG = {
    "operations": ("operation_panels", "draws", "readings", "jobs"),
    "pours": ("leftovers", "draws"),
    "readings": ("operation_panels",),
    "operation_panels": ("draws",),
    "leftovers": ("draws",),
}
#: columns that may be numbered in the order of the file
NUMBERED = {"pour_no": ["mix_id"], "operation_no": ["job_id"], "cleaning_no": ["shop_id"], "use_no": ["shop_id"]}
#: where the middle of a column lies, in our units: common practice, no published source
PLAUSIBLE = {
    "weighed_g": (1.0, 2500.0), "target_g": (1.0, 2500.0), "leftover_g": (1.0, 2500.0), "reading_um": (4.0, 1500.0), "shim_um": (5.0, 2500.0),
    "area_m2": (0.02, 8.0),
    "inlet_kpa": (80.0, 700.0), "tip_mm": (0.5, 4.0), "issued_g": (20.0, 30000.0), "recovered_g": (5.0, 30000.0), "mass_g": (20.0, 200000.0),
    "weight_g": (10.0, 5000.0),
    "reading_g": (10.0, 5000.0), "covered_fraction": (0.04, 1.0), "share": (0.01, 1.0), "coats": (1.0, 6.0),
    "removed_um": (1.0, 300.0), "before_g": (1.0, 5000.0), "after_g": (1.0, 5000.0),
    "density_g_per_ml": (0.6, 3.0), "solids_mass_fraction": (0.0, 1.0), "solids_volume_fraction": (0.0, 1.0), "voc_mass_fraction": (0.0, 1.0),
}  # fmt: skip
#: units in which exports give a quantity, commonest first
USUAL = {
    "mass": ["g", "kg", "oz", "lb"],
    "length": ["um", "mil"],
    "area": ["m2", "ft2"],
    "pressure": ["bar", "kPa", "psi"],
    "fraction": ["fraction", "percent"],
    "density": ["g_per_ml"],
}
#: measured columns that only their header tells
BY_NAME = (
    "price_per_kg", "solids_mass_fraction", "solids_volume_fraction", "voc_mass_fraction", "removed_um", "tip_mm", "recovered_g",
    "film_min_um", "film_max_um",
)  # fmt: skip
#: (job, step) pairs of the steps that other shapes tell, as `key` writes them
Steps = frozenset[tuple[str, int]]
YES_OR_NO = {"true", "false", "yes", "no", "1", "0", "t", "f", "y", "n"}
LEAST, LOW = 0.45, 0.2  # what a table is measured by may have little evidence of its own


@dataclass(frozen=True)
class Candidate:
    score: float
    evidence: tuple[str, ...]
    word: float = 0.0


@dataclass
class TableMatch:
    """One table's assignment: ours -> (source column, candidate); `rivals` ours -> further columns nearly as good; `wide`:
    columns side by side, `beside` the component that stands beside each; `score` 0 where it cannot be meant."""

    table: str
    taken: dict[str, tuple[Column, Candidate]] = field(default_factory=dict)
    rivals: dict[str, list[tuple[Column, Candidate]]] = field(default_factory=dict)
    wide: list[Column] = field(default_factory=list)
    wide_into: str = ""
    beside: list[Column] = field(default_factory=list)
    score: float = 0.0
    core: float = 0.0

    def column(self, name: str) -> Column | None:
        """The source column of one of ours."""
        return self.taken[name][0] if name in self.taken else None

    @property
    def used(self) -> set[str]:
        out = {c.header for c in (*self.wide, *self.beside)}
        for column, _ in self.taken.values():
            out |= set(column.heads)
        return out


def infos(table: str) -> dict[str, ColumnInfo]:
    return {c.name: c for c in validate.columns(table)}


def inside_unit(info: ColumnInfo) -> str | None:
    return layout.INSIDE.get(info.unit) if info.kind == "float" else None


def plausible(info: ColumnInfo, middle: float, unit: str) -> bool:
    """Whether the middle of a column in `unit` is of a usual size."""
    low, high = PLAUSIBLE.get(info.name, (0.0, float("inf")))
    inside = layout.INSIDE.get(info.unit, "fraction")
    try:
        quantity = units.lookup(unit).quantity
        factor = units.factor(unit, inside) if quantity == units.lookup(inside).quantity else units.factor(unit, "ml")
    except units.UnitError:
        return False
    return low <= middle * factor <= high


def fitting_units(info: ColumnInfo, column: Column) -> list[str]:
    """The usual units in which the column's middle is of a usual size."""
    inside = inside_unit(info)
    if inside is None:
        return []
    usual = USUAL.get(units.lookup(inside).quantity, [inside])
    if inside == "fraction":
        top = max(column.values, default=0.0)
        return ["percent"] if top > 1.5 else ["fraction"]
    if inside == "mm":
        usual = ["mm"]
    return [u for u in usual if plausible(info, column.middle, u)]


class Matcher:
    """Matches tables against one shape."""

    def __init__(
        self, shape: Shape, joins: Joins, known: Known, extra: list[Column], steps: Steps = frozenset()
    ) -> None:
        self.shape, self.joins, self.known, self.steps = shape, joins, known, steps
        whole = [c for c in shape.columns if c.said]
        self.columns = [*whole, *_with_clocks(whole), *extra]
        self.cup = self._best(joins.mix, "mix_id")
        self.job = self._best(joins.job, "job_id")
        tared = words.listed(words.TARES)
        self.tares = [c for c in whole if c.numeric and not c.part_of and words.meant(c.plain, tared) >= 0.9]
        self.below = [c for c in whole if any(_below(c, w) for w in whole)]

    def _best(self, scores: dict[int, float], role: str) -> Column | None:
        parts = [c for c in self.columns if c.part_of == role and "split" not in c.how]
        best = max((c for c in self.columns if scores.get(id(c), 0) >= 0.3), key=lambda c: scores[id(c)], default=None)
        return best or (parts[0] if parts else None)

    def _known_steps(self, column: Column) -> bool:
        """Whether numbers at the end of a batch's name are steps of its job."""
        job = next((c for c in self.columns if c.part_of == "job_id" and c.header == column.header), None)
        if job is None or not self.steps:
            return False
        pairs = {(key(j), int(n)) for j, n in zip(job.cells, column.cells, strict=True) if j and n}
        return sum(p in self.steps or p[1] == 0 for p in pairs) >= 0.8 * len(pairs)

    # --- evidence

    def candidate(self, table: str, info: ColumnInfo, column: Column) -> Candidate | None:
        """How well a source column fits a column of ours; None where it cannot be meant."""
        if column.part_of:
            if column.part_of != info.name or (info.name == "after_operation" and not self._known_steps(column)):
                return None
            listed = "split" in column.how  # a list wins over its first entry
            return Candidate(2.7 if listed else 1.7, (f"parts of '{column.header}'",), 0.5)
        heads = column.heads
        word = max(words.meant(words.plain(h), words.headers(table, info.name)) for h in heads)
        why = [f"header '{' + '.join(heads)}'"] if word else []
        found = self._cells(table, info, column, word, why)
        if found is None:
            return None
        score = word + found
        if info.required and info.kind == "datetime" and table in ("pours", "operations"):
            score -= 1.0 - column.filled  # every row has its time
        least = (
            LOW if info.name in CORE[table] and (info.kind == "float" or info.name in ("mix_id", "job_id")) else LEAST
        )
        return Candidate(score, tuple(why), word) if score >= least else None

    def _cells(self, table: str, info: ColumnInfo, column: Column, word: float, why: list[str]) -> float | None:
        if info.kind in ("datetime", "date"):
            return self._time(info, column, why)
        if info.kind in ("float", "int"):
            return self._number(table, info, column, word, why)
        if info.values:
            return self._closed(info, column, word, why)
        if info.kind == "bool":
            return 0.1 if {c.lower() for c in column.distinct} <= YES_OR_NO and word >= 0.9 else None
        return self._text(table, info, column, word, why)

    def _time(self, info: ColumnInfo, column: Column, why: list[str]) -> float | None:
        if not column.dates:
            return None
        why.append(f"dates such as {column.said[0]}")
        return 0.35 + (0.2 if column.has_clock == (info.kind == "datetime") else 0.0)

    def _closed(self, info: ColumnInfo, column: Column, word: float, why: list[str]) -> float | None:
        distinct = column.distinct
        if not distinct or len(distinct) > 20 or column.dates or (column.numeric and word < 0.9):
            return None
        rate = sum(closed(info, c) is not None for c in distinct) / len(distinct)
        if info.name == "removal" and not column.numeric and self._sands_alone(column):
            why.append("filled where the work is sanding, and nowhere else")
            return 0.5 + 0.5 * rate
        if rate < 0.4:
            named = word >= 0.9 and info.name in ("kind", "removal", "fate", "movement", "purpose")
            return 0.0 if named and 2 <= len(distinct) <= 8 and not column.numeric else None
        why.append(f"values such as {sorted(distinct)[0]}")
        return 0.8 * rate + (0.2 if len(distinct) > 1 else -0.1)

    def _sands_alone(self, column: Column) -> bool:
        """Whether a column is filled on rows of sanding alone, and on a fair part of them."""
        kind = next((c for c in self.columns if c is not column and closed_rate("kind", c) >= 0.7), None)
        if kind is None or not column.said or column.filled == 1:
            return False
        at = [words.closed("kind", k) == "sand" for k, _ in complete(kind.cells, column.cells)]
        sanded = sum(words.closed("kind", k) == "sand" for k in kind.said)
        return sum(at) >= 0.95 * len(at) and sum(at) >= 0.3 * sanded

    def _text(self, table: str, info: ColumnInfo, column: Column, word: float, why: list[str]) -> float | None:
        if (column.dates and not column.whole) or column.clocks:
            return None
        if column.numeric and not column.whole:
            return None
        if info.name == "mix_id":
            return self._joined(self.joins.mix, self.joins.job, column, word, why, "cups")
        if info.name == "job_id":
            return self._joined(self.joins.job, self.joins.mix, column, word, why, "jobs")
        registered = self.joins.registered.get(id(column))
        if info.name in REGISTER_OF:
            own = table in ("guns", "components", "products", "technicians") and info.key
            rate, _ = self.known.match(REGISTER_OF[info.name], column.distinct)
            if column.numeric and word < 0.5:
                return None
            if rate >= 0.5:
                why.append(f"{100 * rate:.0f} % of its values are in the register of {REGISTER_OF[info.name]}")
                return 1.2 * rate - (0.3 if registered != info.name else 0.0)
            if table == "pours" and info.name == "component_id" and not registered and self._within_cups(column):
                why.append("each row of a cup has another, and they come again in other cups")
                return 0.7
            if self.known.ids.get(REGISTER_OF[info.name]) and not own:
                return -0.4 if word >= 0.9 and not registered else None
            return -0.8 if registered else 0.0 if not column.numeric or word >= 0.9 else None
        if registered and info.name != "label":
            return None
        if max(self.joins.mix.get(id(column), 0), self.joins.job.get(id(column), 0)) > 1.3:
            return None
        if info.name in ("document_no", "cleaning_no", "use_no", "target_id", "scale_id"):
            if word >= 0.5:
                return 0.0
            own = len(column.distinct) == len(column.said) and not column.whole
            return 0.46 if own and info.name in ("cleaning_no", "use_no") else None
        return 0.0 if word >= 0.9 and not (column.numeric and info.name == "label") else None

    def _within_cups(self, column: Column) -> bool:
        """Whether words differ from row to row of a cup and come again in other cups, as what is poured does."""
        if self.cup is None or column is self.cup or column.numeric or column.dates or column.clocks or column.part_of:
            return False
        several = [found for found in grouped([self.cup], column.cells).values() if len(found) > 1]
        apart = sum(len(set(found)) == len(found) for found in several)
        return len(several) >= 3 and apart >= 0.9 * len(several) and len(column.distinct) <= 0.5 * len(column.said)

    def _joined(
        self, own: dict[int, float], other: dict[int, float], column: Column, word: float, why: list[str], what: str
    ) -> float | None:
        if id(column) in self.joins.registered or (column.constant and len(column.cells) > 5):
            return None
        score = min(1.6, own.get(id(column), 0.0)) - 0.5 * min(1.6, other.get(id(column), 0.0))
        if score > 0.5:
            why.append(f"its values stand together as {what} do, or join with {what} elsewhere")
        return score - (0.45 if word else 0.0)

    def _number(self, table: str, info: ColumnInfo, column: Column, word: float, why: list[str]) -> float | None:
        if not column.numeric or (info.kind == "int" and not column.whole):
            return None
        if info.kind == "int":
            return self._count(table, info, column, word, why)
        inside = inside_unit(info)
        score = 0.1
        if column.unit and inside is not None:
            if not column.unit.startswith("?"):
                quantity, wanted = units.lookup(column.unit).quantity, units.lookup(inside).quantity
                if quantity != wanted and not (wanted == "mass" and quantity == "volume" and table == "pours"):
                    return None
                if max(column.values, default=0) > 0 and not plausible(info, column.middle, column.unit):
                    score -= 0.5
            score += 0.4
            why.append(f"unit {column.unit}")
        elif inside is not None:
            fits = fitting_units(info, column)
            if not fits and any(column.values):
                return None if word < 0.9 else -0.3
            score += 0.15
        elif column.unit:
            return None
        if column in self.tares or (info.name in ("weighed_g", "leftover_g") and column in self.below):
            return None
        if words.meant(column.plain, words.listed(words.IGNORED)) >= 0.9 and word < 0.9:
            return None
        distinct = len(column.distinct)
        if (
            distinct <= 3
            and len(column.said) > 20
            and info.name in ("weighed_g", "leftover_g", "reading_um", "issued_g")
        ):
            score -= 0.5
        if table == "gauge_checks":  # the same few foils again and again, each reading another
            varied = distinct / max(1, len(column.said))
            score += 0.4 * (1.0 - varied if info.name == "shim_um" else varied)
        if info.name == "weighed_g" and table == "pours":
            gross = words.meant(column.plain, words.headers("", "gross"))
            if gross > word:
                why.append(f"header '{column.header}'")
                score += gross - word
            if self.cup is not None and runs_on(self.cup, column):
                score += 0.6
                why.append("rises within cups: weights that run on")
        if info.name == "leftover_g" and self.cup is not None and len(self.cup.distinct) > 0.9 * len(self.cup.said):
            score += 0.25
        if info.name == "target_g":
            score -= 0.1
        if info.name in ("share", "covered_fraction") and column.unit is None:
            if not part_of_one(column):
                return None
            score -= 0.0 if word else 0.1
        return score if word >= 0.5 or info.name not in BY_NAME else None

    def _count(self, table: str, info: ColumnInfo, column: Column, word: float, why: list[str]) -> float | None:
        top = max(column.values, default=0)
        if column.unit is not None:
            return None
        if info.name == "pour_no":
            if top > 60:
                return None
            if self.cup is not None and _restarts(self.cup, column):
                why.append("counts from 1 within each cup")
                return 1.0
            return 0.0 if word >= 0.9 and top <= 40 else None
        if info.name in ("operation_no", "after_operation"):
            if top > 60 or len(column.distinct) < 2:
                return None
            if info.name == "operation_no" and 0 in column.values:
                return None
            score = 0.0
            if self.job is not None and table != "operations" and self.steps:
                pairs = {(key(j), int(v)) for j, v in complete(self.job.cells, column.numbers) if v > 0}
                rate = len(pairs & self.steps) / max(1, len(pairs))
                if rate >= 0.7:
                    score += 0.9 * rate
                    why.append("with the job it names steps of the job log")
                elif word < 0.9:
                    return None
            elif table == "operations" and self.job is not None:
                if _apart(self.job, column):
                    score += 0.6
                    why.append("each step of a job has another")
                elif word < 0.9:
                    return None
            elif word < 0.5:
                return None
            if info.name == "after_operation" and 0 in column.values:
                score += 0.3
            return score
        if info.name == "reading_no":
            if top > 200 or 0 in column.values:
                return None
            group = [c for c in self.columns if c is self.job or self.joins.registered.get(id(c)) == "panel_id"]
            if group and _counts_up(group, column):
                why.append("counts up within a panel's readings")
                return 0.7
            return 0.1 if word >= 0.9 else None
        if info.name in ("row", "col"):
            return 0.3 if word >= 0.9 and top <= 3 else None
        if info.name == "coats":
            return 0.15 if top <= 8 and word >= 0.5 else None
        if info.name == "redo_of":
            return 0.1 if word >= 0.9 else None
        if info.name in ("line_no", "check_no", "weigh_no"):
            if word < 0.9 and info.name == "line_no" and top <= 80 and len(column.distinct) > 2 and _counts_on(column):
                return 0.46
        return 0.1 if word >= 0.9 else None

    # --- one table

    def table(self, name: str, without: frozenset[str] = frozenset()) -> TableMatch:
        """The best assignment of the shape's columns to a table's; headers in `without` are spent."""
        found = TableMatch(name)
        ours = infos(name)
        wide = self._wide(name)
        found.wide, found.wide_into, found.beside = wide
        free = [c for c in self.columns if c not in wide[0] and c not in wide[2] and c.header not in without]
        if not self._can_be(name, along=bool(without)):
            return found
        grid: dict[tuple[str, int], Candidate] = {}
        for info in ours.values():
            if info.name in (wide[1], "shop_id" if not self.known.ids.get("shops") else ""):
                continue
            for i, column in enumerate(free):
                if one := self.candidate(name, info, column):
                    grid[info.name, i] = one
        names = [n for n in ours if any(a == n for a, _ in grid)]
        if names:
            scores = np.zeros((len(names), len(free)))
            for (n, i), one in grid.items():
                scores[names.index(n), i] = one.score + (0.02 if ours[n].required else 0.0)
            rows, columns = linear_sum_assignment(-scores)
            for r, c in zip(rows, columns, strict=True):
                if (names[r], int(c)) in grid:
                    found.taken[names[r]] = (free[int(c)], grid[names[r], int(c)])
        self._ordered(found)
        used = found.used
        for n, (column, one) in found.taken.items():
            near = [
                (free[i], g)
                for (m, i), g in grid.items()
                if m == n and free[i] is not column and free[i].header not in used and g.score >= one.score - 0.25
            ]
            found.rivals[n] = sorted(near, key=lambda p: -p[1].score)
        have = set(found.taken) | {found.wide_into}
        core = [
            n in have
            or (n == "operation_no" and name == "operations")
            or (n == "kind" and {"gun_id", "started_at"} <= have)  # a log of spray steps alone need not say so
            or (n == "component_id" and found.wide_into == "weighed_g")
            for n in CORE[name]
        ]
        found.core = sum(core) / len(core)
        if not all(core):
            found.score = 0.0
            return found
        found.score = sum(one.score for _, one in found.taken.values()) + (1.5 if wide[0] else 0.0) + 1.0
        for info in ours.values():
            if info.required and info.name not in have and info.name != "shop_id" and info.name not in NUMBERED:
                found.score -= 0.6
                if info.kind in ("datetime", "date") and not any(c.dates for c in self.columns):
                    found.score *= 0.3
        return found

    def _can_be(self, name: str, along: bool) -> bool:
        """What forbids a table whatever its columns are called; `along`: the rows feed another table too."""
        components = any(self.joins.registered.get(id(c)) == "component_id" for c in self.columns)
        cup, job = self.cup, self.job
        mix = max((self.joins.mix.get(id(c), 0) for c in self.columns), default=0)
        if name == "jobs":
            if job is None or len(job.said) < 0.97 * self.shape.height:
                return False
            return len(job.distinct) >= 0.97 * len(job.said) or (along and self._of_jobs(job))
        if name in ("cleaning", "unscaled_use", "stock"):
            return mix < 1.2 or not cup
        if name in ("guns", "components", "products", "technicians"):
            return self.shape.height <= 400
        if name == "leftovers":
            if along or cup is None:
                return True
            parts = len(cup.distinct) / len(cup.said)  # a cup is weighed back once or twice; its components are many
            return parts >= 0.8 or not (components or parts < 0.6 or any(self._within_cups(c) for c in self.columns))
        return True

    def _of_jobs(self, job: Column) -> bool:
        """Whether a class of vehicle stands beside the job on each of its rows, always the same."""
        told = words.headers("jobs", "vehicle_class")
        known = [c for c in self.columns if self.joins.registered.get(id(c)) == "vehicle_class"]
        named = [
            c
            for c in self.columns
            if words.meant(c.plain, told) >= 0.9 and len(c.distinct) <= max(3, len(job.distinct) // 2)
        ]
        of_job = len(set(job.cells))
        return any(len(set(zip(job.cells, c.cells, strict=True))) == of_job for c in (known or named) if c.said)

    def _ordered(self, found: TableMatch) -> None:
        """Two times of which the one is never after the other: start and end, opened and closed."""
        for first, last in (("started_at", "ended_at"), ("opened_on", "closed_on")):
            if first in found.taken and last in found.taken:
                a, b = found.taken[first], found.taken[last]
                pairs = complete(_moments(a[0]), _moments(b[0]))
                if pairs and sum(x > y for x, y in pairs) > sum(x <= y for x, y in pairs):
                    found.taken[first], found.taken[last] = b, a

    def _wide(self, name: str) -> tuple[list[Column], str, list[Column]]:
        """Readings side by side, a column for each component, or pairs of component and weight."""
        if name == "readings":
            stems = self._numbered(lambda c: c.numeric and _of_quantity(c, "length"))
            best = max((list(s.values()) for s in stems.values() if self._alike(list(s.values()))), key=len, default=[])
            return (best, "reading_um", []) if len(best) >= 2 else ([], "", [])
        if name == "pours":
            found = [c for c in self.columns if c.numeric and not c.part_of and self.component_of(c) is not None]
            if len(found) >= 3:
                return found, "weighed_g", []
            for what in self._numbered(lambda c: not c.numeric or c.whole).values():
                cells = {x for c in what.values() for x in c.distinct}
                if self.known.match("components", cells)[0] < 0.6 and not self._named_components(what):
                    continue
                for weights in self._numbered(lambda c: c.numeric and _of_quantity(c, "mass")).values():
                    both = [n for n in what if n in weights and what[n] is not weights[n]]
                    if len(both) >= 2 and all(what[n] not in weights.values() for n in both):
                        return [weights[n] for n in both], "weighed_g", [what[n] for n in both]
        return [], "", []

    @staticmethod
    def _named_components(what: dict[str, Column]) -> bool:
        stem = words.plain(re.sub(r"\d+", "", next(iter(what.values())).header))
        return words.meant(stem, words.headers("pours", "component_id")) >= 0.9

    def _numbered(self, fits: Callable[[Column], bool]) -> dict[str, dict[str, Column]]:
        """Columns whose headers differ by a number alone: stem -> number -> column."""
        stems: dict[str, dict[str, Column]] = {}
        for column in self.columns:
            bare = re.sub(r"[\(\[].*?[\)\]]", "", column.header).strip()
            stem = re.fullmatch(r"(.*?)[\s_.#-]*(\d+)", re.sub(r"[\s_]+(um|µm|mils?|microns?|g|kg|oz|lb)$", "", bare))
            if stem and not column.part_of and "columns" not in column.how and fits(column):
                stems.setdefault(stem.group(1), {})[stem.group(2)] = column
        return stems

    def component_of(self, column: Column) -> str | None:
        """The component that a header names."""
        bare = re.sub(r"[\(\[].*?[\)\]]", "", column.header).strip()
        bare = re.sub(r"[\s_]+(g|kg|oz|lb|ml)$", "", bare)
        ids = self.known.ids.get("components", frozenset())
        if bare in ids:
            return bare
        rate, names = self.known.match("components", [bare])
        return names.get(bare) if rate == 1.0 else None

    @staticmethod
    def _alike(columns: list[Column]) -> bool:
        """Films of one gauge: of one size, none a count."""
        middles = [c.middle for c in columns if c.values]
        if len(columns) < 2 or not middles or min(middles) <= 0:
            return False
        ints = all(c.whole and max(c.values, default=0) <= 12 for c in columns)
        return not ints and max(middles) <= 6 * median(middles) and min(middles) >= median(middles) / 6


def closed(info: ColumnInfo, cell: str) -> str | None:
    """The closed value that a cell means."""
    said = words.plain(cell)
    for value in info.values:
        if said == value.replace("_", " ") or cell == value:
            return value
    found = words.closed(info.name, cell)
    return found if found in info.values else None


def part_of_one(column: Column) -> bool:
    """Whether numbers without a unit can be parts of one or of a hundred; 2 or 3 of a hundred are counts."""
    top = max(column.values, default=0)
    return 0 < top <= 1 or 4 < top <= 100


def _of_quantity(column: Column, quantity: str) -> bool:
    """Whether a column's unit, if it has one, is of that quantity."""
    return column.unit is None or (not column.unit.startswith("?") and units.lookup(column.unit).quantity == quantity)


def _with_clocks(columns: list[Column]) -> list[Column]:
    """Dates and times of day in columns of their own, as columns of both."""
    days = [c for c in columns if c.dates and not c.has_clock]
    timed, dated = words.listed(words.TIMES), words.listed(words.DATES)
    clocks = [c for c in columns if c.clocks and (not c.numeric or words.meant(c.plain, timed) >= 0.9)]
    if not days or not clocks:
        return []
    out = []
    for clock in clocks:
        day = max(days, key=lambda d: (words.meant(d.plain, dated), -abs(columns.index(d) - columns.index(clock))))
        cells = [
            f"{d} {t}" if d is not None and t is not None else d for d, t in zip(day.cells, clock.cells, strict=True)
        ]
        joined = Column(
            clock.header if len(clocks) > 1 else day.header, cells, how={"columns": [day.header, clock.header]}
        )
        joined.__dict__["dates"] = [(f"{f} {clock.clocks[0]}", language) for f, language in day.dates]
        out.append(joined)
    return out


def tare_like(column: Column, weight: Column) -> bool:
    """Few values, again and again, each below the weight beside it."""
    if column is weight or not column.numeric or (column.whole and max(column.values) <= 30):
        return False
    pairs = complete(column.numbers, weight.numbers)
    return (
        len(column.distinct) <= max(3, len(pairs) // 8)
        and len(pairs) > 0.8 * len(weight.said)
        and all(0 < a <= b for a, b in pairs)
    )


def _below(column: Column, weight: Column) -> bool:
    """Whether a column is that of empty cups, whatever it is called: fractions that come again and again, each below a weight of the same
    unit that hardly ever comes twice."""
    if (
        not weight.numeric
        or weight.whole
        or column.whole
        or weight.unit != column.unit
        or weight.part_of
        or column.part_of
    ):
        return False
    return len(weight.said) >= 12 and len(weight.distinct) > 0.8 * len(weight.said) and tare_like(column, weight)


def _moments(column: Column) -> list[datetime | None]:
    return list(column.moments(*column.dates[0])) if column.dates else [None] * len(column.cells)


def _restarts(cup: Column, column: Column) -> bool:
    groups = list(grouped([cup], column.numbers).values())
    good = sum(any(sorted(g) == [step * x for x in range(1, len(g) + 1)] for step in (1.0, 10.0)) for g in groups)
    return len(groups) >= 3 and good >= 0.9 * len(groups) and max(map(len, groups)) > 1


def _apart(job: Column, column: Column) -> bool:
    groups = list(grouped([job], column.numbers).values())
    return (
        bool(groups) and sum(len(set(g)) == len(g) for g in groups) >= 0.95 * len(groups) and max(map(len, groups)) > 1
    )


def _counts_up(by: list[Column], column: Column) -> bool:
    groups = [g for g in grouped(by, column.numbers).values() if len(g) > 1]
    steps = [b - a for g in groups for a, b in pairwise(g)]
    return (
        bool(steps)
        and sum(s == 1 or s < 0 for s in steps) >= 0.9 * len(steps)
        and sum(s == 1 for s in steps) >= 0.5 * len(steps)
    )


def _counts_on(column: Column) -> bool:
    steps = [b - a for a, b in pairwise(column.values)]
    return bool(steps) and sum(s == 1 or s < 0 for s in steps) >= 0.95 * len(steps)


def rising(cup: Column, column: Column) -> tuple[int, int]:
    """Cups of three rows and more, and how many of them rise from row to row."""
    long = [g for g in grouped([cup], column.numbers).values() if len(g) >= 3]
    return len(long), sum(all(a <= b for a, b in pairwise(g)) for g in long)


def runs_on(cup: Column, column: Column) -> bool:
    """Whether a scale's figures run on from pour to pour."""
    several, up = rising(cup, column)
    return several >= 3 and up >= 0.95 * several
