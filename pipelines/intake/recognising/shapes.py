"""Files of one header are one shape; across shapes, ids that join tell what a column holds better than any header does.

Here belong the registers' ids as far as recognising needs them (`Known`), pooling files into shapes, how far a column looks like
cups or jobs (`Joins`), and the parts of texts that hold several ids.
"""

from __future__ import annotations

import dataclasses
import re
from collections import Counter
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from functools import cached_property
from itertools import pairwise, permutations

import polars as pl

from pipelines.intake.reading import cast
from pipelines.intake.reading.files import Source
from pipelines.intake.recognising import words
from pipelines.intake.recognising.columns import Column, complete, unit_in, with_unit_in_cells
from pipelines.intake.recognising.opening import Opened
from pipelines.toml_texts import quoted

#: rows of a shape that are looked at
ROWS = 6000
#: registers whose ids stand in exports: column -> register
REGISTER_OF = {
    "component_id": "components", "product_id": "products", "gun_id": "guns", "technician_id": "technicians", "gauge_id": "gauges",
    "booth_id": "booths", "shop_id": "shops", "panel_id": "panels", "vehicle_class": "vehicle_classes",
}  # fmt: skip


def key(cell: str) -> str:
    """An id without case, punctuation and zeros in front of its numbers: 'R-00412' and 'r412' are one."""
    bare = re.sub(r"[\W_]+", "", words.plain(cell) if not cell.isascii() else cell.casefold())
    return re.sub(r"\d+", lambda m: m.group().lstrip("0") or "0", bare)


@dataclass(frozen=True)
class Known:
    """What registers and files already read know: `ids` by register name (also panels, vehicle_classes, mixes, jobs); `labels`
    by register: label -> id; `areas` panel -> m2."""

    ids: Mapping[str, frozenset[str]] = field(default_factory=dict)
    labels: Mapping[str, Mapping[str, str]] = field(default_factory=dict)
    areas: Mapping[str, float] = field(default_factory=dict)

    @staticmethod
    def of(tables: Mapping[str, pl.DataFrame]) -> Known:
        """Out of typed tables by name."""

        def ids(table: str, column: str) -> frozenset[str]:
            there = table in tables and column in tables[table].columns
            return frozenset(tables[table][column].drop_nulls() if there else ())

        found = {register: ids(register, column) for column, register in REGISTER_OF.items() if register in tables}
        found["panels"], found["vehicle_classes"] = ids("panel_areas", "panel_id"), ids("panel_areas", "vehicle_class")
        found["mixes"], found["jobs"] = ids("pours", "mix_id"), ids("jobs", "job_id") | ids("operations", "job_id")
        labels = {}
        for register in ("components", "products", "technicians", "shops"):
            if register in tables and "label" in tables[register].columns:
                frame = tables[register].filter(pl.col("label").is_not_null())
                pairs = frame.select("label", f"{register.removesuffix('s')}_id").unique().rows()
                several = {a for a, _ in pairs if sum(a == b for b, _ in pairs) > 1}
                labels[register] = {a: b for a, b in pairs if a not in several}
        areas = {}
        if "panel_areas" in tables and tables["panel_areas"].height:
            frame = tables["panel_areas"].group_by("panel_id").agg(pl.col("area_m2").median()).drop_nulls()
            areas = dict(frame.iter_rows())
        return Known(found, labels, areas)

    def match(self, register: str, cells: Iterable[str]) -> tuple[float, dict[str, str]]:
        """Share of distinct cells that are of the register, and renames where they are written otherwise (by label, or
        without case and punctuation)."""
        distinct = set(cells)
        ids = self.ids.get(register, frozenset())
        if not distinct or not ids:
            return 0.0, {}
        exact = len(distinct & ids) / len(distinct)
        if exact == 1.0:
            return 1.0, {}
        by_key: dict[str, set[str]] = {}
        for one in ids:
            by_key.setdefault(key(one), set()).add(one)
        for label, one in self.labels.get(register, {}).items():
            by_key.setdefault(key(label), set()).add(one)
        renames = {c: next(iter(f)) for c in distinct if c not in ids and len(f := by_key.get(key(c), set())) == 1}
        loose = (len(distinct & ids) + len(renames)) / len(distinct)
        return (loose, renames) if loose > exact else (exact, {})


