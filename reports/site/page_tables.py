"""One building of the site: the published tables, the settings and what several pages need of them.

Here belong safe access to tables (one that is missing or empty reads as an empty frame of the right columns), labels of
shops and products, and the amounts. Not here: sentences, figures, HTML.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from functools import cached_property
from typing import Any

import polars as pl

from reports import wording
from reports.audience import EVERYBODY, Audience
from reports.site import page_sums
from reports.veil import Veil
from schemas import validate
from schemas.published import MOST_CELLS


class PageTables:
    """`tables`: published tables, the registers shops, products, technicians, guns and the reference table packs, by
    name; `settings`: as the workspace has them, in sections or flat; `reader`: whom the site is for; `person`: the id of
    the one technician whose own card it holds, where the reader is one.
    """

    def __init__(
        self,
        tables: Mapping[str, pl.DataFrame],
        settings: dict[str, Any],
        reader: Audience = EVERYBODY,
        person: str | None = None,
    ) -> None:
        self._tables = tables
        self._settings = settings
        self.reader = reader
        self.person = person
        self._read: dict[str, pl.DataFrame] = {}
        everyone = reader.people == "all" and self.setting("people", "id") != "hidden"
        self.veil = None if everyone else Veil(tables, person if reader.people == "own" else None)

    def computed(self, name: str) -> bool:
        """The pipeline made this table (it may be empty)."""
        return name in self._tables

    def has(self, name: str) -> bool:
        return self.table(name).height > 0

    def table(self, name: str) -> pl.DataFrame:
        """A table sorted by its key, with all columns of its schema; columns that are missing come as nulls."""
        if name not in self._read:
            given = self._tables.get(name)
            self._read[name] = self._shown(name, validate.empty(name) if given is None else given)
        return self._read[name]

    def parts(self, name: str, columns: Sequence[str] | None = None) -> Iterator[pl.DataFrame]:
        """A table that may be large, some shops after the other (all at once where it was handed over so): what `table` gives,
        with these columns or all. Nothing is kept; there is at least one part."""
        in_parts = getattr(self._tables, "parts", None)
        if in_parts is None or name not in self._tables:
            yield self.table(name) if columns is None else self.table(name).select(columns)
            return
        for part in in_parts(name, columns):
            shown = self._shown(name, part)
            yield shown if columns is None else shown.select(columns)

    def first(self, name: str, limit: int, columns: Sequence[str]) -> tuple[pl.DataFrame, int]:
        """The first rows of a table that may be large, and how many it has."""
        frames: list[pl.DataFrame] = []
        n = 0
        for part in self.parts(name, columns):
            frames.append(part.head(max(limit - n, 0)))
            n += part.height
        return pl.concat(frames), n

    def _shown(self, name: str, given: pl.DataFrame) -> pl.DataFrame:
        have = set(given.columns)
        frame = given.select(
            (pl.col(i.name).cast(i.dtype) if i.name in have else pl.lit(None, dtype=i.dtype).alias(i.name))
            for i in validate.columns(name)
        )
        # a run's tables stand in the order of their keys: sorting a large one again would hold it twice
        if not getattr(self._tables, "in_order", False):
            frame = frame.sort(validate.keys(name), nulls_last=True)
        return self.veil.over(name, frame) if self.veil else frame

    def setting(self, key: str, default: Any = None) -> Any:
        """A setting by its key, whichever section it stands in (keys are unique over sections)."""
        if key in self._settings:
            return self._settings[key]
        for section in self._settings.values():
            if isinstance(section, dict) and key in section:
                return section[key]
        return default

    @cached_property
    def settings_list(self) -> list[tuple[str, str, str]]:
        """(section, key, value) of every setting, for the method page."""
        rows = []
        for name, value in self._settings.items():
            inner = value if isinstance(value, dict) else {name: value}
            section = name if isinstance(value, dict) else ""
            for key, item in inner.items():
                if isinstance(item, dict):
                    rows += [(section, f"{key}.{k}", _setting_text(v)) for k, v in item.items()]
                else:
                    rows.append((section, key, _setting_text(item)))
        return rows

    @property
    def currency(self) -> str:
        return str(self.setting("currency", "") or "")

    @property
    def units(self) -> str:
        return "us" if self.setting("units", "metric") == "us" else "metric"

    @property
    def beside_results(self) -> bool:
        """The site lies beside the run's tables; one made for a reader alone is handed out without them."""
        return self.reader is EVERYBODY

    @property
    def people(self) -> bool:
        """Whether technicians appear at all."""
        return self.veil is None or self.veil.own is not None

    @cached_property
    def people_names(self) -> dict[str, str]:
        """technician_id -> how the pages call that person: by id, or by the register's label where the owner chose so."""
        if self.setting("people", "id") != "label":
            return {}
        register = self.table("technicians").filter(pl.col("label").fill_null("") != "")
        labels = dict(register.select("technician_id", "label").iter_rows())
        twice = {label for label in labels.values() if list(labels.values()).count(label) > 1}
        return {i: f"{label} ({i})" if label in twice else label for i, label in labels.items()}

    def person_name(self, technician: str) -> str:
        return self.people_names.get(technician, technician)

    @cached_property
    def shop_labels(self) -> dict[str, str]:
        """shop_id -> label, for every shop that any table names."""
        labels = {r["shop_id"]: r["label"] or r["shop_id"] for r in self.table("shops").iter_rows(named=True)}
        for name in ("material_ledger", "emissions_monthly", "transfer_by_role", "mixes"):
            for part in self.parts(name, ["shop_id"]):
                for shop in part["shop_id"].unique().to_list():
                    labels.setdefault(shop, shop)
        return dict(sorted(labels.items()))

    @cached_property
    def products(self) -> dict[str, dict[str, Any]]:
        """product_id -> its register row (the last version where there are several)."""
        return {r["product_id"]: r for r in self.table("products").iter_rows(named=True)}

    def product_label(self, product: str) -> str:
        if product == "unknown":
            return "product not known"
        row = self.products.get(product)
        return (row and row["label"]) or product

    @cached_property
    def names(self) -> dict[str, dict[str, str]]:
        """Column of ids -> id -> what it is called."""
        return {"shop_id": self.shop_labels, "product_id": {p: self.product_label(p) for p in self.products}}

    @cached_property
    def product_role(self) -> dict[str, str]:
        """product_id -> role, from the ledger first (the version valid then), else the register."""
        roles = {p: r["role"] for p, r in self.products.items()}
        pairs = [part.drop_nulls().unique() for part in self.parts("material_ledger", ["product_id", "role"])]
        seen = pl.concat(pairs).unique().sort("product_id", "role")
        roles |= {r["product_id"]: r["role"] for r in seen.iter_rows(named=True)}
        return dict(sorted(roles.items()))

    @cached_property
    def guns(self) -> dict[str, dict[str, Any]]:
        return {r["gun_id"]: r for r in self.table("guns").iter_rows(named=True)}

    @cached_property
    def sections(self) -> dict[str, set[str]] | None:
        """shop_id -> sections that its jurisdiction's pack shows; None where the packs were not handed over."""
        packs = self.table("packs")
        if not packs.height:
            return None
        of = {r["jurisdiction"]: set((r["sections"] or "").split("|")) for r in packs.iter_rows(named=True)}
        own = dict(self.table("shops").select("shop_id", "jurisdiction").iter_rows())
        return {shop: of.get(own.get(shop) or self.setting("jurisdiction", "us"), set()) for shop in self.shop_labels}

    def shows(self, section: str, name: str) -> pl.DataFrame:
        """A table's rows of the shops whose pack shows the section."""
        return pl.concat(self.parts_shown(section, name))

    def parts_shown(self, section: str, name: str) -> Iterator[pl.DataFrame]:
        """`shows` of a table that may be large, some shops after the other."""
        for part in self.parts(name):
            yield part if self.sections is None else part.filter(pl.col("shop_id").is_in(self.shops_with(section)))

    def shops_with(self, section: str) -> list[str]:
        """Shops whose pack shows the section, in order; every shop where the packs were not handed over."""
        return [s for s in self.shop_labels if self.sections is None or section in self.sections[s]]

    @property
    def apart(self) -> bool:
        """So many shops that what a shop prints (its mixing table, its cards) gets a page of its own."""
        return len(self.shop_labels) > 12

    @cached_property
    def ledger(self) -> page_sums.PageSums:
        return page_sums.ledger_sums(
            self.parts("material_ledger"), most=MOST_CELLS, loadings=self.table("total_loadings")
        )

    @cached_property
    def emissions(self) -> page_sums.PageSums:
        return page_sums.emission_sums(
            self.table("emissions_monthly"),
            self.content.drop_nulls("limit_g_per_l")
            .group_by("shop_id", "month", "category")
            .agg(pl.col("judged", "above", "open").sum()),
        )

    @cached_property
    def content(self) -> pl.DataFrame:
        """Cups (n) by shop, month, category and limit on content (g/L): how many were judged, of them how many lie above, how many
        are open (their content is not known, or the place judges averages), how many say why, and the greatest content."""
        of = ["shop_id", "month", "jurisdiction", "category", "basis", "limit_g_per_l"]
        over, told = (
            pl.col("over"),
            {"n": pl.len(), "undecided": pl.col("why_not").count(), "greatest": pl.col("g_per_l").max()},
        )
        parts = [
            part.group_by(of).agg(judged=over.count(), above=over.sum(), open=over.is_null().sum(), **told)
            for part in self.parts_shown("voc_content", "voc_content")
        ]
        return pl.concat(parts).sort(of)

    @cached_property
    def transfer(self) -> dict[str, list[dict[str, Any]]]:
        rows = {by: page_sums.transfer_rows(by, self.table(name)) for by, name in page_sums.TRANSFER.items()}
        if self.veil:
            for row in rows["gun"]:
                row["joined"] = row["joined"] and "the hand that holds it"
        for row in (*rows["technician"], *rows["pair"]):
            row["name"] = " with ".join([self.person_name(row["who"]), *row["name"].split(" with ")[1:]])
        return rows

    @cached_property
    def months(self) -> list[str]:
        """Every month that the ledger or the emissions name, in order; months between are filled in."""
        seen = {
            m
            for name in ("material_ledger", "emissions_monthly")
            for part in self.parts(name, ["month"])
            for m in part["month"].drop_nulls().unique().to_list()
        }
        return page_sums.between(min(seen), max(seen)) if seen else []

    @cached_property
    def roles(self) -> list[str]:
        """Roles that occur, in the order of the vocabulary (the order in which a job is built up)."""
        from schemas.registers import ROLES

        seen = {self.product_role.get(p) for p in self.ledger.members["product_id"]}
        seen |= {row["role"] for rows in self.transfer.values() for row in rows}
        return [r for r in ROLES if r in seen]

    @cached_property
    def method(self) -> str:
        """Which method made the transfer efficiencies, in the tables' own words."""
        found = {
            m
            for name in page_sums.TRANSFER.values()
            for m in self.table(name)["method"].drop_nulls().unique().to_list()
        }
        return ", ".join(sorted(found)) or "no transfer efficiency yet"

    @cached_property
    def rows(self) -> dict[str, int]:
        """Counts over all files: read, accepted, refused, duplicate, superseded, files, files_refused."""
        frame = self.table("intake_files")
        names = {"rows_read": "read", "accepted": "accepted", "refused": "refused", "duplicate": "duplicate",
                 "superseded": "superseded"}  # fmt: skip
        out = {new: int(frame[old].sum() or 0) for old, new in names.items()}
        out["files"] = frame["file"].n_unique() if frame.height else 0
        out["files_refused"] = frame.filter(pl.col("state") == "refused")["file"].n_unique() if frame.height else 0
        return out

    @property
    def period(self) -> str:
        return wording.period_word(self.months[0], self.months[-1]) if self.months else wording.period_word(None, None)

    def period_of(self, name: str) -> str:
        """The months of one set of sums, "ledger" or "emissions", in words (usage may go on after the last cup)."""
        periods = getattr(self, name).periods
        return wording.period_word(periods[0], periods[-1]) if periods else wording.period_word(None, None)


def _setting_text(value: Any) -> str:
    if value is True or value is False:
        return "yes" if value else "no"
    return "not set" if value in ("", None) else str(value)
