"""A file as grids of text, without a layout: encoding, delimiter, marks and the header are found by what the file holds.

Not here: what a column means.
"""

from __future__ import annotations

import re
from collections import Counter
from dataclasses import dataclass, field

import polars as pl

from pipelines.intake.reading import read, spreadsheets, text
from pipelines.intake.reading.files import FileRefused, Source, unpacked
from pipelines.intake.recognising import words
from pipelines.toml_texts import quoted

LIMIT_MB = 500
_SEARCHED = 60
_UNIT = re.compile(r"[\[\(]?(g|kg|oz|lb|ml|l|µm|um|mil|mils|mm|bar|psi|kpa|m2|m²|ft2|sq ft|%|min)[\]\)]?")


@dataclass
class Opened:
    """One sheet of one file. `rows`: line, damage, c0, c1, ...; `file`: what [file] must say, key -> (TOML value, why)."""

    source: Source
    sheet: str
    header: list[str]
    rows: pl.DataFrame
    decimal: str
    thousands: str
    typed: bool
    file: dict[str, tuple[str, str]] = field(default_factory=dict)
    above: list[str] = field(default_factory=list)
    units: dict[str, str] = field(default_factory=dict)  # of a row of units below the header

    @property
    def columns(self) -> list[str]:
        return [f"c{i}" for i in range(len(self.header))]


def opened(source: Source) -> list[Opened]:
    """The sheets of a file that hold a header and rows. Raises FileRefused."""
    read.looked_at(source, LIMIT_MB)
    data = unpacked(source, LIMIT_MB)
    if source.ending == ".parquet":
        grid = text.parquet_grid(data)
        return [Opened(source, "", grid.header, grid.rows, ".", "", True)]
    if source.ending == ".xlsx":
        return _workbook(source, data)
    return [_text(source, data)]


def _workbook(source: Source, data: bytes) -> list[Opened]:
    book = spreadsheets.look(data, LIMIT_MB)
    found = text.workbook(data)
    cells_of = {n: text.xlsx_cells(found, n) for n in found.sheet_names if n in book}
    filled = {n: c for n, c in cells_of.items() if c.width > 2 and c.height > 1}
    if not filled:
        raise FileRefused("the workbook holds no sheet with two columns and two rows")
    out = []
    for name, cells in filled.items():
        table = [[c.strip() if c else "" for c in row[1:]] for row in cells.head(_SEARCHED).iter_rows()]
        at = header_at(table)
        merged = any(row > at + 1 and last > row for row, _, last, _ in book[name].merged)
        grid = text.xlsx_grid(cells, int(cells["line"][at]), book[name], repeat=merged)
        if grid is None or grid.rows.is_empty():
            continue
        one = Opened(source, name if len(filled) > 1 else "", grid.header, grid.rows, ".", "", True)
        if len(filled) > 1:
            one.file["sheet"] = (quoted(name), "one sheet of several")
        if merged:
            one.file["merged"] = ('"repeat"', "cells are merged over rows")
        if at:
            one.file["header_line"] = ('"find"', f"the header stands on row {at + 1}")
            one.above = [" ".join(c for c in row if c) for row in table[:at] if any(row)]
        _marked(one)
        out.append(_laid_open(one))
    return out


def _text(source: Source, data: bytes) -> Opened:
    encoding, why = _encoding(data)
    utf8 = text.to_utf8(data, encoding)
    first = [raw.decode("utf-8", "replace") for raw in utf8.split(b"\n", 300)[:300]]
    delimiter = max(",;\t|", key=lambda d: _steadiness(first, d))
    table = [[text.bare(c) for c in text.cells_of(raw, delimiter) or []] for raw in first[:_SEARCHED]]
    at = header_at(table)
    records = text.records(utf8, delimiter)
    start = text.first_line(records, utf8, at + 1)
    grid = text.grid(utf8, records, start if start is not None else 0, delimiter)
    one = Opened(source, "", grid.header, grid.rows, ".", "", False)
    if encoding != "utf-8":
        one.file["encoding"] = (quoted(encoding), why)
    if delimiter != ",":
        one.file["delimiter"] = (quoted(delimiter), "gives the same number of cells on most lines")
    if at:
        one.file["header_line"] = ('"find"', f"the header stands on line {at + 1}, below other text")
        one.above = [line.strip() for line in first[:at] if line.strip()]
    _marked(one)
    return _laid_open(one)


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


def header_at(table: list[list[str]]) -> int:
    """The first row that is about as wide as most, of distinct texts without measured numbers."""
    widths = Counter(len([c for c in row if c]) for row in table if any(row))
    usual = max(widths, key=lambda w: (widths[w] * min(w, 5), w), default=1)
    for i, row in enumerate(table):
        filled = [c for c in row if c]
        if len(filled) < max(2, 0.6 * usual) or len(set(filled)) < len(filled):
            continue
        measured = sum(bool(re.fullmatch(r"[-+]?[\d.,:/ -]+", c)) and not c.isdigit() for c in filled)
        if (
            not measured
            and any(re.search(r"[^\W\d_]", c) for c in filled)
            and sum(c.isdigit() for c in filled) <= len(filled) // 2
        ):
            return i
    return next((i for i, row in enumerate(table) if any(row)), 0)


