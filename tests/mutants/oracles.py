"""One invented workspace in memory, and what the oracles say of each of its tables: the quick look at a changed ledger.

A step is changed in place, it and the steps behind it are run again on the tables before it, and every table that an oracle
knows is compared. What this look does not see goes to the tests that matter (run.py).
"""

from __future__ import annotations

import random
import sys
import threading
import types
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from typing import Any

HOME = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(HOME), str(HOME / "tests" / "pipeline")]

import emission_oracle  # noqa: E402
import hidden_shops  # noqa: E402
import polars as pl  # noqa: E402
import published_oracle as published  # noqa: E402
import test_ledger_oracle as ledger_tests  # noqa: E402
import test_published_oracle as published_tests  # noqa: E402
from oracle import Ledger  # noqa: E402
from small_shops import SETTINGS, frame, reckon, tables_of  # noqa: E402

from pipelines import checks, run  # noqa: E402
from pipelines import steps as all_steps  # noqa: E402
from pipelines.ledger import runner  # noqa: E402
from schemas import validate  # noqa: E402
from schemas.reference import REFERENCE  # noqa: E402
from tests import on_frames  # noqa: E402

SEEDS, RATE, UNWEIGHED, SECONDS = (2, 1, 5), 60.0, 0.9, 20  # of workspaces: what the first does not show another may
KEYS = {
    "material_ledger": ("shop_id", "mix_id", "job_id", "operation_no"),
    "gun_fit": ("shop_id", "gun_id", "product_id"),
    "job_costs": ("shop_id", "job_id"),
    "permit_headroom": ("shop_id", "measure", "period"),
    "compliance_training": ("shop_id", "technician_id", "rule"),
    "compliance_booths": ("shop_id", "booth_id", "from_on"),
    "compliance_guns": ("shop_id", "gun_id"),
    "compliance_retention": ("shop_id", "record"),
    "film_build": ("shop_id", "job_id", "operation_no", "panel_id", "face"),
    "emissions_monthly": ("shop_id", "month", "category"),
    "hap_monthly": ("shop_id", "month", "cas"),
    "rolling_12_months": ("shop_id", "month", "measure"),
    "voc_content": ("shop_id", "mix_id"),
    "stock_reconciliation": ("shop_id", "component_id", "from_on", "to_on"),
    "compliance_average": ("shop_id", "month", "category"),
    "compliance_solvent": ("shop_id", "year"),
    "compliance_multistage": ("shop_id", "job_id"),
    "hap_63_3941": ("shop_id", "month"),
}
CHECKED = ("film_pieces", "voc_content_lines", "hap_lines", "hap_material_lines", "stock_lines", "emission_lines")
ALONE = {"mixes": "mix", "film_increments": "increment", "sprayed": "part", "transfer_records": "record"}
# The oracles speak of some of the rows alone: the record's of its own shops.
MAY_HAVE_MORE = (
    "film_build emissions_monthly hap_monthly rolling_12_months voc_content stock_reconciliation compliance_average "
    "compliance_solvent hap_63_3941 compliance_multistage"
).split()
LOOKED_AT = (*KEYS, *ALONE, *CHECKED)
Key = tuple[Any, ...]


