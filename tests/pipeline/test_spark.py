"""What the workbench on a cluster hands to Spark and takes from its workers; nothing here starts one. Whether its tables are those
of this machine's database is asked by tests/bench/spark_parity.py (`make bench-spark`)."""

from __future__ import annotations

import datetime as dt
import pickle
from pathlib import Path

import polars as pl
import pytest

from pipelines import spark, workbench, workspace
from schemas import validate


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


def test_rows_from_this_process_are_looked_at_without_the_cluster_as_the_database_does(tmp_path: Path) -> None:
    cluster = object.__new__(spark.Spark)
    cluster._folder, cluster._held, cluster._notes, cluster._given = tmp_path, {}, {}, set()
    duck = workbench.DuckDB()
    day = dt.date(2025, 3, 1)
    done = pl.DataFrame({"gun_id": ["b", "a"], "serviced_on": [day, day], "work": ["rebuilt", "cleaned"]})
    given = validate.conform("gun_services", done)
    cluster.put("gun_services", given.head(1))
    cluster.put("gun_services", given.tail(1), more=True)
    duck.put("gun_services", given)
    assert cluster.look("gun_services") == duck.look("gun_services")
    cluster.put("gun_services", pl.concat([given, given.head(1)]))
    with pytest.raises(validate.TableError, match="more than once"):
        cluster.look("gun_services")
    duck.close()
