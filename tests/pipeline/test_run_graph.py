"""The Dagster graph: what it shows of every table, its checks, and what runs by itself only when asked."""

import os
import subprocess
import sys
from pathlib import Path

import dagster as dg
import polars as pl
import pytest

from pipelines import checks, definitions, results, steps, workspace
from pipelines.defs import automation, for_readers, lineage, sources
from pipelines.ledger import runner
from pipelines.settings import Settings
from pipelines.workspace import Workspace
from schemas import events, published, registers, validate

HOME = Path(__file__).resolve().parents[2]
SETTINGS = Settings().flat()

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


def test_lineage_of_a_table_is_what_its_step_reads(graph):
    for step in steps.STEPS:
        for name in step.makes:
            parents = {key.path[-1] for key in graph.get(dg.AssetKey(name)).parent_keys}
            assert parents - set(sources.DESCRIPTIONS) == step.upstream, name
            assert set(step.sources) <= parents
            assert ("settings" in parents) == step.asks
    assert "settings" in {key.path[-1] for key in graph.get(dg.AssetKey("job_costs")).parent_keys}


def test_lineage_goes_down_to_columns():
    found = lineage.columns("mixes")
    assert set(found) == {info.name for info in validate.columns("mixes")}
    assert all(found.values())
    assert found["poured_g"] == {("pours", "weighed_g")}
    shown = lineage.of("mixes").deps_by_column["poured_g"]
    assert shown == [dg.TableColumnDep(dg.AssetKey("pours"), "weighed_g")]


@pytest.mark.parametrize("name", sorted(runner.statements()))
def test_every_column_of_a_statement_comes_from_columns_that_there_are(name):
    for deps in lineage.columns(name).values():
        for table, column in deps:
            assert table in steps.BY_TABLE[name].reads
            assert column in {info.name for info in validate.columns(table)} | {"file", "line"}


def test_every_table_has_somebody_who_answers_for_it_and_every_source_is_observed(graph):
    for key in graph.get_all_asset_keys():
        node = graph.get(key)
        assert node.owners or node.is_observable, key
    assert {key.path[-1] for key in graph.observable_asset_keys} == set(sources.DESCRIPTIONS)


def test_everything_published_leads_to_the_pages_and_the_swap(graph):
    for end in ("site", "out"):
        parents = {key.path[-1] for key in graph.get(dg.AssetKey(end)).parent_keys}
        assert set(results.PUBLISHED) <= parents


def test_every_table_with_a_schema_shows_its_columns_with_meaning(graph):
    for name in sorted(keys(graph) & set(published.PUBLISHED)):
        schema = graph.get(dg.AssetKey(name)).metadata["dagster/column_schema"]
        assert [column.name for column in schema.columns] == [info.name for info in validate.columns(name)]
        assert all(column.description for column in schema.columns), name


def test_every_published_table_carries_its_checks(graph):
    found = {(check.asset_key.path[-1], check.name) for check in graph.asset_check_keys}
    for name in results.PUBLISHED:
        assert (name, "unique_keys") in found, name
        assert (name, "finite_numbers") in found, name
    for name in events.EVENTS:
        assert (name, "unique_keys") in found, name
    assert {("material_ledger", "closure"), ("intake_files", "rows_add_up"), ("intake_files", "share_refused")} <= found


def test_sensor_and_schedule_are_off_until_switched_on():
    repository = definitions.defs.get_repository_def()
    assert repository.get_sensor_def("inbox").default_status == dg.DefaultSensorStatus.STOPPED
    assert repository.get_schedule_def("daily").default_status == dg.DefaultScheduleStatus.STOPPED


def test_the_schedule_rings_in_the_shop_s_time_zone(tmp_path, monkeypatch):
    assert automation.time_zone() == "UTC"
    space, _ = workspace.init(tmp_path / "shop", '[business]\ntime_zone = "Europe/Vienna"\n')
    monkeypatch.setenv(automation.WORKSPACE, str(space.root))
    assert automation.time_zone() == "Europe/Vienna"
    assert automation.daily.execution_timezone == "UTC"  # of the folder that was named when Dagster loaded it: none


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
    assert checks.closure(ledger_rows(), SETTINGS)[0]
    for amount in checks.AMOUNTS:
        passed, told = checks.closure(ledger_rows(**{f"useful_{amount}": 1.0 + 1e-7}), SETTINGS)
        assert not passed
        assert told["largest_relative_gap"] > checks.CLOSURE


def test_closure_counts_rows_it_cannot_look_at():
    passed, told = checks.closure(ledger_rows(poured_cost=None), SETTINGS)
    assert passed
    assert told["rows_without_cost"] == 1
    assert told["rows_without_solids_g"] == 0


def test_what_checks_find_in_the_parts_of_a_table_is_one_outcome():
    found = [
        (True, {"rows_looked_at": 3, "largest_relative_gap": 1e-12}),
        (False, {"rows_looked_at": 2, "columns": {"b": 1}, "largest_relative_gap": 3e-12}),
        (True, {"rows_looked_at": 1, "columns": {"b": 2, "c": 1}, "largest_relative_gap": 2e-12}),
    ]
    told = {"rows_looked_at": 6, "columns": {"b": 3, "c": 1}, "largest_relative_gap": 3e-12}
    assert checks.together(found) == (False, told)
    assert checks.together(found[:1]) == found[0]


def intake_row(read: int, accepted: int, refused: int) -> pl.DataFrame:
    return pl.DataFrame(
        dict(file=["f"], rows_read=[read], accepted=[accepted], refused=[refused], duplicate=0, superseded=0)
    )


