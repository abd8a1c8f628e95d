"""What an unknown export may be: a proposed layout, each match with its evidence, and what stays open.

Nothing is guessed silently. A match is `taken` where its evidence stands alone: the header's words, a unit in it, the form of
the cells, ids found in the registers. Where two readings are possible, or a fact cannot be seen in the file (the shop, a
unit, the order of day and month), there is an `Open` question with what speaks for each answer. Pure: bytes in, text out;
layout.py's own parser has the last word on what is proposed.
"""

from __future__ import annotations

import dataclasses
import itertools
import json
import re
import unicodedata
from collections import Counter
from dataclasses import dataclass, field
from datetime import datetime

import polars as pl

from pipelines import units
from pipelines.intake import layout, lexicon, text, xlsx
from pipelines.intake.files import FileRefused, Source, unpacked
from schemas import door
from schemas.vocabulary import ColumnInfo

TABLES = (
    "pours", "leftovers", "operations", "operation_panels", "draws", "readings", "jobs", "cleaning", "unscaled_use", "stock",
    "gauge_checks", "scale_checks", "guns", "components", "products", "technicians",
)  # fmt: skip
#: columns without which an export is not of the table, whatever else fits: one of each group must be there
CORE = {
    "pours": ["mix_id", "component_id", "weighed_g"], "leftovers": ["mix_id", "leftover_g"],
    "operations": ["job_id", "kind"], "operation_panels": ["job_id", "operation_no", "panel_id"],
    "draws": ["job_id", "operation_no", "mix_id"], "readings": ["reading_um"],
    "jobs": ["job_id"], "cleaning": ["component_id", "issued_g"], "unscaled_use": ["component_id", "mass_g"],
    "stock": ["component_id", "movement", "mass_g"], "gauge_checks": ["gauge_id", "shim_um", "reading_um"],
    "scale_checks": ["scale_id", "weight_g", "reading_g"], "guns": ["gun_id", "atomising"],
    "components": ["component_id", "density_g_per_ml"], "products": ["product_id", "role"],
    "technicians": ["technician_id", "label"],
}  # fmt: skip
#: tables that the rows of another may feed too
ALONG = {"operations": ("operation_panels", "draws"), "readings": (), "pours": ("leftovers",)}
NUMBERED = {"pour_no": ["mix_id"], "operation_no": ["job_id"], "weigh_no": ["mix_id"]}
FORMATS = [
    "%Y-%m-%d", "%d.%m.%Y", "%d/%m/%Y", "%m/%d/%Y", "%d-%m-%Y", "%m-%d-%Y", "%Y/%m/%d", "%d %b %Y", "%d-%b-%Y", "%Y%m%d",
    "%d.%m.%y", "%d/%m/%y", "%m/%d/%y",
]  # fmt: skip
CLOCKS = ["%H:%M", "%H:%M:%S", "%I:%M %p", "%H%M"]
_SAMPLE = 400


@dataclass(frozen=True)
class Match:
    """A column of ours and how it is made, as TOML; `sources` are the header names it uses."""

    column: str
    toml: str
    sources: tuple[str, ...]
    evidence: str


@dataclass(frozen=True)
class Open:
    """A question that the file does not answer. `answers`: what may be written, each with what speaks for it."""

    table: str
    column: str
    question: str
    answers: tuple[tuple[str, str], ...] = ()
    needed: bool = True


@dataclass(frozen=True)
class Proposal:
    """A layout as far as it can be told. `file`: lines of [file] with evidence; `tables`: matches by table."""

    name: str
    file: list[tuple[str, str]]
    tables: dict[str, list[Match]]
    extras: dict[str, list[tuple[str, str]]]
    open: list[Open]
    unmatched: list[str]

    def toml(self) -> str:
        """The layout's text: evidence and open questions as comments."""
        out = [
            f"# Proposed from {self.name}. Each line says why; check them, then run `filmledger check`.",
            "",
            "[file]",
        ]
        out += [f"{line}  # {why}" for line, why in self.file]
        for table, matches in self.tables.items():
            out += ["", "[[tables]]", f'table = "{table}"']
            out += [f"{line}  # {why}" for line, why in self.extras.get(table, [])]
            out += ["", "[tables.columns]"]
            out += [f"{m.column} = {m.toml}  # {m.evidence}" for m in matches]
            for one in (o for o in self.open if o.table == table):
                out += [f"# OPEN {one.column}: {one.question}"]
                out += [f"#   {one.column} = {toml}  # {why}" for toml, why in one.answers]
        if self.unmatched:
            out += ["", f"# not used: {', '.join(json.dumps(u, ensure_ascii=False) for u in self.unmatched)}"]
        return "\n".join(out) + "\n"

    def answered(self, table: str, column: str, toml: str, why: str = "your answer") -> Proposal:
        """With an open question answered by a TOML value."""
        rest = [o for o in self.open if (o.table, o.column) != (table, column)]
        kept = [m for m in self.tables[table] if m.column != column]
        used = tuple(re.findall(r'columns? = \[?((?:"[^"]*"(?:, )?)+)', toml))
        match = Match(column, toml, tuple(s for u in used for s in re.findall(r'"([^"]*)"', u)), why)
        return dataclasses.replace(self, open=rest, tables={**self.tables, table: [*kept, match]})

    @property
    def needed(self) -> list[Open]:
        """The open questions without whose answer the layout cannot be used."""
        return [o for o in self.open if o.needed]


