"""The workbench: every table of a run is a table of one database, and stays there for the next run.

Here belongs how a table is put there, made by a statement, looked at and read again. `Workbench` is all that others may ask of
it; `DuckDB` is the one on this machine (spark.py holds the other). Which tables there are, what makes them and when they are
made again, is steps.py's; what is promised of their columns is schemas/.

A table stands in the order of its key, each key once; it is in force as a whole or not at all, together with what is noted of
it: what it was made of, and the content it has.
"""

from __future__ import annotations

import contextlib
import json
import os
import threading
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol, TypeVar

import polars as pl

from pipelines import workspace
from schemas import described, validate
from schemas.vocabulary import ColumnInfo

if TYPE_CHECKING:
    import duckdb

Item = TypeVar("Item")
Result = TypeVar("Result")
SHOP = "shop_id"
PIECE = 250_000  # rows of a table that are held at a time where all of it is walked through
AT_A_TIME = 500_000  # rows of all tables together, of shops that a step works on at a time; one shop at least
PUBLISHED_DIGITS = (
    12  # significant digits of a number that leaves the workbench: sums in another order differ behind them
)
TYPES = {
    "text": "VARCHAR", "int": "BIGINT", "float": "DOUBLE", "bool": "BOOLEAN", "datetime": "TIMESTAMP", "date": "DATE",
    "list": "VARCHAR[]",
}  # fmt: skip


class WorkbenchError(RuntimeError):
    """A table could not be made or read. The text names it."""


@dataclass(frozen=True, slots=True)
class Note:
    """What is noted of a table. basis: all that it was made of, as one word; asked: the settings that its step looked at;
    content: the same for equal rows, whatever order they came in; rows: how many; checks: name -> whether it held, and what
    was found."""

    basis: str
    asked: Mapping[str, Any]
    content: str
    rows: int
    checks: Mapping[str, tuple[bool, dict[str, Any]]]


Shops = tuple[str, str]  # the first and the last id of shops that follow each other


class Reader(Protocol):
    """What reads tables."""

    def read(self, name: str, columns: Collection[str] | None = None, shops: Shops | None = None) -> pl.DataFrame:
        """A table with these columns or all; of a table that shops own, the rows of some shops and those of none."""


class Workbench(Protocol):
    """Tables by name. Everything that is read comes in the order of the table's key. `apart`: `each` calls in other processes,
    maybe on other machines. `at_once`: how many threads may make tables at a time."""

    apart: bool
    at_once: int

    def notes(self) -> Mapping[str, Note]:
        """What is noted of every table that stands."""

    def writing(self) -> contextlib.AbstractContextManager[None]:
        """What is made inside stands afterwards, all of it or, where something fails, nothing."""

    def put(self, name: str, frame: pl.DataFrame, more: bool = False) -> None:
        """A table from a frame in the order of its key, or (`more`) further rows of one that is being made."""

    def run_sql(self, name: str, sql: str, params: Mapping[str, Any]) -> None:
        """A table from one statement over other tables, in the columns and types that its schema declares."""

    def look(self, name: str) -> tuple[str, int]:
        """Look at a table that was made: its content as one word, and how many rows it has. Raises validate.TableError where it is
        not what its schema promises."""

    def note(self, name: str, note: Note) -> None:
        """Note of a table what it was made of; while it is being written (`writing`) nobody is told before it stands."""

    def read(self, name: str, columns: Collection[str] | None = None, shops: Shops | None = None) -> pl.DataFrame:
        """A table with these columns or all; of a table that shops own, the rows of some shops and those of none."""

    def reader(self) -> Reader:
        """What reads tables wherever `each` calls."""

    def each(self, work: Callable[[Item], Result], items: Sequence[Item]) -> Iterator[Result]:
        """Call `work` with every item; results in the order of the items."""

    def pieces(self, name: str, columns: Sequence[str] | None = None) -> Iterator[pl.DataFrame]:
        """A table piece by piece, at least one."""

    def sizes(self, names: Iterable[str]) -> dict[str, int]:
        """How many rows each shop has in these tables together."""

    def count(self, name: str) -> int:
        """How many rows a table has."""

    def close(self) -> None: ...


