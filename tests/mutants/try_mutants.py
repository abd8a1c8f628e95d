"""`make mutants`: changes the deterministic code one slip at a time, and lists the changes that no test sees.

    python tests/mutants/try_mutants.py [--count 219] [--seed 13] [--kept FILE] [--until oracles] [--again]
        [--part 1/2] [--write tests/bench/results_mutants.md]

Changes are drawn with a seed, the same number from each file as far as it has them, in each file by itself: a file that is
written anew leaves the draw of the others as it was. Those that once lived are always among them (NAMED). Three looks in turn
(LOOKS): the edge tests that run the changed statement; the oracles, on tables in memory (oracles.py); the other tests that
matter for the file, the quickest first. Code outside the ledger goes to its tests at once, in a process of its own on a copy
of the tree. What looks at a change must hold of the unchanged code: tests that fail by themselves stop the work. A change that
takes longer than it may is seen.

With --kept results stand in a file as they come: what was seen is not tried again, what was not goes on at the look where it
stopped. --until NAME leaves it at a look, --until nothing tries none and reports what is kept; --again shows those once more
to every look that none of them saw. A survivor is either a test that is lacking or a change that changes nothing; EQUIVALENT
says which ones do not, and why. --part 1/2 and --part 2/2 share the files between two processes (each with a --kept of its
own; one after the other in one file they are the results of both).
"""

from __future__ import annotations

import argparse
import contextlib
import datetime as dt
import hashlib
import io
import json
import os
import random
import re
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Generator
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

for name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(name, "1")
HERE = Path(__file__).resolve().parent
HOME = HERE.parents[1]
sys.path[:0] = [str(HERE), str(HOME)]

import changes  # noqa: E402
import oracles  # noqa: E402
import pytest  # noqa: E402

