"""Layouts: how one shop's export maps to the tables of the contract, as it stands in layouts/*.toml.

Here belongs what a layout may say, and the errors of one that cannot be meant (unknown key, unknown unit, a table that
lacks a needed column). Applying a layout to rows is mapped_rows.py's.

    [file]                       match_name, delimiter, encoding, decimal, thousands, header_line, skip, block,
                                 repeat_above, sheet, merged, months, century, mode, complete_for, exported_at, time_zone
    [[tables]]                   table, where, unpivot
    [tables.columns]             contract column = how it is made
"""

import codecs
import contextlib
import difflib
import fnmatch
import hashlib
import json
import re
import tomllib
from functools import cached_property
from typing import Annotated, Any, Literal

import polars as pl
from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, ValidationError, model_validator

from pipelines import toml_texts, units
from pipelines.intake.messages import shown
from pipelines.intake.reading import cast
from schemas import validate
from schemas.events import EVENTS
from schemas.reference import LOCAL
from schemas.registers import REGISTERS
from schemas.vocabulary import ColumnInfo

TABLES = (*EVENTS, *REGISTERS, *LOCAL)

#: unit word of the schemas -> unit of pipelines/units.py that values are turned into
INSIDE = {
    "g": "g", "mL": "ml", "um": "um", "mm": "mm", "m2": "m2", "kPa": "kPa", "g/mL": "g_per_ml", "g/L": "g_per_l",
    "1": "fraction",
}  # fmt: skip

#: the column that a scale shows, in the tables that come from one
WEIGHED = {"pours": "weighed_g", "leftovers": "leftover_g"}
#: each pour by itself; a display that runs on; one that runs on with the empty cup in it
Weights = Literal["incremental", "cumulative", "cumulative_with_tare"]


class LayoutError(ValueError):
    """A layout that cannot be used; the text names its file, the key and what to write instead."""