def _marked(one: Opened) -> None:
    """Decimal and thousands marks, by the cells that are numbers."""
    texts = [c for n in one.columns for c in one.rows[n].drop_nulls().head(400) if any(x.isdigit() for x in c)]
    cells = [re.sub(r"(?<=\d) ?[A-Za-zµ%²]{1,5}$", "", c) for c in texts]  # '12,5 g'

    def written(number: str, groups: str) -> list[str]:
        """The cells that are numbers of this form, and not whole ones in groups of three digits."""
        return [c for c in cells if re.fullmatch(rf"[-+]?{number}", c) and not re.fullmatch(groups, c)]

    comma = written(r"(\d{1,3}(?:[.' \u00a0\u202f]\d{3})+|\d+),\d+", r"\d{1,3}(,\d{3})+")
    point = written(r"(\d{1,3}(?:[,' ]\d{3})+|\d+)\.\d+", r"\d{1,3}(\.\d{3})+")
    groups = ""
    if len(comma) > len(point) or (one.typed and comma):
        one.decimal = ","
        one.file["decimal"] = ('","', f"numbers such as {comma[0]}")
        groups = next(
            (
                c[m.start(1)]
                for c in cells
                if (m := re.search(r"\d([.' \u00a0\u202f])\d{3}(?:\D|$)", c))
                and re.fullmatch(r"[-+]?\d{1,3}([.' \u00a0\u202f]\d{3})+(,\d+)?", c)
            ),
            "",
        )
        if groups == "." and not any("." in c for c in comma):
            groups = ""
    elif point:
        groups = next((c[m.start(1)] for c in point if (m := re.search(r"\d([,' ])\d{3}", c))), "")
    if groups:
        one.thousands = " " if groups in " \u00a0\u202f" else groups
        one.file["thousands"] = (quoted(one.thousands), "numbers with groups of three digits")


def _laid_open(one: Opened) -> Opened:
    """Totals left out, lines that head blocks turned into columns, cells that repeat the one above filled."""
    rows, names = one.rows, one.columns
    width = pl.sum_horizontal(pl.col(c).is_not_null() for c in names)
    sums = {c: pl.col(c).str.contains(words.TOTALS).fill_null(False) for c in names}
    # a row that is as full as others is none, whatever a remark begins with ('total loss')
    full = width > 0.7 * width.median()
    at = {c: hit for c, hit in sums.items() if not rows.select((hit & full).any()).item()}
    whole = len(at) < len(sums)
    totals = rows.filter(pl.any_horizontal(*at.values())) if at else rows.head(0)
    if totals.height and totals.height <= 0.5 * rows.height:
        example = next(c for c in totals.row(0)[2:] if c and re.search(words.TOTALS, c))
        there = (
            [one.header[names.index(c)] for c in at if totals[c].str.contains(words.TOTALS).any()] if whole else ["*"]
        )
        rules = [f"{{ column = {quoted(h)}, pattern = '{words.TOTALS}' }}" for h in there]
        rule = f"[{', '.join(rules)}]"
        one.file["skip"] = (rule, f"{totals.height} rows such as '{example[:40]}' hold sums")
        rows = rows.join(totals.select("line"), on="line", how="anti")
    rows = _units_row(one, rows)
    one.rows = rows
    _blocks(one)
    _repeats(one)
    return one


def _units_row(one: Opened, rows: pl.DataFrame) -> pl.DataFrame:
    """A row of units below the header ('g', '-', 'mm'): passed over, and the units told with the header's names."""
    if rows.height < 3:
        return rows
    first = [c or "" for c in rows.row(0)[2 : 2 + len(one.header)]]
    said = [c for c in first if c]
    if not said or any(any(x.isdigit() for x in c.replace("m2", "").replace("ft2", "")) for c in said):
        return rows
    units = [bool(_UNIT.fullmatch(c.lower())) for c in said]
    if any(units) and sum(units) + sum(c in "-–/" for c in said) == len(said):
        at = next(i for i, c in enumerate(first) if c)
        rule = f"{{ column = {quoted(one.header[at])}, is = [{quoted(first[at])}] }}"
        sums, why = one.file.get("skip", ("", ""))
        one.file["skip"] = (
            f"[{rule}{', ' + sums[1:-1] if sums else ''}]",
            "; ".join(["a row of units below the header", why]).removesuffix("; "),
        )
        one.units = dict(zip(one.header, first, strict=True))
        return rows.slice(1)
    return rows


def _blocks(one: Opened) -> None:
    """Rows with one text alone, such as 'Cup 701  Product: clear', that head the rows below."""
    names = one.columns
    if len(names) < 3:
        return
    alone = one.rows.filter(pl.sum_horizontal(pl.col(c).is_not_null() for c in names) == 1, pl.col("damage").is_null())
    if alone.height < 3 or alone.height > 0.6 * one.rows.height:
        return
    texts = alone.select(pl.coalesce(names)).to_series().to_list()
    pattern = block_pattern(texts)
    if pattern is None:
        return
    from pipelines.intake.reading import layout, mapped_rows

    rule = layout.Layout(name="", file=layout.File(block=(layout.Block(pattern=pattern),)), tables=(), digest="")
    grid = mapped_rows.laid_open(rule, text.Grid(one.header, one.rows, text.Origin()))
    one.rows, one.header = grid.rows, grid.header
    one.file["block"] = (
        f"{{ pattern = '{pattern}' }}",
        f"{alone.height} rows such as '{texts[0][:50]}' head the rows below them",
    )


