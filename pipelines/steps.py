"""Every table of a run as data: what makes it, what that reads, and when it has to be made again.

Here belongs the list of steps and nothing that computes. Order, staleness, Dagster's assets and their lineage, and what is made
side by side all come from `STEPS`. A step makes one table or several; it is one SQL statement (pipelines/ledger/<table>.sql) or
a Python function, frames in by the table's name, frame out.

A step is made again when its code, a setting that it looked at, or the CONTENT of a table that it reads has changed since: a
table made again with equal rows stops there. So a file added later gives what all files at once would have given.
"""

from __future__ import annotations

import hashlib
import inspect
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ThreadPoolExecutor, wait
from dataclasses import dataclass, field
from functools import cache, cached_property, partial
from graphlib import TopologicalSorter
from typing import Any

import polars as pl

from pipelines import checks, taking_in, workspace
from pipelines import run as runs
from pipelines.ledger import runner
from pipelines.run import Run
from pipelines.settings import Settings
from pipelines.transfer.decisions import decision_tables
from pipelines.transfer.model import estimate
from pipelines.transfer.model.linearise import Joint
from pipelines.workbench import Note, Reader, Shops, Workbench, is_owned, spans
from schemas import events, reference, registers, validate


class CheckFailed(RuntimeError):
    """A table that this program made contradicts itself."""

    def __init__(self, table: str, check: checks.Check, told: dict[str, Any]) -> None:
        super().__init__(f"{table}: {check.name} does not hold ({check.description} Found: {told})")
        self.table, self.check, self.told = table, check, told


Columns = tuple[str, ...] | None  # that a step reads of a table; None: all
# code that every step rests on
SHARED = ("schemas", "pipelines/workbench.py", "pipelines/steps.py", "pipelines/checks.py")
NO_FIGURE = ("engine", "pages")  # sections of the settings that move no table


@dataclass(frozen=True, eq=False)  # one step is like no other, so that it can be a key although it holds a mapping
class Step:
    """makes    the tables it makes; the first names the step
    group     the part of the work that it belongs to
    make      an SQL statement, or a function
    reads     table -> the columns that it reads
    sources   what it reads of the shop's own files: inbox, registers, layouts
    by_shop   the function is called for some shops after the other: no shop looks at another's rows
    code      files and folders whose content its result hangs on, beside SHARED
    """

    makes: tuple[str, ...]
    group: str
    make: str | Callable[..., Any]
    reads: Mapping[str, Columns] = field(default_factory=dict)
    sources: tuple[str, ...] = ()
    by_shop: bool = False
    code: tuple[str, ...] = ()
    description: str = ""

    @property
    def name(self) -> str:
        return self.makes[0]

    @cached_property
    def upstream(self) -> frozenset[str]:
        """Every table that must stand first: those that it reads, and those that checks hold its own against."""
        beside = {one for name in self.makes for check in checks.of(name) for one in check.reads}
        return frozenset(self.reads) | beside - set(self.makes)

    @property
    def asks(self) -> bool:
        """Whether settings may move its result."""
        if isinstance(self.make, str):
            return bool(runner.settings_of(self.name))
        return "settings" in inspect.signature(self.make).parameters


# --- the list ---------------------------------------------------------------------------------------------------------

GROUPS = ("reference", "intake", "film", "transfer", "ledger", "decisions")
INTAKE = (
    *events.EVENTS, *registers.REGISTERS, *reference.LOCAL, "intake_files", "refused_rows", "incomplete",
)  # fmt: skip
TRANSFER = (
    "transfer_by_pair", "transfer_by_gun", "transfer_by_technician", "transfer_by_role", "gun_effects",
    "technician_effects", "operation_te", "screened_records", "record_budgets", "transfer_model",
)  # fmt: skip
#: steps of the ledger outside SQL that look at all shops together
POOLED = ("film_scatter", "transfer_spread")


def _transfer(run: Run, settings: Settings, **given: pl.DataFrame) -> dict[str, pl.DataFrame]:
    """Transfer efficiency per gun and technician from the closed records."""
    run.teller.progress("transfer: estimating", 0, 1)
    fits: list[Any] = []
    found = estimate.estimate(**given, settings=settings, hand_over=fits.append)
    run.transfer_model = (fits[0] if fits else None,)
    return found


