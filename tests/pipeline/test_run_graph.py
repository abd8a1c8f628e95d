"""The Dagster graph: what it shows of every table, its checks, and what runs by itself only when asked."""

import dagster as dg
import polars as pl
import pytest

from pipelines import conductor, definitions, workspace
from pipelines.defs import automation, checks, ledger, reports
from pipelines.ledger import runner
from pipelines.settings import Settings
from schemas import door, events, published, registers

PARTS = {f"{part}_{amount}": 1.0 for part in checks.PARTS for amount in checks.AMOUNTS}
POURED = {f"poured_{amount}": 6.0 for amount in checks.AMOUNTS}


@pytest.fixture(scope="module")
def graph():
    return definitions.defs.resolve_asset_graph()


def keys(graph) -> set[str]:
    return {key.path[-1] for key in graph.get_all_asset_keys()}


def test_every_event_table_register_and_ledger_step_is_an_asset(graph):
    assert {
        *events.EVENTS,
        *registers.REGISTERS,
        *runner.steps(),
        "intake_files",
        "refused_rows",
        "site",
        "out",
    } <= keys(graph)


def test_lineage_of_the_ledger_is_what_its_sql_reads(graph):
    for name in ledger.NAMES:
        node = graph.get(dg.AssetKey(name))
        assert {key.path[-1] for key in node.parent_keys} == set(runner.upstream(name)), name


def test_everything_published_leads_to_the_pages_and_the_swap(graph):
    for end in ("site", "out"):
        parents = {key.path[-1] for key in graph.get(dg.AssetKey(end)).parent_keys}
        assert set(reports.PUBLISHED) <= parents


def test_every_table_with_a_schema_shows_its_columns_with_meaning(graph):
    for name in sorted(keys(graph) & set(published.PUBLISHED)):
        schema = graph.get(dg.AssetKey(name)).metadata["dagster/column_schema"]
        assert [column.name for column in schema.columns] == [info.name for info in door.columns(name)]
        assert all(column.description for column in schema.columns), name


def test_every_published_table_carries_its_checks(graph):
    found = {(check.asset_key.path[-1], check.name) for check in graph.asset_check_keys}
    for name in reports.PUBLISHED:
        assert (name, "unique_keys") in found, name
        assert (name, "finite_numbers") in found, name
    for name in events.EVENTS:
        assert (name, "unique_keys") in found, name
    assert {("material_ledger", "closure"), ("intake_files", "rows_add_up"), ("intake_files", "share_refused")} <= found


def test_sensor_and_schedule_are_off_until_switched_on():
    repository = definitions.defs.get_repository_def()
    assert repository.get_sensor_def("inbox").default_status == dg.DefaultSensorStatus.STOPPED
    assert repository.get_schedule_def("daily").default_status == dg.DefaultScheduleStatus.STOPPED


def test_the_sensor_asks_for_a_run_once_the_files_keep_still_and_not_again(tmp_path, monkeypatch):
    space, _ = workspace.init(tmp_path / "shop", "")
    monkeypatch.setenv(automation.WORKSPACE, str(space.root))
    cursor = None

    def look() -> int:
        nonlocal cursor
        result = automation.inbox(dg.build_sensor_context(cursor=cursor))
        cursor = result.cursor
        return len(result.run_requests)

    assert [look(), look(), look()] == [0, 1, 0]
    (space.inbox / "a.csv").write_text("x")
    assert [look(), look(), look()] == [0, 1, 0]
    (space.inbox / "a.csv").write_text("still being written")
    assert look() == 0
    (space.inbox / "a.csv").write_text("still being written, longer")
    assert [look(), look(), look()] == [0, 1, 0]


def ledger_rows(**changed: float) -> pl.DataFrame:
    row = {"shop_id": "s", "mix_id": "m", "job_id": "j", "operation_no": 1, **POURED, **PARTS}
    return pl.DataFrame([row, {**row, "operation_no": 2, **changed}])


def test_closure_holds_for_a_closed_ledger_and_fails_for_a_gram_in_a_million_tonnes():
    assert checks.closure(ledger_rows(), Settings())[0]
    for amount in checks.AMOUNTS:
        passed, told = checks.closure(ledger_rows(**{f"useful_{amount}": 1.0 + 1e-7}), Settings())
        assert not passed
        assert told["largest_relative_gap"] > checks.CLOSURE


def test_closure_counts_rows_it_cannot_look_at():
    passed, told = checks.closure(ledger_rows(poured_cost=None), Settings())
    assert passed
    assert told["rows_without_cost"] == 1
    assert told["rows_without_solids_g"] == 0