LEDGER = HOME / "pipelines" / "ledger"
SECONDS = 240
LOOKS = ("edges", "oracles", "tests")
# Which tests speak of a file, by the beginning of its name: the first that fits, the quickest tests first.
UNIT, RULES, WHOLE = "tests/unit/ledger/test_", "tests/published/test_", "tests/pipeline/test_"
EDGES = [str(path.relative_to(HOME)) for path in sorted((HOME / "tests/unit/ledger").glob("test_edges_of_*.py"))]
CUPS = [f"{UNIT}cups_and_sprays.py", f"{WHOLE}sheet_figures.py", f"{RULES}voc_published.py"]
FILM = [f"{UNIT}film_build.py", f"{UNIT}film_and_records.py", f"{UNIT}own_te.py", f"{WHOLE}ledger_by_hand.py"]
CONTENT = [
    f"{RULES}voc_content_lines.py",
    f"{WHOLE}content_by_place.py",
    f"{RULES}voc_published.py",
    f"{WHOLE}undecided_verdicts.py",
]
RECORD = [
    f"{RULES}emissions_published.py", f"{RULES}emissions_coverage.py", f"{WHOLE}emissions_by_hand.py",
    f"{WHOLE}emissions_unreadable.py",
]  # fmt: skip
PERMITS = [f"{WHOLE}limit_windows.py", f"{WHOLE}ledger_by_hand.py", f"{RULES}emissions_published.py"]
DRUM = [f"{WHOLE}drum_and_composition.py", f"{WHOLE}emissions_by_hand.py"]
CLOSED = [f"{WHOLE}closed_months.py", f"{WHOLE}limit_windows.py"]
TESTS: dict[str, list[str]] = {
    "compliance_average": [f"{WHOLE}ledger_by_hand.py", f"{WHOLE}local_rules.py", f"{RULES}voc_published.py"],
    "compliance_metals": [f"{RULES}emissions_published.py"], "compliance_multistage": [f"{RULES}voc_published.py"],
    "compliance_": [f"{RULES}emissions_shop_rules.py", f"{WHOLE}local_rules.py"],
    "limit_windows": [f"{WHOLE}limit_windows.py"],
    "material_log": CLOSED, "annual_statement": CLOSED, "restatements": CLOSED, "reported_": CLOSED, "spray_time": CLOSED,
    "cleaner_": [*CONTENT, f"{RULES}emissions_shop_rules.py"], "waste_": DRUM, "drum_": DRUM,
    "shop_months": [f"{WHOLE}limit_windows.py", *RECORD], "training_": [f"{RULES}emissions_shop_rules.py", f"{WHOLE}handouts.py"],
    "limit_curve": PERMITS, "permit_": PERMITS,
    "voc_": CONTENT, "cup_categories": CONTENT, "substance_status": [*CONTENT, *RECORD],
    "cup_contents_placed": [*CONTENT, *RECORD[:1]],
    "emission": RECORD, "hap_": RECORD, "rolling_": RECORD, "solvent_": [f"{RULES}emissions_shop_rules.py", *RECORD],
    "stock_": [f"{WHOLE}emissions_by_hand.py", f"{RULES}emissions_published.py"],
    "gun_fit": [f"{WHOLE}decisions_gun_fit.py", f"{WHOLE}guns_that_move.py"],
    "gun_": [f"{WHOLE}decisions_gun_fit.py", f"{RULES}emissions_shop_rules.py", f"{WHOLE}guns_that_move.py"],
    "material_ledger": [f"{WHOLE}ledger_by_hand.py", *CUPS], "job_costs": [f"{WHOLE}decisions_whole.py"],
    "leftover_": [*CUPS[:2], f"{WHOLE}selective_leftovers.py"], "usual_": [*CUPS[:2], f"{WHOLE}selective_leftovers.py"],
    "cup_": [*CUPS, f"{UNIT}film_and_records.py"], "mixes": CUPS, "component_": CUPS, "product_": CUPS, "lacking_": CUPS,
    "spray": [*CUPS[:2], *FILM[:2]], "": FILM,
}  # fmt: skip
# Code outside the ledger: file, the functions that are deterministic (none named: all of them), tests.
ELSEWHERE: list[tuple[str, tuple[str, ...], list[str]]] = [
    ("pipelines/units.py", (), ["tests/unit/test_units.py"]),
    ("pipelines/transfer/decisions/drift.py", ("litres_sprayed",), ["tests/unit/transfer/decisions/test_drift.py"]),
    ("pipelines/transfer/decisions/mixing.py", ("past", "mix_guide", "as_sprayed"), ["tests/unit/transfer/decisions/test_mixing.py"]),
    ("pipelines/transfer/decisions/savings.py", ("better_half", "levers", "years"), ["tests/unit/transfer/decisions/test_savings.py"]),
    ("reports/site/page_sums.py", ("_monthly", "ledger_sums", "emission_sums", "_by_source", "between"),
     ["tests/reports/test_page_sums.py", "tests/reports/test_site.py::test_periods_between_are_filled_in"]),
]  # fmt: skip
# Tests of files of which only a change that once lived is tried.
ONLY_NAMED = {
    "joint.py": ["tests/unit/transfer/model/test_parts.py", "tests/unit/transfer/model/test_estimate.py"],
    "savings_section.py": ["tests/reports/test_site.py::test_each_end_of_a_saving_stands_where_its_end_belongs"],
    "missing.py": ["tests/pipeline/test_ledger_by_hand.py"],
}


@dataclass(frozen=True)
class Named:
    """A change that once lived: the file's name and what is written for what (a pattern)."""

    what: str
    file: str
    pattern: str
    instead: str