def _decision(one: decision_tables.Decision) -> Callable[[Run, Settings], dict[str, pl.DataFrame]]:
    def make(run: Run, settings: Settings) -> dict[str, pl.DataFrame]:
        run.teller.progress("decisions", decision_tables.DECISIONS.index(one), len(decision_tables.DECISIONS))
        return one.made(decision_tables.Source(Given(run.bench), partial(_fitted, run)), settings)

    return make


def _fitted(run: Run) -> Joint | None:
    """The transfer model, as this run fitted it or anew where its tables are those of an earlier run."""
    with run.fitting:
        if run.transfer_model is None:
            given = {name: run.bench.read(name, columns) for name, columns in estimate.READS.items()}
            run.transfer_model = (estimate.fitted_model(**given),)
        return run.transfer_model[0]


class Given:
    """Tables as the decisions ask for them: to their last digit, whole or some shops after the other."""

    def __init__(self, bench: Workbench) -> None:
        self.bench = bench

    def whole(self, name: str, columns: Sequence[str] | None = None) -> pl.DataFrame:
        return self.bench.read(name, columns)

    def each(self, wanted: Mapping[str, Sequence[str]]) -> Iterator[dict[str, pl.DataFrame]]:
        for shops in spans(self.bench, list(wanted), sum(map(self.bench.count, wanted))):
            yield {name: self.bench.read(name, columns, shops) for name, columns in wanted.items()}


def _shipped(name: str) -> Callable[[], pl.DataFrame]:
    return lambda: runs.reference_table(name)


def _ledger() -> Iterator[Step]:
    behind = set(TRANSFER)  # what the model finds, and all that rests on it
    for name in runner.order():
        reads = dict.fromkeys(sorted(runner.upstream(name)))
        if behind & reads.keys():
            behind.add(name)
        group = "ledger" if name in behind else "film"
        code: tuple[str, ...] = ()
        make: str | Callable[..., Any] = runner.statements().get(name, "")
        if name in runner.PYTHON_STEPS:
            code = ("pipelines/ledger", "pipelines/units.py", "pipelines/settings.py")
            make = runner.PYTHON_STEPS[name]
        by_shop = name in runner.PYTHON_STEPS and name not in POOLED
        yield Step((name,), group, make, reads, by_shop=by_shop, code=code, description=runner.comment(name))


def _all() -> Iterator[Step]:
    for name in reference.REFERENCE:
        if name not in reference.LOCAL:  # the rest passes through intake
            yield Step(
                (name,), "reference", _shipped(name), code=("pipelines/run.py", f"seed_data/reference/{name}.csv")
            )
    yield Step(
        INTAKE, "intake", taking_in.intake, sources=("inbox", "registers", "layouts"),
        code=("pipelines/intake", "pipelines/units.py", "pipelines/run.py", "pipelines/taking_in.py", "seed_data/reference"),
    )  # fmt: skip
    yield from _ledger()
    yield Step(TRANSFER, "transfer", _transfer, estimate.READS, code=("pipelines/transfer",))
    for one in decision_tables.DECISIONS:
        yield Step(one.makes, "decisions", _decision(one), dict.fromkeys(one.reads), code=("pipelines/transfer",))


def _ordered(steps: Iterable[Step]) -> tuple[Step, ...]:
    """The steps so that each comes after what it reads, groups in their order. Raises CycleError where two need each other."""
    by_name = {name: step for step in steps for name in step.makes}
    known = {step.name: sorted({by_name[name].name for name in step.upstream}) for step in by_name.values()}
    place = {name: at for at, name in enumerate(TopologicalSorter(known).static_order())}
    chosen = {step.name: step for step in by_name.values()}.values()
    return tuple(sorted(chosen, key=lambda step: (GROUPS.index(step.group), place[step.name])))


STEPS = _ordered(_all())
BY_TABLE = {name: step for step in STEPS for name in step.makes}


# --- what a step rests on ---------------------------------------------------------------------------------------------


class Asked(Mapping[str, Any]):
    """Settings that note which of them were looked at."""

    def __init__(self, settings: Mapping[str, Any]) -> None:
        self._settings = settings
        self.said: dict[str, Any] = {}

    def __getitem__(self, key: str) -> Any:
        found = self._settings[key]
        self.said[key] = found
        return found

    def __iter__(self) -> Iterator[str]:
        return iter(self._settings)

    def __len__(self) -> int:
        return len(self._settings)


class _Sections:
    """The same, section by section: for functions that take `settings.Settings`. Keys are unique over all sections."""

    def __init__(self, asked: Asked) -> None:
        self._asked = asked

    def __getattr__(self, section: str) -> Any:
        return _Keys(self._asked)


