"""Where a row came from: the file and line that intake carries beside the columns of its table.

Outside SQL because a statement cannot name a column that may be absent: rows that no file was read for (drawn ones) have none.
"""

from __future__ import annotations

import polars as pl


def pour_lines(pours: pl.DataFrame) -> pl.DataFrame:
    """Each pour with the file and the line that it was read from; null where it was not read from a file.

    Returns shop_id, mix_id, pour_no, component_id, from_mix_id, weighed_g, file, file_line.
    """
    read = "file" in pours.columns and "line" in pours.columns
    return pours.select(
        "shop_id", "mix_id", "pour_no", "component_id", "from_mix_id", "weighed_g",
        file=pl.col("file") if read else pl.lit(None, pl.String),
        file_line=pl.col("line") if read else pl.lit(None, pl.Int64),
    ).sort("shop_id", "mix_id", "pour_no")  # fmt: skip