@dataclass
class Shape:
    """Files with one header. `parts`: their sheets; `columns` pooled, from the first row to the last whatever the file's order;
    `name` for people (the first file, the sheet)."""

    parts: list[Opened]
    columns: list[Column] = field(default_factory=list)
    newest_first: str = ""  # the header of the time that tells
    note: tuple[str, str] | None = None  # what [file] says of the note beside it, and why

    @property
    def first(self) -> Opened:
        return self.parts[0]

    @property
    def files(self) -> list[str]:
        return list(dict.fromkeys(p.source.file for p in self.parts))

    @property
    def name(self) -> str:
        return self.first.source.below + (f", sheet {self.first.sheet}" if self.first.sheet else "")

    @property
    def title(self) -> str:
        return " ".join([self.first.source.stem, self.first.sheet, *self.first.above])

    @cached_property
    def height(self) -> int:
        return len(self.columns[0].cells) if self.columns else 0

    def column(self, header: str) -> Column | None:
        """The column of a header, or the only one that differs from it in case or blanks alone."""
        whole = [c for c in self.columns if not c.part_of]
        alike = [c for c in whole if c.header.strip().casefold() == header.strip().casefold()]
        return next((c for c in whole if c.header == header), alike[0] if len(alike) == 1 else None)

    def rows(self, n: int = 3) -> list[dict[str, str]]:
        """Example rows: header -> cell, the fullest of the first ones."""
        whole = [c for c in self.columns if not c.part_of]
        order = sorted(range(min(60, self.height)), key=lambda i: -sum(c.cells[i] is not None for c in whole))[:n]
        return [{c.header: c.cells[i] or "" for c in whole} for i in sorted(order)]


def pooled(opened: list[Opened]) -> list[Shape]:
    """Sheets with one header, one by one in the order of their files."""
    found: dict[tuple[object, ...], Shape] = {}
    for one in opened:
        if one.rows.is_empty() or len([h for h in one.header if h]) < 2:
            continue
        sheet = re.sub(r"\d+", "#", one.sheet)
        same = (tuple(one.header), one.decimal, one.thousands, one.file.get("delimiter"), one.typed, sheet)
        found.setdefault(same, Shape([])).parts.append(one)
    for shape in found.values():
        _profile(shape)
    return list(found.values())