NAMED = [
    Named("gun order inside the shop only", "sprayed.sql", r"PARTITION BY gun_id ", r"PARTITION BY shop_id, gun_id "),
    Named("a blend's area is as sure as any", "film_increments.sql", r"ELSE greatest\(area_rel_sd", r"ELSE least(area_rel_sd"),
    Named("overspray's ends swapped", "material_ledger.sql",
          r"w\.overspray_g_low (.*?)AS overspray_solids_g_low", r"w.overspray_g_high \1AS overspray_solids_g_low"),
    Named("an imperial gallon is a US one", "units.py", r'\("gal_imp", "volume", _GAL_IMP_ML', r'("gal_imp", "volume", _GAL_US_ML'),
    Named("pace over four months", "limit_curve.sql", r"ROWS BETWEEN 2 PRECEDING", r"ROWS BETWEEN 3 PRECEDING"),
    Named("limit of the month's first cup", "compliance_average.sql", r"first_poured_at DESC", r"first_poured_at ASC"),
    Named("litres with the operation itself", "drift.py", r' - pl\.col\("ml"\)\) / 1000', r") / 1000"),
    Named("a lognormal mean without s2/2", "mixing.py", r"np\.exp\(mean \+ spread\*\*2 / 2\)", r"np.exp(mean)"),
    Named("the register's flush loses", "mixing.py", r'"registered_g", "flush_g"', r'"flush_g", "registered_g"'),
    Named("a cell's mean not by its operations", "joint.py",
          r'self\.d\.row_keys\["times"\]\.to_numpy\(\)\.astype\(float\)', r"np.ones(self.d.row_keys.height)"),
    Named("VOC's ends swapped on the page of savings", "savings_section.py",
          r'\{k: \(f"\{c\}_low", f"\{c\}_high"\)', r'{k: (f"{c}_high", f"{c}_low")'),
    Named("a first month in part is not told", "reports/missing.py", r"first\.day > 1\b", r"first.day > 31"),
]  # fmt: skip
# Survivors that change nothing: (file, before, after) -> why.
ROUNDING = "a tolerance of rounding: no sum of what a scale or a form gives meets it exactly"
ONE_ROW = "there is one such row"
SAME = "each row of a piece repeats the piece's own figure"
EQUIVALENT: dict[tuple[str, str, str], str] = {
    ("annual_statement.sql", "COALESCE(not_split_solids_kg, 0) < 1e-9", "COALESCE(not_split_solids_kg, 0) <= 1e-9"): ROUNDING,
    ("restatements.sql",
     "ABS(COALESCE(c.amount, 0) - COALESCE(n.amount, 0)) > 1e-9 * GREATEST(ABS(COALESCE(c.amo...",
     "ABS(COALESCE(c.amount, 0) - COALESCE(n.amount, 0)) >= 1e-9 * GREATEST(ABS(COALESCE(c.am..."): ROUNDING,
    ("restatements.sql", "COALESCE(n.amount, 0)", "n.amount"):
        "where n.amount is null the lines beside it decide: it went, it was known and is not, or it never was",
    ("emission_places.sql", "u.first_month < STRFTIME(m.first_span_on, '%Y-%m')", "u.first_month <= STRFTIME(m.first_span_on, '%Y-%m')"):
        "where both months are the same, both branches give that month",
    ("gun_rules.sql", "MIN(CAST(o.started_at AS DATE))", "MAX(CAST(o.started_at AS DATE))"):
        "the rows are those of one operation, and it has one start",
    ("waste_monthly.sql", "MAX(CASE WHEN figure = 'large_from' THEN kg END)", "MIN(CASE WHEN figure = 'large_from' THEN kg END)"):
        "of each figure one row is left for a shop (choice = 1)",
    ("limit_windows.sql",
     "ROW_NUMBER() OVER (PARTITION BY r.shop_id, r.measure, SUBSTRING(r.month, 1, 4) ORDER BY...",
     "ROW_NUMBER() OVER (PARTITION BY r.shop_id, r.measure, SUBSTRING(r.month, 1, 5) ORDER BY..."):
        "the year with the hyphen behind it parts the months as the year does",
    ("usual_leftovers.sql", "MAX(CASE WHEN NOT note IS NULL THEN value END)", "MIN(CASE WHEN NOT note IS NULL THEN value END)"):
        f"{ONE_ROW} of the term `unweighed`",
    ("hap_blend_matches.sql", "MAX(organic_hap_mass_fraction)", "MIN(organic_hap_mass_fraction)"):
        "each row of an entry repeats the entry's own figure (the rule's Tables 3 and 4)",
    ("hap_species.sql", "MAX(value)", "MIN(value)"): f"{ONE_ROW} of that rule and figure among the references",
    ("face_films.sql",
     "p.shop_id = w.shop_id AND p.job_id = w.job_id AND p.operation_no = w.operation_no AND p...",
     "p.shop_id = w.shop_id AND p.job_id = w.job_id AND p.operation_no = w.operation_no"):
        "the rows of a piece are usable all or none, and m.usable asks the same of it",
    ("film_increments.sql",
     "COALESCE(b.n_layers, 0) > 0 AND l.least_fraction < l.greatest_fraction", "l.least_fraction < l.greatest_fraction"):
        "a face that was covered between the readings is a layer between them: both come of the panels that the operation lists",
    ("gauge_fits.sql", "VARIANCE(c.shim_um) > 0", "VARIANCE(c.shim_um) >= 0"):
        "shims span at least $gauge_check_span_um (HAVING), and that is above 0 (settings.py)",
    ("panel_spread.sql", "n > 1 AND um > 0", "um > 0"): "a panel alone has the weight n - 1 = 0 in both sums",
    ("piece_films.sql", "MAX(p.area_m2)", "MIN(p.area_m2)"): SAME,
    ("record_faces.sql",
     "u.face <> 'outer' AND o.equation = u.equation AND o.shop_id = u.shop_id", "u.face <> 'outer' AND o.equation = u.equation"):
        "an equation lies in one shop and is named after it",
    ("unread_faces.sql", "LPAD(CAST(f.operation_no AS TEXT), 6, '0')", "LPAD(CAST(f.operation_no AS TEXT), 7, '0')"):
        "six digits or seven: the same operations are the same key, in the same order",
}  # fmt: skip


