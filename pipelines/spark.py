"""The workbench on an Apache Spark cluster: the same statements as Spark SQL, over parquet in a folder that all machines share.

Here belongs what Spark needs to be told and nothing that a table means. Shuffles, skew, retries and lost machines are Spark's.
Statements are carried over by sqlglot; parameters are put into the tree as literals, never into the text. Functions in Python
that go shop by shop, and files to be read, are tasks of its workers; what needs all shops runs where the command was given.
"""

from __future__ import annotations

import contextlib
import json
import os
import shutil
import sys
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass
from functools import cache, partial
from pathlib import Path
from typing import Any, TypeVar

import polars as pl

from pipelines import workbench
from pipelines.workbench import SHOP, Note, Shops, WorkbenchError, is_owned, together
from pipelines.workspace import WorkspaceError
from schemas import validate

Item = TypeVar("Item")
Result = TypeVar("Result")
HOME = Path(__file__).resolve().parents[1]

TYPES = {
    "text": "string", "int": "bigint", "float": "double", "bool": "boolean", "datetime": "timestamp_ntz", "date": "date",
    "list": "array<string>",
}  # fmt: skip
#: what DuckDB has and Spark has not, said in Spark's own SQL
FUNCTIONS = (
    "CREATE OR REPLACE TEMPORARY FUNCTION isfinite(x DOUBLE) RETURNS BOOLEAN RETURN abs(x) < double('Infinity')",
)
SESSION = {
    "spark.ui.enabled": "false",
    "spark.ui.showConsoleProgress": "false",
    "spark.sql.session.timeZone": "UTC",
    "spark.sql.timestampType": "TIMESTAMP_NTZ",  # times are a shop's own local time, without a zone
    "spark.sql.ansi.enabled": "false",  # what cannot be divided is not known; it stops nothing
    "spark.sql.execution.arrow.pyspark.enabled": "true",
    "spark.sql.shuffle.partitions": "8",
}


class EngineError(Exception):
    """Spark cannot be used. The text says what is missing and what to do."""


@dataclass(frozen=True)
class Parquet:
    """Tables as folders of parquet files, wherever they are read: name -> folder."""

    places: Mapping[str, Path]

    @classmethod
    def below(cls, folder: Path) -> Parquet:
        """The tables in force in a folder of a workbench."""
        held = json.loads((folder / "notes.json").read_text(encoding="utf-8"))
        return cls({name: folder / one["folder"] for name, one in held.items()})

    def read(self, name: str, columns: Collection[str] | None = None, shops: Shops | None = None) -> pl.DataFrame:
        found = pl.scan_parquet(self.places[name] / "*.parquet")
        if shops and is_owned(name):
            found = found.filter(pl.col(SHOP).is_between(pl.lit(shops[0]), pl.lit(shops[1])) | pl.col(SHOP).is_null())
        key = validate.keys(name)
        ordered = found.sort(key, nulls_last=True) if key else found
        kinds = {info.name: info.dtype for info in validate.columns(name)}
        wanted = list(columns) if columns is not None else found.collect_schema().names()
        return ordered.select(pl.col(one).cast(kinds[one]) if one in kinds else one for one in wanted).collect()


@dataclass(frozen=True)
class _Refusal:
    """What a worker says instead of a result where trying again would not help."""

    error: WorkspaceError


def _answered(work: Callable[[Item], Result], item: Item) -> Result | _Refusal:
    """Spark repeats what raises, and tells of it in words of its own: what the workspace does not allow comes as an answer."""
    try:
        return work(item)
    except WorkspaceError as error:
        return _Refusal(error)


