"""Rows of text in the columns of our tables: a layout's rules applied, or canonical columns picked out.

Still text: cast.py types it. Every row keeps its physical line; one line may make several rows (unpivot, split) and
feed several tables. A damaged row makes one row in each table that would take it, so that its parents can be named.
"""

import dataclasses
from dataclasses import dataclass, field

import polars as pl

from pipelines.intake.messages import listed, say
from pipelines.intake.reading import cast, layout
from pipelines.intake.reading.files import SHEET, FileRefused
from pipelines.intake.reading.text import Grid, trimmed
from schemas import validate
from schemas.vocabulary import ColumnInfo

TARE = "@tare"
#: which of the files that are typed together a row is of
FILE = pl.col("line") // SHEET


@dataclass(frozen=True)
class Shaped:
    """`rows`: line, damage, every column of the table as text (and @tare); `specs` how each is written; `failures` by
    index into rows."""

    table: str
    rows: pl.DataFrame
    specs: dict[str, cast.Spec]
    failures: pl.DataFrame = field(default_factory=cast.no_failures)


def canonical(table: str, grid: Grid) -> Shaped:
    """The rows of a file that is in the table's own columns."""
    names = grid.names()
    rows = grid.rows.select(
        "line",
        "damage",
        *(
            (pl.col(names[c.name]) if c.name in names else pl.lit(None, pl.String)).alias(c.name)
            for c in validate.columns(table)
        ),
    )
    return Shaped(table, rows, {})


def unused(grid: Grid, used: list[str]) -> list[str]:
    """Header names that nothing asks for."""
    return [name for name in grid.header if name and name not in used]


def once(grid: Grid, wanted: list[str]) -> None:
    """Raises FileRefused where a column that is asked for stands twice in the header."""
    for name in wanted:
        if grid.header.count(name) > 1:
            raise FileRefused(say("header_twice", column=name))


def without_skipped(found: layout.Layout, grid: Grid) -> tuple[Grid, list[str]]:
    """The grid without the rows that a layout's `skip` names, and what to say of them."""
    names = grid.names()
    rows, said = grid.rows, []
    for rule in found.file.skip:
        cells = [pl.col(c) for c in (names.values() if rule.column == "*" else [names[rule.column]])]
        hit = pl.any_horizontal(_fits(cell, rule) for cell in cells)
        lines = rows.filter(hit)["line"]
        if lines.len():
            said.append(say("skipped", n=lines.len(), column=rule.column, lines=listed(lines, 12)))
            rows = rows.filter(~hit)
    return dataclasses.replace(grid, rows=rows), said


def _fits(cell: pl.Expr, rule: layout.Skip | layout.Where) -> pl.Expr:
    """Whether a cell is as the rule says."""
    if rule.is_ is not None:
        return cell.is_in(list(rule.is_)).fill_null(False)
    if rule.pattern is not None:
        return cell.str.contains(rule.pattern).fill_null(False)
    if isinstance(rule, layout.Where) and rule.is_not is not None:
        return ~cell.is_in(list(rule.is_not)).fill_null(False)
    return cell.is_not_null() if rule.filled else cell.is_null()


def laid_open(found: layout.Layout, grid: Grid) -> Grid:
    """The grid with what stands above its rows in columns of their own: lines that head a block, and cells left empty
    because they repeat the one above."""
    rows, header = grid.rows, list(grid.header)
    cells = [f"c{i}" for i in range(len(header))]
    for block in found.file.block:
        alone = pl.sum_horizontal(pl.col(c).is_not_null() for c in cells) == 1
        text = pl.when(alone & pl.col("damage").is_null()).then(pl.coalesce(cells))
        heads = rows.select(text.str.contains(block.pattern).fill_null(False)).to_series()
        groups = rows.select(text.str.extract_groups(block.pattern)).to_series().struct.unnest()
        for name in block.makes():
            if name in header:
                raise FileRefused(
                    say("layout_needs", layout=found.name, why=f"block makes '{name}', which the header has")
                )
            made = pl.select(pl.when(heads).then(groups[name])).to_series().forward_fill()
            rows = rows.with_columns(trimmed(pl.lit(made)).alias(f"c{len(header)}"))
            header.append(name)
        rows = rows.filter(~heads)
    names = {name: f"c{i}" for i, name in enumerate(header)}
    if found.file.repeat_above:
        rows = rows.with_columns(pl.col(names[name]).forward_fill() for name in found.file.repeat_above)
    if found.file.order == "newest_first":
        rows = rows.reverse()
    return dataclasses.replace(grid, rows=rows, header=header)