class _Part(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


def _listed(value: Any) -> Any:
    return [value] if isinstance(value, str) else value


def _several(value: Any) -> Any:
    return [value] if isinstance(value, dict) else value


Texts = Annotated[tuple[str, ...], BeforeValidator(_listed)]


class ExportedAt(_Part):
    """Where the time of export stands: a pattern (first group) in the file's name, or a column (its latest value)."""

    name_pattern: str | None = None
    column: str | None = None
    format: str

    @model_validator(mode="after")
    def _one(self) -> "ExportedAt":
        if (self.name_pattern is None) == (self.column is None):
            raise ValueError("give either name_pattern or column")
        if self.name_pattern is not None:
            _pattern(self.name_pattern)
        _format(self.format)
        return self


class Skip(_Part):
    """Rows that hold no data, such as totals: those whose `column` ("*": any of the columns) is one of `is`, or fits
    `pattern`, or is empty (`filled` = false). They are passed over and named in the file's message."""

    column: str
    is_: Texts | None = Field(default=None, alias="is")
    pattern: str | None = None
    filled: bool | None = None

    @model_validator(mode="after")
    def _one(self) -> "Skip":
        if sum(x is not None for x in (self.is_, self.pattern, self.filled)) != 1:
            raise ValueError("skip: give one of is = [...], pattern = '...' or filled = false")
        if self.pattern is not None:
            _searchable(self.pattern)
        if self.column == "*" and self.filled is not None:
            raise ValueError("skip: filled is for one column")
        return self


class Block(_Part):
    """Rows that head a block, such as a line for each cup: a row whose only text fits `pattern`. Its named groups,
    (?P<cup>...), become columns of the rows below it; the row itself holds no data."""

    pattern: str

    @model_validator(mode="after")
    def _named(self) -> "Block":
        _pattern(self.pattern)
        if not self.makes():
            raise ValueError(f"block: {self.pattern!r} names no group; write such as ^Cup (?P<cup>.+)$")
        return self

    def makes(self) -> list[str]:
        """The names of the columns it makes."""
        return list(re.compile(self.pattern).groupindex)


_ENCODINGS = re.compile(
    r"ascii|utf-(8|8-sig|16|16-le|16-be|32|32-le|32-be)|cp(437|737|775|85\d|86\d|874|932|949|950|125\d)|iso8859-\d+|mac-\w+"
    r"|koi8-[rtu]|shift_jis|gb2312|gbk|gb18030|big5|euc_(jp|kr)"
)


def _encoding(name: str) -> None:
    """One that texts are written in: Python knows others, which unpack or run what they read."""
    known = ""
    with contextlib.suppress(LookupError, ValueError):
        known = codecs.lookup(name).name
    if not _ENCODINGS.fullmatch(known):
        raise ValueError(f"encoding: {name!r} is not known; write utf-8, windows-1252, latin-1 or utf-16")


class Note(_Part):
    """A note beside the export, such as which job and panel each batch of a gauge is: files of the inbox that fit `file`. Where the
    note's `of` (default: the same header) is the row's `on`, its `columns` stand beside the row."""

    file: str
    on: str
    of: str | None = None
    columns: tuple[str, ...] = Field(min_length=1)
    delimiter: str | None = None
    encoding: str | None = None
    sheet: str | None = None

    @model_validator(mode="after")
    def _sensible(self) -> "Note":
        if self.encoding is not None:
            _encoding(self.encoding)
        return self


class File(_Part):
    """What the file is like."""

    match_name: str | None = None
    delimiter: str = ","
    encoding: str = "utf-8"
    decimal: Literal[".", ","] = "."
    thousands: Literal["", ".", ",", " ", "'"] = ""
    header_line: Annotated[int, Field(ge=1)] | Literal["find"] = 1
    skip: tuple[Skip, ...] = ()
    block: Annotated[tuple[Block, ...], BeforeValidator(_several)] = ()
    repeat_above: Texts = ()
    note: Note | None = None
    order: Literal["as_listed", "newest_first"] = "as_listed"
    months: Literal["en", "de", "fr", "es", "it", "nl", "pt"] = "en"
    sheet: str | None = None
    merged: Literal["refuse", "repeat"] = "refuse"
    century: int | None = Field(default=None, ge=1900, le=2100)
    mode: Literal["replace", "append"] = "replace"
    complete_for: Literal["days", "months"] | None = None
    exported_at: ExportedAt | None = None
    time_zone: str | None = None

    @model_validator(mode="after")
    def _sensible(self) -> "File":
        if len(self.delimiter) != 1 or self.delimiter in '"\n\r' or ord(self.delimiter) > 127:
            raise ValueError(f"delimiter: {self.delimiter!r} must be one plain character, such as , or ; or \\t")
        _encoding(self.encoding)
        if self.thousands == self.decimal:
            raise ValueError("thousands and decimal are the same mark")
        if self.time_zone is not None and not toml_texts.is_zone(self.time_zone):
            raise ValueError(f"time_zone: '{self.time_zone}' is no IANA time zone; write a name such as Europe/Vienna")
        if self.complete_for is not None and self.mode == "append":
            raise ValueError("complete_for: an export that carries additions alone is not complete for its dates")
        if self.exported_at is not None:
            _two_digits(self.exported_at.format, self.century)
        return self


class Where(_Part):
    """Which rows are taken: those whose `column` is one of `is`, or none of `is_not`, or fits `pattern`, or (`filled`) is
    not empty, or is empty. Of several, all must hold."""

    column: str
    is_: Texts | None = Field(default=None, alias="is")
    is_not: Texts | None = None
    pattern: str | None = None
    filled: bool | None = None

    @model_validator(mode="after")
    def _one(self) -> "Where":
        if sum(x is not None for x in (self.is_, self.is_not, self.pattern, self.filled)) != 1:
            raise ValueError("where: give either is = [...], is_not = [...], pattern = '...' or filled = true|false")
        if self.pattern is not None:
            _searchable(self.pattern)
        return self


class Unpivot(_Part):
    """Wide to long: one row for each of `columns` that is not empty; its value goes `into` a column of the table,
    `position` gives each source column its constants, and `beside` names the columns that stand beside each of them."""

    columns: tuple[str, ...] = Field(min_length=1)
    into: str
    unit: str | None = None
    position: dict[str, tuple[str | int | float, ...]] = {}
    beside: dict[str, tuple[str, ...]] = {}

    @model_validator(mode="after")
    def _lengths(self) -> "Unpivot":
        for name, values in self.position.items():
            if len(values) != len(self.columns):
                raise ValueError(f"unpivot.position.{name} has {len(values)} values for {len(self.columns)} columns")
        for name, sources in self.beside.items():
            if len(sources) != len(self.columns):
                raise ValueError(f"unpivot.beside.{name} has {len(sources)} columns for {len(self.columns)}")
        return self


class Tare(_Part):
    """The weight of the empty cup, to be taken off."""

    column: str
    unit: str = "g"


class Column(_Part):
    """How one column is made. Exactly one source: column, columns, constant or number_within (or the unpivoted
    value). Then in this order: split, pattern, drop (letters that are taken out, such as "/-"), values, pad (zeros in front
    up to so many letters), prefix and suffix."""

    column: str | None = None
    columns: tuple[str, ...] | None = None
    join: str = " "
    constant: str | int | float | bool | None = None
    number_within: tuple[str, ...] | None = None
    format: Texts | None = None
    unit: str | None = None
    pattern: str | None = None
    split: str | None = None
    drop: str = ""
    values: dict[str, str] | None = None
    otherwise: Literal["keep", "refuse"] = "refuse"
    pad: int = Field(default=0, ge=0, le=40)
    prefix: str = ""
    suffix: str = ""
    optional: bool = False

    @model_validator(mode="after")
    def _sensible(self) -> "Column":
        sources = [self.column, self.columns, self.constant, self.number_within]
        if sum(s is not None for s in sources) > 1:
            raise ValueError("give one source only: column, columns, constant or number_within")
        if self.pattern is not None:
            _pattern(self.pattern)
        for form in self.format or ():
            _format(form)
        if self.split == "":
            raise ValueError("split: give the text that stands between the pieces")
        return self


def _column(value: Any) -> Any:
    return {"column": value} if isinstance(value, str) else value


class Table(_Part):
    """The rows of one table that every row of the file makes."""

    table: str
    where: Annotated[tuple[Where, ...], BeforeValidator(_several)] = ()
    unpivot: Unpivot | None = None
    columns: dict[str, Annotated[Column, BeforeValidator(_column)]] = {}
    weights: Weights = "incremental"
    tare: Tare | None = None
    tare_g: float | None = Field(default=None, ge=0, allow_inf_nan=False)

    @cached_property
    def plans(self) -> dict[tuple[object, ...], Any]:
        """What mapped_rows worked out for a header, for the next file that has it."""
        return {}

    @model_validator(mode="before")
    @classmethod
    def _weights_out_of_column(cls, data: Any) -> Any:
        """`weights`, `tare` and `tare_g` stand on weighed_g or leftover_g; lift them to the table."""
        if not isinstance(data, dict) or not isinstance(data.get("columns"), dict):
            return data
        data = {**data, "columns": {k: dict(v) if isinstance(v, dict) else v for k, v in data["columns"].items()}}
        for name in ("weighed_g", "leftover_g"):
            column = data["columns"].get(name)
            if isinstance(column, dict):
                for key in ("weights", "tare", "tare_g"):
                    if key in column:
                        if key == "weights" and name != "weighed_g":
                            raise ValueError(f"{name}: weights belongs on weighed_g")
                        data[key] = column.pop(key)
        return data

    @model_validator(mode="after")
    def _fits_contract(self) -> "Table":
        if self.table not in TABLES:
            raise ValueError(f"table: '{self.table}' is no table{_near(self.table, TABLES)}")
        infos = {c.name: c for c in validate.columns(self.table)}
        made = dict.fromkeys(self.columns)
        if self.unpivot:
            made |= dict.fromkeys([self.unpivot.into, *self.unpivot.position, *self.unpivot.beside])
        for name in made:
            if name not in infos:
                raise ValueError(f"'{name}' is no column of {self.table}{_near(name, infos)}")
        lacking = [c.name for c in infos.values() if c.required and c.name not in made]
        if lacking:
            raise ValueError(f"columns: {self.table} needs {', '.join(lacking)}; say how to make it (or a constant)")
        for name, column in self.columns.items():
            self._fits_column(name, column, infos)
        if self.unpivot and self.unpivot.unit:
            unit_of(infos[self.unpivot.into], self.unpivot.unit, infos)
        self._fits_weights()
        if sum(c.split is not None for c in self.columns.values()) + (self.unpivot is not None) > 1:
            raise ValueError("one split or unpivot a table; write a second [[tables]] entry for the other")
        return self

    def _fits_weights(self) -> None:
        if self.tare and self.tare_g is not None:
            raise ValueError("tare and tare_g: give one of them")
        if self.tare:
            units.lookup(self.tare.unit, "mass")
        if self.tare or self.tare_g is not None or self.weights != "incremental":
            if self.table not in WEIGHED:
                raise ValueError(f"weights and tare are for {' and '.join(WEIGHED)} only")
            unit = self.columns[WEIGHED[self.table]].unit
            if unit is not None and units.lookup(unit).quantity == "volume":
                raise ValueError(f"{WEIGHED[self.table]}: a volume has no tare and no cumulative weight")
        if self.weights == "cumulative_with_tare" and self.tare is None and self.tare_g is None:
            raise ValueError("weights: cumulative_with_tare needs tare or tare_g")

    def _fits_column(self, name: str, column: Column, infos: dict[str, ColumnInfo]) -> None:
        info = infos[name]
        pivoted = self.unpivot is not None and name in (self.unpivot.into, *self.unpivot.beside)
        if pivoted and any(s is not None for s in (column.column, column.columns, column.constant)):
            raise ValueError(f"{name}: unpivot fills it already")
        if not pivoted and all(
            s is None for s in (column.column, column.columns, column.constant, column.number_within)
        ):
            raise ValueError(f"{name}: say where it comes from: column, columns, constant or number_within")
        if column.unit is not None:
            try:
                unit_of(info, column.unit, infos)
            except units.UnitError as error:
                raise ValueError(f"{name}: {error}") from None
        if column.format is not None and info.kind not in ("datetime", "date"):
            raise ValueError(f"{name}: format is for dates and times")
        if column.number_within == ():
            raise ValueError(
                f'{name}: number_within: name the columns within which rows are counted, such as ["mix_id"]'
            )
        for parent in column.number_within or ():
            if parent not in infos:
                raise ValueError(
                    f"{name}: number_within: '{parent}' is no column of {self.table}{_near(parent, infos)}"
                )

    def sources(self) -> tuple[list[str], list[str]]:
        """The header names it needs, and those it uses where they are (optional)."""
        needed: list[str] = []
        optional: list[str] = []
        for column in self.columns.values():
            names = [column.column] if column.column is not None else list(column.columns or ())
            (optional if column.optional else needed).extend(names)
        needed.extend(where.column for where in self.where)
        if self.unpivot:
            needed.extend(self.unpivot.columns)
            needed.extend(name for names in self.unpivot.beside.values() for name in names)
        if self.tare:
            needed.append(self.tare.column)
        return list(dict.fromkeys(needed)), [c for c in dict.fromkeys(optional) if c not in needed]


class LayoutFile(_Part):
    """A layout as it stands in its TOML file."""

    file: File = File()
    tables: tuple[Table, ...] = Field(min_length=1)

    @model_validator(mode="after")
    def _centuries(self) -> "LayoutFile":
        for table in self.tables:
            for name, column in table.columns.items():
                for form in column.format or ():
                    try:
                        _two_digits(form, self.file.century)
                    except ValueError as error:
                        raise ValueError(f"{table.table}.{name}: {error}") from None
        return self


class Layout(_Part):
    """One layout. `name` is its file's name without ending; `digest` changes with its text, and with what its note holds:
    `noted` key -> cells of the note's columns, `noted_twice` keys that stand there with different ones (notes.py)."""

    name: str
    file: File
    tables: tuple[Table, ...]
    digest: str
    also: tuple[str, ...] = ()  # header names that its file must have besides
    noted: dict[str, tuple[str | None, ...]] = {}
    noted_twice: tuple[str, ...] = ()

    def needed(self) -> list[str]:
        """Header names that must be there for this layout to claim a file."""
        names = [*self.also, *(n for t in self.tables for n in t.sources()[0])]
        if self.file.exported_at and self.file.exported_at.column:
            names.append(self.file.exported_at.column)
        names += [skip.column for skip in self.file.skip if skip.column != "*"]
        names += self.file.repeat_above
        made = {name for block in self.file.block for name in block.makes()}
        if self.file.note:
            names.append(self.file.note.on)
            made |= set(self.file.note.columns) - {self.file.note.on}
        return [name for name in dict.fromkeys(names) if name not in made]

    def optional(self) -> list[str]:
        """Header names it uses where they are there."""
        needed = self.needed()
        return [n for n in dict.fromkeys(n for t in self.tables for n in t.sources()[1]) if n not in needed]

    def fits_name(self, below: str) -> bool:
        """Whether `match_name` fits a path below inbox/; .gz at its end may be left out. A glob without '/' is for the
        file's name alone. Letters count without case."""
        return self.file.match_name is None or fits(self.file.match_name, below)


def fits(glob: str, below: str) -> bool:
    """Whether a path below inbox/ fits a glob, see Layout.fits_name."""
    candidate = below if "/" in glob else below.rsplit("/", 1)[-1]
    candidate = candidate.lower()
    return any(fnmatch.fnmatchcase(c, glob.lower()) for c in {candidate, candidate.removesuffix(".gz")})


def unit_of(info: ColumnInfo, unit: str, infos: dict[str, ColumnInfo]) -> tuple[str, float]:
    """('scale', factor) to the column's unit; for a volume given where a mass is wanted ('volume', factor to ml).

    Raises UnitError: unknown, ambiguous or unfitting unit.
    """
    inside = INSIDE.get(info.unit)
    if inside is None:
        raise units.UnitError(f"{info.name} has no unit to convert")
    target = units.lookup(inside)
    if target.quantity == "mass":
        found = units.lookup(unit)
        if found.quantity == "volume":
            if "component_id" not in infos:
                raise units.UnitError(
                    f"{info.name}: a volume becomes a weight by its component, and there is none here"
                )
            return "volume", units.factor(found.name, "ml")
    return "scale", units.factor(units.lookup(unit, target.quantity).name, inside)


def parse(name: str, text: str) -> Layout:
    """The layout in a TOML text; `name` is the file's, for messages. Raises LayoutError."""
    try:
        raw = toml_texts.loads(text)
    except tomllib.TOMLDecodeError as error:
        said = re.fullmatch(r"(.*) \(at (?:line (\d+), column \d+|end of document)\)", str(error))
        what, at = (said.group(1), said.group(2) or str(text.count("\n") + 1)) if said else (str(error), "?")
        what = "the key or table stands twice" if what.startswith("Cannot") else what
        raise LayoutError(f"{name}, line {at}: this is not TOML: {what}") from None
    except toml_texts.Unlikely:
        raise LayoutError(f"{name}: no layout looks like this (nested or too long)") from None
    try:
        parsed = LayoutFile.model_validate(raw)
    except ValidationError as error:
        # a table that fails is also counted as missing; only the cause is told
        told = [e for e in error.errors() if not (e["type"] == "too_short" and error.error_count() > 1)]
        lines = toml_texts.places(text)
        sentences = list(dict.fromkeys(_placed(name, _told(e, raw), e, lines) for e in told[: toml_texts.MOST_TOLD]))
        more = len(told) - toml_texts.MOST_TOLD
        raise LayoutError("; ".join(sentences + [f"{name}: {more:,} more mistakes"] * (more > 0))) from None
    stem = name.rsplit("/", 1)[-1]
    stem = stem.removesuffix(".toml")
    return Layout(name=stem, file=parsed.file, tables=parsed.tables, digest=hashlib.sha256(text.encode()).hexdigest())


def load(texts: dict[str, str]) -> list[Layout]:
    """The layouts of a workspace from {file name: TOML text}, in order of name. Raises LayoutError naming the file."""
    return [parse(name, texts[name]) for name in sorted(texts)]


def digest(layouts: list[Layout]) -> str:
    """One fingerprint of all layouts: which of them claims a file depends on all."""
    return hashlib.sha256("\n".join(f"{x.name} {x.digest}" for x in layouts).encode()).hexdigest()


_MODELS: dict[str, type[BaseModel]] = {
    "file": File, "exported_at": ExportedAt, "where": Where, "skip": Skip, "block": Block, "note": Note, "unpivot": Unpivot, "tare": Tare,
}  # fmt: skip


def _placed(name: str, message: str, error: Any, lines: dict[toml_texts.Path, int]) -> str:
    """`message` with the layout's name and the line of the deepest key it speaks of, where that can be told."""
    where: toml_texts.Path = tuple(p for p in error["loc"] if not str(p).startswith("function-"))
    words = re.findall(r"[\w]+", error["msg"].removeprefix("Value error, "))[:6]
    inner = [*((*where, "columns", word) for word in words), *((*where, word) for word in words)]
    if {"weights", "tare", "tare_g", "cumulative_with_tare"} & {*words, *where[2:3]}:  # lifted out of their column
        inner = [(*where[:2], "columns", column) for column in WEIGHED.values()]
    outer = [where[:n] for n in range(len(where), 0, -1)]
    named = [] if where else [path for word in words for path in lines if path[-2:] == ("columns", word)]
    line = next((lines[path] for path in [*inner, *named, *outer] if path in lines), None)
    return f"{name}, line {line}: {message}" if line else f"{name}: {message}"


def _told(error: Any, raw: dict[str, Any]) -> str:
    place: list[str] = []
    where = error["loc"]
    for i, part in enumerate(where):
        if isinstance(part, int) and i and where[i - 1] == "tables":
            table = raw["tables"][part].get("table", "?") if isinstance(raw.get("tables"), list) else "?"
            place[-1] = f"tables[{part + 1}] ({table})"
        elif isinstance(part, int):
            place[-1] += f"[{part + 1}]"
        elif not str(part).startswith(("function-", "constrained-", "literal[")):
            place.append(str(part))
    at = ".".join(place)
    if error["type"] == "extra_forbidden":
        key, parents = str(where[-1]), [str(p) for p in where[:-1] if not isinstance(p, int)]
        if not parents:
            known = set(LayoutFile.model_fields)
        elif parents[-1] in _MODELS:
            known = {f.alias or n for n, f in _MODELS[parents[-1]].model_fields.items()}
        elif "columns" in parents:
            known = {*Column.model_fields, "weights", "tare", "tare_g"}
        else:
            known = set(Table.model_fields)
        return f"{at}: unknown key{_near(key, sorted(known))}"
    if error["type"] == "missing" and at == "tables":
        return "there is no [[tables]] entry; write one for each table that the export feeds"
    if error["type"] == "missing":
        return f"{at}: is missing"
    told = _SAID.get(error["type"])
    if at.endswith("header_line"):
        told = 'write the number of the line, from 1, or "find"'
    if told is None:
        message = error["msg"].removeprefix("Value error, ")
        return f"{at}: {message}" if at else message
    found = json.dumps(error["input"], ensure_ascii=False, default=str)
    return f"{at}: found {shown(found, 60)}; {told.format(**error.get('ctx', {}))}"


#: kind of error of the library that checks the form of a layout -> what to do, in our words
_SAID = {
    "literal_error": "write {expected}",
    "string_type": "write a text in quotes",
    "int_type": "write a whole number",
    "int_parsing": "write a whole number",
    "int_from_float": "write a whole number",
    "float_type": "write a number",
    "float_parsing": "write a number",
    "finite_number": "write a number that was measured",
    "bool_type": "write true or false",
    "bool_parsing": "write true or false",
    "dict_type": "write a table of key = value",
    "model_type": 'write a table of key = value, such as {{ column = "Net" }}',
    "tuple_type": "write a list in square brackets",
    "too_short": "name at least one",
    "greater_than_equal": "write {ge} or more",
    "less_than_equal": "write {le} or less",
}


def _near(found: str, known: Any) -> str:
    near = difflib.get_close_matches(found, list(known), n=1, cutoff=0.5)
    return f"; did you mean '{near[0]}'?" if near else f" (there are: {', '.join(known)})"


def _pattern(text: str) -> None:
    if _searchable(text).groups < 1:
        raise ValueError(f"pattern: {text!r} needs a group in brackets, such as J(\\d+)")


def _searchable(text: str) -> re.Pattern[str]:
    try:
        compiled = re.compile(text)
    except (re.error, RecursionError, OverflowError) as error:  # brackets in brackets, x{99999999999}
        why = str(error) if isinstance(error, re.error) else "nested or repeated too often"
        raise ValueError(f"pattern: {shown(text, 200)!r} is no regular expression ({why})") from None
    try:  # columns are searched by another engine, which knows no look-around and no back-references
        pl.Series(["x"]).str.contains(text)
    except pl.exceptions.ComputeError:
        raise ValueError(f"pattern: {text!r} uses look-around or back-references; write it without") from None
    return compiled


_DIRECTIVE = re.compile(r"%(-?[a-zA-Z]|\.?[0-9]?f|:z|%)")
_KNOWN_DIRECTIVES = set("YymdHIMSpfbBhjzeaATDFR")


def _format(text: str) -> None:
    """A date format: known directives only, or the serial number of spreadsheets."""
    if text in cast.SERIALS:
        return
    found = _DIRECTIVE.findall(text)
    if text.replace("%%", "").count("%") != len([d for d in found if d != "%"]) or not found:
        raise ValueError(f"format: {text!r} has a % that is no date part; write such as %Y-%m-%d %H:%M")
    for directive in found:
        letter = directive[-1]
        if letter != "%" and letter not in _KNOWN_DIRECTIVES:
            raise ValueError(f"format: %{directive} is not known; write such as %Y-%m-%d %H:%M")


def _two_digits(text: str, century: int | None) -> None:
    """A year of two digits is a guess unless the layout says the century."""
    if century is None and re.search(r"%-?[yD]", text):
        raise ValueError(
            f"format: {text!r} has a year of two digits, whose century is a guess; export four digits, or say"
            " [file] century = 1970 (then 70-99 are 19.. and 00-69 are 20..)"
        )