class _Keys:
    def __init__(self, asked: Asked) -> None:
        self._asked = asked

    def __getattr__(self, key: str) -> Any:
        return self._asked[key]


def settings_of(run: Run) -> dict[str, Any]:
    """The settings that may move a figure, sections left out."""
    held = run.settings.model_dump(exclude=set(NO_FIGURE))
    return {key: value for section in held.values() for key, value in section.items()}


@cache
def _code(paths: tuple[str, ...]) -> str:
    return workspace.code_digest(paths)


def basis(step: Step, run: Run) -> str:
    """All that a step rests on but its settings, as one word: code, contents of what it reads. Raises WorkspaceError where a
    table that it reads is not there."""
    total = hashlib.sha256(_code((*SHARED, *step.code)).encode())
    total.update((step.make if isinstance(step.make, str) else step.make.__qualname__).encode())
    notes = run.bench.notes()
    for name in sorted(step.upstream):
        if name not in notes:
            raise workspace.WorkspaceError(
                f"{step.name} reads {name}, which is not there yet. Make that first, or run everything."
            )
        total.update(f"\n{name} {notes[name].content}".encode())
    for source in step.sources:
        total.update(f"\n{source} {run.sources[source]}".encode())
    return total.hexdigest()


def is_current(step: Step, run: Run) -> bool:
    """Whether every table of a step stands as the step would make it now."""
    notes = run.bench.notes()
    if any(name not in notes for name in (*step.makes, *step.upstream)):
        return False
    now, settings = basis(step, run), settings_of(run)
    return all(
        notes[name].basis == now and all(settings.get(key) == value for key, value in notes[name].asked.items())
        for name in step.makes
    )


# --- making -----------------------------------------------------------------------------------------------------------


def bring_up_to_date(run: Run) -> None:
    """Every step that is not current, once all that it reads stands, as many at a time as the workbench says: what the assets do
    one after the other. Where a step fails no other is begun; raises what the first of those that failed did."""
    waiting = TopologicalSorter({step: {BY_TABLE[name] for name in step.upstream} for step in STEPS})
    waiting.prepare()
    ready: list[Step] = []
    at_work: dict[Future[bool], Step] = {}
    left, told = Counter(step.group for step in STEPS), list(GROUPS)
    with ThreadPoolExecutor(run.bench.at_once) as threads:
        while waiting.is_active():
            ready = sorted([*ready, *waiting.get_ready()], key=STEPS.index)
            free = run.bench.at_once - len(at_work)
            at_work |= {threads.submit(_timed, step, run): step for step in ready[:free]}
            ready = ready[free:]
            ended = sorted(wait(at_work, return_when=FIRST_COMPLETED).done, key=lambda one: STEPS.index(at_work[one]))
            for one in ended:
                one.result()
                step = at_work.pop(one)
                waiting.done(step)
                left[step.group] -= 1
            while told and not left[told[0]]:
                tell(told.pop(0), run)


def _timed(step: Step, run: Run) -> bool:
    with run.timed(step.group):
        return bring(step, run)


def bring(step: Step, run: Run) -> bool:
    """Make the tables of a step unless they are current. Returns whether they were made.

    Raises CheckFailed, and leaves what stood before, where a blocking check does not hold.
    """
    if is_current(step, run):
        return False
    now, settings = basis(step, run), Asked(settings_of(run))
    with run.bench.writing():
        if isinstance(step.make, str):
            run.bench.run_sql(step.name, step.make, runner.parameters(step.name, settings))
        else:
            _fill(step, run, settings)
        looks = {name: run.bench.look(name) for name in step.makes}
        for name, (content, rows) in looks.items():
            held = _checked(name, looks, run, settings)
            run.bench.note(name, Note(now, settings.said, content, rows, held))
    return True


def _fill(step: Step, run: Run, settings: Asked) -> None:
    """Call a step's function and put what it gives."""
    bench = run.bench
    begun: set[str] = set()
    if step.by_shop:
        shops = spans(bench, list(step.reads), sum(map(bench.count, step.reads)))
        # elsewhere nobody sees which settings are looked at: all of them then
        asked = dict(settings) if bench.apart else settings
        work = partial(_on_shops, step.name, bench.reader(), asked)
        found: Iterable[Any] = bench.each(work, shops)
    else:
        whole = step.group == "decisions"  # asks the workbench itself
        given = {} if whole else {name: bench.read(name, columns) for name, columns in step.reads.items()}
        found = _called(step, given, settings, run)
    for part in found:
        for name, frame in part.items():
            bench.put(name, frame, more=name in begun)
            begun.add(name)