def with_note(found: layout.Layout, grid: Grid) -> tuple[Grid, list[str]]:
    """The grid with the columns of the layout's note beside the rows that name its key, and what to say of keys it lacks."""
    note = found.file.note
    if note is None:
        return grid, []
    taken = [name for name in note.columns if name != note.on]
    if twice := [name for name in taken if name in grid.header]:
        why = f"its note has '{twice[0]}', and so has the header; leave it out of the note's columns"
        raise FileRefused(say("layout_needs", layout=found.name, why=why))
    at = pl.col(grid.names()[note.on])
    said = []
    keys = grid.rows.filter(at.is_not_null() & pl.col("damage").is_null()).select(at).to_series().unique().sort()
    if found.noted_twice and (both := keys.filter(keys.is_in(list(found.noted_twice)))).len():
        said.append(say("note_twice", column=note.on, keys=listed(both, 8), note=note.file))
    lost = keys.filter(~keys.is_in([*found.noted, *found.noted_twice]))
    if lost.len():
        said.append(say("note_lacks", column=note.on, keys=listed(lost, 8), n=lost.len(), note=note.file))
    width = len(grid.header)
    made = [
        at.replace_strict(list(found.noted), [row[note.columns.index(name)] for row in found.noted.values()], default=None, return_dtype=pl.String)
        .alias(f"c{width + i}")
        for i, name in enumerate(taken)
    ]  # fmt: skip
    return dataclasses.replace(grid, rows=grid.rows.with_columns(made), header=[*grid.header, *taken]), said


def by_layout(found: layout.Layout, grid: Grid) -> tuple[list[Shaped], pl.DataFrame]:
    """The rows each [[tables]] entry makes, and the rows of the grid that none of them takes."""
    names = grid.names()
    taken = [
        pl.all_horizontal(pl.lit(True), *(_fits(pl.col(names[where.column]), where) for where in table.where))
        for table in found.tables
    ]
    none, damaged = ~pl.any_horizontal(taken), pl.col("damage").is_not_null()
    untaken = grid.rows.filter(none & ~damaged)
    # a damaged row that no `where` takes belongs to the first table: it must be refused somewhere
    taken[0] = taken[0] | (none & damaged)
    return [
        _shape(table, found.file, grid, grid.rows.filter(mask)) for table, mask in zip(found.tables, taken, strict=True)
    ], untaken


@dataclass(frozen=True)
class _Plan:
    """How the columns of a table are made from those of a header. specs: how each is written; renamed: what `made` would rename,
    the text before it and whether it is none of the known ones; numbered: columns that number rows."""

    splits: dict[str, layout.Column]
    made: list[pl.Expr]
    specs: dict[str, cast.Spec]
    renamed: dict[str, tuple[pl.Expr, pl.Expr]]
    numbered: list[pl.Expr]


