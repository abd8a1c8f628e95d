"""Rules of a place that the user adds: rows of registers/packs.csv, voc_limits.csv and the like beside those that ship.

A row with the key of one that ships takes its place. What names a jurisdiction or a category that nothing stands behind is
used as it is and told in its file's message, for then nothing is compared. Not here: what the rows mean (schemas).
"""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping

import polars as pl

from pipelines.intake.merge import Intake
from pipelines.intake.messages import hint, say
from schemas import door
from schemas.reference import LOCAL


def with_rules(found: Intake, shipped: Mapping[str, pl.DataFrame]) -> Intake:
    """`found` with every table of LOCAL filled up by what ships, and with remarks on names that nothing stands behind."""
    tables = dict(found.tables)
    for name in LOCAL:
        own = tables[name].select(shipped[name].columns)
        rest = shipped[name].join(own, on=door.keys(name), how="anti", nulls_equal=True)
        tables[name] = door.conform(name, pl.concat([rest, own]))
    remarks = [
        *_unknown_jurisdictions(found.tables, tables["packs"]),
        *_unknown_categories(found.tables, tables),
        *_unknown_uses(found.tables),
    ]
    return dataclasses.replace(found, tables=tables, intake_files=_told(found.intake_files, remarks))


Remark = tuple[str, str, str]  # file, table, what is said


def _unknown_jurisdictions(given: Mapping[str, pl.DataFrame], packs: pl.DataFrame) -> list[Remark]:
    known = packs["jurisdiction"].sort().to_list()
    out: list[Remark] = []
    for table in ("shops", "product_categories", *(name for name in LOCAL if name not in ("packs", "rule_figures"))):
        lost = given[table].filter(pl.col("jurisdiction").is_not_null() & ~pl.col("jurisdiction").is_in(known))
        for (file, name), rows in lost.group_by("file", "jurisdiction", maintain_order=True):
            said = say(
                "unknown_jurisdiction", line=rows["line"].min(), found=name, known=", ".join(known),
                hint=hint(str(name), known),
            )  # fmt: skip
            out.append((str(file), table, said))
    return out


def _unknown_categories(given: Mapping[str, pl.DataFrame], rules: Mapping[str, pl.DataFrame]) -> list[Remark]:
    limits = rules["voc_limits"].select("jurisdiction", "category").unique()
    places = limits.select("jurisdiction").unique()
    lost = (
        given["product_categories"]
        .join(places, on="jurisdiction")
        .join(limits, on=["jurisdiction", "category"], how="anti")
    )
    out: list[Remark] = []
    for (file, place, name), rows in lost.sort("line").group_by(
        "file", "jurisdiction", "category", maintain_order=True
    ):
        known = limits.filter(pl.col("jurisdiction") == place)["category"].sort().to_list()
        said = say(
            "unknown_category", line=rows["line"].min(), found=name, place=place, known=", ".join(known),
            hint=hint(str(name), known),
        )  # fmt: skip
        out.append((str(file), "product_categories", said))
    return out


def _unknown_uses(given: Mapping[str, pl.DataFrame]) -> list[Remark]:
    """Permits on the use of a category that no product has."""
    known = sorted({*given["product_categories"]["category"], "unmapped", "unscaled"})
    asked = given["permit_limits"].with_columns(pl.col("measure").str.extract(r"^rts_l:(.+)$").alias("category"))
    lost = asked.filter(pl.col("category").is_not_null() & ~pl.col("category").is_in(known))
    return [
        (
            row["file"],
            "permit_limits",
            say(
                "unknown_use", line=row["line"], found=row["category"], measure=row["measure"], known=", ".join(known),
                hint=hint(row["category"], known),
            ),
        )
        for row in lost.iter_rows(named=True)
    ]  # fmt: skip


def _told(files: pl.DataFrame, remarks: list[Remark]) -> pl.DataFrame:
    if not remarks:
        return files
    said = (
        pl.DataFrame(remarks, schema={"file": pl.String, "table": pl.String, "@said": pl.String}, orient="row")
        .group_by("file", "table", maintain_order=True)
        .agg(pl.col("@said").str.join("; "))
    )
    both = files.join(said, on=["file", "table"], how="left", maintain_order="left")
    message = pl.concat_str("message", "@said", separator="; ", ignore_nulls=True)
    return both.with_columns(
        pl.when(pl.col("@said").is_not_null()).then(message).otherwise("message").alias("message")
    ).drop("@said")
