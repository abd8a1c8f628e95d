"""Whole invented workspaces, from CSV files to published tables, against the oracles: `make bench-hidden`.

    python tests/bench/hidden.py [--seeds 10] [--first 100]

Each workspace (tests/pipeline/hidden_shops.py) has strips, blends, guns that move between shops, missing properties, cuts, kept
leftovers, permits in every unit. It is run by the command as a shop would, and every deterministic table is held against the
same reckoned in plain loops from the files alone, to 1e-6. What the transfer model says is taken as it stands in the tables.
"""

from __future__ import annotations

import argparse
import contextlib
import io
import os
import sys
import tempfile
import time
from collections import defaultdict
from pathlib import Path
from typing import Any

for name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(name, "1")
HOME = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(HOME), str(HOME / "tests" / "pipeline")]

import duckdb  # noqa: E402
import emission_oracle  # noqa: E402
import hidden_shops  # noqa: E402
import log_oracle  # noqa: E402
import polars as pl  # noqa: E402
import published_oracle as published  # noqa: E402
import test_ledger_oracle as ledger_tests  # noqa: E402
import test_published_oracle as published_tests  # noqa: E402
from oracle import Ledger, total  # noqa: E402
from small_shops import SETTINGS, tables_of  # noqa: E402

from pipelines import cli, settings, workspace  # noqa: E402

CUPS = 60
REFERENCE = ("exempt_compounds", "packs", "training_rules", "retention")
Key = tuple[Any, ...]
Wanted = dict[Key, dict[str, Any]]


def ran(folder: Path, rows: dict[str, list[dict[str, Any]]]) -> dict[str, pl.DataFrame]:
    """Every published table of the workspace."""
    space, _ = workspace.init(folder, settings.template())
    hidden_shops.write(space.root, rows)
    said = io.StringIO()
    with contextlib.redirect_stdout(said), contextlib.redirect_stderr(said):
        code = cli.main(["run", str(space.root)])
    if code != 0:
        raise SystemExit(f"The run of {folder.name} ended with {code}:\n{said.getvalue()}")
    found = {path.stem: pl.read_parquet(path) for path in sorted((space.out / "tables").glob("*.parquet"))}
    with duckdb.connect(str(space.state / "tables" / "tables.duckdb"), read_only=True) as workbench:
        found["transfer_model"] = workbench.table(
            "transfer_model"
        ).pl()  # what moves the usual leftover is not published
    return found


