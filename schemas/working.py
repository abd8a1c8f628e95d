"""The working tables: steps between the exports and the published tables.

They are kept in the workspace beside the published tables, since every published figure is traced through them.
"""

from __future__ import annotations

import pandera.polars as pa

from schemas.vocabulary import choice, flag, fraction, integer, moment, number, table, text

_SHOP = text("The shop", key=True)
_JOB = text("The job", key=True)
_OPERATION = integer("The operation", key=True)
_GRADE = choice("Evidence", "A", "B", "C", nullable=True)

incomplete = table(
    "incomplete",
    "Cups, operations, panel stages and months with something unreadable in them",
    what=choice("What is incomplete", "cup", "operation", "panel_stage", "month"),
    shop_id=text("The shop", nullable=True),
    mix_id=text("The cup", nullable=True),
    job_id=text("The job", nullable=True),
    operation_no=integer("The operation", nullable=True),
    panel_id=text("The panel", nullable=True),
    after_operation=integer("The stage; empty: every stage of the panel", nullable=True),
    month=text("The month, YYYY-MM", nullable=True),
    reason=text("Why"),
    file=text("Path inside the workspace", nullable=True),
    line=integer("Line of the file", nullable=True),
)

WORKING: dict[str, pa.DataFrameSchema] = {t.name: t for t in (incomplete,)}