def is_owned(name: str) -> bool:
    """Whether each row of a table belongs to one shop, or some to none (`incomplete`). A register that only mentions a shop is
    everybody's."""
    return SHOP in validate.keys(name) or name == "incomplete"


def together(sizes: Mapping[str, int]) -> list[Shops]:
    """Shops in the order of their ids, so many at a time that they have about AT_A_TIME rows; one at least."""
    found: list[Shops] = []
    held = 0
    for shop in sorted(sizes):
        if found and held + sizes[shop] <= AT_A_TIME:
            found[-1] = (found[-1][0], shop)
            held += sizes[shop]
        else:
            found.append((shop, shop))
            held = sizes[shop]
    return found


def spans(bench: Workbench, names: Sequence[str], rows: int) -> Sequence[Shops | None]:
    """Shops of which a step works on these tables at a time, all in one go (None) where they have no more than AT_A_TIME of the `rows`
    of all of them."""
    found = together(bench.sizes(names)) if rows > AT_A_TIME else []
    return found if len(found) > 1 else [None]


def rounded(frame: pl.DataFrame) -> pl.DataFrame:
    """Numbers to PUBLISHED_DIGITS significant digits."""
    floats = [name for name, dtype in frame.schema.items() if dtype == pl.Float64]
    return frame.with_columns(pl.col(floats).round_sig_figs(PUBLISHED_DIGITS)) if floats else frame


def write_out(name: str, pieces: Iterable[pl.DataFrame], path: Path) -> None:
    """Pieces of a table, one below the other, as one parquet file with rounded numbers that says what its columns mean."""
    import pyarrow as pa
    import pyarrow.parquet as pq

    said = described.column_metadata(name)
    writer = None
    try:
        for piece in pieces:
            table = rounded(piece).to_arrow()
            fields = [field.with_metadata(said[field.name]) for field in table.schema]
            table = table.cast(pa.schema(fields, described.table_metadata(name)))
            writer = writer or pq.ParquetWriter(path, table.schema, compression="zstd")
            writer.write_table(table)
    finally:
        if writer is not None:
            writer.close()


class Tables(Mapping[str, pl.DataFrame]):
    """Tables of a workbench as those who show them see them: numbers to PUBLISHED_DIGITS, nothing kept."""

    in_order = True  # said to readers that would sort otherwise

    def __init__(self, bench: Workbench) -> None:
        self.bench = bench

    def __iter__(self) -> Iterator[str]:
        return iter(self.bench.notes())

    def __len__(self) -> int:
        return len(self.bench.notes())

    def __contains__(self, name: object) -> bool:
        return name in self.bench.notes()

    def __getitem__(self, name: str) -> pl.DataFrame:
        return rounded(self.bench.read(name))

    def parts(self, name: str, columns: Sequence[str] | None = None) -> Iterator[pl.DataFrame]:
        """A table, all rows of some shops after the other; at least one part."""
        for shops in spans(self.bench, [name], self.bench.count(name)):
            yield rounded(self.bench.read(name, columns, shops))


# --- DuckDB -----------------------------------------------------------------------------------------------------------


