"""Rules of a place that the user adds: rows of registers/packs.csv, voc_limits.csv and the like beside those that ship.

A row with the key of one that ships takes its place. What names a jurisdiction or a category that nothing stands behind is
used as it is and told in its file's message, for then nothing is compared; so is a CAS number that cannot be. Not here: what
the rows mean (schemas).
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import TYPE_CHECKING

import polars as pl

from pipelines.intake.messages import hint, say
from schemas import validate
from schemas.reference import LOCAL

if TYPE_CHECKING:
    from pipelines.intake.bringing_together.merge import Merging


def with_rules(found: Merging, shipped: Mapping[str, pl.DataFrame]) -> None:
    """Fill every table of LOCAL in `found` up by what ships, and remark on names that nothing stands behind."""
    given, tables = found.tables, dict(found.tables)
    for name in LOCAL:
        own = tables[name].select(shipped[name].columns)
        rest = shipped[name].join(own, on=validate.keys(name), how="anti", nulls_equal=True)
        tables[name] = validate.conform(name, pl.concat([rest, own]))
    found.tables = tables
    found.remarks += [
        *_unknown_jurisdictions(given, tables["packs"]),
        *_unknown_categories(given, tables),
        *_mistyped_numbers(given),
    ]


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


def is_cas(number: str) -> bool:
    """Whether a text is a CAS number: its form, and the last digit as the sum of the others, each times its place from the
    right, modulo 10."""
    if not re.fullmatch(r"\d{2,7}-\d{2}-\d", number):
        return False
    *digits, check = (int(one) for one in number.replace("-", ""))
    return sum(place * digit for place, digit in enumerate(reversed(digits), start=1)) % 10 == check


def _mistyped_numbers(given: Mapping[str, pl.DataFrame]) -> list[Remark]:
    """CAS numbers that cannot be; the rows are used as they are."""
    species = given["component_species"]
    wrong = [number for number in species["cas"].unique() if number is not None and not is_cas(number)]
    lost = species.filter(pl.col("cas").is_in(wrong)).sort("line")
    return [
        (
            str(file),
            "component_species",
            say(
                "cas_digit", lines=", ".join(str(line) for line in rows["line"]),
                found=", ".join(rows["cas"].unique(maintain_order=True)),
            ),
        )
        for (file,), rows in lost.group_by("file", maintain_order=True)
    ]  # fmt: skip