class Spark:
    """Tables as folders of parquet files below one shared folder; `notes.json` says which of them are in force."""

    apart = True
    at_once = 1  # each statement is spread over the cluster already

    def __init__(self, folder: Path, master: str = "") -> None:
        self._folder = folder
        folder.mkdir(parents=True, exist_ok=True)
        self._session = session(master)
        self._given: set[str] = set()  # tables whose rows came from this process
        self._held: dict[str, dict[str, Any]] = {}
        with contextlib.suppress(FileNotFoundError, ValueError):
            self._held = json.loads((folder / "notes.json").read_text(encoding="utf-8"))
        self._read_notes()
        self._drop_others()

    def _read_notes(self) -> None:
        self._notes = {
            name: Note(**{key: value for key, value in held.items() if key != "folder"})
            for name, held in self._held.items()
            if "content" in held
        }

    def close(self) -> None:
        self._session.stop()

    def notes(self) -> Mapping[str, Note]:
        return self._notes

    @contextlib.contextmanager
    def writing(self) -> Iterator[None]:
        before = {name: dict(held) for name, held in self._held.items()}
        try:
            yield
        except BaseException:
            self._held = before
            self._read_notes()
            self._drop_others()
            raise
        draft = self._folder / f".notes.{os.getpid()}"
        draft.write_text(json.dumps(self._held), encoding="utf-8")
        os.replace(draft, self._folder / "notes.json")
        self._drop_others()

    def _drop_others(self) -> None:
        """Take away what no table in force stands in."""
        kept = {held["folder"] for held in self._held.values()} | {"notes.json"}
        for entry in self._folder.iterdir():
            if entry.name not in kept:
                shutil.rmtree(entry, ignore_errors=True)

    def _place(self, name: str) -> Path:
        return self._folder / str(self._held[name]["folder"])

    def _begun(self, name: str) -> Path:
        """A new folder for a table that is being made."""
        number = int(str(self._held[name]["folder"]).rpartition(".")[2]) + 1 if name in self._held else 0
        self._held[name] = {"folder": f"{name}.{number}"}
        self._given.discard(name)
        self._notes.pop(name, None)
        shutil.rmtree(self._place(name), ignore_errors=True)
        return self._place(name)

    def put(self, name: str, frame: pl.DataFrame, more: bool = False) -> None:
        place = self._place(name) if more else self._begun(name)
        place.mkdir(exist_ok=True)
        self._given.add(name)
        frame.write_parquet(place / f"part-{len(list(place.iterdir())):06d}.parquet")

    def run_sql(self, name: str, sql: str, params: Mapping[str, Any]) -> None:
        from py4j.protocol import Py4JError
        from pyspark.errors import PySparkException

        said = translated(sql, params)
        cast = ", ".join(f"CAST(`{c.name}` AS {TYPES[c.kind]}) AS `{c.name}`" for c in validate.columns(name))
        try:
            for table in read_by(sql):
                self._table(table).createOrReplaceTempView(table)
            place = self._begun(name)
            self._session.sql(f"SELECT {cast} FROM (\n{said}\n)").write.parquet(str(place))
        except (PySparkException, Py4JError) as error:
            raise WorkbenchError(f"{name}.sql, as Spark SQL: {str(error).splitlines()[0]}") from error

    def _table(self, name: str) -> Any:
        """A table as Spark has it; what its schema says need not be looked for in its files."""
        said = ", ".join(f"`{one}` {TYPES[kind]}" for one, kind in validate.held(name).items())
        return self._session.read.schema(said).parquet(str(self._place(name)))

    def look(self, name: str) -> tuple[str, int]:
        if name in self._given:
            return self._looked_at_here(name)
        from pyspark.sql import functions as F

        table = self._table(name)
        key = validate.keys(name)
        word = F.xxhash64(*table.columns).cast("decimal(38,0)")
        rows, different, total, wrong = table.agg(
            F.count("*"),
            F.countDistinct(F.struct(*key)) if key else F.count("*"),
            F.coalesce(F.sum(word), F.lit(0)),
            F.coalesce(F.sum(F.expr(f"CAST({_condition(name)} AS INT)")), F.lit(0)),
        ).first()
        if wrong or different < rows:
            validate.conform(name, self.read(name))  # says which rule is broken, or which key stands twice
        return f"{rows:x}.{total}", rows

    def _looked_at_here(self, name: str) -> tuple[str, int]:
        """The same of rows that came from this process, without asking the cluster."""
        import duckdb

        with duckdb.connect() as connection:
            made = connection.read_parquet(str(self._place(name) / "*.parquet"))
            wrong, rows, low, high, _ = connection.execute(workbench.looked_at(name, "made")).fetchall()[0]
            key = ", ".join(f'"{one}"' for one in validate.keys(name))
            different = made.aggregate(f"count(DISTINCT row({key}))").fetchall()[0][0] if key else rows
        if wrong or different < rows:
            validate.conform(name, self.read(name))
        return f"{rows:x}.{low:x}.{high:x}", rows

    def note(self, name: str, note: Note) -> None:
        self._held[name] = {"folder": self._held[name]["folder"], **asdict(note)}
        self._notes[name] = note

    def read(self, name: str, columns: Collection[str] | None = None, shops: Shops | None = None) -> pl.DataFrame:
        return self.reader().read(name, columns, shops)

    def reader(self) -> Parquet:
        return Parquet({name: self._place(name) for name in self._held})

    def each(self, work: Callable[[Item], Result], items: Sequence[Item]) -> Iterator[Result]:
        if items:
            # a task for each item: Spark then sends work to whoever is idle, and repeats what was lost with a machine
            handed = self._session.sparkContext.parallelize(list(items), len(items))
            for found in handed.map(partial(_answered, work)).toLocalIterator():
                if isinstance(found, _Refusal):
                    raise found.error
                yield found

    def pieces(self, name: str, columns: Sequence[str] | None = None) -> Iterator[pl.DataFrame]:
        by_shop = validate.keys(name)[:1] == [SHOP]
        spans = together(self.sizes([name])) if by_shop else []
        for shops in spans if len(spans) > 1 else [None]:
            yield self.read(name, columns, shops)

    def sizes(self, names: Iterable[str]) -> dict[str, int]:
        found: dict[str, int] = {}
        for name in names:
            if is_owned(name):
                counted = pl.scan_parquet(self._place(name) / "*.parquet").group_by(SHOP).len().drop_nulls().collect()
                for shop, rows in counted.iter_rows():
                    found[shop] = found.get(shop, 0) + rows
        return found

    def count(self, name: str) -> int:
        return self._notes[name].rows