@dataclass
class _Column:
    """What the cells of one source column look like."""

    name: str
    plain: str
    unit: str | None
    cells: list[str]
    decimal: str
    filled: float
    numbers: list[float] = field(default_factory=list)
    formats: list[str] = field(default_factory=list)
    clocks: list[str] = field(default_factory=list)

    @property
    def numeric(self) -> bool:
        return bool(self.cells) and len(self.numbers) >= 0.9 * len(self.cells)

    @property
    def whole(self) -> bool:
        return self.numeric and all(n == int(n) and n >= 0 for n in self.numbers)


def plain(header: str) -> str:
    """A header as words: without units in brackets, accents, case and punctuation."""
    bare = re.sub(r"[\(\[\{][^)\]}]*[\)\]\}]", " ", header)
    bare = re.sub(r"([a-z])([A-Z])", r"\1 \2", bare).lower()
    for letter, written in (("ä", "ae"), ("ö", "oe"), ("ü", "ue"), ("ß", "ss"), ("µ", "u"), ("#", " no ")):
        bare = bare.replace(letter, written)
    bare = unicodedata.normalize("NFKD", bare)
    return " ".join(re.sub(r"[^a-z0-9]+", " ", bare).split())


def unit_in(header: str) -> str | None:
    """The unit a header names: in brackets, or as its last word."""
    last = re.split(r"[\s_/]+", header)[1:][-1:]
    last = last or ([header] if re.fullmatch(r"\w{3,}", header) else [])
    if re.search(r"(?i)(\bin|(\bper|/)\s*\w+)$", header):  # 'Date in', 'Price per kg': no unit of the number
        last = []
    for found in [*re.findall(r"[\(\[\{]([^)\]}]+)[\)\]\}]", header), *last]:
        try:
            return units.lookup(found).name
        except units.UnitError as error:
            if "ambiguous" in str(error) and len(found) > 1:
                return "?" + found
    return None


# --- the file ---------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Read:
    file: list[tuple[str, str]]
    header: list[str]
    rows: pl.DataFrame
    decimal: str
    typed: bool


def _opened(source: Source) -> _Read:
    data = unpacked(source, 500)
    lines: list[tuple[str, str]] = []
    if source.ending == ".parquet":
        grid = text.parquet_grid(data)
        return _Read([], grid.header, grid.rows, ".", True)
    if source.ending == ".xlsx":
        book = xlsx.look(data, 500)
        sheets = {n: text.xlsx_cells(data, n) for n in text.xlsx_sheets(data) if n in book}
        filled = {n: c for n, c in sheets.items() if c.width > 1}
        if not filled:
            raise FileRefused("the workbook is empty")
        name = max(filled, key=lambda n: filled[n].height * filled[n].width)
        if len(filled) > 1:
            lines.append((f"sheet = {json.dumps(name)}", f"the largest of the sheets {', '.join(filled)}"))
        cells = filled[name]
        table = [[c.strip() if c else "" for c in row[1:]] for row in cells.iter_rows()]
        at = _header_at(table)
        found = text.xlsx_grid(cells, int(cells["line"][at]), book[name])
        assert found is not None
        if cells["line"][at] != 1:
            lines.append((f"header_line = {cells['line'][at]}", "the first row that looks like a header"))
        return _Read(lines, found.header, found.rows, ".", True)
    encoding, why = _encoding(data)
    if encoding != "utf-8":
        lines.append((f'encoding = "{encoding}"', why))
    utf8 = text.to_utf8(data, encoding)
    first = [raw.decode("utf-8", "replace") for raw in utf8.split(b"\n", 200)[:200]]
    delimiter = max(",;\t|", key=lambda d: _steadiness(first, d))
    if delimiter != ",":
        lines.append((f"delimiter = {json.dumps(delimiter)}", "gives the same number of cells on most lines"))
    table = [[c.strip() for c in text.cells_of(raw, delimiter) or []] for raw in first]
    at = _header_at(table)
    records = text.records(utf8, delimiter)
    start = text.first_line(records, utf8, at + 1)
    grid = text.grid(utf8, records, start if start is not None else 0, delimiter)
    if at:
        lines.append(('header_line = "find"', f"the header stands on line {at + 1}, below other text"))
    cells_of = [
        c for n in grid.rows.columns if n not in ("line", "damage") for c in grid.rows[n].drop_nulls().head(_SAMPLE)
    ]
    decimal, thousands = _marks(cells_of) if delimiter != "," else (".", "")
    if decimal != ".":
        lines.append(
            ('decimal = ","', "numbers such as " + next(c for c in cells_of if re.fullmatch(r"-?[\d.]*,\d+", c)))
        )
    if thousands:
        lines.append((f'thousands = "{thousands}"', "numbers with groups of three digits"))
    return _Read(lines, grid.header, grid.rows, decimal, False)