@dataclass
class Look:
    """The workspace as the unchanged ledger has it, and what the oracles want of it."""

    found: dict[str, pl.DataFrame]
    ledger: Ledger
    wanted: dict[str, dict[Key, dict[str, Any]]] = field(default_factory=dict)
    unclear: set[Key] = field(
        default_factory=set
    )  # cups of which only the sums are known: when an operation drew, nobody knows

    def differences(self, found: dict[str, pl.DataFrame], tables: set[str]) -> list[str]:
        out: list[str] = []
        for name in sorted(tables & set(ALONE)):
            compare: Callable[[Any], list[str]] = getattr(ledger_tests, f"{ALONE[name]}_differences")
            out += [f"{name} {line}" for line in compare(ledger_tests.Both(found, [self.ledger]))]
        for name in sorted(tables & set(self.wanted)):
            table = found[name].filter("rules") if name == "voc_content" else found[name]  # the category that decides
            rows = published_tests.keyed(table.to_dicts(), *KEYS[name])
            if name in MAY_HAVE_MORE:
                rows = {key: row for key, row in rows.items() if key in self.wanted[name]}
            wanted = self.wanted[name]
            if name == "material_ledger":
                wanted, rows = (published_tests.by_cup(one, self.unclear) for one in (wanted, rows))
            out += [f"{name} {line}" for line in published_tests.differences(wanted, rows)]
        for name in sorted(tables):  # what every run promises of its tables
            for check in checks.of(name):
                if check.test is not None and check.blocking:
                    beside = {one: found[one] for one in check.beside}
                    held, told = check.test(found[name], SETTINGS, beside)
                    out += [] if held else [f"{name}: {check.name} does not hold: {told}"]
        return out


@cache
def look(seed: int) -> Look:
    """Draws a workspace, runs the ledger as it is and every oracle once."""
    rows = hidden_shops.rows(seed)
    frames = tables_of(rows) | {name: run.reference_table(name) for name in REFERENCE}
    ledger = Ledger(frames, SETTINGS)
    te = published_tests.drawn_transfer(random.Random(seed), frames["operations"].to_dicts())
    finding = [dict(term="unweighed", level="", value=UNWEIGHED, note="found")]
    given = {
        "operation_te": frame("operation_te", te),
        "transfer_by_pair": validate.empty("transfer_by_pair"),
        "transfer_model": frame("transfer_model", finding),
    }
    found = reckon(frames | given, *LOOKED_AT, "over_build", settings=SETTINGS | {"labour_rate_per_hour": RATE})
    it = Look(found, ledger)
    tables = {name: table.to_dicts() for name, table in found.items()}
    over = {published.op_of(r): (r["over_ml"], r["over_ml_low"], r["over_ml_high"]) for r in tables["over_build"]}
    by_op = {(r["shop_id"], r["op_job_id"], r["operation_no"]): r for r in te}
    it.unclear = {p.cup for p in ledger.parts if p.op not in ledger.ops and len(ledger.weighings[p.cup]) > 1}
    films = published_tests.keyed(tables["film_build"], *KEYS["film_build"])
    read = published.film_as_applied(ledger)
    it.wanted = {
        "material_ledger": published.material_ledger(ledger, by_op, over, UNWEIGHED),
        "gun_fit": published.gun_fit(tables, ledger),
        "job_costs": published.job_costs(tables["material_ledger"], tables, RATE),
        "permit_headroom": published.permit_headroom(tables),
        "compliance_training": published.compliance_training(tables),
        "compliance_booths": published.compliance_booths(tables),
        "compliance_guns": published.compliance_guns(tables, ledger),
        "compliance_retention": published.compliance_retention(tables),
        "compliance_multistage": published.compliance_multistage(tables, ledger),
        "film_build": {
            key: published.against_the_sheet(row) | ({"film_um": read[key]} if key in read else {})
            for key, row in films.items()
        },
    } | _record(seed)
    wrong = it.differences(found, set(LOOKED_AT))
    if wrong:
        raise SystemExit("The unchanged ledger differs from the oracles; mend that first:\n" + "\n".join(wrong[:20]))
    return it