@cache
def _condition(name: str) -> str:
    """What breaks a table's schema, in Spark's SQL."""
    import sqlglot

    return sqlglot.parse_one(workbench.broken(name), dialect="duckdb").sql(dialect="spark")


def read_by(sql: str) -> list[str]:
    """The tables that a statement reads."""
    import sqlglot
    from sqlglot import exp

    tree = sqlglot.parse_one(sql, dialect="duckdb")
    own = {cte.alias for cte in tree.find_all(exp.CTE)}
    return sorted({table.name for table in tree.find_all(exp.Table) if table.name not in own})


def translated(sql: str, params: Mapping[str, Any]) -> str:
    """A statement in Spark's SQL, its parameters as literals."""
    import sqlglot
    from sqlglot import exp

    def bound(node: Any) -> Any:
        return (
            exp.convert(params[node.name or node.this.name])
            if isinstance(node, exp.Parameter | exp.Placeholder)
            else node
        )

    def doubled(node: Any) -> Any:
        """Spark takes 0.5 for a decimal, whose quotients are cut off after some digits."""
        decimal = isinstance(node, exp.Literal) and not node.is_string and not node.this.isdigit()
        return exp.cast(node.copy(), "double") if decimal else node

    tree = sqlglot.parse_one(sql, dialect="duckdb").transform(bound).transform(doubled)
    return str(tree.sql(dialect="spark", unsupported_level=sqlglot.ErrorLevel.RAISE))


def session(master: str) -> Any:
    """A session of Spark at `master` (as Spark writes it: spark://host:7077, yarn, local-cluster[2,1,2048]; empty: what Spark's
    own configuration says). Raises EngineError where it cannot be started."""
    try:
        from py4j.protocol import Py4JError
        from pyspark.errors import PySparkException
        from pyspark.sql import SparkSession
    except ImportError:
        raise EngineError(
            'engine = "spark" needs pyspark, which is not installed here. Install it with: pip install -e ".[spark]"'
        ) from None
    os.environ.setdefault("PYSPARK_PYTHON", sys.executable)
    builder = SparkSession.builder.appName("filmledger").config("spark.executorEnv.PYTHONPATH", str(HOME))
    for key, value in SESSION.items():
        builder = builder.config(key, value)
    if master:
        builder = builder.master(master)
    try:
        started = builder.getOrCreate()
        started.sparkContext.setLogLevel("ERROR")
        for statement in FUNCTIONS:
            started.sql(statement)
    except (PySparkException, Py4JError, RuntimeError, OSError) as error:
        java = getattr(error, "java_exception", None)  # what Java says: py4j's own text names only the call
        said = str(error if java is None else java.toString()).strip()
        first = said.splitlines()[0] if said else type(error).__name__
        raise EngineError(
            f"Spark did not start ({first}). It needs Java 17 or newer on every machine, and a master that answers at the"
            " address in spark_master; see 'On a cluster' in README.md."
        ) from error
    return started
