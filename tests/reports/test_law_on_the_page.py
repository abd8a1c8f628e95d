"""The page says which law is used, of which edition, and what of it stands there from memory: every such row."""

from __future__ import annotations

import polars as pl
from markupsafe import Markup
from published_frames import make

from pipelines.run import reference_table
from reports.site import build
from schemas.reference import REFERENCE

SETTINGS = {"business": {"currency": "crowns", "jurisdiction": "us"}, "pages": {"people": "id"}}
PLACES = ("us-ca", "us-ca-scaqmd", "eu", "ca-qc", "uk")


def section() -> str:
    tables = make() | {name: reference_table(name) for name in REFERENCE}
    shops = tables["shops"].with_row_index()
    places = pl.Series(PLACES).gather(shops["index"] % len(PLACES))
    tables["shops"] = shops.drop("index").with_columns(jurisdiction=places)
    page = build(tables, SETTINGS)["environment.html"].decode()
    return page[page.index("The law behind these pages") :].split("</table>")[0]


def test_what_stands_there_from_memory_is_listed_with_its_source() -> None:
    said = Markup(section()).striptags()
    rows = 0
    for name in REFERENCE:
        remembered = reference_table(name)
        if "read" not in remembered.columns:
            continue
        for row in remembered.filter(pl.col("read") == "memory").iter_rows(named=True):
            assert " ".join(row["source"].split()) in said, (name, row["source"])
            rows += 1
    assert 0 < rows < 20
    assert "from memory: verify before use" in said