def _record(seed: int) -> dict[str, dict[Key, dict[str, Any]]]:
    record = emission_oracle.Record(emission_oracle.shops(seed, 60))
    columns = (*emission_oracle.FIGURES, "complete")
    return {
        "emissions_monthly": {key: {c: row[c] for c in columns} for key, row in record.emissions.items()},
        "hap_monthly": {key: row for key, row in record.hap.items() if row["kg"]},
        "rolling_12_months": {
            key: dict(total=value, months_present=months)
            for key, (value, months) in record.rolling().items()
            if key[2] != "pm_kg"
        },
        "voc_content": {
            key: {c: row[c] for c in ("category", "limit_g_per_l", "g_per_l", "over")}
            for key, row in record.content.items()
        },
        "stock_reconciliation": dict(record.stock()),
        "compliance_average": dict(record.averages()),
        "compliance_solvent": dict(record.solvent()),
        "hap_63_3941": {key: {"kg": kg} for key, kg in record.hap_63.items() if kg},
    }


# --- changed steps --------------------------------------------------------------------------------------------------------


def behind(step: str) -> set[str]:
    """A step and all that rest on it."""
    found = {step}
    for name in runner.order():
        if runner.upstream(name) & found:
            found.add(name)
    return found


@contextmanager
def _made_by(instead: dict[Any, Any]) -> Iterator[None]:
    """The steps of a whole run made by other statements or functions."""
    swapped = [(step, step.make) for step in all_steps.STEPS if step.make in instead]
    try:
        for step, make in swapped:
            object.__setattr__(step, "make", instead[make])
        yield
    finally:
        for step, make in swapped:
            object.__setattr__(step, "make", make)


@contextmanager
def changed(path: Path, text: str) -> Iterator[set[str]]:
    """The ledger with one file's text another; gives the steps that are changed by it."""
    if path.suffix == ".sql":
        statements = runner.statements()
        before = statements[path.stem]
        statements[path.stem] = text
        runner._parsed.cache_clear()
        try:
            with _made_by({before: text}):
                yield {path.stem}
        finally:
            statements[path.stem] = before
            runner._parsed.cache_clear()
        return
    name = ".".join(path.relative_to(HOME).with_suffix("").parts)
    old = sys.modules[name]
    new = types.ModuleType(name)
    new.__file__ = str(path)
    sys.modules[name] = new
    swapped: list[tuple[Any, Any, Any]] = []
    try:
        exec(compile(text, str(path), "exec"), new.__dict__)
        ours = {
            id(value): getattr(new, key)
            for key, value in vars(old).items()
            if getattr(value, "__module__", None) == name and hasattr(new, key)
        }
        for module in [*sys.modules.values(), old]:
            if getattr(module, "__file__", None) and str(HOME) in str(module.__file__) and module is not new:
                for key, value in list(vars(module).items()):
                    if id(value) in ours:
                        swapped.append((module.__dict__, key, value))
                        module.__dict__[key] = ours[id(value)]
        steps = {step for step, value in runner.PYTHON_STEPS.items() if id(value) in ours}
        for step in steps:
            swapped.append((runner.PYTHON_STEPS, step, runner.PYTHON_STEPS[step]))
            runner.PYTHON_STEPS[step] = ours[id(runner.PYTHON_STEPS[step])]
        with _made_by(
            {getattr(old, key): value for key, value in vars(new).items() if callable(getattr(old, key, None))}
        ):
            yield steps
    finally:
        sys.modules[name] = old
        for home, key, value in swapped:
            home[key] = value


def seen(it: Look, path: Path, text: str) -> str | None:
    """What the oracles see of a change: the first difference, or the error it brings; None: nothing."""
    with changed(path, text) as steps:
        again = set().union(*(behind(step) for step in steps)) if steps else set()
        kept = {name: table for name, table in it.found.items() if name not in again}
        wanted = sorted(again & set(LOOKED_AT))
        watch = threading.Timer(SECONDS, on_frames._connection().interrupt)
        watch.start()
        try:
            found = reckon(kept, *wanted, settings=SETTINGS | {"labour_rate_per_hour": RATE})
            wrong = it.differences(found, set(wanted))
        except Exception as error:  # whatever a change brings about: it did not pass unseen
            return f"{type(error).__name__}: {' '.join(str(error).split())[:80]}"
        finally:
            watch.cancel()
    return wrong[0][:120] if wrong else None
