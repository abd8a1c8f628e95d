"""Whether a cluster gives the tables of this machine's database: one whole run with a master and two workers, each a process of its
own with nothing in common but the folder, and every table of it beside that of DuckDB. Needs Java 17 and pyspark: `make bench-spark`."""

from __future__ import annotations

import importlib.util
import shutil
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import polars as pl
import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "pipeline"))
from test_engines import at_a_time, differences

from pipelines import commands, settings, spark, steps, workbench, workspace
from pipelines.workspace import Workspace
from seed_data import scenario

CLUSTER = "local-cluster[2,1,1024]"
#: a few hundred rows want no compiled code, and one pile after a shuffle
SMALL = {
    "spark.sql.codegen.wholeStage": "false",
    "spark.sql.codegen.factoryMode": "NO_CODEGEN",
    "spark.sql.shuffle.partitions": "1",
    "spark.default.parallelism": "1",
    "spark.sql.adaptive.enabled": "false",
}


def java() -> bool:
    """Whether a Java that starts is there; some systems have a `java` that only says how to get one."""
    found = shutil.which("java")
    return bool(found) and subprocess.run([found, "-version"], capture_output=True).returncode == 0


pytestmark = pytest.mark.skipif(
    importlib.util.find_spec("pyspark") is None or not java(),
    reason="no pyspark (make spark installs it), or no Java (Spark needs 17 or newer) here",
)


@pytest.fixture(scope="module")
def both(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Workspace, Workspace]]:
    """A workspace of two small shops run on this machine, and the same on a cluster, shop by shop."""
    folder = tmp_path_factory.mktemp("spark")
    here, _ = workspace.init(folder / "here", settings.template())
    scenario.write_canonical(here.root, scenario.build(cups=60, shops=2, months=2))
    there = Workspace(folder / "there")
    shutil.copytree(here.root, there.root)
    there.settings_file.write_text(f'[engine]\nengine = "spark"\nspark_master = "{CLUSTER}"\n')
    commands.run(here)
    with at_a_time(1), pytest.MonkeyPatch.context() as patched:
        patched.setattr(spark, "SESSION", spark.SESSION | SMALL)
        commands.run(there)
    yield here, there


@pytest.fixture(scope="module")
def tables(both: tuple[Workspace, Workspace]) -> Iterator[tuple[workbench.DuckDB, spark.Parquet]]:
    """What reads the tables of either."""
    duck = workbench.DuckDB(both[0].state / "tables")
    yield duck, spark.Parquet.below(both[1].state / "tables-spark")
    duck.close()


@pytest.mark.parametrize("name", sorted(steps.BY_TABLE))
def test_a_table_is_the_same(tables: tuple[workbench.DuckDB, spark.Parquet], name: str) -> None:
    duck, cluster = tables
    assert differences({name: duck.read(name)}, {name: cluster.read(name)}) == []


def test_what_is_published_is_the_same_and_nothing_was_made_on_this_machine(both: tuple[Workspace, Workspace]) -> None:
    def published(space: Workspace) -> dict[str, pl.DataFrame]:
        return {path.stem: pl.read_parquet(path) for path in sorted((space.out / "tables").glob("*.parquet"))}

    here, there = both
    assert published(here) and differences(published(here), published(there)) == []
    assert not (there.state / "tables").exists()
