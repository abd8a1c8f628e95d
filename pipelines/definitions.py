"""The Dagster code location: every table, page, job and trigger of the pipeline, loaded from defs/."""

import dagster as dg

from pipelines.defs import automation, for_readers, sources, tables

assets = [*tables.ASSETS, *for_readers.ASSETS]  # what one run consists of
defs = dg.Definitions(
    [*sources.ASSETS, *assets, *for_readers.BESIDE],
    [automation.daily],
    [automation.inbox],
    jobs=[automation.everything, sources.observe],
    resources={"run": automation.run},
    executor=dg.in_process_executor,
)
