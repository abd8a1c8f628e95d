"""Whether a cluster gives the tables of this machine's database: every statement as Spark SQL, and a whole run with its functions
and files at workers. Needs Java 17 and pyspark, and some ten seconds a statement: `make bench-spark`.
"""

from __future__ import annotations

import importlib.util
import shutil
import subprocess
import sys
from pathlib import Path

import polars as pl
import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "pipeline"))
from test_engines import at_a_time, differences

from pipelines import commands, settings, spark, steps, workbench, workspace
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
    commands.run(space)
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
        cluster.run_sql(name, runner.statements()[name], runner.parameters(name, FLAT))
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
        commands.run(there)

    def tables(space: Workspace) -> dict[str, pl.DataFrame]:
        return {path.stem: pl.read_parquet(path) for path in sorted((space.out / "tables").glob("*.parquet"))}

    assert differences(tables(here), tables(there)) == []
    assert not (there.state / "tables").exists()
