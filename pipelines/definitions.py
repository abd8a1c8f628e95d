"""The Dagster code location: every table, page, job and trigger of the pipeline, loaded from defs/."""

import dagster as dg

from pipelines.defs import automation, intake, ledger, reference, reports, tables, transfer

assets = [*reference.ASSETS, *intake.ASSETS, *ledger.ASSETS, *transfer.ASSETS, *reports.ASSETS]
resources = {"run": automation.run, "io_manager": tables.store, "nothing": dg.mem_io_manager}
defs = dg.Definitions(assets, resources=resources, executor=dg.in_process_executor, **automation.TRIGGERS)