def _encoding(data: bytes) -> tuple[str, str]:
    if data[:2] in (b"\xff\xfe", b"\xfe\xff") or data[:3] == b"\xef\xbb\xbf":
        return "utf-8", ""
    if data[:400].count(b"\0") > len(data[:400]) // 3:
        return ("utf-16-le" if data[1:2] == b"\0" else "utf-16-be"), "every other byte is empty"
    try:
        data.decode("utf-8")
        return "utf-8", ""
    except UnicodeDecodeError as error:
        return "windows-1252", f"byte 0x{data[error.start]:02X} is not UTF-8"


def _steadiness(lines: list[str], delimiter: str) -> tuple[int, int]:
    counts = Counter(len(text.cells_of(line, delimiter) or []) for line in lines if line.strip())
    wide = [(n, width) for width, n in counts.items() if width > 1]
    return max(((n * min(width, 4), width) for n, width in wide), default=(0, 0))


def _header_at(table: list[list[str]]) -> int:
    """The first row that is as wide as most, filled, of distinct texts without numbers."""
    widths = Counter(sum(bool(c) for c in row) for row in table if any(row))
    usual = max(widths, key=lambda w: (widths[w] * min(w, 5), w), default=1)
    for i, row in enumerate(table):
        filled = [c for c in row if c]
        if len(filled) >= max(2, 0.6 * usual) and len(set(filled)) == len(filled):
            if (
                sum(bool(re.fullmatch(r"[-+]?[\d.,:/ -]+", c)) and not c.isdigit() for c in filled) == 0
                and any(re.search(r"[A-Za-z]{2}", c) for c in filled)
                and sum(c.isdigit() for c in filled) <= len(filled) // 2
            ):
                return i
    return next((i for i, row in enumerate(table) if any(row)), 0)


def _marks(cells: list[str]) -> tuple[str, str]:
    """Decimal and thousands marks of a file that does not split at commas."""
    comma = sum(bool(re.fullmatch(r"[-+]?[\d.]*\d,\d+", c)) for c in cells)
    point = sum(
        bool(re.fullmatch(r"[-+]?[\d,]*\d\.\d+", c)) and not re.fullmatch(r"\d{1,3}(\.\d{3})+", c) for c in cells
    )
    if comma > point:
        return ",", "." if any(re.fullmatch(r"\d{1,3}(\.\d{3})+(,\d+)?", c) for c in cells) else ""
    return ".", ""


def _profiled(read: _Read) -> list[_Column]:
    out = []
    for i, name in enumerate(read.header):
        if not name or f"c{i}" not in read.rows.columns:
            continue
        whole = read.rows.filter(pl.col("damage").is_null())[f"c{i}"]
        cells = whole.drop_nulls().head(_SAMPLE).to_list()
        one = _Column(
            name, plain(name), unit_in(name), cells, read.decimal, len(cells) / max(1, min(_SAMPLE, whole.len()))
        )
        for cell in cells:
            value = cell.replace(".", "").replace(",", ".") if read.decimal == "," else cell
            if re.fullmatch(r"[-+]?\d*\.?\d+(?:[eE][-+]?\d+)?", value):
                one.numbers.append(float(value))
        if cells:
            one.formats = [f for f in _formats() if _fits(cells[:120], f)]
            one.clocks = [f for f in CLOCKS if _fits(cells[:120], f)]
        out.append(one)
    return out


def _formats() -> list[str]:
    return FORMATS + [f"{d}{join}{c}" for d in FORMATS for join in (" ", "T") for c in CLOCKS[:3]]


def _fits(cells: list[str], form: str) -> bool:
    bad = 0
    for cell in cells:
        try:
            found = datetime.strptime(cell, form)
            bad += not 1990 <= found.year <= 2100 and "%" + "H" not in form[:2] and "%I" not in form[:2]
            bad += ("%y" in form) and bool(re.search(r"\d{4}", cell.split(" ")[0]))
        except ValueError:
            bad += 1
        if bad > 0.1 * len(cells):
            return False
    return True


# --- matching ---------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Candidate:
    score: float
    evidence: str


def _words(table: str, column: str) -> list[str]:
    own = [column.replace("_", " ")]
    bare = re.sub(r" (id|no|g|um|m2|ml|kpa|mm|min|at|on)$", "", own[0])
    return [*own, *(lexicon.HEADERS.get(f"{table}.{column}") or lexicon.HEADERS.get(column, "")).split("|"), bare]