def test_finite_numbers_fails_for_infinity_and_not_a_number_but_not_for_unknown():
    frame = pl.DataFrame({"a": [1.0, None], "b": [float("nan"), 1.0], "c": [float("inf"), float("-inf")]})
    assert checks.finite(frame.select("a"), Settings())[0]
    assert checks.finite(frame, Settings()) == (False, {"rows_looked_at": 2, "columns": {"b": 1, "c": 2}})


def test_what_checks_find_in_the_parts_of_a_table_is_one_outcome():
    found = [
        (True, {"rows_looked_at": 3, "largest_relative_gap": 1e-12}),
        (False, {"rows_looked_at": 2, "columns": {"b": 1}, "largest_relative_gap": 3e-12}),
        (True, {"rows_looked_at": 1, "columns": {"b": 2, "c": 1}, "largest_relative_gap": 2e-12}),
    ]
    told = {"rows_looked_at": 6, "columns": {"b": 3, "c": 1}, "largest_relative_gap": 3e-12}
    assert checks.together(found) == (False, told)
    assert checks.together(found[:1]) == found[0]


def test_unique_keys_counts_every_row_of_a_repeated_key():
    assert checks.unique(pl.DataFrame({"a": [1, 2]}), ["a"]) == (True, {"rows_sharing_a_key": 0})
    assert checks.unique(pl.DataFrame({"a": [1, 1, 2]}), ["a"]) == (False, {"rows_sharing_a_key": 2})


def intake_row(read: int, accepted: int, refused: int) -> pl.DataFrame:
    return pl.DataFrame(
        {
            "file": ["f"],
            "rows_read": [read],
            "accepted": [accepted],
            "refused": [refused],
            "duplicate": 0,
            "superseded": 0,
        }
    )


def test_rows_add_up_names_the_file_that_does_not():
    assert checks.add_up(intake_row(5, 4, 1), Settings())[0]
    assert checks.add_up(intake_row(5, 3, 1), Settings())[1]["files_that_do_not"] == ["f"]


def test_share_refused_is_a_warning_at_the_share_that_the_settings_say():
    assert checks.share_refused(intake_row(100, 95, 5), Settings())[0]
    assert not checks.share_refused(intake_row(100, 94, 6), Settings())[0]
    assert [check.blocking for check in checks.of("intake_files") if check.name == "share_refused"] == [False]


def test_dagster_keeps_its_records_in_the_workspace_and_sends_nothing(tmp_path):
    space, _ = workspace.init(tmp_path / "shop", "")
    home = workspace.prepare_dagster(space)
    assert home.is_relative_to(space.root)
    with dg.DagsterInstance.from_config(str(home)) as instance:
        assert instance.telemetry_enabled is False


def test_records_of_dagster_that_cannot_be_read_are_set_aside(tmp_path):
    space, _ = workspace.init(tmp_path / "shop", "")
    conductor._records(space).dispose()
    (space.dagster_home / "history" / "runs.db").write_bytes(b"cut short by a power cut" * 500)
    with conductor._records(space) as instance:
        assert instance.get_runs() == []
    assert (space.state / "dagster-unreadable" / "history" / "runs.db").is_file()


LINES = pl.DataFrame({"shop_id": ["a", "a", "b"], "kg": [1.0, 2.0, None], "more": [0.0, 0.0, 0.0]})


@pytest.mark.parametrize(
    ("sums", "holds"),
    [
        ({"shop_id": ["a", "b"], "kg": [3.0, None]}, True),
        ({"shop_id": ["a", "b", "c"], "kg": [3.0, None, None]}, True),  # nothing of it could be read
        ({"shop_id": ["a", "b"], "kg": [3.0 * (1 + 1e-7), None]}, False),
        ({"shop_id": ["a", "b"], "kg": [2.0, None]}, False),
        ({"shop_id": ["a"], "kg": [3.0]}, False),  # a line that is in no figure
        ({"shop_id": ["a", "b", "c"], "kg": [3.0, None, 0.5]}, False),  # a figure out of nothing
    ],
)
def test_figures_must_be_the_sum_of_their_lines(sums, holds):
    passed, told = checks.sum_of_lines(pl.DataFrame(sums), LINES, ["shop_id"], {"kg": "kg"})
    assert passed is holds, told


@pytest.mark.parametrize("table", sorted(checks.SUMS))
def test_sums_are_checked_against_lines_that_have_their_columns(table):
    lines, key, figures = checks.SUMS[table]
    (check,) = [one for one in checks.of(table) if one.name == "sum_of_its_lines"]
    assert check.blocking and check.beside == (lines,)
    assert {*key, *figures} <= set(door.empty(table).columns)
    assert {*key, *figures.values()} <= set(door.empty(lines).columns)
    assert check.test(door.empty(table), Settings(), {lines: door.empty(lines)})[0]