@dataclass
class Result:
    """One change and who saw it; None: nobody."""

    file: str
    change: changes.Change
    seen: str | None
    seconds: float
    look: str  # the one that saw it, or the last that did not; empty: none was taken
    named: str = ""


def candidates() -> dict[Path, list[changes.Change]]:
    """Every change of every file that is changed here."""
    found = {path: changes.of_sql(path.read_text("utf-8")) for path in sorted(LEDGER.rglob("*.sql"))}
    steps = {Path(str(sys.modules[step.__module__].__file__)) for step in oracles.runner.PYTHON_STEPS.values()}
    found |= {path: changes.of_python(path.read_text("utf-8")) for path in sorted(steps)}
    found |= {HOME / file: changes.of_python((HOME / file).read_text("utf-8"), only) for file, only, _ in ELSEWHERE}
    return {path: listed for path, listed in found.items() if listed}


def drawn(found: dict[Path, list[changes.Change]], count: int, seed: int) -> list[tuple[Path, changes.Change]]:
    """`count` of them, from every file as many as from the others while it has some."""
    left = {p: random.Random(f"{seed} {p.name}").sample(listed, len(listed)) for p, listed in found.items()}
    rng = random.Random(seed)
    out: list[tuple[Path, changes.Change]] = []
    while len(out) < count and any(left.values()):
        paths = [path for path in left if left[path]]
        for path in rng.sample(paths, len(paths)):
            if len(out) < count:
                out.append((path, left[path].pop()))
    return sorted(out, key=lambda pair: (str(pair[0]), pair[1].line))


def named() -> list[tuple[Path, changes.Change, str]]:
    """The changes that once lived, as they look in today's text."""
    out = []
    for one in NAMED:
        inside = [p for folder in ("pipelines", "reports") for p in (HOME / folder).rglob("*")]
        path = next(p for p in inside if p.as_posix().endswith(f"/{one.file}"))
        text = path.read_text("utf-8")
        place = re.search(one.pattern, text)
        if place is None:
            raise SystemExit(f"{one.what}: nothing in {one.file} looks like {one.pattern}")
        after = place.expand(one.instead)
        changed = text[: place.start()] + after + text[place.end() :]
        line = text.count("\n", 0, place.start()) + 1
        change = changes.Change(
            "named", line, changes.short(place[0]), changes.short(after), lambda changed=changed: changed
        )
        out.append((path, change, one.what))
    return out


def tests_of(path: Path) -> list[str]:
    for file, _, tests in ELSEWHERE:
        if path == HOME / file:
            return tests
    if path.name in ONLY_NAMED:
        return ONLY_NAMED[path.name]
    return next(tests for begins, tests in TESTS.items() if path.name.startswith(begins))


class Red(SystemExit):
    """Tests fail although nothing was changed: they would take any change for seen."""


def in_this_process(tests: list[str], *plugins: object) -> str | None:
    """The first of the tests that fails; None: all hold."""
    said = io.StringIO()
    options = ["-x", "-q", "--no-header", "-p", "no:cacheprovider", "--rootdir", str(HOME)]
    with contextlib.redirect_stdout(said), contextlib.redirect_stderr(said):
        code = pytest.main([*options, *(str(HOME / test) for test in tests)], plugins)
    return None if code == pytest.ExitCode.OK else _first_failed(said.getvalue(), code)


class Steps:
    """A plugin of pytest that writes down which steps of the ledger each test runs."""

    def __init__(self) -> None:
        self.of: dict[str, set[str]] = {}

    @pytest.hookimpl(wrapper=True)
    def pytest_runtest_call(self, item: pytest.Item) -> Generator[None, Any, Any]:
        plain, mine = oracles.on_frames.run_statement, self.of.setdefault(item.nodeid, set())

        def noted(name: str, *given: Any) -> Any:
            mine.add(name)
            return plain(name, *given)

        oracles.on_frames.run_statement = noted
        try:
            return (yield)
        finally:
            oracles.on_frames.run_statement = plain