def _named(header: str, words: list[str]) -> float:
    """1 where the header is one of the words, less where it holds one among others."""
    if header in words:
        return 1.0
    without = re.sub(r"( (id|no|nr|number|code|name))+$", "", header)
    unitless = re.sub(r" (g|kg|um|mil|mils|mm|bar|psi|kpa|m2|ml|oz|pct|percent)$", "", header)
    if without in words or unitless in words:
        return 0.9
    tokens = header.split()
    held = [w for w in words if w and set(w.split()) <= set(tokens)]
    return max((0.5 * len(w.split()) / len(tokens) + 0.25 for w in held), default=0.0)


def _candidate(table: str, info: ColumnInfo, column: _Column, ids: dict[str, set[str]]) -> _Candidate | None:
    """How well a source column fits a column of ours; None where it cannot be meant."""
    why = []
    name = _named(column.plain, _words(table, info.name))
    score = name
    if name:
        why.append(f"header '{column.name}'")
    inside = layout.INSIDE.get(info.unit)
    if column.unit is not None and not column.unit.startswith("?"):
        if inside is None or info.kind == "text":
            if column.unit not in ("percent", "m", "l", "g"):
                return None
        else:
            quantity = units.lookup(column.unit).quantity
            wanted = units.lookup(inside).quantity
            if quantity != wanted and not (wanted == "mass" and quantity == "volume" and table == "pours"):
                return None
            score += 0.4
            why.append(f"unit {column.unit}")
    if not column.cells:
        return _Candidate(score * 0.6, ", ".join(why)) if name >= 0.9 else None
    if info.kind in ("float", "int"):
        if not column.numeric or (info.kind == "int" and not column.whole):
            return None
        if info.name == "reading_um" and table == "readings" and column.whole and max(column.numbers) <= 3:
            return None
        score += 0.1
        why.append("numbers")
    elif info.kind in ("datetime", "date"):
        if not column.formats:
            return None
        score += 0.35
        why.append(f"dates as {column.cells[0]}")
    elif info.values:
        known = sum(_meaning(info, cell) is not None for cell in set(column.cells)) / len(set(column.cells))
        if known < 0.5:
            return None
        score += 0.5 * known
        why.append(f"values such as {column.cells[0]}")
    elif info.kind == "text":
        if (column.formats or column.clocks) and not column.whole:
            return None
        home = info.refers_to if info.refers_to in ids else info.name.removesuffix("_id") + "s"
        distinct = set(column.cells)
        if register := ids.get(home):
            hits = len(distinct & register) / len(distinct)
            score += hits if hits >= 0.5 else (-0.5 if name < 0.9 else 0)
            if hits >= 0.5:
                why.append(f"{100 * hits:.0f} % of its values are in {home}")
        if any(r != home and len(distinct & known) > 0.8 * len(distinct) for r, known in ids.items()):
            score -= 0.7
        if column.numeric and not column.whole:
            return None
    return _Candidate(score, ", ".join(why)) if score >= 0.5 else None


def _meaning(info: ColumnInfo, cell: str) -> str | None:
    """The closed value a cell means."""
    said = plain(cell) or cell
    for value in info.values:
        if said == value.replace("_", " ") or said in lexicon.VALUES.get(info.name, {}).get(value, "").split("|"):
            return value
    return None


def propose(source: Source, ids: dict[str, set[str]]) -> Proposal:
    """Look at one export. `ids`: register or event table -> the ids it knows ({} where there are none yet).

    Raises FileRefused: the file cannot be opened at all, or nothing in it looks like one of our tables.
    """
    read = _opened(source)
    columns = _profiled(read)
    best = max(((_Table(t, columns, ids, read, source), t) for t in TABLES), key=lambda pair: pair[0].score)[0]
    if best.score <= 0:
        raise FileRefused(
            "no table of ours is recognised. Header found: " + ", ".join(c.name for c in columns)
            + ". Write a layout by hand, or give the columns words such as cup, component, net weight (g)"
        )  # fmt: skip
    measured = {c.name for c in columns if c.numeric}
    used_up = {x for m in best.matches for x in m.sources} | set(best.used)
    chosen = [best]
    for table in ALONG.get(best.table, ()):
        one = _Table(table, columns, ids, read, source)
        own = {x for m in one.matches for x in m.sources} - used_up
        core = {m.column: m for m in one.matches if m.column in CORE[table]}
        # what a second table measures must be its own, and known without a question
        if (
            one.score > 0
            and own
            and set(CORE[table]) == set(core)
            and not (table == "leftovers" and set(core["leftover_g"].sources) & used_up & measured)
        ):
            chosen.append(one)
    tables, extras, questions = {}, {}, []
    for one in chosen:
        tables[one.table], extras[one.table] = one.matches, one.extras
        questions += one.open
    used = {s for ms in tables.values() for m in ms for s in m.sources} | {s for one in chosen for s in one.used}
    asked = {
        json.loads(q) for o in questions for q in re.findall(r'"(?:[^"\\]|\\.)*"', " ".join(a for a, _ in o.answers))
    }
    file = [*_name_facts(source), *read.file]
    if any("%y" in m.toml for ms in tables.values() for m in ms):
        file.append(("century = 1970", "years of two digits: 70-99 are read as 19.., 00-69 as 20.."))
    first = f"c{read.header.index(columns[0].name)}"
    totals = [c for c in read.rows[first].drop_nulls() if re.search(lexicon.TOTALS, c)]
    if totals:
        skip = (
            f"skip = [{{ column = {json.dumps(columns[0].name, ensure_ascii=False)}, pattern = '{lexicon.TOTALS}' }}]"
        )
        file.append((skip, f"{len(totals)} rows such as '{totals[0][:40]}' hold sums"))
    unmatched = [c.name for c in columns if c.name not in used]
    for name in [n for n in unmatched if n in asked]:
        unmatched.remove(name)
    return Proposal(source.name, file, tables, extras, questions, unmatched)