def _profile(shape: Shape) -> None:
    first = shape.first
    per_part = max(200, ROWS // len(shape.parts))
    frames = [p.rows.filter(pl.col("damage").is_null()).head(per_part) for p in shape.parts]
    decimal = next((p.decimal for p in shape.parts if p.decimal != "."), ".")
    for i, header in enumerate(first.header):
        if not header or first.header.count(header) > 1:
            continue
        cells = [c for f in frames for c in f[f"c{i}"].to_list()]
        unit = unit_in(header)
        if unit is None and first.units.get(header):
            unit = unit_in(f"x ({first.units[header].strip('[]()')})")
        one = Column(header, cells, decimal, first.thousands, first.typed, unit)
        shape.columns.append(with_unit_in_cells(one) or one)
    if falls := _newest_first(shape.columns):
        shape.newest_first = falls
        for one in shape.columns:
            shape.columns[shape.columns.index(one)] = dataclasses.replace(one, cells=one.cells[::-1])


def _newest_first(columns: list[Column]) -> str:
    """The header of a time that never rises from row to row, where no other rises: the file is listed from its end."""
    found = ""
    for one in columns:
        if len(one.dates) != 1 or len(one.distinct) < 8:
            continue
        times = [t for t in one.moments(*one.dates[0]) if t is not None]
        steps = [b > a for a, b in pairwise(times) if a != b]
        if sum(steps) > 0.02 * len(steps):
            return ""
        found = found or one.header
    return found


# --- a note that names what another export's ids are ---------------------------------------------------------------


_ENGLISH = {name.lower()[:n] for name in cast.ENGLISH for n in (3, 12)}


def glob_of(source: Source) -> str:
    """A pattern of names that next month's file will fit too: numbers and names of months are left open."""
    months = "|".join(
        sorted(
            {f for forms in cast.MONTHS.values() for names in forms for f in names} | _ENGLISH, key=len, reverse=True
        )
    )
    stem = re.sub(rf"(?i)(?<![^\W\d])(?:{months})(?![^\W\d])", "*", source.plain_name.rsplit(".", 1)[0])
    stem = re.sub(r"\d+(?:[-_. ]?\d+)*", "*", stem)
    return re.sub(r"\*(?:[-_. ]*\*)+", "*", stem) + source.ending


def beside_notes(shapes: list[Shape], joins: Joins) -> tuple[list[Shape], dict[str, str]]:
    """Shapes with the columns of a note beside them: a gauge's readings that name a batch alone, and a list that says which panel
    each batch is. Also returned: the note's name -> the name of the shape that it stands beside."""
    notes: dict[str, str] = {}
    out = []
    for shape in shapes:
        found = next((f for note in shapes if note is not shape and (f := _note_for(shape, note, joins))), None)
        if found is not None:
            note, on, of = found
            at = {cell: i for i, cell in enumerate(of.cells) if cell is not None}
            beside = [c for c in note.columns if c is not of and c.header not in {x.header for x in shape.columns}]
            rows = [at.get(cell, -1) if cell is not None else -1 for cell in on.cells]
            made = [dataclasses.replace(c, cells=[c.cells[i] if i >= 0 else None for i in rows]) for c in beside]
            shape = Shape(
                shape.parts, [*shape.columns, *made], shape.newest_first, _note_rule(shape, note, on, of, beside)
            )
            notes[note.name] = shape.name
        out.append(shape)
    return [s for s in out if s.name not in notes], notes


def _note_for(shape: Shape, note: Shape, joins: Joins) -> tuple[Shape, Column, Column] | None:
    def panel(one: Shape) -> bool:
        told = words.headers("operation_panels", "panel_id")
        return any(joins.registered.get(id(c)) == "panel_id" or words.meant(c.plain, told) >= 0.9 for c in one.columns)

    measured = any(c.numeric and not c.whole for c in shape.columns)
    if panel(shape) or not panel(note) or not measured or any(c.numeric and not c.whole for c in note.columns):
        return None
    for on in shape.columns:
        for of in note.columns if _eligible(on) else ():
            once = len(of.distinct) == note.height and id(of) not in joins.registered
            if once and len(on.distinct & of.distinct) >= 0.9 * len(on.distinct):
                return note, on, of
    return None


def _note_rule(shape: Shape, note: Shape, on: Column, of: Column, beside: list[Column]) -> tuple[str, str]:
    first = note.first
    parts = [f"file = {quoted(glob_of(first.source))}", f"on = {quoted(on.header)}"]
    parts += [f"of = {quoted(of.header)}"] if of.header != on.header else []
    parts.append(f"columns = [{', '.join(quoted(c.header) for c in beside)}]")
    for name, usual in (("delimiter", '","'), ("encoding", '"utf-8"')):
        theirs, ours = (one.file.get(name, (usual, ""))[0] for one in (first, shape.first))
        parts += [f"{name} = {theirs}"] if theirs != ours else []
    parts += [f"sheet = {quoted(first.sheet)}"] if first.sheet else []
    return f"{{ {', '.join(parts)} }}", f"'{on.header}' names rows of {note.name}"


# --- ids that join ----------------------------------------------------------------------------------------------------


def _eligible(column: Column) -> bool:
    if len(column.distinct) < 4 or column.dates or column.clocks:
        return False
    if column.numeric and not column.whole:
        return False
    return not (column.whole and max(column.values) <= 30)


class Joins:
    """How far each column of each shape looks like cups (`mix`) and like jobs (`job`): from 0 to about 2."""

    def __init__(self, shapes: list[Shape], known: Known) -> None:
        self.shapes, self.known = shapes, known
        self.mix: dict[int, float] = {}
        self.job: dict[int, float] = {}
        self.registered: dict[int, str] = {}
        self.kept: list[Column] = []
        for shape in shapes:
            for column in shape.columns:
                best = max(((known.match(r, column.distinct)[0], c) for c, r in REGISTER_OF.items()), default=(0.0, ""))
                if best[0] >= 0.6 and len(column.distinct) >= 2 and not column.numeric:
                    self.registered[id(column)] = best[1]
        own = {}
        for shape in shapes:
            for column in shape.columns:
                if _eligible(column) and id(column) not in self.registered:
                    own[id(column)] = (self._mix_own(shape, column), self._job_own(shape, column))
        every = [(s, c) for s in shapes for c in s.columns if id(c) in own]
        keys = {id(c): {key(x) for x in c.distinct} for _, c in every}
        edges: dict[int, list[tuple[float, int, Column]]] = {}
        for i, (s, c) in enumerate(every):
            for t, d in every[i + 1 :]:
                w = _joined(keys[id(c)], keys[id(d)]) or _joined_by_number(keys[id(c)], keys[id(d)])
                if s is not t and w > 0:
                    edges.setdefault(id(c), []).append((w, id(t), d))
                    edges.setdefault(id(d), []).append((w, id(s), c))
        self.edges = edges
        for which, scores in ((0, self.mix), (1, self.job)):
            now = {n: v[which] for n, v in own.items()}
            for _ in range(3):
                now = {
                    n: own[n][which]
                    + 0.8 * max((w * min(1.2, now[id(d)]) for w, _, d in edges.get(n, [])), default=0.0)
                    for n in own
                }
            scores.update(now)
        self.cut = {
            role: part for role, scores in (("mix_id", self.mix), ("job_id", self.job)) if (part := _cut(every, scores))
        }
        for _, c in every:
            k = keys[id(c)]
            for scores, name in ((self.mix, "mixes"), (self.job, "jobs")):
                have = {key(x) for x in known.ids.get(name, ())}
                if have:
                    scores[id(c)] += 1.2 * _joined(k, have)

    def alike(self, whole: Column, rows: Column) -> None:
        """Some rows of a column are what the whole column is."""
        self.kept.append(rows)
        for scores in (self.mix, self.job):
            if id(whole) in scores:
                scores[id(rows)] = scores[id(whole)]
        if id(whole) in self.registered:
            self.registered[id(rows)] = self.registered[id(whole)]

    def _mix_own(self, shape: Shape, column: Column) -> float:
        word = words.meant(column.plain, words.headers("pours", "mix_id"))
        components = [c for c in shape.columns if self.registered.get(id(c)) == "component_id"]
        if not components:
            components = [
                c for c in shape.columns if words.meant(c.plain, words.headers("pours", "component_id")) >= 0.9
            ]
        score = 0.9 * word
        if components:
            score += self._grouped(column, components[0])
        return score

    @staticmethod
    def _grouped(column: Column, component: Column) -> float:
        """Whether rows stand together by it, each with another component."""
        runs = sum(a != b for a, b in zip(column.cells, column.cells[1:], strict=False)) + 1
        groups: dict[str, list[str | None]] = {}
        for one, what in zip(column.cells, component.cells, strict=True):
            if one is not None:
                groups.setdefault(one, []).append(what)
        size = sum(map(len, groups.values())) / max(1, len(groups))
        if size < 1.3:
            return 0.0
        apart = sum(len(set(g)) for g in groups.values()) / sum(map(len, groups.values()))
        whole = len(groups) / runs
        return 0.8 * max(0.0, apart - 0.6) / 0.4 * (0.5 + 0.5 * whole)

    def _job_own(self, shape: Shape, column: Column) -> float:
        word = words.meant(column.plain, words.headers("jobs", "job_id"))
        score = 0.9 * word
        roles = {self.registered.get(id(c)) for c in shape.columns}
        kinds = any(closed_rate("kind", c) >= 0.7 for c in shape.columns)
        if "vehicle_class" in roles or kinds:
            score += 0.45
        elif "panel_id" in roles:
            score += 0.3
        return score


def closed_rate(column: str, source: Column) -> float:
    """The share of a column's few texts that mean closed values of one of ours."""
    if not 2 <= len(source.distinct) <= 12 or source.numeric:
        return 0.0
    return sum(words.closed(column, c) is not None for c in source.distinct) / len(source.distinct)


def _joined(one: set[str], other: set[str]) -> float:
    """How strongly two sets of ids join, beyond chance: 0 to 1."""
    both = len(one & other)
    small, large = sorted((one, other), key=len)
    if both < min(4, len(small)) or not small:
        return 0.0
    share = both / len(small)
    chance = 0.0
    if all(x.isdigit() for x in list(large)[:50]) and all(x.isdigit() for x in list(small)[:50]):
        low, high = min(map(_int, small)), max(map(_int, small))
        inside = [x for x in map(_int, large) if low <= x <= high]
        chance = min(0.85, len(inside) / max(1, high - low + 1))
    least = max(0.3, chance)
    return (share - least) / (1 - least) * (1 - 0.5 * chance) if share > least else 0.0


def _joined_by_number(one: set[str], other: set[str]) -> float:
    """Two sets of ids of which one has letters in front and the other has not."""
    letters = [all(re.fullmatch(r"[a-z]+\d+", x) for x in ids) for ids in (one, other)]
    digits = [all(x.isdigit() for x in ids) for ids in (one, other)]
    if not ((letters[0] and digits[1]) or (letters[1] and digits[0])):
        return 0.0
    return 0.8 * _joined({key(re.sub(r"^[a-z]+", "", x)) for x in one}, {key(re.sub(r"^[a-z]+", "", x)) for x in other})


#: ways to make ids alike that are written otherwise: what the layout says of the column, and what it does to a cell
_WAYS: tuple[tuple[str, Callable[[str], str]], ...] = (
    ('drop = "/-._ "', lambda cell: re.sub(r"[-/._ ]", "", cell)),
    ("pattern = '0*([0-9]+)$'", lambda cell: m.group(1) if (m := re.search("0*([0-9]+)$", cell)) else cell),
)


def _cut(every: list[tuple[Shape, Column]], scores: dict[int, float]) -> str | None:
    """What makes ids alike which are written with marks, zeros or letters in one file and without in another."""
    best: dict[int, Column] = {}
    for shape, column in every:
        if scores[id(column)] >= 0.7 and scores[id(column)] > scores.get(id(best.get(id(shape))), 0.0):
            best[id(shape)] = column
    columns = list(best.values())
    apart = []
    for i, one in enumerate(columns):
        for other in columns[i + 1 :]:
            if _exact(one.distinct, other.distinct) < 0.3:
                keys = [{key(x) for x in c.distinct} for c in (one, other)]
                if (_joined(*keys) or _joined_by_number(*keys)) > 0.5:
                    apart.append((one, other))
    for part, way in _WAYS:
        kept = all(len({way(x) for x in c.distinct}) == len(c.distinct) for pair in apart for c in pair)
        alike = all(_exact(*({way(x) for x in c.distinct} for c in pair)) > 0.6 for pair in apart)
        if apart and kept and alike:
            return part
    return None


def _exact(one: set[str], other: set[str]) -> float:
    return len(one & other) / max(1, min(len(one), len(other)))


def _int(text: str) -> int:
    return int(text) if text.isdigit() else -1


# --- parts of texts ---------------------------------------------------------------------------------------------------

MARKS = (" + ", "+", "; ", ";", " / ", "/", ", ", ",", " & ", "|", " and ", " und ", " et ", " y ", " en ", " ")


def parts_of(shape: Shape, joins: Joins, jobs: set[str], mixes: set[str], panels: set[str]) -> list[Column]:
    """Columns made of parts of texts: lists of panels or cups ('hood; roof'), batch names ('412 hood'), notes that carry a job
    ('for R412 rush'). `jobs`, `mixes`, `panels`: ids known so far, as `key` writes them."""
    out = [*_pairs(shape, joins, jobs, "job_id"), *_pairs(shape, joins, mixes, "mix_id")]
    for column in shape.columns:
        if not column.said or column.dates or column.clocks or column.numeric or id(column) in joins.registered:
            continue
        lists = _listed(column, mixes, "mix_id") or _listed(column, panels, "panel_id")
        lists = lists or ([] if panels else _listed_by_form(column))
        whole = len({key(x) for x in column.distinct} & (jobs | mixes)) > 0.6 * len(column.distinct)
        if not lists and whole and max(joins.mix.get(id(column), 0), joins.job.get(id(column), 0)) >= 1.2:
            continue
        out += lists or _batch(column, jobs, panels) or _inside(column, jobs, mixes)
    return out


def _pairs(shape: Shape, joins: Joins, ids: set[str], role: str) -> list[Column]:
    """An id whose pieces stand in two columns, such as a year and a number, where elsewhere it is written whole."""
    free = [
        c for c in shape.columns
        if c.said and not c.dates and not c.clocks and id(c) not in joins.registered and (not c.numeric or c.whole) and c.filled > 0.5
    ]  # fmt: skip
    if len(ids) < 4 or any(
        len({key(x) for x in c.distinct} & ids) > 0.5 * len(c.distinct) for c in free if len(c.distinct) > 3
    ):
        return []
    for one, other in permutations(free[:14], 2):
        both = set(complete(one.cells, other.cells))
        if len(both) < 4 or sum(key(a + b) in ids for a, b in both) < 0.8 * len(both):
            continue
        cells = [
            f"{a}-{b}" if a is not None and b is not None else None for a, b in zip(one.cells, other.cells, strict=True)
        ]
        return [Column(other.header, cells, how={"columns": [one.header, other.header], "join": "-"}, part_of=role)]
    return []


def _listed(column: Column, ids: set[str], role: str) -> list[Column]:
    if not ids:
        return []
    for mark in MARKS:
        several = [c for c in column.said if mark in c]
        if not several:
            continue
        pieces = [p.strip() for c in column.said for p in c.split(mark) if p.strip()]
        if sum(key(p) in ids for p in pieces) >= 0.8 * len(pieces) and sum(key(c) in ids for c in several) < 0.5 * len(
            several
        ):
            return [_split(column, mark, set(pieces), role)]
    return []


def _split(column: Column, mark: str, pieces: set[str], role: str) -> Column:
    """A column of lists by its first entries, with all `pieces` at hand."""
    cells = [c.split(mark)[0].strip() if c is not None else None for c in column.cells]
    bare = mark if mark.strip().isalpha() else mark.strip() or mark
    one = Column(column.header, cells, how={"split": bare}, part_of=role)
    one.__dict__["pieces"] = pieces
    return one


def _listed_by_form(column: Column) -> list[Column]:
    """Lists of panels where no register says which panels there are: the same pieces stand in other cells too. Where few of them do,
    the split is asked for (`unsure`)."""
    if words.meant(column.plain, words.headers("operation_panels", "panel_id")) < 0.9:
        return []
    for mark in MARKS[:-1]:
        several = [c for c in column.distinct if mark in c]
        if len(several) < 2 or sum(mark in c for c in column.said) < 0.1 * len(column.said):
            continue
        pieces = Counter(p.strip() for c in column.distinct for p in set(c.split(mark)) if p.strip())
        one = _split(column, mark, set(pieces), "panel_id")
        one.__dict__["unsure"] = sum(n > 1 for n in pieces.values()) < 0.5 * len(pieces)
        return [one]
    return []


def mask(ids: Iterable[str]) -> str | None:
    """The grammar of ids as a pattern without brackets, where they have one: 'R-412' and 'R-413' are 'R-[0-9]+'."""
    masks: dict[str, int] = {}
    total = 0
    for one in ids:
        total += 1
        form = re.sub(r"\d+", "[0-9]+", re.sub(r"([.^$*+?{}\\|()])", r"\\\1", one))
        masks[form] = masks.get(form, 0) + 1
    if not masks:
        return None
    best = max(masks, key=lambda m: masks[m])
    return best if masks[best] >= 0.95 * total else None


def _batch(column: Column, jobs: set[str], panels: set[str]) -> list[Column]:
    """'412 hood', 'R-412/hood/2': the job, then the panel, perhaps the step."""
    if len(column.said) < 3:
        return []
    if not jobs:  # nothing else names jobs: by the form alone
        jobs = {key(m.group(1)) for c in column.said if (m := re.match(r"^([A-Za-z]{0,3}-?\d{2,})[-_ /]+[^\W\d]", c))}
        if len(jobs) < 3:
            return []
    for job in (r"^([^\s_/|]+)[\s_/|]+", r"^([A-Za-z]*-?\d+)[-\s_/|]+", r"^(\d+-\d+)[-\s_/|]+"):
        first = [re.match(job, c) for c in column.said]
        if sum(m is not None and key(m.group(1)) in jobs for m in first) < 0.8 * len(first):
            continue
        for tail, step in ((r"(.+?)[-\s_/|]+([0-9]{1,2})$", True), (r"(.+)$", False)):
            whole = [re.match(job + tail, c) for c in column.said]
            rest = {m.group(2) for m in whole if m}
            if sum(m is not None for m in whole) < 0.95 * len(whole) or not (
                not panels or sum(key(r) in panels for r in rest) >= 0.6 * len(rest)
            ):
                continue
            bare = job.replace("(", "(?:", 1)
            made = [("job_id", job), ("panel_id", bare + tail.replace("([0-9]", "(?:[0-9]"))]
            if step:
                made.append(("after_operation", bare + tail.replace("(.+?)", "(?:.+?)")))
            return [_part(column, pattern, role) for role, pattern in made]
    return []


def _inside(column: Column, jobs: set[str], mixes: set[str]) -> list[Column]:
    """A text with blanks in it that carries a known job or cup."""
    if not any(" " in c for c in column.said):
        return []
    for role, ids in (("job_id", jobs), ("mix_id", mixes)):
        tokens = [next((t for t in re.findall(r"[\w-]*\d[\w-]*", c) if key(t) in ids), None) for c in column.said]
        hits = [t for t in tokens if t is not None]
        if len(hits) >= 0.6 * len(column.said) and len(set(hits)) >= 3 and (form := mask(hits)):
            return [_part(column, rf"\b({form})\b", role)]
    return []


def _part(column: Column, pattern: str, role: str) -> Column:
    cells = [m.group(1).strip() if c is not None and (m := re.search(pattern, c)) else None for c in column.cells]
    return Column(column.header, cells, how={"pattern": pattern}, part_of=role)
