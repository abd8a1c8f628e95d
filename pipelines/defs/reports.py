"""What readers get: pages, spreadsheets, one database file; and the step that puts the finished set in force."""

import dagster as dg

from pipelines import run as runs
from pipelines import workspace
from pipelines.defs import intake, ledger, tables, transfer
from reports import handouts
from schemas import registers

MADE = [*intake.NAMES, *ledger.NAMES, *transfer.MADE]
PUBLISHED = [name for name in MADE if name in tables.PUBLISHED]
SHOWN = [*PUBLISHED, *registers.REGISTERS, "packs"]
# registers and limits that hand-outs and the sites of single readers name
QUOTED = [name for name in dict.fromkeys((*handouts.TABLES, *SHOWN)) if name not in PUBLISHED]


@dg.asset(
    deps=SHOWN,
    group_name="reports",
    kinds={"html"},
    required_resource_keys={"run"},
)
def site(context: dg.AssetExecutionContext) -> dg.MaterializeResult:
    """The pages, from published tables and registers alone."""
    from reports.site import build

    run: runs.Run = context.resources.run
    tables.have(run, SHOWN)
    with run.timed("pages"):
        pages = build(run.tables, run.settings.model_dump())
        for path, content in sorted(pages.items()):
            workspace.write_bytes(run.space, f"site/{path}", content)
    size = sum(len(content) for content in pages.values())
    run.tell("pages", f"{sum(path.endswith('.html') for path in pages)} pages, {size / 1e6:.1f} MB")
    return dg.MaterializeResult(metadata={"files": len(pages), "bytes": size})


@dg.asset(
    deps=[site, *PUBLISHED, *QUOTED],
    group_name="reports",
    kinds={"duckdb"},
    required_resource_keys={"run"},
)
def out(context: dg.AssetExecutionContext) -> dg.MaterializeResult:
    """What is left to write beside the published tables: registers that readers quote, refused rows; and the swap."""
    run: runs.Run = context.resources.run
    tables.have(run, [*PUBLISHED, *QUOTED])
    with run.timed("results"):
        for name in PUBLISHED:  # one that this run did not make stands as the last run left it
            run.results.add(name)
        for name in QUOTED:
            workspace.write_basis(run.space, name, run.tables[name])
        for (path,), rows in run.tables["refused_rows"].group_by("file", maintain_order=True):
            workspace.write_csv(run.space, f"refused/{workspace.file_name_of(str(path))}.csv", [rows])
        run.results.wait()
        told = runs.publish(run)
    run.tell("results", f"{len(PUBLISHED)} tables in {run.space.out}")
    return dg.MaterializeResult(metadata={name: value for name, value in told.items() if value is not None})


ASSETS = [site, out]