@cache
def edges() -> dict[str, set[str]]:
    """Every edge test and the steps that it runs, all holding of the unchanged code."""
    steps = Steps()
    wrong = in_this_process(EDGES, steps)
    if wrong:
        raise Red(f"The unchanged code does not pass: {wrong}")
    return steps.of


def by_edges(path: Path, text: str) -> str | None:
    """The edge tests that run the changed statement; all of them for a module."""
    tests = [one for one, steps in edges().items() if path.suffix != ".sql" or path.stem in steps]
    if not tests:
        return None
    with oracles.changed(path, text):
        return in_this_process(tests)


def by_oracles(path: Path, text: str) -> str | None:
    looks = (oracles.seen(oracles.look(seed), path, text) for seed in oracles.SEEDS)
    return next((one for one in looks if one), None)


def _first_failed(said: str, code: int) -> str:
    lines = (line for line in said.splitlines() if line.startswith(("FAILED", "ERROR")))
    return next(lines, f"exit {int(code)}")[:160]


@cache
def holds_unchanged(look: Callable[[list[str]], str | None], *tests: str) -> None:
    wrong = look(list(tests))
    if wrong:
        raise Red(f"The unchanged code does not pass: {wrong}")


def by_tests_here(path: Path, text: str) -> str | None:
    """The tests of a file with the ledger changed in this process."""
    holds_unchanged(in_this_process, *tests_of(path))
    with oracles.changed(path, text):
        return in_this_process(tests_of(path))


class Copy:
    """A copy of the tree in which one file at a time is another."""

    def __init__(self, folder: Path) -> None:
        self.root = folder / "tree"
        skip = shutil.ignore_patterns(".git", ".venv", "__pycache__", "node_modules", "demo_shop", "out", ".*cache")
        shutil.copytree(HOME, self.root, ignore=skip)

    def look(self, tests: list[str]) -> str | None:
        """The first of the tests that fails in the copy as it stands; None: all hold."""
        command = [sys.executable, "-B", "-m", "pytest", "-x", "-q", "--no-header", "-p", "no:cacheprovider", *tests]
        environment = os.environ | {"PYTHONPATH": str(self.root)}
        try:
            done = subprocess.run(
                command, cwd=self.root, env=environment, capture_output=True, text=True, timeout=SECONDS
            )
        except subprocess.TimeoutExpired:
            return f"takes longer than {SECONDS} s"
        return None if done.returncode == 0 else _first_failed(done.stdout, done.returncode)

    def seen(self, path: Path, text: str) -> str | None:
        holds_unchanged(self.look, *tests_of(path))
        here = self.root / path.relative_to(HOME)
        before = here.read_text("utf-8")
        here.write_text(text, "utf-8")
        try:
            return self.look(tests_of(path))
        finally:
            here.write_text(before, "utf-8")


def why_same(result: Result) -> str | None:
    """Why a survivor changes nothing; None: it was seen, or a test is lacking."""
    change = result.change
    return None if result.seen else EQUIVALENT.get((result.file.rsplit("/", 1)[-1], change.before, change.after))


def rate(results: list[Result]) -> float:
    """Part seen of the changes that change something."""
    return sum(r.seen is not None for r in results) / sum(why_same(r) is None for r in results)


def report(results: list[Result], seed: int) -> str:
    """The table that is kept beside the other measured ones."""
    lived = [r for r in results if r.seen is None]
    same = sum(why_same(r) is not None for r in lived)
    by = {look: sum(r.seen is not None and r.look == look for r in results) for look in LOOKS}
    part = [r for r in lived if r.look != LOOKS[-1]]
    lines = [
        "# Mutants",
        "",
        f"{dt.date.today()}, `make mutants`, seed {seed}: {len(results)} changes, {len(results) - len(lived)} seen"
        f" ({100 * (1 - len(lived) / len(results)):.1f} %): {by['edges']} by the edge tests, which look first, {by['oracles']} by the"
        f" oracles, {by['tests']} by other tests. {len(lived)} were not seen, of which {same} change nothing:"
        f" {100 * rate(results):.1f} % of those that change something are seen. Of the {len(lived)}, {len(part)} were not shown to every look.",
        "",
        "| kind | changes | seen |",
        "|---|---|---|",
    ]
    for kind in sorted({r.change.kind for r in results}):
        mine = [r for r in results if r.change.kind == kind]
        lines.append(f"| {kind} | {len(mine)} | {sum(r.seen is not None for r in mine)} |")
    lines += ["", "## Those that once lived", "", "| what | seen by |", "|---|---|"]
    lines += [f"| {r.named} | {_cell(r.seen or 'NOBODY')} |" for r in results if r.named]
    lines += ["", "## Survivors", "", "| file | line | kind | before | after | why |", "|---|---|---|---|---|---|"]
    for r in lived:
        held = (
            ""
            if r.look == LOOKS[-1]
            else f" (held against {LOOKS[: LOOKS.index(r.look) + 1] if r.look else 'nothing'} alone)"
        )
        why = why_same(r) or f"**a test is lacking**{held}"
        cells = [r.file, str(r.change.line or ""), r.change.kind, f"`{r.change.before}`", f"`{r.change.after}`", why]
        lines.append("| " + " | ".join(map(_cell, cells)) + " |")
    return "\n".join(lines) + "\n"