class DuckDB:
    """One database file of DuckDB, which spills beside it what does not fit into its share of memory. Each thread has a connection,
    and by that a transaction, of its own."""

    apart = False

    def __init__(self, folder: Path | None = None, memory_gb: float = 2.0, threads: int = 0) -> None:
        """folder: where the file stands, None for a workbench in memory. threads: 0 for one on each core.

        Raises duckdb.Error where the file cannot be opened: damaged, or written by a later DuckDB."""
        import duckdb

        self._folder = folder
        if folder is not None:
            workspace.unseal_bench(folder)
        config: dict[str, Any] = {"memory_limit": f"{memory_gb}GB"}
        if threads:
            config["threads"] = threads
        if folder is not None:
            config["temp_directory"] = str(folder / "spill")
        self.at_once = min(2, threads or os.cpu_count() or 1)
        self._database = duckdb.connect(str(folder / "tables.duckdb") if folder else ":memory:", config=config)
        self._own = threading.local()  # each thread's connection, and what it noted of tables that it is still writing
        asked = "SELECT table_name, comment FROM duckdb_tables() WHERE comment IS NOT NULL"
        found = self._connection.execute(asked).fetchall()
        self._notes = {name: Note(**json.loads(note)) for name, note in found}

    @property
    def _connection(self) -> duckdb.DuckDBPyConnection:
        if not hasattr(self._own, "connection"):
            self._own.connection, self._own.noted = self._database.cursor(), {}
        found: duckdb.DuckDBPyConnection = self._own.connection
        return found

    def close(self) -> None:
        self._own = threading.local()
        self._database.close()
        if self._folder is not None:
            workspace.seal_bench(self._folder)

    def notes(self) -> Mapping[str, Note]:
        return self._notes

    @contextlib.contextmanager
    def writing(self) -> Iterator[None]:
        self._connection.begin()
        self._own.noted = {}
        try:
            yield
            self._connection.commit()
            self._notes.update(self._own.noted)
        except BaseException:
            with contextlib.suppress(Exception):  # what went wrong is told by the error that is on its way
                self._connection.rollback()
            raise

    def put(self, name: str, frame: pl.DataFrame, more: bool = False) -> None:
        self._connection.register("@given", frame.to_arrow(compat_level=pl.CompatLevel.newest()))
        try:
            how = f"INSERT INTO {_quoted(name)}" if more else f"CREATE OR REPLACE TABLE {_quoted(name)} AS"
            self._connection.execute(f'{how} FROM "@given"')
        finally:
            self._connection.unregister("@given")

    def run_sql(self, name: str, sql: str, params: Mapping[str, Any]) -> None:
        import duckdb

        cast = ", ".join(
            f"CAST(made.{_quoted(c.name)} AS {TYPES[c.kind]}) AS {_quoted(c.name)}" for c in validate.columns(name)
        )
        statement = (
            f"CREATE OR REPLACE TABLE {_quoted(name)} AS SELECT {cast} FROM (\n{sql.rstrip().rstrip(';')}\n) AS made"
        )
        try:
            self._connection.execute(statement, dict(params) or None)
        except duckdb.Error as error:
            raise WorkbenchError(f"{name}.sql: {error}") from error

    def look(self, name: str) -> tuple[str, int]:
        asked = looked_at(name, _quoted(name))
        wrong, rows, low, high, misplaced = self._one(asked)
        if misplaced:
            order = ", ".join(_quoted(column) for column in validate.keys(name))
            self._connection.execute(
                f"CREATE OR REPLACE TABLE {_quoted(name)} AS FROM {_quoted(name)} ORDER BY {order}"
            )
            if self._one(asked)[-1]:
                validate.conform(name, self.read(name))  # says which key stands twice
        if wrong:
            validate.conform(name, self._frame(f"FROM {_quoted(name)} WHERE {broken(name)} LIMIT {PIECE}"))
        return f"{rows:x}.{low:x}.{high:x}", rows

    def note(self, name: str, note: Note) -> None:
        said = json.dumps(asdict(note)).replace("'", "''")
        self._connection.execute(f"COMMENT ON TABLE {_quoted(name)} IS '{said}'")
        self._own.noted[name] = note

    def read(self, name: str, columns: Collection[str] | None = None, shops: Shops | None = None) -> pl.DataFrame:
        return self._frame(self._asked(name, columns, shops), _params(name, shops))

    def reader(self) -> DuckDB:
        return self

    def each(self, work: Callable[[Item], Result], items: Sequence[Item]) -> Iterator[Result]:
        return map(work, items)

    def pieces(self, name: str, columns: Sequence[str] | None = None) -> Iterator[pl.DataFrame]:
        cursor = self._connection.cursor()
        try:
            none = True
            for batch in cursor.sql(self._asked(name, columns, None)).to_arrow_reader(PIECE):
                if batch.num_rows:
                    none = False
                    yield pl.DataFrame(batch)
            if none:
                yield self._frame(self._asked(name, columns, None) + " LIMIT 0")
        finally:
            cursor.close()

    def sizes(self, names: Iterable[str]) -> dict[str, int]:
        found: dict[str, int] = {}
        for name in names:
            if is_owned(name):
                asked = f"SELECT {SHOP}, count(*) FROM {_quoted(name)} WHERE {SHOP} IS NOT NULL GROUP BY ALL"
                for shop, rows in self._connection.execute(asked).fetchall():
                    found[shop] = found.get(shop, 0) + rows
        return found

    def count(self, name: str) -> int:
        return self._notes[name].rows

    @staticmethod
    def _asked(name: str, columns: Collection[str] | None, shops: Shops | None) -> str:
        wanted = "*" if columns is None else ", ".join(_quoted(column) for column in columns)
        where = f" WHERE {SHOP} BETWEEN $first AND $last OR {SHOP} IS NULL" if shops and is_owned(name) else ""
        return f"SELECT {wanted} FROM {_quoted(name)}{where}"

    def _frame(self, asked: str, params: Mapping[str, Any] | None = None) -> pl.DataFrame:
        return pl.DataFrame(self._connection.sql(asked, params=params).to_arrow_table())

    def _one(self, asked: str) -> tuple[Any, ...]:
        found: tuple[Any, ...] = self._connection.execute(asked).fetchall()[0]
        return found


