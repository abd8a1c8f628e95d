"""The rows behind the figures, as files beside the pages: they are read when a reader opens them, from disk and without a network.

Here belongs which columns of which published table travel, and their shape: text by its place in a list of the words that
occur, numbers to six digits. A file a shop, so that a shop that is chosen is all that is read. Not here: filtering, sorting,
finding and paging, which site.js does.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import polars as pl

from reports.site.figures.figure import safe_json
from reports.site.page_sums import SEES
from reports.site.page_tables import PageTables
from reports.site.theme import PARTS
from reports.wording import HEADS, KIND_OF_UNIT
from schemas import validate

#: rows of one shop that travel: the latest; how many there are in all is said
MOST_ROWS = 60_000
_PARTS = [f"{part}_{suffix}" for suffix, _, _ in SEES.values() for part in ("poured", *(p.key for p in PARTS))]


@dataclass(frozen=True, slots=True)
class Evidence:
    """`name` of the files and the table shown; `needs` the sums that must travel with a site for it to be there."""

    name: str
    table: str
    columns: tuple[str, ...]
    needs: str


KINDS: tuple[Evidence, ...] = (
    Evidence(
        "ledger", "material_ledger",
        ("month", "mix_id", "job_id", "operation_no", "product_id", "role", "gun_id", *_PARTS, "te", "grade"), "ledger",
    ),
    Evidence(
        "emissions", "emission_lines",
        ("month", "category", "kind", "on_date", "mix_id", "job_id", "number", "component_id", "rts_l", "voc_kg", "exempt_kg",
         "pm_kg", "complete", "grade", "note", "file", "file_line"), "emissions",
    ),
    Evidence(
        "records", "transfer_records",
        ("operations", "roles", "sprayed_solids_ml", "landed_solids_ml", "ratio", "rel_u", "grade", "usable", "why_not"), "",
    ),
    Evidence(
        "pours", "voc_content_lines",
        ("mix_id", "pour_no", "on_date", "component_id", "from_mix_id", "mass_g", "volume_ml", "voc_g", "file", "file_line"), "",
    ),
)  # fmt: skip


def kinds(book: PageTables) -> list[Evidence]:
    """What this site's reader has evidence of: pours are there for whoever has the cups."""
    amounts = book.reader.amounts
    return [
        k
        for k in KINDS
        if book.computed(k.table) and (k.needs in amounts if k.needs else k.name == "records" or bool(amounts))
    ]


def files(book: PageTables) -> dict[str, bytes]:
    """rows_<kind>_<number of the shop>.js for every kind and shop that has any."""
    place = {shop: i for i, shop in enumerate(book.shop_labels, 1)}
    out: dict[str, bytes] = {}
    for kind in kinds(book):
        known = {i.name for i in validate.columns(kind.table)}
        columns = [c for c in kind.columns if c in known]
        for part in book.parts(kind.table, ["shop_id", *columns]):
            for (shop,), rows in part.group_by("shop_id", maintain_order=True):
                at = place.get(str(shop))
                if at is not None:
                    out[f"rows_{kind.name}_{at}.js"] = _file(kind, str(shop), rows.select(columns))
    return out


def offered(book: PageTables, files: dict[str, bytes]) -> dict[str, Any]:
    """For the script: kind -> table, columns with head, unit's kind and whether it is text, and the files by shop."""
    out: dict[str, Any] = {}
    for kind in kinds(book):
        infos = {i.name: i for i in validate.columns(kind.table)}
        of = {
            shop: f"rows_{kind.name}_{i}.js"
            for i, shop in enumerate(book.shop_labels, 1)
            if f"rows_{kind.name}_{i}.js" in files
        }
        out[kind.name] = {
            "table": kind.table,
            "columns": [
                [c, _head(infos[c]), _kind(infos[c]), infos[c].description] for c in kind.columns if c in infos
            ],
            "files": of,
        }
    return out


def _head(info: Any) -> str:
    for suffix, _, _ in SEES.values():
        if info.name in _PARTS and info.name.endswith(f"_{suffix}"):
            part = info.name.removesuffix(f"_{suffix}")
            return next((p.word for p in PARTS if p.key == part), part)
    bare = info.name.removesuffix(f"_{info.unit}" if info.unit else " ")
    return (
        {"mix_id": "cup", "file_line": "line", "te": "transfer efficiency"}.get(info.name)
        or HEADS.get(info.name)
        or bare.removesuffix("_id").replace("_", " ")
    )


def _kind(info: Any) -> str:
    if info.kind == "int":
        return "count"
    return KIND_OF_UNIT.get(info.unit, "plain") if info.kind == "float" else ""


def _file(kind: Evidence, shop: str, rows: pl.DataFrame) -> bytes:
    many = rows.height > MOST_ROWS and "month" in rows.columns
    kept = (rows.sort("month", descending=True, maintain_order=True) if many else rows).head(MOST_ROWS)
    made = {"of": rows.height, "n": kept.height, "columns": {name: _column(kept[name]) for name in kept.columns}}
    return f"window.FILMLEDGER.rows({safe_json(kind.name)},{safe_json(shop)},{safe_json(made)});\n".encode()


def _column(values: pl.Series) -> dict[str, Any] | list[Any]:
    if values.dtype.is_float():
        return values.round_sig_figs(6).to_list()
    if values.dtype.is_integer():
        return values.to_list()
    if values.dtype == pl.Boolean:
        values = values.replace_strict({True: "yes", False: "no"}, return_dtype=pl.String)
    texts = values.list.join("; ") if isinstance(values.dtype, pl.List) else values.cast(pl.String)
    words = texts.drop_nulls().unique(maintain_order=True)
    at = texts.replace_strict(words, pl.int_range(words.len(), eager=True), default=-1, return_dtype=pl.Int64)
    return {"words": words.to_list(), "at": at.to_list()}