def _planned(table: layout.Table, file: layout.File, names: dict[str, str], typed: bool) -> _Plan:
    infos = {c.name: c for c in validate.columns(table.table)}
    specs: dict[str, cast.Spec] = {}
    if table.unpivot:
        specs = {name: cast.Spec() for name in (*table.unpivot.position, *table.unpivot.beside)}
    made: list[pl.Expr] = []
    for name in infos:
        if name in table.columns and table.columns[name].number_within is None:
            column = table.columns[name]
            made.append(_made(name, column, table, names).alias(name))
            specs[name] = _spec(name, column, table, file, infos, typed)
        elif table.unpivot and name == table.unpivot.into:
            made.append(pl.col("@value").alias(name))
            specs[name] = _spec(name, layout.Column(unit=table.unpivot.unit), table, file, infos, typed)
        elif table.unpivot and name in (*table.unpivot.position, *table.unpivot.beside):
            made.append(pl.col(f"@at {name}").alias(name))
        else:
            made.append(pl.lit(None, pl.String).alias(name))
    if table.tare:
        made.append(pl.col(names[table.tare.column]).alias(TARE))
    if "measured_by" in infos and "measured_by" not in table.columns and any(s.volume for s in specs.values()):
        made[list(infos).index("measured_by")] = pl.lit("volume").alias("measured_by")
    return _Plan(
        {name: column for name, column in table.columns.items() if column.split is not None},
        made,
        specs,
        {
            name: (_text(name, column, table, names).alias("x"), _unknown(name, column, table, names))
            for name, column in table.columns.items()
            if column.values is not None and column.otherwise == "refuse"
        },
        [_numbered(c.number_within).alias(n) for n, c in table.columns.items() if c.number_within is not None],
    )


def _shape(table: layout.Table, file: layout.File, grid: Grid, rows: pl.DataFrame) -> Shaped:
    names = grid.names()
    key = (grid.typed, *grid.header)
    if key not in table.plans:
        table.plans[key] = _planned(table, file, names, grid.typed)
    plan: _Plan = table.plans[key]
    if table.unpivot or plan.splits:
        rows = _several(table, plan.splits, rows.with_row_index("@order"), names)
    out = validate.picked(rows, ["line", "damage", *plan.made])
    found = rows.select(bad.any().alias(name) for name, (_, bad) in plan.renamed.items()) if plan.renamed else None
    failures = [
        _not_renamed(name, table.columns[name], rows.select(cells, bad.alias("bad")))
        for name, (cells, bad) in plan.renamed.items()
        if found is not None and found[name].item()
    ]
    out = out.with_columns(plan.numbered) if plan.numbered else out
    return Shaped(table.table, out, plan.specs, pl.concat(failures) if failures else cast.no_failures())


def _several(
    table: layout.Table, splits: dict[str, layout.Column], rows: pl.DataFrame, names: dict[str, str]
) -> pl.DataFrame:
    """The rows that each line makes where it may make several; of a damaged one, one."""
    whole, damaged = rows.filter(pl.col("damage").is_null()), rows.filter(pl.col("damage").is_not_null())
    if table.unpivot:
        whole, damaged = _unpivoted(table.unpivot, whole, names), _unpivoted_damaged(table.unpivot, damaged)
    for name, column in splits.items():
        source = _source(column, names).alias(f"@split {name}")
        whole = whole.with_columns(source.str.split(column.split or "")).explode(f"@split {name}")
        whole = whole.with_columns(trimmed(pl.col(f"@split {name}"))).filter(pl.col(f"@split {name}").is_not_null())
        damaged = damaged.with_columns(pl.lit(None, pl.String).alias(f"@split {name}"))
    return pl.concat([whole, damaged], how="vertical").sort("@order", maintain_order=True)


def _unpivoted(rule: layout.Unpivot, rows: pl.DataFrame, names: dict[str, str]) -> pl.DataFrame:
    pieces = []
    for i, source in enumerate(rule.columns):
        piece = rows.filter(pl.col(names[source]).is_not_null())
        pieces.append(
            piece.with_columns(
                pl.col(names[source]).alias("@value"),
                pl.lit(i).alias("@piece"),
                *(pl.lit(str(v[i])).alias(f"@at {n}") for n, v in rule.position.items()),
                *(pl.col(names[v[i]]).alias(f"@at {n}") for n, v in rule.beside.items()),
            )
        )
    return pl.concat(pieces).sort("@order", "@piece").drop("@piece")


def _unpivoted_damaged(rule: layout.Unpivot, rows: pl.DataFrame) -> pl.DataFrame:
    return rows.with_columns(
        pl.lit(None, pl.String).alias("@value"),
        *(pl.lit(None, pl.String).alias(f"@at {n}") for n in (*rule.position, *rule.beside)),
    )