def _cell(text: str) -> str:
    return text.replace("|", "\\|")


Kept = tuple[str | None, float, str]  # seen, seconds, the look


def _kept(file: Path | None, again: bool) -> dict[str, Kept]:
    """What was found before, by change; the last word on each."""
    found: dict[str, Kept] = {}
    for line in file.read_text("utf-8").splitlines() if file and file.exists() else []:
        key, *known = json.loads(line)
        found[key] = (known[0], known[1], known[2])
    return {key: one for key, one in found.items() if one[0] or not again}


def main() -> int:
    arguments = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    arguments.add_argument("--count", type=int, default=219)
    arguments.add_argument("--seed", type=int, default=13)
    arguments.add_argument("--only", default="", help="files whose path holds this")
    arguments.add_argument("--part", default="1/1", help="1/3: the first third of the files")
    arguments.add_argument("--kept", type=Path, default=None)
    arguments.add_argument("--again", action="store_true")
    arguments.add_argument("--until", choices=("nothing", *LOOKS), default=LOOKS[-1])
    arguments.add_argument("--write", type=Path, default=None)
    given = arguments.parse_args()
    wanted = [(p, c, "") for p, c in drawn(candidates(), given.count, given.seed)] + named()
    part, parts = map(int, given.part.split("/"))
    mine = set(sorted({p for p, _, _ in wanted})[part - 1 :: parts])
    wanted = [one for one in wanted if one[0] in mine and given.only in str(one[0])]
    known = _kept(given.kept, given.again)
    results: list[Result] = []
    with tempfile.TemporaryDirectory(prefix="mutants_") as folder:
        copy = cache(lambda: Copy(Path(folder)))
        for path, change, what in wanted:
            digest = hashlib.sha256(change.text().encode()).hexdigest()[:12]  # two changes may look alike
            key = json.dumps([path.name, change.kind, change.line, change.before, change.after, digest])
            inside = path.is_relative_to(LEDGER)
            looks = (
                {"edges": by_edges, "oracles": by_oracles, "tests": by_tests_here}
                if inside
                else {"tests": lambda path, text: copy().seen(path, text)}
            )
            for look, shown in looks.items():
                seen, seconds, last = known.get(key, (None, 0.0, ""))
                behind = last and LOOKS.index(look) <= LOOKS.index(last)
                if seen or behind or given.until == "nothing" or LOOKS.index(look) > LOOKS.index(given.until):
                    continue
                begun = time.monotonic()
                seen = shown(path, change.text())
                known[key] = (seen, seconds + time.monotonic() - begun, look)
                if given.kept:
                    with given.kept.open("a", encoding="utf-8") as to:
                        to.write(json.dumps([key, *known[key]]) + "\n")
                print(
                    f"{len(results) + 1:4d}/{len(wanted)} {known[key][1]:5.1f} s {path.name}:{change.line} {change.kind}:"
                    f" {change.before} -> {change.after}  | {seen or 'LIVES: ' + look}", flush=True,
                )  # fmt: skip
            results.append(Result(str(path.relative_to(HOME)), change, *known.get(key, (None, 0.0, "")), what))
    text = report(results, given.seed)
    if given.write:
        given.write.write_text(text, "utf-8")
    print(text)
    return int(rate(results) < 0.95 or any(r.named and r.seen is None for r in results))


if __name__ == "__main__":
    sys.exit(main())