def _name_facts(source: Source) -> list[tuple[str, str]]:
    out = []
    glob = re.sub(r"\d+(?:[-_.]?\d+)*", "*", source.plain_name.rsplit(".", 1)[0]) + source.ending
    out.append((f"match_name = {json.dumps(glob, ensure_ascii=False)}", "the file's name without its numbers"))
    for pattern, form in ((r"(\d{4}-\d{2}-\d{2})", "%Y-%m-%d"), (r"(20\d{6})", "%Y%m%d")):
        found = re.search(pattern, source.name)
        if found and _fits([found.group(1)], form):
            rule = f"exported_at = {{ name_pattern = {json.dumps(pattern)}, format = {json.dumps(form)} }}"
            out.append((rule, f"{found.group(1)} in the file's name"))
            break
    return out


class _Table:
    """One table against one export: matches, questions, and a score that says how well it fits (0: not at all)."""

    def __init__(
        self, table: str, columns: list[_Column], ids: dict[str, set[str]], read: _Read, source: Source
    ) -> None:
        self.table, self.columns, self.ids, self.read, self.source = table, columns, ids, read, source
        self.infos = {c.name: c for c in door.columns(table)}
        self.matches: list[Match] = []
        self.open: list[Open] = []
        self.extras: list[tuple[str, str]] = []
        self.used: list[str] = []
        self.score = 0.0
        self._assign()

    def _assign(self) -> None:
        wide = self._wide() if self.table == "readings" else []
        free = [c for c in self.columns if c not in wide]
        if self.table in layout.WEIGHED:
            free = [c for c in free if _named(c.plain, lexicon.TARES.split("|")) < 0.9]
        pairs = []
        for info in self.infos.values():
            for column in free:
                found = _candidate(self.table, info, column, self.ids)
                if found:
                    bonus = 0.02 if info.required else 0.0
                    pairs.append((found.score + bonus, info.name, column, found))
        pairs.sort(key=lambda p: (-p[0], p[1], p[2].name))
        taken: dict[str, tuple[_Column, _Candidate]] = {}
        spent: set[str] = set()
        rivals: dict[str, list[tuple[_Column, _Candidate]]] = {}
        for _, name, column, found in pairs:
            if name in taken or column.name in spent:
                close = name in taken and taken[name][1].score - found.score < 0.15 and column.name not in spent
                if close:
                    rivals.setdefault(name, []).append((column, found))
                continue
            taken[name] = (column, found)
            spent.add(column.name)
        if wide:
            taken.pop("reading_um", None)
        self._batch(taken, spent)
        self._dates(taken, spent)
        for name in NUMBERED:  # an order number is no number within a cup or job
            if name in taken and max(taken[name][0].numbers, default=0) > 500:
                spent.discard(taken.pop(name)[0].name)
        have = set(taken) | {m.column for m in self.matches} | ({"reading_um"} if wide else set())
        have |= {name for name in NUMBERED if name in self.infos and name not in ("operation_no",)}
        if not set(CORE[self.table]) <= have:
            return
        if self.table == "draws" and "share" not in taken and "operation_no" not in taken:
            return
        weak = [n for n, (_, c) in taken.items() if c.score < 0.75]
        total = sum(c.score for n, (_, c) in taken.items() if n not in weak)
        self.score = total - 0.4 * sum(
            i.required and i.name not in have and i.name != "shop_id" for i in self.infos.values()
        )
        self.score += (
            (1.0 if wide else 0.0)
            + 0.6 * len(self.matches)
            + 1.5 * sum(n in have for n in CORE[self.table]) / len(CORE[self.table])
        )
        self.score = max(self.score, 0.01)
        if wide:
            self._unpivot(wide)
        for name, (column, found) in taken.items():
            others = [r for r in rivals.get(name, []) if r[0].name not in spent]
            self._take(name, column, found, others, name in weak)
        self._rest(
            {m.column for m in self.matches} | {o.column for o in self.open} | ({"reading_um"} if wide else set())
        )

    # -- what is made of a match

    def _take(
        self, name: str, column: _Column, found: _Candidate, others: list[tuple[_Column, _Candidate]], weak: bool
    ) -> None:
        info = self.infos[name]
        toml, unsure = self._toml(info, column)
        if others or weak or unsure:
            answers = [(toml, found.evidence)] if not unsure else list(unsure[1])
            answers += [(self._toml(info, c)[0], e.evidence) for c, e in others]
            why = unsure[0] if unsure else "two columns may be meant" if others else "the evidence is thin"
            question = f"{why} ({', '.join([column.name, *(c.name for c, _ in others)])})"
            self.open.append(Open(self.table, name, question, tuple(answers), info.required))
        else:
            self.matches.append(Match(name, toml, (column.name,), found.evidence))

    def _toml(self, info: ColumnInfo, column: _Column) -> tuple[str, tuple[str, list[tuple[str, str]]] | None]:
        """The TOML value, and what is unsure about it: the question and the possible values."""
        parts = [f"column = {_quoted(column.name)}"]
        unsure: tuple[str, list[tuple[str, str]]] | None = None
        if info.kind in ("datetime", "date") and not self.read.typed:
            forms = _best_formats(column.formats)
            if not forms:
                answer = [(_quoted(column.name), "if they are written as 2026-03-01 10:30")]
                return _quoted(column.name), (
                    "the column is empty, so how its dates are written cannot be seen",
                    answer,
                )
            parts.append(f"format = {_quoted(forms[0])}")
            if len(forms) > 1:
                answers = [(f"{{ {parts[0]}, format = {_quoted(f)} }}", f"reads {column.cells[0]} so") for f in forms]
                return _table(parts), ("day and month cannot be told apart: no day above 12 in the file", answers)
            if forms[0] in ("%Y-%m-%d", "%Y-%m-%d %H:%M", "%Y-%m-%d %H:%M:%S", "%Y-%m-%dT%H:%M:%S"):
                parts.pop()
        inside = layout.INSIDE.get(info.unit)
        if inside is not None and info.kind == "float":
            if column.unit and column.unit.startswith("?"):
                choices = {
                    "gal": ["gal_us", "gal_imp"],
                    "fl_oz": ["fl_oz_us", "fl_oz_imp"],
                    "floz": ["fl_oz_us", "fl_oz_imp"],
                }
                guess = choices.get(column.unit[1:].lower().replace(" ", "_"), [inside])
                answers = [(_table([*parts, f"unit = {_quoted(u)}"]), f"if it is {u}") for u in guess]
                return _table(parts), (f"the unit '{column.unit[1:]}' means different amounts", answers)
            if column.unit:
                parts.append(f"unit = {_quoted(column.unit)}")
            elif not _unit_in_name(column, info) and info.unit != "1":
                likely = _likely_units(info, column)
                answers = [(_table([*parts, f"unit = {_quoted(u)}"]), why) for u, why in likely]
                return _table(parts), ("the header names no unit", answers)
        if info.values:
            meanings = {cell: _meaning(info, cell) for cell in dict.fromkeys(column.cells)}
            if any(cell != value for cell, value in meanings.items()):
                pairs = ", ".join(f"{_quoted(c)} = {_quoted(v)}" for c, v in meanings.items() if v)
                parts.append(f"values = {{ {pairs} }}")
                lost = [c for c, v in meanings.items() if v is None]
                if lost:
                    unsure = (
                        f"what do {', '.join(lost[:6])} mean? (one of {', '.join(info.values)})",
                        [(_table(parts), "the others")],
                    )
        if self.table in layout.WEIGHED and info.name == layout.WEIGHED[self.table]:
            weights = self._weights(column)
            parts += weights
        return (_table(parts) if len(parts) > 1 else _quoted(column.name)), unsure

    def _weights(self, column: _Column) -> list[str]:
        """Whether a scale's figures run on from pour to pour, and the tare."""
        out = []
        tare = next(
            (
                c
                for c in self.columns
                if c.numeric and c is not column and _named(c.plain, lexicon.TARES.split("|")) >= 0.9
            ),
            None,
        )
        if self.table == "pours" and self._runs_on(column):
            out.append('weights = "cumulative_with_tare"' if tare else 'weights = "cumulative"')
        if tare and (out or self.table == "leftovers"):
            unit = tare.unit or column.unit or "g"
            out.append(f"tare = {{ column = {_quoted(tare.name)}, unit = {_quoted(unit)} }}")
            self.used.append(tare.name)
        return out

    def _runs_on(self, column: _Column) -> bool:
        others = [c for c in self.columns if c is not column and c.cells]
        if not others:
            return False
        cup = max(others, key=lambda c: _named(c.plain, _words("pours", "mix_id")))
        names = {n: f"c{i}" for i, n in enumerate(self.read.header)}
        groups: dict[str, list[float]] = {}
        for one, value in (
            self.read.rows.select(names[cup.name], names[column.name]).drop_nulls().head(2000).iter_rows()
        ):
            number = value.replace(".", "").replace(",", ".") if self.read.decimal == "," else value
            try:
                groups.setdefault(one, []).append(float(number))
            except ValueError:
                continue
        long = [g for g in groups.values() if len(g) >= 3]
        rising = [all(a <= b for a, b in itertools.pairwise(g)) for g in long]
        return len(long) >= 3 and sum(rising) >= 0.95 * len(long)

    # -- special shapes

    def _wide(self) -> list[_Column]:
        """Columns of readings side by side: the same stem with a number, or numbers alone."""
        stems: dict[str, list[_Column]] = {}
        for column in self.columns:
            stem = re.fullmatch(r"(.*?)[\s_.#-]*\d+", plain(column.name))
            if stem and column.numeric:
                stems.setdefault(stem.group(1), []).append(column)
        best = max(stems.values(), key=len, default=[])
        return best if len(best) >= 3 else []

    def _unpivot(self, wide: list[_Column]) -> None:
        names = ", ".join(_quoted(c.name) for c in wide)
        numbers = ", ".join(str(i + 1) for i in range(len(wide)))
        likely = [(wide[0].unit, "")] if wide[0].unit else _likely_units(self.infos["reading_um"], wide[0])
        unit = f", unit = {_quoted(str(likely[0][0]))}"
        rule = (
            f'unpivot = {{ columns = [{names}], into = "reading_um"{unit}, position = {{ reading_no = [{numbers}] }} }}'
        )
        self.extras.append((rule, f"{len(wide)} columns of readings side by side"))
        self.used += [c.name for c in wide]
        if not wide[0].unit:
            answers = tuple((f'(in unpivot) unit = "{u}"', why) for u, why in likely)
            question = (
                f"the headers {wide[0].name} ... name no unit; {likely[0][0]} is written in unpivot: is that right?"
            )
            self.open.append(Open(self.table, "reading_um", question, answers, needed=False))

    def _batch(self, taken: dict[str, tuple[_Column, _Candidate]], spent: set[str]) -> None:
        """A batch name such as J123-LF door-2, or a text that carries the job number."""
        if "job_id" not in self.infos or "job_id" in taken:
            return
        jobs = self.ids.get("jobs", set())
        for column in self.columns:
            if column.name in spent or not column.cells or column.numeric or column.formats:
                continue
            sure = [re.match(r"^([A-Za-z]{0,3}\d{2,})[-_ /]+(.+?)(?:[-_ ](\d{1,2}))?$", c) for c in column.cells]
            if (
                self.table == "readings"
                and "panel_id" not in taken
                and sum(m is not None for m in sure) >= 0.8 * len(sure)
            ):
                example = column.cells[0]
                why = f"batch names such as {example}"
                source = f"column = {_quoted(column.name)}"
                self.matches.append(
                    Match(
                        "job_id",
                        f"{{ {source}, pattern = '^([A-Za-z]{{0,3}}[0-9]{{2,}})[-_ /]' }}",
                        (column.name,),
                        why,
                    )
                )
                panel = "'^[A-Za-z]{0,3}[0-9]{2,}[-_ /]+(.+?)(?:[-_ ][0-9]{1,2})?$'"
                self.matches.append(Match("panel_id", f"{{ {source}, pattern = {panel} }}", (column.name,), why))
                if sum(m is not None and m.group(3) is not None for m in sure) >= 0.8 * len(sure):
                    stage = f"{{ {source}, pattern = '[-_ ]([0-9]{{1,2}})$' }}"
                    question = f"does the number at the end of {example} say after which operation the panel was read?"
                    self.open.append(
                        Open(self.table, "after_operation", question, ((stage, "if it does"),), needed=False)
                    )
                spent.add(column.name)
                return
            found = [m.group(1) for c in column.cells if (m := re.search(r"\b([A-Z]{1,3}-?\d{2,})\b", c))]
            if (
                self.table != "readings"
                and len(found) >= 0.6 * len(column.cells)
                and any(" " in c for c in column.cells)
            ):
                hits = sum(f in jobs for f in found)
                toml = f"{{ column = {_quoted(column.name)}, pattern = '\\b([A-Z]{{1,3}}-?[0-9]{{2,}})\\b' }}"
                why = f"texts that carry a number such as {found[0]}" + (f", {hits} of them known jobs" if jobs else "")
                if hits >= 0.5 * len(found):
                    self.matches.append(Match("job_id", toml, (column.name,), why))
                else:
                    question = f"is {found[0]} in '{column.name}' the job?"
                    self.open.append(Open(self.table, "job_id", question, ((toml, why),), needed=False))
                spent.add(column.name)
                return

    def _dates(self, taken: dict[str, tuple[_Column, _Candidate]], spent: set[str]) -> None:
        """A date and a time of day in columns of their own, for the table's first moment that has none."""
        moment = next(
            (i for i in self.infos.values() if i.kind in ("datetime", "date") and (i.required or i.name == "taken_at")),
            None,
        )
        if moment is None:
            return
        held = taken.get(moment.name)
        whole = [c for c in self.columns if c.name not in spent and any(re.search("%[HI]", f) for f in c.formats)]
        if not held and len(whole) == 1:
            why = f"the only column of dates with times, such as {whole[0].cells[0]}"
            taken[moment.name] = held = (whole[0], _Candidate(0.8, why))
            spent.add(whole[0].name)
        if held and any(re.search("%[HI]", f) for f in held[0].formats):
            return
        days = [
            c
            for c in self.columns
            if c.formats
            and (c.name not in spent or (held and c is held[0]))
            and not any(re.search("%[HI]", f) for f in c.formats)
        ]
        clocks = [c for c in self.columns if c.clocks and c.name not in spent and not c.numeric]
        if not days or (moment.kind == "datetime" and not clocks and held):
            return
        day = max(days, key=lambda c: _named(c.plain, lexicon.DATES.split("|")))
        if moment.kind == "date" or not clocks:
            if not held:
                taken[moment.name] = (day, _Candidate(0.9, f"header '{day.name}', dates as {day.cells[0]}"))
                spent.add(day.name)
            return
        clock = max(clocks, key=lambda c: _named(c.plain, lexicon.TIMES.split("|")))
        taken.pop(moment.name, None)
        spent |= {day.name, clock.name}
        forms = _best_formats(day.formats)
        source = f"columns = [{_quoted(day.name)}, {_quoted(clock.name)}]"
        made = [f"{{ {source}, format = {_quoted(f'{f} {clock.clocks[0]}')} }}" for f in forms]
        if len(forms) > 1:
            answers = tuple((m, f"reads {day.cells[0]} as {f}") for m, f in zip(made, forms, strict=True))
            self.open.append(
                Open(
                    self.table, moment.name, "day and month cannot be told apart: no day above 12 in the file", answers
                )
            )
            self.used += [day.name, clock.name]
        else:
            why = f"a date ({day.cells[0]}) and a time ({clock.cells[0]}) side by side"
            self.matches.append(Match(moment.name, made[0], (day.name, clock.name), why))

    def _rest(self, have: set[str]) -> None:
        """What no source column gives: numbers within a parent, the shop, and questions for the rest."""
        for info in self.infos.values():
            if info.name in have:
                continue
            parents = NUMBERED.get(info.name)
            if info.name == "reading_no":
                parents = [
                    c
                    for c in ("job_id", "panel_id", "after_operation")
                    if c in have and not any(o.column == c for o in self.open)
                ]
            if parents and (info.required or info.key) and set(parents) <= have and info.name != "weigh_no":
                value = f"{{ number_within = [{', '.join(_quoted(p) for p in parents)}] }}"
                self.matches.append(Match(info.name, value, (), "no column for it: numbered in the file's order"))
            elif info.name == "shop_id":
                self._shop(info)
            elif info.required:
                self.open.append(Open(self.table, info.name, f"no column looks like it ({info.description.lower()})"))

    def _shop(self, info: ColumnInfo) -> None:
        if not info.required:
            return
        shops = sorted(self.ids.get("shops", set()))
        in_path = [s for s in shops if s.lower() in self.source.file.lower()]
        if len(shops) == 1 or len(in_path) == 1:
            shop = (in_path or shops)[0]
            why = "its name stands in the file's path" if in_path else "the only shop in registers/shops.csv"
            self.matches.append(Match("shop_id", f"{{ constant = {_quoted(shop)} }}", (), why))
            return
        answers = tuple((f"{{ constant = {_quoted(s)} }}", "in registers/shops.csv") for s in shops)
        self.open.append(Open(self.table, "shop_id", "which shop does this export come from?", answers))


