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


def record_lines(cleaning: pl.DataFrame, unscaled_use: pl.DataFrame, stock: pl.DataFrame) -> pl.DataFrame:
    """Each cleaning, use without a scale and line of stock with the file and line that it was read from.

    Returns source (the table), shop_id, number (cleaning_no, use_no, document_no), document_line (1 but for stock), on_date, file,
    file_line.
    """
    found = []
    for source, frame, number, day in (
        ("cleaning", cleaning, "cleaning_no", "used_at"), ("unscaled_use", unscaled_use, "use_no", "used_at"),
        ("stock", stock, "document_no", "happened_on"),
    ):  # fmt: skip
        read = "file" in frame.columns and "line" in frame.columns
        found.append(
            frame.select(
                pl.lit(source).alias("source"), "shop_id", pl.col(number).alias("number"),
                document_line=pl.col("line_no") if source == "stock" else pl.lit(1, pl.Int64),
                on_date=pl.col(day).cast(pl.Date),
                file=pl.col("file") if read else pl.lit(None, pl.String),
                file_line=pl.col("line") if read else pl.lit(None, pl.Int64),
            )
        )  # fmt: skip
    return pl.concat(found).sort("source", "shop_id", "number", "document_line")