def wrong(seed: int, folder: Path) -> dict[str, list[str]]:
    """What differs, by table; and how many rows were compared, under 'rows'."""
    rows = hidden_shops.rows(seed, cups=CUPS, readable=True)
    found = ran(folder, rows)
    frames = tables_of(rows)
    for name in REFERENCE:
        frames[name] = pl.read_csv(HOME / "seed_data" / "reference" / f"{name}.csv", try_parse_dates=True)
    ledger = Ledger(frames, SETTINGS)
    tables = {name: table.to_dicts() for name, table in (frames | found).items()}
    out: dict[str, list[str]] = {}

    def compare(name: str, wanted: Wanted, key: tuple[str, ...], *, subset: bool = False) -> None:
        ours = published_tests.keyed(tables[name], *key)
        if subset:
            ours = {k: row for k, row in ours.items() if k in wanted}
        out[name] = published_tests.differences(wanted, ours)

    columns = [c for c in ledger_tests.MIX_COLUMNS if c in found["mixes"].columns]
    mixes = {cup: {c: getattr(mix, c) for c in columns} for cup, mix in ledger.mixes.items()}
    compare("mixes", mixes, ("shop_id", "mix_id"))
    both = ledger_tests.Both(found, [ledger])
    out["film_increments"] = ledger_tests.increment_differences(both)
    out["transfer_records"] = ledger_tests.record_differences(both)

    te = {published.op_of(r): r for r in tables["material_ledger"] if r["te"] is not None}
    groups = published.film_groups(ledger)
    alone = {(*run[0], *key[3:]): 1.0 for key, run in groups.items() if len(run) == 1}
    over = published.over_build(tables["film_build"], alone, ledger)
    finding = [r["value"] for r in tables["transfer_model"] if r["term"] == "unweighed" and r["note"] is not None]
    material = published.material_ledger(ledger, te, over, *finding)
    several = {op for run in groups.values() if len(run) > 1 for op in run}
    for key, row in material.items():
        if (
            key[0],
            *key[2:],
        ) in several:  # how operations of one film share what lies above the window is not published
            for name in [n for n in row if n.startswith(("over_build", "useful"))]:
                del row[name]
    compare("material_ledger", material, ("shop_id", "mix_id", "job_id", "operation_no"))
    face = ("shop_id", "job_id", "operation_no", "panel_id", "face")
    films = published_tests.keyed(tables["film_build"], *face)
    read = published.film_as_applied(ledger)
    sheet = {
        k: published.against_the_sheet(films[k]) | ({"film_um": read[k]} if k in read else {})
        for k in groups
        if k in films
    }
    compare("film_build", sheet | {k: {} for k in groups.keys() - films.keys()}, face)

    compare("gun_fit", published.gun_fit(tables, ledger), ("shop_id", "gun_id", "product_id"))
    costs = published.job_costs(tables["material_ledger"], tables, 0.0)
    compare("job_costs", costs, ("shop_id", "job_id"))
    compare("permit_headroom", published.permit_headroom(tables), ("shop_id", "measure", "period"))
    compare("compliance_training", published.compliance_training(tables), ("shop_id", "technician_id", "rule"))
    compare("compliance_booths", published.compliance_booths(tables), ("shop_id", "booth_id", "from_on"))
    compare("compliance_guns", published.compliance_guns(tables, ledger), ("shop_id", "gun_id"))
    compare("compliance_retention", published.compliance_retention(tables), ("shop_id", "record"))
    compare("savings_basis", published.savings_basis(ledger, tables["material_ledger"]), ("shop_id",))
    pm: dict[Key, dict[str, float | None]] = defaultdict(lambda: dict.fromkeys(("", "_low", "_high"), 0.0))
    for r in tables["emissions_monthly"]:
        sums = pm[r["shop_id"], r["month"]]
        for end in ("", "_low", "_high") if r["pm_kg"] is not None else ():
            sums[end] = total([sums[end], r[f"pm_kg{end}"]])
    particulate = published.particulate(tables["material_ledger"], tables)
    out["pm_kg"] = published_tests.differences(particulate, {k: pm[k] for k in particulate})

    record = emission_oracle.Record(defaultdict(list, hidden_shops.of_the_record(seed, CUPS, True)))
    figures = {k: {c: r[c] for c in (*emission_oracle.FIGURES, "complete")} for k, r in record.emissions.items()}
    compare("emissions_monthly", figures, ("shop_id", "month", "category"), subset=True)
    compare("hap_monthly", {k: r for k, r in record.hap.items() if r["kg"]}, ("shop_id", "month", "cas"), subset=True)
    sums = {k: dict(total=v, months_present=n) for k, (v, n) in record.rolling().items() if k[2] != "pm_kg"}
    compare("rolling_12_months", sums, ("shop_id", "month", "measure"), subset=True)
    limits = log_oracle.Limits(record, rows["permit_limits"])
    readers: dict[str, tuple[dict[Any, dict[str, Any]], tuple[str, ...]]] = {
        "limit_windows": (limits.windows(), ("shop_id", "measure", "period", "window")),
        "limit_curve": (limits.curve(), ("shop_id", "measure", "period", "month")),
        "material_log": (
            log_oracle.material_log(record),
            ("shop_id", "month", "kind", "product_id", "component_id", "category"),
        ),
        "annual_statement": (log_oracle.annual_statement(record), ("shop_id", "year", "line", "cas", "class")),
        "waste_monthly": (log_oracle.waste_monthly(record), ("shop_id", "month")),
        "waste_drum": (log_oracle.waste_drum(record), ("shop_id", "month", "stream")),
    }
    for name, (wanted, key) in readers.items():
        ours = [row for row in log_oracle.compared(name, tables[name]) if row["shop_id"] in record.place]
        if (
            name == "annual_statement"
        ):  # the plain loops leave particulate out: a year that holds nothing else has sums of 0
            told = {(shop, year) for shop, year, *_ in wanted}
            ours = [row for row in ours if (row["shop_id"], row["year"]) in told or row["kg"] or not row["complete"]]
        out[name] = published_tests.differences(wanted, published_tests.keyed(ours, *key))
    compare("stock_reconciliation", dict(record.stock()), ("shop_id", "component_id", "from_on", "to_on"), subset=True)
    return out


def main() -> int:
    arguments = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    arguments.add_argument("--seeds", type=int, default=10)
    arguments.add_argument("--first", type=int, default=100)
    given = arguments.parse_args()
    bad = 0
    for seed in range(given.first, given.first + given.seeds):
        begun = time.monotonic()
        with tempfile.TemporaryDirectory(prefix="hidden_") as folder:
            found = wrong(seed, Path(folder) / f"shop_{seed}")
        differing = {name: lines for name, lines in found.items() if lines}
        bad += bool(differing)
        took = time.monotonic() - begun
        print(f"seed {seed}: {len(found) - len(differing)} of {len(found)} tables equal ({took:.0f} s)", flush=True)
        for name, lines in differing.items():
            print(f"  {name}: {len(lines)} differences, the first: " + "; ".join(lines[:3]), flush=True)
    print(f"{given.seeds - bad} of {given.seeds} workspaces equal in every table")
    return int(bad > 0)


if __name__ == "__main__":
    sys.exit(main())