def _best_formats(formats: list[str]) -> list[str]:
    """The formats that fit, of those that mean the same the first; more than one: day and month cannot be told."""
    long = [f for f in formats if re.search("%[HI]", f)] or formats
    four = [f for f in long if "%Y" in f] or long
    return list({f[:2] + re.sub(r"[^%a-zA-Z]", "", f)[:4]: f for f in reversed(four)}.values())[::-1][:2]


def _unit_in_name(column: _Column, info: ColumnInfo) -> bool:
    return column.name == info.name  # our own names carry their unit


def _likely_units(info: ColumnInfo, column: _Column) -> list[tuple[str, str]]:
    inside = layout.INSIDE[info.unit]
    middle = sorted(column.numbers)[len(column.numbers) // 2] if column.numbers else 0.0
    if inside == "um":
        first = "mil" if 0 < middle < 15 else "um"
        return [
            (u, f"half of the values lie below {middle:g}")
            for u in ([first, "um"] if first == "mil" else ["um", "mil"])
        ]
    others = {"g": ["oz", "kg"], "kPa": ["bar", "psi"], "m2": ["ft2"]}.get(inside, [])
    if inside == "kPa":
        first = "bar" if middle < 10 else "psi" if middle < 100 else "kPa"
        return [(u, f"half of the values lie below {middle:g}") for u in dict.fromkeys([first, "kPa", "bar", "psi"])]
    return [(inside, f"half of the values lie below {middle:g}"), *((u, "if the export is in it") for u in others)]


def _table(parts: list[str]) -> str:
    return "{ " + ", ".join(parts) + " }"


def _quoted(value: str) -> str:
    return json.dumps(value, ensure_ascii=False)
