"""The published tables of a workspace, made from its files step by step as a run makes them; no page is built and no set is put in
force. For tests that ask for figures alone: how those get into a set and onto pages stands in tests/pipeline and tests/reports.
"""

from __future__ import annotations

import polars as pl

from pipelines import results, run, steps
from pipelines.workbench import Tables
from pipelines.workspace import Workspace


def made_tables(space: Workspace) -> dict[str, pl.DataFrame]:
    with run.begin(space, run.Silent()) as current:
        steps.bring_up_to_date(current)
        tables = Tables(current.bench)
        return {name: tables[name] for name in results.PUBLISHED}