def _params(name: str, shops: Shops | None) -> dict[str, str] | None:
    return {"first": shops[0], "last": shops[1]} if shops and is_owned(name) else None


def _quoted(name: str) -> str:
    """A name that a schema gave, as an identifier."""
    return '"' + name.replace('"', '""') + '"'


@cache
def broken(name: str) -> str:
    """The condition of a row that breaks what its schema promises of single columns; see vocabulary.conditions."""
    return " OR ".join(one for info in validate.columns(name) for one in _breaks(info)) or "false"


def _breaks(info: ColumnInfo) -> Iterator[str]:
    column = _quoted(info.name)
    if not info.nullable:
        yield f"{column} IS NULL"
    if info.kind == "float":
        yield f"NOT isfinite({column})"
    if info.low is not None:
        yield f"{column} < {info.low!r}"
    if info.above is not None:
        yield f"{column} <= {info.above!r}"
    if info.high is not None:
        yield f"{column} > {info.high!r}"
    if info.values:
        allowed = ", ".join("'" + value.replace("'", "''") + "'" for value in info.values)
        yield f"{column} NOT IN ({allowed})"
    if info.key and info.kind == "text":
        yield f"trim({column}) = ''"


@cache
def looked_at(name: str, source: str) -> str:
    """What `look` asks of a table that is read from `source`: rows that break its schema, rows, two sums of their hashes, and rows
    that stand behind one whose key is not smaller."""
    key = ", ".join(_quoted(column) for column in validate.keys(name))
    misplaced = f"row({key}) <= lag(row({key})) OVER ()" if key else "false"
    each = f"SELECT hash(one) AS word, {broken(name)} AS wrong{key and ', ' + key} FROM {source} AS one"
    return (
        "SELECT count(*) FILTER (WHERE wrong), count(*), coalesce(bit_xor(word), 0),"
        " coalesce(sum((word >> 8)::BIGINT)::HUGEINT, 0), count(*) FILTER (WHERE misplaced)"
        f" FROM (SELECT word, wrong, {misplaced} AS misplaced FROM ({each}))"
    )


def opened(folder: Path, memory_gb: float, threads: int, told: Callable[[str], None]) -> DuckDB:
    """The workbench of a workspace. One that cannot be read (damaged, or of another version) is set up anew: `told` hears it."""
    import duckdb

    folder.mkdir(workspace.PRIVATE, parents=True, exist_ok=True)
    if workspace.bench_is_damaged(folder):
        told("The tables of earlier runs are damaged; all of them are made anew.")
        workspace.drop_bench(folder)
        folder.mkdir(workspace.PRIVATE, parents=True, exist_ok=True)
    try:
        return DuckDB(folder, memory_gb, threads)
    except (duckdb.Error, ValueError, TypeError) as error:  # its notes are JSON
        told(f"The tables of earlier runs cannot be read ({str(error).splitlines()[0]}); all of them are made anew.")
        workspace.drop_bench(folder)
        folder.mkdir(workspace.PRIVATE, parents=True, exist_ok=True)
        return DuckDB(folder, memory_gb, threads)
