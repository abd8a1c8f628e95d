"""The ledger's SQL against the oracle: the same method written twice, independently, must give the same numbers.

The oracle was written from the text of the method before the SQL was read. What the two disagreed about was settled
from that text; where the text leaves room, the reading taken is written beside the code of the oracle. Relative
uncertainties rest on variances pooled over all records and are checked where they are made, not here.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import polars as pl
import pytest
from oracle import Increment, Ledger, Part, Record
from polars.testing import assert_frame_equal
from small_shops import SETTINGS, build, frame, reckon, tables_of, together

from schemas.events import EVENTS
from schemas.registers import REGISTERS
from seed_data import scenario

# The last ones once showed a difference that the others do not.
SEEDS = (*range(100), 286, 1365, 1501, 1997, 2188, 9498)
TABLES = ("mixes", "film_increments", "sprayed", "transfer_records")
MIX_COLUMNS = """
    product_id month first_poured_at poured_g own_poured_g poured_on_g leftover_g leftover_known complete
    density_g_per_ml solids_mass_fraction solids_volume_fraction dry_density_g_per_ml voc_mass_fraction
    exempt_mass_fraction voc_g_per_l_actual voc_g_per_l_regulatory voc_g_per_l_eu rts_l cost grade
""".split()


@dataclass
class Both:
    """One workspace (or many as one) reckoned twice."""

    found: dict[str, pl.DataFrame]
    ledgers: list[Ledger] = field(default_factory=list)

    def rows(self, table: str, *key: str) -> dict[tuple[Any, ...], dict[str, Any]]:
        rows = self.found[table].to_dicts()
        keyed = {tuple(r[k] for k in key): r for r in rows}
        assert len(keyed) == len(rows), f"{table}: a key stands twice"
        return keyed


@pytest.fixture(scope="module")
def small() -> Both:
    return Both(reckon(together(SEEDS), *TABLES), [Ledger(together([seed]), SETTINGS) for seed in SEEDS])


@pytest.fixture(scope="module")
def demo() -> Both:
    """One invented shop of the demo business over five months."""
    drawn = scenario.build(shops=1, months=5, cups=700)
    given = {**drawn.canonical, **drawn.registers}
    rows = {name: given[name].to_dicts() for name in (*EVENTS, *REGISTERS) if name in given}
    tables = tables_of(rows)
    weigh_no = pl.int_range(1, pl.len() + 1).over("shop_id", "mix_id", order_by="weighed_at")
    tables["leftovers"] = tables["leftovers"].with_columns(weigh_no=pl.coalesce("weigh_no", weigh_no))
    return Both(reckon(tables, *TABLES), [Ledger(tables, SETTINGS)])


@pytest.fixture(scope="module")
def drawn_again() -> Both:
    """As `demo`, but every third cup weighed back is kept, and weighed before its operations began instead of after."""
    drawn = scenario.build(shops=1, months=3, cups=400, seed=8)
    tables = tables_of({name: rows.to_dicts() for name, rows in {**drawn.canonical, **drawn.registers}.items()})
    first = tables["pours"].group_by("shop_id", "mix_id").agg(pl.col("poured_at").max())
    third = pl.col("mix_id").str.slice(-2).cast(pl.Int64) % 3 == 0
    tables["leftovers"] = (
        tables["leftovers"]
        .join(first, on=["shop_id", "mix_id"])
        .with_columns(
            weigh_no=pl.int_range(1, pl.len() + 1).over("shop_id", "mix_id", order_by="weighed_at"),
            weighed_at=pl.when(third).then(pl.col("poured_at").dt.offset_by("1m")).otherwise("weighed_at"),
            fate=pl.when(third).then(pl.lit("kept")).otherwise("fate"),
        )
        .filter(~third | (pl.col("weigh_no") == 1))
        .drop("poured_at")
    )
    return Both(reckon(tables, *TABLES), [Ledger(tables, SETTINGS)])


def same(wanted: Any, found: Any) -> bool:
    if isinstance(wanted, float) and isinstance(found, float):
        return abs(wanted - found) <= 1e-6 * max(abs(wanted), abs(found)) + 1e-9
    return wanted == found and (wanted is None) == (found is None)


def told(differences: list[str]) -> str:
    return f"{len(differences)} differences (oracle, then ledger):\n" + "\n".join(differences[:10])


def mix_differences(both: Both) -> list[str]:
    found = both.rows("mixes", "shop_id", "mix_id")
    wanted = {cup: mix for ledger in both.ledgers for cup, mix in ledger.mixes.items()}
    out = [f"{cup}: only on one side" for cup in wanted.keys() ^ found.keys()]
    for cup in wanted.keys() & found.keys():
        for column in MIX_COLUMNS:
            pair = getattr(wanted[cup], column), found[cup][column]
            if not same(*pair):
                out.append(f"{cup} {column}: {pair}")
    return out


def increment_differences(both: Both) -> list[str]:
    found = both.rows("film_increments", "shop_id", "job_id", "panel_id", "from_operation", "to_operation")
    wanted: dict[tuple[Any, ...], Increment] = {
        (i.shop_id, i.job_id, i.panel_id, i.from_operation, i.to_operation): i
        for ledger in both.ledgers
        for i in ledger.increments
    }
    out = [f"{key}: only on one side" for key in wanted.keys() ^ found.keys()]
    for key in wanted.keys() & found.keys():
        want, row = wanted[key], found[key]
        columns = ["mean_um", "n_before", "n_after", "paired", "witness_of"]
        columns += ["sd_um"] if want.paired else []
        columns += ["usable"] if want.layers else []
        columns += ["area_m2", "blend", "grade"] if want.layers and want.usable else []
        out += [f"{key} {c}: {getattr(want, c), row[c]}" for c in columns if not same(getattr(want, c), row[c])]
        if [str(no) for no in want.layers] != row["layers"]:
            out.append(f"{key} layers: {want.layers, row['layers']}")
        if not row["usable"] and not row["why_not"]:
            out.append(f"{key}: not usable and no reason")
    return out


def part_differences(both: Both) -> list[str]:
    """What each operation took from each cup, where that is known."""
    found = both.rows("sprayed", "shop_id", "job_id", "operation_no", "mix_id")
    out = []
    for ledger in both.ledgers:
        clouded = {(*p.op, p.cup[1]) for p in ledger.parts if p.clouded}
        wanted: dict[tuple[Any, ...], Part] = {(*p.op, p.cup[1]): p for p in ledger.parts if not p.clouded}
        shops = {cup[0] for cup in ledger.mixes}
        ours = {key for key in found if key[0] in shops} - clouded
        out += [f"{key}: only on one side" for key in wanted.keys() ^ ours]
        for key in wanted.keys() & ours:
            want, row = wanted[key], found[key]
            complete = all(ledger.mixes[p.cup].complete for p in ledger.parts_of[want.op])
            if want.sprayed_g is None or not complete:
                continue
            for column, value in (
                ("gone_g", want.gone_g),
                ("flush_g", want.flush_g),
                ("sprayed_g", want.sprayed_g),
                ("solids_g", want.sprayed_solids_g),
                ("solids_ml", want.sprayed_solids_ml),
            ):
                if not same(value, row[column]):
                    out.append(f"{key} {column}: {value, row[column]}")
    return out


def record_differences(both: Both) -> list[str]:
    found: dict[tuple[Any, ...], dict[str, Any]] = {}
    for row in both.rows("transfer_records", "shop_id", "job_id", "record_no").values():
        operations = [tuple(o.rsplit("/", 1)) for o in row["operations"]]
        found[row["shop_id"], tuple(sorted((job, int(no)) for job, no in operations)), row["basis"]] = row
    wanted: dict[tuple[Any, ...], Record] = {
        (r.shop_id, r.operations, r.basis): r for ledger in both.ledgers for r in ledger.records
    }
    out = [f"{key}: only on one side" for key in wanted.keys() ^ found.keys()]
    for key in wanted.keys() & found.keys():
        want, row = wanted[key], found[key]
        if want.usable != row["usable"]:
            out.append(f"{key} usable: {want.usable, want.why_not} {row['usable'], row['why_not']}")
        elif not want.usable:
            out += [] if row["why_not"] else [f"{key}: not usable and no reason"]
        else:
            pairs = {"ratio": (want.ratio, row["ratio"]), "grade": (want.grade, row["grade"])}
            if want.basis == "volume":
                pairs["landed"] = want.landed, row["landed_solids_ml"]
                pairs["sprayed"] = want.sprayed, row["sprayed_solids_ml"]
            out += [f"{key} {name}: {pair}" for name, pair in pairs.items() if not same(*pair)]
    return out


@pytest.mark.parametrize("which", ["small", "demo"])
@pytest.mark.parametrize(
    "differences",
    [mix_differences, increment_differences, part_differences, record_differences],
    ids=["mixes", "film_increments", "sprayed", "transfer_records"],
)
def test_ledger_and_oracle_agree(which: str, differences: Any, request: pytest.FixtureRequest) -> None:
    found = differences(request.getfixturevalue(which))
    assert not found, told(found)


def test_a_cup_drawn_from_again_after_its_last_weigh_back_carries_no_record(drawn_again: Both) -> None:
    """What left it is not known; the rest of the weighed cup would count as not sprayed, and transfer come out too high."""
    for differences in (part_differences, record_differences):
        found = differences(drawn_again)
        assert not found, told(found)
    records = drawn_again.found["transfer_records"]
    assert records["why_not"].str.contains("drawn from again").sum() >= 20
    assert records["usable"].sum() >= 20


def test_small_shops_reach_every_kind_of_record(small: Both) -> None:
    """The comparison is worth little where the generator stopped making some kind of case."""
    records = [r for ledger in small.ledgers for r in ledger.records]
    usable = [r for r in records if r.usable]
    assert {(r.basis, r.grade) for r in usable} >= {("volume", "A"), ("volume", "B"), ("mass", "A")}
    assert sum(len(r.operations) > 1 for r in usable) >= 10
    assert sum(r.filled for r in usable) >= 30
    assert sum(r.sprayed is None for r in usable) >= 10  # nobody weighed back
    reasons = " ".join(why for r in records for why in r.why_not)
    for reason in (
        "cut",
        "by hand",
        "stripped",
        "no removal stated",
        "could not be read",
        "unknown place",
        "other layers",
    ):
        assert reason in reasons
    parts = [p for ledger in small.ledgers for p in ledger.parts]
    assert {p.kind for p in parts} == {"stated", "single", "rest", "split"}
    assert any(p.interval for p in parts)
    increments = [i for ledger in small.ledgers for i in ledger.increments]
    assert any(i.witness_of for i in increments) and any(i.blend for i in increments)


def test_one_workspace_alone_and_among_others_gives_the_same_records() -> None:
    """Shops do not touch each other: seed 7 alone against seed 7 among ten."""
    alone = reckon(together([7]), "transfer_records")["transfer_records"]
    among = reckon(together(range(10)), "transfer_records")["transfer_records"]
    columns = """
        shop_id job_id record_no operations landed_solids_ml sprayed_solids_ml usable grade
    """.split()
    assert alone.height > 0
    assert_frame_equal(
        among.filter(pl.col("shop_id").str.starts_with("w7_")).select(columns), alone.select(columns), rel_tol=1e-12
    )


def test_generator_gives_the_same_rows_for_the_same_seed() -> None:
    first, second = build(11), build(11)
    assert all(first[name].equals(second[name]) for name in first)
    assert frame("pours", []).height == 0
