"""Where the work is done moves no number: one batch of shops or many, this machine's threads or a cluster's workers."""

from __future__ import annotations

import importlib.util
import os
import pickle
import shutil
import subprocess

import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipelines import conductor, engine, settings, workspace
from pipelines.ledger import runner, shops
from pipelines.ledger.shops import Span
from pipelines.shelf import Shelf
from schemas import door
from seed_data import scenario

CUPS = 700
CLUSTER = "local-cluster[2,1,1024]"
REL = 1e-9  # sums of floats in another order


@pytest.fixture(scope="module")
def exports(tmp_path_factory):
    """A workspace of three small shops that nobody ran yet."""
    folder = tmp_path_factory.mktemp("engines") / "exports"
    workspace.init(folder, settings.template())
    scenario.write_canonical(folder, scenario.build(cups=CUPS, shops=3))
    return folder


def ran(exports, target, **chosen) -> dict[str, pl.DataFrame]:
    """Every published table of a run with these settings of the engine."""
    shutil.copytree(exports, target)
    lines = [f"{key} = {value!r}".replace("'", '"') for key, value in chosen.items()]
    (target / "filmledger.toml").write_text("\n".join(["[engine]", *lines, ""]))
    space = workspace.find(target)
    conductor.run(space)
    return {path.stem: pl.read_parquet(path) for path in sorted((space.out / "tables").glob("*.parquet"))}


@pytest.fixture(scope="module")
def together(exports, tmp_path_factory):
    return ran(exports, tmp_path_factory.mktemp("engines") / "together")


@pytest.fixture(scope="module")
def one_by_one(exports, tmp_path_factory):
    return ran(exports, tmp_path_factory.mktemp("engines") / "one_by_one", span_rows=1)


def differences(left: dict[str, pl.DataFrame], right: dict[str, pl.DataFrame]) -> list[str]:
    """Where two sets of tables differ: keys, counts, texts and times in anything, numbers by more than REL of their size."""
    found = [f"tables: {sorted(left.keys() ^ right.keys())}"] if left.keys() != right.keys() else []
    for name in sorted(left.keys() & right.keys()):
        a, b = left[name], right[name]
        if a.schema != b.schema or a.height != b.height:
            found.append(f"{name}: {a.height} rows against {b.height}")
            continue
        for column, dtype in a.schema.items():
            x, y = a[column], b[column]
            if x.equals(y):
                continue
            if not dtype.is_float() or not x.is_null().equals(y.is_null()):
                found.append(f"{name}.{column}")
                continue
            scale = max(float(x.abs().mean() or 0.0), 1e-12)  # a difference of two large numbers has their rounding
            worst = float(
                ((x - y).abs() / pl.select(pl.max_horizontal(x.abs(), pl.lit(scale))).to_series()).max() or 0.0
            )
            if worst > REL:
                found.append(f"{name}.{column}: {worst:.1e}")
    return found


def test_every_step_of_the_ledger_stands_in_one_pass_after_all_that_it_reads():
    done: set[str] = set()
    for phase in shops.phases():
        inside = set(phase.steps)
        for step in phase.steps:
            assert runner.upstream(step) & set(runner.steps()) <= done | inside
            assert step not in done
        done |= inside
        assert phase.by_shop == (not inside & shops.POOLED)
    assert done == set(runner.steps())


def test_spans_follow_each_other_in_the_order_of_shops_and_stay_near_the_size_asked_for():
    rows = pl.DataFrame({"shop_id": ["b"] * 3 + ["a"] * 5 + ["c"] * 2 + ["d"] * 9})
    tables = {"jobs": rows, "guns": pl.DataFrame({"shop_id": ["z"] * 99})}  # a gun is not cut by the shop it hangs in
    sizes = shops.sizes(tables)
    assert sizes == {"a": 5, "b": 3, "c": 2, "d": 9}
    assert shops.spans(sizes, 8) == [Span(None, "c"), Span("c", "d"), Span("d", None)]
    assert shops.spans(sizes, 1) == [Span(None, "b"), Span("b", "c"), Span("c", "d"), Span("d", None)]
    assert shops.spans(sizes, 100) == [Span(None, None)]
    assert shops.spans({}, 8) == [Span(None, None)]


@given(st.dictionaries(st.text(max_size=3), st.integers(0, 9)), st.integers(1, 20), st.text(max_size=3))
def test_every_shop_known_or_not_stands_in_exactly_one_span(sizes, rows, stranger):
    ids = pl.DataFrame({"shop_id": sorted({*sizes, stranger})}, schema={"shop_id": pl.String})
    held = [ids.filter(span.holds())["shop_id"].to_list() for span in shops.spans(sizes, rows)]
    assert [shop for part in held for shop in part] == ids["shop_id"].to_list()


