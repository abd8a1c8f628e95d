"""The Dagster code location: every table, page, job and trigger of the pipeline, loaded from defs/."""

import dagster as dg

from pipelines.defs import automation, reports, sources, tables

assets = [*tables.ASSETS, *reports.ASSETS]  # what one run consists of
defs = dg.Definitions(
    [*sources.ASSETS, *assets, *reports.BESIDE],
    [automation.daily],
    [automation.inbox],
    jobs=[automation.everything, sources.observe],
    resources={"run": automation.run},
    executor=dg.in_process_executor,
)
