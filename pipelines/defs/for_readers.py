"""What readers get, as assets: the finished set with its pages, hand-outs by month, the sites of single readers."""

from collections.abc import Iterator

import dagster as dg

from pipelines import results
from pipelines.defs import automation
from pipelines.run import Run
from pipelines.transfer.decisions import trials

OWNERS = ["team:office"]
READERS = {
    "owner": "What the money did, for whom the shop belongs to.",
    "environment": "The environmental record; it names nobody.",
    "trainer": "Hands, guns and practice cards, for whoever trains.",
}


@dg.multi_asset(
    name="results",
    specs=[
        dg.AssetSpec("site", deps=results.SHOWN, group_name="reports", owners=OWNERS, kinds={"html"},
                     description="The pages, from published tables and registers alone."),
        dg.AssetSpec("out", deps=["site", *results.PUBLISHED, *results.QUOTED, *trials.NEEDS], group_name="reports", owners=OWNERS,
                     kinds={"parquet"},
                     description="Published tables as parquet, spreadsheets and one database file; put in force with the"
                     " pages, all together."),
    ],
    required_resource_keys={"run"},
    can_subset=True,
)  # fmt: skip
def finished(context: dg.AssetExecutionContext) -> Iterator[dg.MaterializeResult[None]]:
    """Write the finished set, pages and tables, and put it in force; all of it, whichever was asked for."""
    run: Run = context.resources.run
    pages, headline = results.publish(run)
    for name, told in {"site": {"pages": pages}, "out": headline}.items():
        if dg.AssetKey(name) in context.selected_asset_keys:
            yield dg.MaterializeResult(name, metadata={key: value for key, value in told.items() if value is not None})


@dg.asset(
    deps=["out"], group_name="reports", owners=OWNERS, kinds={"html", "excel"},
    partitions_def=dg.MonthlyPartitionsDefinition(automation.first_month()),
)  # fmt: skip
def handouts(context: dg.AssetExecutionContext) -> dg.MaterializeResult[None]:
    """The environmental hand-out of one month, of all shops, from the set in force."""
    folder, new, _ = results.make_handout(automation.space(), context.partition_key[:7], [])
    return dg.MaterializeResult(metadata={"folder": str(folder), "differs from the one before": new})


def _site(reader: str) -> dg.AssetsDefinition:
    @dg.asset(
        name=f"site_{reader}", deps=["out"], group_name="reports", owners=OWNERS, kinds={"html"},
        description=READERS[reader],
    )  # fmt: skip
    def site() -> dg.MaterializeResult[None]:
        folder = results.make_site(automation.space(), reader, None)
        return dg.MaterializeResult(metadata={"folder": str(folder)})

    return site


class Person(dg.Config):
    """Whose own card the site holds: a technician_id; empty: a site that names nobody."""

    technician_id: str = ""


@dg.asset(deps=["out"], group_name="reports", owners=OWNERS, kinds={"html"})
def site_painter(config: Person) -> dg.MaterializeResult[None]:
    """One technician's own card, or a site that names nobody."""
    folder = results.make_site(automation.space(), "painter", config.technician_id or None)
    return dg.MaterializeResult(metadata={"folder": str(folder)})


ASSETS = [finished]
BESIDE = [handouts, *(_site(reader) for reader in READERS), site_painter]  # made when asked for, from the set in force