def test_a_shop_gets_its_own_rows_and_whole_what_is_nobodys_own():
    tables = {
        "jobs": pl.DataFrame({"shop_id": ["a", "b"], "job_id": ["1", "2"]}),
        "incomplete": pl.DataFrame({"shop_id": ["a", None, "b"], "what": ["cup", "file", "cup"]}),
        "products": pl.DataFrame({"product_id": ["p"]}),
    }
    cut = shops.cut(tables, Span(None, "b"))
    assert cut["jobs"]["job_id"].to_list() == ["1"]
    assert cut["incomplete"]["what"].to_list() == ["cup", "file"]
    assert cut["products"].height == 1


def test_a_table_on_the_shelf_is_the_one_that_was_put_there_wherever_it_stands(tmp_path, monkeypatch):
    space, _ = workspace.init(tmp_path / "shop", settings.template())
    workspace.begin(space)
    tables = {
        "job_costs": door.empty("job_costs").clear(5).with_columns(shop_id=pl.Series(["a", "a", "b", "c", "d"])),
        "gun_effects": door.empty("gun_effects").clear(2).with_columns(gun_id=pl.Series(["g1", "g2"])),
    }
    for small, apart in ((100, False), (1, True)):
        monkeypatch.setattr("pipelines.shelf.SMALL", small)
        shelf = Shelf(space)
        shelf.spans = [Span(None, "b"), Span("b", "d"), Span("d", None)]
        for name, frame in tables.items():
            shelf.put(name, frame)
            assert shelf[name].equals(frame)
            assert shelf.whole(name, frame.columns[:1]).equals(frame.select(frame.columns[:1]))
            assert pl.concat(shelf.parts(name)).equals(frame)
            assert shelf.rows(name) == frame.height
            shelf.publish(name)
            assert pl.read_parquet(space.building / "tables" / f"{name}.parquet").equals(frame)
        assert shelf.is_apart("job_costs") == apart
        assert not shelf.is_apart("gun_effects")  # no shop's own
        elsewhere = pickle.loads(pickle.dumps(shelf))
        shelf.share(tables)
        found = elsewhere.of_span(1, tables)
        assert found["job_costs"]["shop_id"].to_list() == ["b", "c"]
        assert found["gun_effects"].equals(tables["gun_effects"])


def test_shops_worked_on_one_by_one_give_the_numbers_of_all_at_once(together, one_by_one):
    assert differences(together, one_by_one) == []


def test_the_number_of_workers_changes_no_byte(exports, one_by_one, tmp_path):
    alone = ran(exports, tmp_path / "alone", span_rows=1, workers=1)
    assert all(alone[name].equals(one_by_one[name]) for name in one_by_one)


def java() -> bool:
    """Whether a Java that starts is there; some systems have a `java` that only says how to get one."""
    found = shutil.which("java")
    return bool(found) and subprocess.run([found, "-version"], capture_output=True).returncode == 0


@pytest.mark.skipif(
    importlib.util.find_spec("pyspark") is None, reason="pyspark is not installed here; make spark installs it"
)
@pytest.mark.skipif(not java(), reason="no Java here: Spark needs Java 17 or newer")
def test_spark_workers_in_processes_of_their_own_give_the_same_tables(exports, one_by_one, tmp_path):
    """local-cluster: a master and two workers, each its own process, with nothing in common but the folder."""
    with engine.start("spark", master=CLUSTER) as cluster:
        assert os.getpid() not in set(cluster.each(lambda _: os.getpid(), range(4)))
    there = ran(exports, tmp_path / "there", span_rows=1, engine="spark", spark_master=CLUSTER)
    assert one_by_one.keys() == there.keys()
    assert all(one_by_one[name].equals(there[name]) for name in there), differences(one_by_one, there)


class Lines:
    """As much of Spark's context as the engine asks for; what is sent is pickled, as it is between machines."""

    def __init__(self, items=()):
        self.items = items

    sparkContext = property(lambda self: self)

    def parallelize(self, items, tasks):
        assert tasks == len(items)
        return Lines(items)

    def map(self, work):
        sent = pickle.loads(pickle.dumps(work))
        return Lines([pickle.loads(pickle.dumps(sent(item))) for item in self.items])

    def collect(self):
        return self.items


def half(number: int) -> int:
    if number % 2:
        raise workspace.WorkspaceError(f"{number} changed while being read")
    return number // 2


def test_what_the_workspace_does_not_allow_is_told_by_a_worker_in_its_own_words():
    spark = engine.Spark(Lines())
    assert list(spark.each(half, [2, 4, 8])) == [1, 2, 4]
    with pytest.raises(workspace.WorkspaceError, match=r"^3 changed while being read$"):
        list(spark.each(half, [2, 3, 4]))