def block_pattern(texts: list[str]) -> str | None:
    """A pattern with a named group for each value in lines of one form: 'Cup: 701  Product: clear'."""
    keyed = re.findall(r"([^\W\d][\w .°º/-]*?)\s*[:=]\s*(\S+(?: \S+)*?)(?=\s{2,}|\s*[,;|]\s*|$)", texts[0])
    if keyed and all(len(re.findall(re.escape(k), t)) >= 1 for k, _ in keyed for t in texts[:30]):
        parts = [
            rf"{re.escape(k).replace(chr(92) + ' ', ' ')}\s*[:=]\s*(?P<{_group(k, i)}>.+?)"
            for i, (k, _) in enumerate(keyed)
        ]
        pattern = "^" + r"[\s,;|]+".join(parts) + "$"
        if all(re.match(pattern, t) for t in texts):
            return pattern
    stem = re.match(r"^([^\d]*?[^\W\d][^\d]*?)\s+(?=\S*\d)", texts[0])
    if stem and all(t.startswith(stem.group(1)) for t in texts):
        word = re.escape(stem.group(1)).replace("\\ ", " ")
        for rest, groups in ((r"\s+(\S+)[\s,;:|()-]+(.+?)\)?$", 2), (r"\s+(\S+)$", 1)):
            pattern = f"^{word}{rest}"
            if all(re.match(pattern, t) for t in texts):
                pattern = pattern.replace("(\\S+)", f"(?P<{_group(stem.group(1), 0)}>\\S+)", 1)
                return pattern.replace("(.+?)", "(?P<about>.+?)", 1) if groups == 2 else pattern
    return None


def _group(text_: str, i: int) -> str:
    name = re.sub(r"\W+", "_", words.plain(text_)).strip("_")
    return name if re.fullmatch(r"[a-z_]\w*", name) else f"part_{i}"


def _left_empty(rows: pl.DataFrame, column: str, full: list[str]) -> bool:
    """Whether a column's empty cells are meant: they open the block of an id that stands on every row, or hang on the kind of
    work (only spraying has a cup)."""
    filled = rows[column].is_not_null()
    for other in full:
        cells = rows[other]
        runs, distinct = cells.rle_id(), cells.n_unique()
        if distinct >= 3 and runs.n_unique() == distinct and rows.height >= 1.3 * distinct and ":" not in str(cells[0]):
            first = filled.filter(runs.is_first_distinct())
            if first.not_().sum() > 0.1 * first.len():
                return True
        if 2 <= distinct <= 8 and sum(words.closed("kind", c) is not None for c in cells.unique()) >= 0.5 * distinct:
            share = (
                pl.DataFrame({"kind": cells, "filled": filled}).group_by("kind").agg(pl.col("filled").mean(), pl.len())
            )
            if share.filter(pl.col("filled").is_between(0.03, 0.97))["len"].sum() <= 0.05 * rows.height:
                return True
    return False


def _repeats(one: Opened) -> None:
    """Columns that are filled on the first row of a group and empty below: the value stands for all of them."""
    rows = one.rows.filter(pl.col("damage").is_null())
    if rows.height < 6:
        return
    first = rows.row(0)[2:]
    full = [c for c in one.columns if rows[c].null_count() == 0]
    found = []
    for name, column in zip(one.header, one.columns, strict=True):
        cells = rows[column]
        share = 1 - cells.null_count() / rows.height
        if first[int(column[1:])] is None or not 0.03 < share < 0.75 or len(full) < 2:
            continue
        runs = cells.is_not_null().cum_sum()
        lengths = rows.height / max(1, runs.n_unique())
        said = cells.drop_nulls()
        number = said.str.replace(",", ".").cast(pl.Float64, strict=False)
        measured = number.null_count() == 0 and bool((number != number.floor()).any())
        if measured or said.len() < 2:
            continue
        found.append(
            (name, column, frozenset(cells.is_not_null().arg_true().to_list()), said.n_unique() / said.len(), lengths)
        )
    # an id that stands once for its group: nearly all different, and others are filled on the same rows
    heads = [f for f in found if f[3] > 0.9 and f[4] >= 1.5 and not _left_empty(rows, f[1], full)]
    if not heads:
        return
    head = min(heads, key=lambda f: len(f[2]))
    same = [f for f in found if f[2] <= head[2] and len(f[2]) >= 0.8 * len(head[2])]
    one.rows = one.rows.with_columns(pl.col(f[1]).forward_fill() for f in same)
    named = ", ".join(quoted(f[0]) for f in same)
    one.file["repeat_above"] = (f"[{named}]", "filled on the first row of a group alone: empty cells repeat it")
