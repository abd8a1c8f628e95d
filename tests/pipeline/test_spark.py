"""The workbench on a cluster: every statement as Spark SQL, and a whole run with its functions and files at workers, give the
tables of this machine's database."""

from __future__ import annotations

import importlib.util
import pickle
import shutil
import subprocess
from pathlib import Path

import polars as pl
import pytest
from test_engines import at_a_time, differences

from pipelines import conductor, settings, spark, steps, workbench, workspace
from pipelines.ledger import runner
from pipelines.workbench import Note
from pipelines.workspace import Workspace
from seed_data import scenario

CLUSTER = "local-cluster[2,1,1024]"
FLAT = settings.Settings().flat()


def java() -> bool:
    """Whether a Java that starts is there; some systems have a `java` that only says how to get one."""
    found = shutil.which("java")
    return bool(found) and subprocess.run([found, "-version"], capture_output=True).returncode == 0


needs_spark = pytest.mark.skipif(
    importlib.util.find_spec("pyspark") is None or not java(),
    reason="no pyspark (make spark installs it), or no Java (Spark needs 17 or newer) here",
)


@pytest.fixture(scope="module")
def here(tmp_path_factory: pytest.TempPathFactory) -> Workspace:
    """A workspace of two small shops, run on this machine."""
    space, _ = workspace.init(tmp_path_factory.mktemp("spark") / "here", settings.template())
    scenario.write_canonical(space.root, scenario.build(cups=60, shops=2, months=2))
    conductor.run(space)
    return space


@pytest.fixture(scope="module")
def both(here: Workspace, tmp_path_factory: pytest.TempPathFactory):
    """The tables of this machine, and a cluster that has all of them."""
    duck = workbench.DuckDB(here.state / "tables")
    cluster = spark.Spark(tmp_path_factory.mktemp("spark") / "tables", CLUSTER)
    with cluster.writing():
        for name in steps.BY_TABLE:
            frame = duck.read(name)
            cluster.put(name, frame)
            cluster.note(name, Note("", {}, "", frame.height, {}))
    yield duck, cluster
    cluster.close()
    duck.close()


@needs_spark
@pytest.mark.parametrize("name", sorted(runner.statements()))
def test_a_statement_gives_the_same_table_as_spark_sql(request: pytest.FixtureRequest, name: str) -> None:
    duck, cluster = request.getfixturevalue("both")
    with cluster.writing():
        cluster.run_sql(name, runner.statements()[name], {key: FLAT[key] for key in runner.parameters(name)})
        content, rows = cluster.look(name)
        cluster.note(name, Note("", {}, content, rows, {}))
    assert differences({name: duck.read(name)}, {name: cluster.read(name)}) == []


@needs_spark
def test_a_whole_run_at_workers_gives_the_same_tables(here: Workspace, tmp_path: Path) -> None:
    """local-cluster: a master and two workers, each its own process, with nothing in common but the folder."""
    there = Workspace(tmp_path / "there")
    shutil.copytree(here.root, there.root, ignore=shutil.ignore_patterns(".filmledger", "out"))
    there.settings_file.write_text(f'[engine]\nengine = "spark"\nspark_master = "{CLUSTER}"\n')
    with at_a_time(1):
        conductor.run(there)

    def tables(space: Workspace) -> dict[str, pl.DataFrame]:
        return {path.stem: pl.read_parquet(path) for path in sorted((space.out / "tables").glob("*.parquet"))}

    assert differences(tables(here), tables(there)) == []
    assert not (there.state / "tables").exists()


def test_parameters_become_literals_and_decimals_doubles() -> None:
    said = spark.translated("SELECT $a AS a, $b AS b, 0.5 * x AS x FROM t ORDER BY a", {"a": 0.1, "b": "it's"})
    assert "CAST(0.1 AS DOUBLE)" in said and "CAST(0.5 AS DOUBLE) * x" in said and r"it\'s" in said
    with pytest.raises(KeyError, match="missing"):
        spark.translated("SELECT $missing AS a", {})


class Lines:
    """As much of Spark's context as `each` asks for; what is sent is pickled, as it is between machines."""

    def __init__(self, items=()):
        self.items = items

    sparkContext = property(lambda self: self)

    def parallelize(self, items, tasks):
        assert tasks == len(items)
        return Lines(items)

    def map(self, work):
        sent = pickle.loads(pickle.dumps(work))
        return Lines([pickle.loads(pickle.dumps(sent(item))) for item in self.items])

    def toLocalIterator(self):
        return iter(self.items)


def half(number: int) -> int:
    if number % 2:
        raise workspace.WorkspaceError(f"{number} changed while being read")
    return number // 2


def test_what_the_workspace_does_not_allow_is_told_by_a_worker_in_its_own_words() -> None:
    cluster = object.__new__(spark.Spark)
    cluster._session = Lines()
    assert list(cluster.each(half, [2, 4, 8])) == [1, 2, 4]
    assert list(cluster.each(half, [])) == []
    with pytest.raises(workspace.WorkspaceError, match=r"^3 changed while being read$"):
        list(cluster.each(half, [2, 3, 4]))


def test_a_worker_reads_tables_as_the_database_does(tmp_path: Path) -> None:
    frame = pl.DataFrame({"shop_id": ["a", "b", "c", None], "what": ["cup", "cup", "month", "file"]})
    parts = tmp_path / "incomplete"
    parts.mkdir()
    for at, order in enumerate(([3, 1], [2, 0])):
        frame[order].write_parquet(parts / f"part-{at}.parquet")
    reader, duck = spark.Parquet({"incomplete": parts}), workbench.DuckDB()
    duck.put("incomplete", frame)
    for columns, shops in ((None, ("a", "b")), (["shop_id"], ("b", "b")), (["what", "shop_id"], None)):
        found, wanted = reader.read("incomplete", columns, shops), duck.read("incomplete", columns, shops)
        assert found.columns == wanted.columns
        assert found.sort(pl.all()).equals(wanted.sort(pl.all()))
    duck.close()
