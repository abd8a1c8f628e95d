"""The Dagster code location: every table, page, job and trigger of the pipeline, loaded from defs/."""

import dagster as dg

from pipelines.defs import automation, intake, ledger, reference, reports, transfer

assets = [*reference.ASSETS, *intake.ASSETS, *ledger.ASSETS, *transfer.ASSETS, *reports.ASSETS]
resources = {"run": automation.run}
schedules, sensors = [automation.daily], [automation.inbox]
defs = dg.Definitions(assets, schedules, sensors, resources=resources, executor=dg.in_process_executor)