def test_rows_add_up_names_the_file_that_does_not():
    assert checks.add_up(intake_row(5, 4, 1), SETTINGS)[0]
    assert checks.add_up(intake_row(5, 3, 1), SETTINGS)[1]["files_that_do_not"] == ["f"]


def test_share_refused_is_a_warning_at_the_share_that_the_settings_say():
    assert checks.share_refused(intake_row(100, 95, 5), SETTINGS)[0]
    assert not checks.share_refused(intake_row(100, 94, 6), SETTINGS)[0]
    assert [check.blocking for check in checks.of("intake_files") if check.name == "share_refused"] == [False]


def test_dagster_keeps_its_records_in_the_workspace_and_sends_nothing(tmp_path):
    space, _ = workspace.init(tmp_path / "shop", "")
    home = workspace.prepare_dagster(space)
    assert home.is_relative_to(space.root)
    with dg.DagsterInstance.from_config(str(home)) as instance:
        assert instance.telemetry_enabled is False


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
    assert check.blocking and check.reads == {table: [*key, *figures], lines: [*key, *figures.values()]}
    assert {*key, *figures} <= set(validate.empty(table).columns)
    assert {*key, *figures.values()} <= set(validate.empty(lines).columns)
    assert check.test(validate.empty(table), SETTINGS, {lines: validate.empty(lines)})[0]


# --- a finished workspace, and what a user of Dagster does with it ------------------------------------------------------


@pytest.fixture
def copy(copy, monkeypatch) -> Workspace:
    monkeypatch.setenv(automation.WORKSPACE, str(copy.root))
    return copy


def alone(names: list[str], **more) -> dg.ExecuteInProcessResult:
    """Materialise these assets and no others, as Dagster's pages do."""
    chosen = [*definitions.assets, *for_readers.BESIDE]
    return dg.materialize(chosen, selection=names, resources={"run": automation.run}, raise_on_error=False, **more)


ALONE = (
    "voc_limits", "pours", "film_increments", "records", "over_build", "transfer_by_gun", "material_ledger",
    "emissions_monthly", "mix_guide", "practice_cards", "site",
)  # fmt: skip


@pytest.mark.parametrize("name", ALONE)
def test_any_table_can_be_materialised_alone_after_a_run(copy, name):
    done = alone([name])
    assert done.success
    (event,) = [one for one in done.get_asset_materialization_events() if one.asset_key.path[-1] == name]
    if name != "site":
        rows = pl.read_parquet(copy.out / "tables" / f"{name}.parquet").height if name in results.PUBLISHED else None
        told = event.materialization.metadata["dagster/row_count"].value
        assert told == rows or (rows is None and told > 0)


def test_a_table_that_a_register_changed_is_made_from_what_stands_when_it_is_asked_for_alone(copy):
    (copy.settings_file).write_text("[money]\nlabour_rate_per_hour = 61.0\n")
    done = alone(["job_costs"])
    assert done.success
    (event,) = done.get_asset_materialization_events()
    assert event.materialization.metadata["made"].value == "now"
    assert [one.asset_key.path[-1] for one in done.get_asset_check_evaluations()] == ["job_costs"] * 2


def test_three_months_of_hand_outs_are_made_by_partition(copy):
    assert for_readers.handouts.partitions_def.get_first_partition_key() == automation.FIRST_MONTH
    for month in ("2025-03-01", "2025-04-01", "2025-05-01"):
        assert alone(["handouts"], partition_key=month).success
    made = {path.name for path in copy.handouts.iterdir()}
    assert {name[:7] for name in made} == {"2025-03", "2025-04", "2025-05"}
    assert automation.first_month() == "2025-03-01"


def test_the_sites_of_single_readers_are_assets(copy):
    assert alone(["site_environment", "site_painter"]).success
    assert {path.name for path in copy.handouts.iterdir()} == {"site_environment", "site_painter"}


def test_a_run_that_fails_leaves_word_in_the_workspace(copy):
    (copy.settings_file).write_text("[money]\nlabour_rate = 61.0\n")
    job = definitions.defs.resolve_job_def("everything")
    (copy.settings_file).write_text("")
    copy.snapshots.rename(copy.state / "gone")
    (copy.snapshots).write_text("a file where a folder should be")
    assert not job.execute_in_process(raise_on_error=False).success
    assert "results failed" in (copy.state / "filmledger-fault.txt").read_text()


def test_sources_are_observed_and_a_file_that_changed_has_another_version(copy):
    def versions() -> dict[str, str]:
        done = definitions.defs.resolve_job_def("observe").execute_in_process()
        seen = done.get_asset_observation_events()
        return {one.asset_key.path[-1]: one.asset_observation_data.asset_observation.data_version for one in seen}

    before = versions()
    (copy.inbox / "note.txt").write_text("x")
    after = versions()
    assert set(before) == set(sources.DESCRIPTIONS)
    assert {name for name in before if before[name] != after[name]} == {"inbox"}


def test_dagster_s_own_command_line_makes_one_table(copy):
    done = subprocess.run(
        [sys.executable, "-m", "dagster", "asset", "materialize", "--select", "mix_guide", "-m", "pipelines.definitions"],
        cwd=HOME, capture_output=True, text=True, check=False,
        env=os.environ | {"PYTHONPATH": str(HOME), "DAGSTER_DISABLE_TELEMETRY": "1"},
    )  # fmt: skip
    assert done.returncode == 0, done.stderr[-2000:]
    assert "mix_guide" in done.stderr + done.stdout