def _on_shops(name: str, reader: Reader, settings: Mapping[str, Any], shops: Shops | None) -> dict[str, pl.DataFrame]:
    """What a step's function gives of some shops (None: of all)."""
    step = BY_TABLE[name]
    asked = settings if isinstance(settings, Asked) else Asked(settings)
    (found,) = _called(
        step, {one: reader.read(one, columns, shops) for one, columns in step.reads.items()}, asked, None
    )
    return found


def _called(
    step: Step, given: Mapping[str, pl.DataFrame], settings: Asked, run: Run | None
) -> Iterator[dict[str, pl.DataFrame]]:
    """What a step's function gives, table by name, in the form of its schema; intake has seen to its own."""
    assert callable(step.make)
    asks = inspect.signature(step.make).parameters
    own: dict[str, Any] = {"run": run} if "run" in asks else {}
    if "settings" in asks:
        own["settings"] = _Sections(settings) if asks["settings"].annotation == "Settings" else settings
    found = step.make(**given, **own)
    for part in [found] if isinstance(found, pl.DataFrame | dict) else found:
        named = {step.name: part} if isinstance(part, pl.DataFrame) else part
        yield {name: frame if name in INTAKE else validate.conform(name, frame) for name, frame in named.items()}


def _checked(
    name: str, looks: Mapping[str, tuple[str, int]], run: Run, settings: Mapping[str, Any]
) -> dict[str, checks.Outcome]:
    """What a table's checks say of it, looked at some shops at a time. looks: of the tables that are being made. Raises CheckFailed."""
    held: dict[str, checks.Outcome] = {}
    for check in checks.of(name):
        if check.test is None:
            held[check.name] = (True, {"rows_looked_at": looks[name][1]})
            continue
        rows = (
            sum(looks[one][1] if one in looks else run.bench.count(one) for one in check.reads) if is_owned(name) else 0
        )
        outcomes = []
        for shops in spans(run.bench, list(check.reads), rows):
            given = {one: run.bench.read(one, columns, shops) for one, columns in check.reads.items()}
            outcomes.append(check.test(given[name], settings, given))
        held[check.name] = checks.together(outcomes)
        if check.blocking and not held[check.name][0]:
            raise CheckFailed(name, check, held[check.name][1])
    return held


# --- what is said of it -----------------------------------------------------------------------------------------------


def tell(group: str, run: Run) -> None:
    """One line of what a group of steps came to, where all of it stands."""
    of_group = [step for step in STEPS if step.group == group]
    if group in FINDINGS and all(name in run.bench.notes() for step in of_group for name in step.makes):
        run.tell(group, FINDINGS[group](run.bench))


def _intake(bench: Workbench) -> str:
    files = bench.read("intake_files")
    return (
        f"{files['file'].n_unique():,} files, {files['rows_read'].sum():,} rows read: {files['accepted'].sum():,} used,"
        f" {files['refused'].sum():,} refused, {files['duplicate'].sum():,} duplicate,"
        f" {files['superseded'].sum():,} superseded"
    )


def _film(bench: Workbench) -> str:
    usable = bench.read("records", ["usable"])["usable"].sum()
    return (
        f"{bench.count('mixes'):,} cups, {bench.count('film_increments'):,} film increments,"
        f" {bench.count('records'):,} records, {usable:,} of them usable"
    )


def _transfer_found(bench: Workbench) -> str:
    usable = int(bench.read("records", ["usable"])["usable"].sum())
    cells = bench.read("transfer_by_pair", ["estimate"])
    return f"{usable:,} usable records, {cells['estimate'].count():,} of {cells.height:,} pairs estimated"


def _ledger_found(bench: Workbench) -> str:
    return f"{bench.count('material_ledger'):,} lines, {sum(step.group == 'ledger' for step in STEPS)} tables"


def _decisions_found(bench: Workbench) -> str:
    return f"{bench.count('practice_cards'):,} practice cards, {bench.count('mix_guide'):,} lines of the mix guide"


FINDINGS: dict[str, Callable[[Workbench], str]] = {
    "intake": _intake, "film": _film, "transfer": _transfer_found, "ledger": _ledger_found,
    "decisions": _decisions_found,
}  # fmt: skip