def _source(column: layout.Column, names: dict[str, str]) -> pl.Expr:
    if column.constant is not None:
        return pl.lit(str(column.constant))
    wanted = [column.column] if column.column is not None else list(column.columns or ())
    there = [pl.col(names[w]) for w in wanted if w in names]  # what is missing here is optional: claims saw to that
    if not there:
        return pl.lit(None, pl.String)
    if len(wanted) == 1:
        return there[0]
    # a day that a spreadsheet kept as a date comes with midnight, which is not the time beside it
    there = [t.str.replace(r"^(\d{4}-\d\d-\d\d) 00:00:00(?:\.0+)?$", "$1") for t in there]
    joined = pl.concat_str(there, separator=column.join, ignore_nulls=True)
    return pl.when(pl.any_horizontal(t.is_not_null() for t in there)).then(joined)


def _text(name: str, column: layout.Column, table: layout.Table, names: dict[str, str]) -> pl.Expr:
    """The column's text before renames."""
    if table.unpivot and name == table.unpivot.into:
        text = pl.col("@value")
    elif table.unpivot and name in table.unpivot.beside:
        text = pl.col(f"@at {name}")
    elif column.split is not None:
        text = pl.col(f"@split {name}")
    else:
        text = _source(column, names)
    if column.pattern is not None:
        text = text.str.extract(column.pattern, 1)
    for letter in column.drop:
        text = text.str.replace_all(letter, "", literal=True)
    return trimmed(text)


def _made(name: str, column: layout.Column, table: layout.Table, names: dict[str, str]) -> pl.Expr:
    text = _text(name, column, table, names)
    if column.values is not None:
        old, new = list(column.values), list(column.values.values())
        kept = text if column.otherwise == "keep" else pl.lit(None, pl.String)
        text = pl.when(text.is_in(old)).then(text.replace(old, new)).otherwise(kept)
    if column.pad:
        text = text.str.zfill(column.pad)
    if column.prefix or column.suffix:
        text = pl.lit(column.prefix) + text + pl.lit(column.suffix)
    return text


def _unknown(name: str, column: layout.Column, table: layout.Table, names: dict[str, str]) -> pl.Expr:
    """Whether a cell is none of those that are renamed."""
    cells = _text(name, column, table, names)
    return cells.is_not_null() & ~cells.is_in(list(column.values or ())) & pl.col("damage").is_null()


def _not_renamed(name: str, column: layout.Column, both: pl.DataFrame) -> pl.DataFrame:
    """A failure for each cell that is unknown; `both`: the cells, and whether they are."""
    cells, bad = both.get_columns()
    known = listed(column.values or (), 12)
    return cast.failures_of(name, cells, bad, lambda cell: say("value", column=name, found=cell, known=known))


def _numbered(parents: tuple[str, ...]) -> pl.Expr:
    """1, 2, ... within the parents in file order; rows without a parent get none."""
    whole = pl.all_horizontal(pl.col(p).is_not_null() for p in parents)
    return pl.when(whole).then(pl.int_range(1, pl.len() + 1).over([FILE, *parents]).cast(pl.String))


def _spec(
    name: str, column: layout.Column, table: layout.Table, file: layout.File, infos: dict[str, ColumnInfo], typed: bool
) -> cast.Spec:
    how, factor, unit = "scale", 1.0, column.unit
    if unit is None and table.unpivot and name == table.unpivot.into:
        unit = table.unpivot.unit
    if unit is not None:
        how, factor = layout.unit_of(infos[name], unit, infos)
    plain = column.constant is not None  # constants are written in TOML, not with the file's marks
    return cast.Spec(
        formats=column.format or (),
        factor=factor,
        unit=unit or "",
        volume=how == "volume",
        decimal="." if plain else file.decimal,
        thousands="" if plain else file.thousands,
        century=file.century,
        months=file.months,
        typed=typed,
    )
