"""What readers get: every published table as packed parquet, a spreadsheet and a table of one database file; the pages; what a
hand-out is made from. And the step that puts the finished set in force.

Not here: which tables are published (schemas), how they come about (steps), pages and hand-outs (reports), how a file is
written (workspace).
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from functools import partial, wraps
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar, cast

from pipelines import database, forgetting, steps, workspace
from pipelines import run as runs
from pipelines.run import Run
from pipelines.transfer.decisions import trials
from pipelines.workbench import PIECE, PUBLISHED_DIGITS, Tables, Workbench, rounded, write_out
from pipelines.workspace import Workspace, WorkspaceError
from reports import handouts, wording
from reports.veil import Veil
from schemas import described, published, registers, validate

if TYPE_CHECKING:
    import polars as pl

    from pipelines.settings import Settings

Making = TypeVar("Making", bound=Callable[..., Any])
MOST_ROWS = 1_048_575  # below the header of a sheet with 2^20 lines; no spreadsheet opens more
FEW_ROWS = 20  # fewer may well be half of them tomorrow
PUBLISHED = tuple(name for name in steps.BY_TABLE if name in published.PUBLISHED)
SHOWN = (*PUBLISHED, *registers.REGISTERS, "packs", "target_metals", "target_metal_compounds")
# registers and limits that hand-outs and the sites of single readers name
QUOTED = tuple(name for name in dict.fromkeys((*handouts.TABLES, *SHOWN)) if name not in PUBLISHED)


def pages(run: Run) -> dict[str, bytes]:
    """The files of the site, by their path in it."""
    from reports import site

    with run.timed("pages"):
        veil = _veil(run)
        return site.build(
            Seen(run.bench, veil) if veil and veil.called else Tables(run.bench), run.settings.model_dump()
        )


def publish(run: Run) -> tuple[int, dict[str, Any]]:
    """Write the set being built, its pages drawn beside as far as the workbench says, and put it in force, if the folder still holds
    what was read. Returns how many pages it has, and the headline numbers.

    Raises WorkspaceError where a file changed, came or went meanwhile, or tables are of different times.
    """
    behind = sorted(step.name for step in steps.STEPS if not steps.is_current(step, run))
    if behind:
        raise WorkspaceError(
            f"{', '.join(behind[:5])} {'is' if len(behind) == 1 else 'are'} not up to date with what the folder holds, so"
            " nothing was published. Run everything."
        )
    run.transfer_model = None  # the decisions were the last to ask for it, and of 200,000 cups it takes 130 MB
    with ThreadPoolExecutor(run.bench.at_once) as threads:
        drawn, written = threads.submit(pages, run), threads.submit(_tables, run)
        site, manifest = drawn.result(), written.result()
    n = sum(path.endswith(".html") for path in site)
    with run.timed("results"):
        for path, content in sorted(site.items()):  # after the tables: what is written comes in one order
            workspace.write_bytes(run.space, f"site/{path}", content)
        run.tell("pages", f"{n} pages, {sum(map(len, site.values())) / 1e6:.1f} MB")
        runs.unchanged(run)
        workspace.publish(run.space, manifest, run.settings.engine.earlier_results)
        if run.keys:  # what this run did not read anew or look up may still be wanted
            workspace.forget_reads(run.space, run.keys)
    run.tell("results", f"{len(PUBLISHED)} tables in {run.space.out}")
    return n, manifest["headline"]


def _tables(run: Run) -> dict[str, Any]:
    """Write the tables into the set being built; returns what is said of the set."""
    with run.timed("results"):
        contents = {name: run.bench.notes()[name].content for name in PUBLISHED}
        held, wrong = workspace.set_in_force(run.space)
        before = held or {}
        veil = _veil(run)
        written_by = f"{_written_by()} {veil.word if veil else ''}"
        as_before = wrong is None and before.get("written_by") == written_by and before.get("contents")
        for name in PUBLISHED:
            _copy_out(run, name, bool(as_before) and before["contents"].get(name) == contents[name], veil)
        for name in QUOTED:
            workspace.write_basis(run.space, name, _seen(veil, name, run.bench.read(name)))
        for name, columns in trials.NEEDS.items():
            workspace.write_basis(run.space, name, _seen(veil, name, run.bench.read(name, list(columns))))
        refused = _seen(veil, "refused_rows", run.bench.read("refused_rows"))
        for (path,), rows in refused.group_by("file", maintain_order=True):
            workspace.write_csv(run.space, f"refused/{workspace.file_name_of(str(path))}.csv", [rows])
        _describe(run)
        told = headline(run, veil)
        files = run.bench.read("intake_files", ["file", "rows_read"])
        read = int(files.filter(files["file"].str.starts_with("inbox/"))["rows_read"].sum())
        had = int(before.get("rows", 0))
        if had >= FEW_ROWS:
            run.shrank("The files of inbox/ held", had, read, "rows that could be read")
        text = run.forgotten.text
        called = (lambda path: veil.path(text(path))) if veil else text
        return {
            "fingerprint": run.fingerprint, "headline": told, "contents": contents, "written_by": written_by,
            "settings": run.settings.model_dump(mode="json"), "rows": read,
            "aged": len(forgetting.aged(run)),
            "inputs": {called(path): content for path, content in run.contents.items()},
        }  # fmt: skip


def _describe(run: Run) -> None:
    """The database file of analysts, and what other programs can read of the spreadsheets."""
    building = run.space.building
    files = {name: building / "tables" / f"{name}.parquet" for name in PUBLISHED}
    files |= {name: building / "basis" / f"{name}.parquet" for name in (*registers.REGISTERS, "packs")}
    named = run.settings.pages.people == "label"
    workspace.write_database(run.space, partial(database.write, tables=files, named=named))
    sheets = {name: f"csv/{name}.csv" for name in PUBLISHED if run.bench.count(name) <= MOST_ROWS}
    package = described.datapackage(sheets, workspace.program_version(), run.settings.business.data_licence)
    workspace.write_bytes(run.space, "datapackage.json", package)


def _written_by() -> str:
    """The code that writes tables, as one word."""
    return workspace.code_digest(("schemas", "pipelines/workbench.py", "pipelines/workspace", "pipelines/results.py"))


def _veil(run: Run) -> Veil | None:
    """What takes names out of all that is published, where the settings say so."""
    pages = run.settings.pages
    called = partial(workspace.pseudonym, run.forgotten.key) if pages.people == "pseudonyms" else None
    return Veil(Tables(run.bench), None, called) if pages.veiled else None


class Seen(Tables):
    """Tables as whoever opens the results may see them."""

    def __init__(self, bench: Workbench, veil: Veil) -> None:
        super().__init__(bench)
        self.veil = veil

    def __getitem__(self, name: str) -> pl.DataFrame:
        return self.veil.over(name, super().__getitem__(name))

    def parts(self, name: str, columns: Sequence[str] | None = None) -> Iterator[pl.DataFrame]:
        for part in super().parts(name, columns):
            yield self.veil.over(name, part)


def _seen(veil: Veil | None, name: str, frame: pl.DataFrame) -> pl.DataFrame:
    """The table as whoever opens the results may see it."""
    return veil.over(name, frame) if veil else frame


def _copy_out(run: Run, name: str, linked: bool, veil: Veil | None = None) -> None:
    """One published table in the forms of single files; `linked`: the set in force has the same."""
    targets = [f"tables/{name}.parquet", *([f"csv/{name}.csv"] if run.bench.count(name) <= MOST_ROWS else [])]
    if linked and all(workspace.link_from_before(run.space, target) for target in targets):
        return

    def pieces() -> Iterator[pl.DataFrame]:
        return map(partial(_seen, veil, name), run.bench.pieces(name))

    held = [*pieces()] if run.bench.count(name) <= PIECE else None
    workspace.write_table(run.space, name, partial(write_out, name, held or pieces()))
    if len(targets) > 1:
        workspace.write_csv(run.space, targets[1], map(rounded, held or pieces()))


def _why_no_te(run: Run) -> str:
    """What a transfer efficiency would take, where there is none."""
    import polars as pl

    if not run.bench.count("film_increments"):
        return "that takes film readings before and after spraying"
    records = (
        run.bench.read("transfer_records", ["usable", "why_not"]).filter(~pl.col("usable"))["why_not"].drop_nulls()
    )
    reasons = records.str.split("; ").explode().value_counts().sort("count", "why_not", descending=[True, False])
    if not reasons.height:
        return "no film was read of what was sprayed"
    n = run.bench.count("transfer_records")
    return f"Of {n:,} records none can be used, most often: {reasons['why_not'][0]}"


def headline(run: Run, veil: Veil | None = None) -> dict[str, Any]:
    """The numbers of the closing paragraph, from the published tables. Masses in g of solids, ratios as such."""
    import polars as pl

    from pipelines.intake.bringing_together import doubts

    hush = veil.message if veil else str
    windows = _seen(veil, "limit_windows", run.bench.read("limit_windows"))
    files = run.bench.read("intake_files")
    months = run.bench.read("emissions_monthly", ["month", "complete"]).filter(~pl.col("complete"))["month"]
    totals = run.bench.read("totals")
    whole = pl.all_horizontal(pl.col(cut) == "all" for cut in ("shop_id", "role", "product_id", "period"))
    sums = next(totals.filter(whole).iter_rows(named=True), dict.fromkeys(totals.columns))
    poured = sums["poured_solids_g"]
    told = {
        "cups": run.bench.count("mixes"),
        "poured_solids_g": poured or 0.0,
        "useful_share": sums["useful_solids_g"] / poured if poured else None,
        "te": sums["te"],
        "left_share": sums["leftover_solids_g"] / poured if poured else None,
        "flushed_share": sums["flush_loss_solids_g"] / poured if poured else None,
        "no_te": hush(_why_no_te(run)) if sums["te"] is None else None,
        "te_low": sums["te_low"],
        "te_high": sums["te_high"],
        "not_split_share": sums["not_split_solids_g"] / poured if poured else None,
        "rows_read": int(files["rows_read"].sum()),
        "rows_used": int(files["accepted"].sum()),
        "duplicate_rows": int(files["duplicate"].sum()),
        "superseded_rows": int(files["superseded"].sum()),
        "refused_rows": int(files["refused"].sum()),
        "refused_files": files.filter(pl.col("state") == "refused").height,
        "incomplete_months": months.n_unique(),
        "breaches": [
            one
            | {
                "window_words": wording.window_word(one["period"], one["window"]),
                "measure_words": wording.measure_words(one["measure"], {}),
                "unit_words": wording.PERMIT_UNITS.get(one["unit"], one["unit"]),
            }
            for one in windows.filter("breached").sort("window", "shop_id", "measure").iter_rows(named=True)
        ],
        "doubts": [[hush(part) for part in one] for one in doubts.told(files)],
    }
    return {name: float(f"{one:.{PUBLISHED_DIGITS}g}") if isinstance(one, float) else one for name, one in told.items()}


# --- from the set in force --------------------------------------------------------------------------------------------


def in_force(space: Workspace) -> Path:
    """The folder of the set in force. Raises WorkspaceError where there is none."""
    folder = space.snapshot()
    if folder is None:
        raise WorkspaceError(f"{space.root}: there are no results yet; run: filmledger run {space.root}")
    return folder


def _locked(make: Making) -> Making:
    """What is made from the set in force, while no run replaces it."""

    @wraps(make)
    def alone(space: Workspace, *given: Any, **named: Any) -> Any:
        with workspace.lock(space):
            return make(space, *given, **named)

    return cast(Making, alone)


def settings_of(folder: Path) -> Settings:
    """The settings that the set was made with. Raises WorkspaceError."""
    from pydantic import ValidationError

    from pipelines.settings import Settings

    try:
        return Settings.model_validate(workspace.said_of(folder)["settings"])
    except (KeyError, ValidationError) as error:
        raise WorkspaceError(f"{folder} was made by another version of the program; run everything first.") from error


@_locked
def make_handout(
    space: Workspace, period: str | None, shops: list[str], people: str | None = None
) -> tuple[Path, bool, handouts.Handout]:
    """Make the hand-out of a period (None: the last twelve months) of all shops or those named; `people`: with an annex of their
    names or pseudonyms. Returns its folder, whether it differs from the one that was there (that of closed months stays as it was
    given), and what it says. Raises reports.handouts.PeriodError."""
    of = None if period is None else handouts.period(period)
    folder = in_force(space)
    tables = workspace.read_snapshot(folder, handouts.TABLES)
    made = handouts.build(
        tables, settings_of(folder).flat(), of or handouts.rolling(tables), shops=shops,
        before=lambda name: workspace.read_handout(space, f"{name}/{handouts.RECORD}"), people=people,
    )  # fmt: skip
    given = workspace.read_handout(space, f"{made.name}/{handouts.RECORD}") is not None
    if given and (made.same or handouts.is_closed(tables, made)):
        return space.handouts / made.name, False, made
    return workspace.keep_handout(space, made.name, handouts.files(made)), True, made


CLOSED = ("closed_figures", "closed_files")
SHA256 = 64  # signs of a fingerprint


@_locked
def close(space: Workspace, period: str, shops: list[str]) -> tuple[Path, list[str]]:
    """Keep the figures of a period's months as they are now, of all shops or those named, with the files that they come from,
    and make the period's hand-out. Returns its folder and the months. Raises reports.handouts.PeriodError."""
    import polars as pl

    of = handouts.period(period)
    tables = workspace.read_snapshot(in_force(space), ("reported_figures", *CLOSED))
    figures = tables["reported_figures"].filter(of.holds())
    figures = figures.filter(pl.col("shop_id").is_in(shops)) if shops else figures
    if figures.is_empty():
        raise handouts.PeriodError(f"There is no record of {of.label} that could be closed.")
    held = {name: tables[name].select(info.name for info in validate.columns(name)) for name in CLOSED}
    again = figures.join(held["closed_figures"], on=["shop_id", "month"], how="semi")["month"].unique().sort()
    if again.len():
        raise handouts.PeriodError(f"{', '.join(again)} is closed already; `filmledger reopen` opens it again.")
    folder, *_ = make_handout(space, period, shops)
    months = figures["month"].unique().sort()
    text = workspace.forgotten(space).text
    limit = settings_of(in_force(space)).intake.max_file_mb
    held_now = workspace.digests(workspace.inputs(space), limit).items()
    # as intake_files has it: what was not read, too large or closed to us, has no fingerprint
    read = [(text(path), word if len(word) == SHA256 else None) for path, word in held_now]
    read = [one for one in read if not one[0].startswith(("layouts/", "registers/closed_"))]
    files = pl.DataFrame(read, schema={"path": pl.String, "sha256": pl.String}, orient="row").join(
        months.to_frame(), how="cross"
    )
    files = files.join(held["closed_files"], on="month", how="anti")
    figures = figures.select(held["closed_figures"].columns)
    files = files.select(held["closed_files"].columns)
    _keep_closed(space, pl.concat([held["closed_figures"], figures]), pl.concat([held["closed_files"], files]))
    return folder, months.to_list()


@_locked
def reopen(space: Workspace, period: str, shops: list[str]) -> list[str]:
    """Forget what was kept of a period's months when they were closed. Returns them. Raises reports.handouts.PeriodError."""
    import polars as pl

    of = handouts.period(period)
    tables = workspace.read_snapshot(in_force(space), CLOSED)
    held = {name: tables[name].select(info.name for info in validate.columns(name)) for name in CLOSED}
    opened = of.holds() & (pl.col("shop_id").is_in(shops) if shops else pl.lit(True))
    months = held["closed_figures"].filter(opened)["month"].unique().sort()
    if not months.len():
        raise handouts.PeriodError(f"Nothing of {of.label} is closed.")
    left = held["closed_figures"].filter(~opened)
    _keep_closed(space, left, held["closed_files"].join(left, on="month", how="semi"))
    return months.to_list()


def _keep_closed(space: Workspace, figures: pl.DataFrame, files: pl.DataFrame) -> None:
    both = zip(CLOSED, (figures, files), strict=True)
    workspace.keep_sealed(
        space, {f"registers/{name}.csv": rows.sort(validate.keys(name)).write_csv().encode() for name, rows in both}
    )


@_locked
def make_site(space: Workspace, reader: str, person: str | None) -> Path:
    """Make the site of one reader (owner, environment, trainer, painter) from the set in force; returns its folder.

    Raises reports.audience.AudienceError where there is no such reader or no such person.
    """
    from reports import site

    folder = in_force(space)
    tables: dict[str, pl.DataFrame] = workspace.read_snapshot(folder, SHOWN)
    files = site.build(tables, settings_of(folder).model_dump(), reader, person=person)
    own = "_".join(["site", reader, *([workspace.file_name_of(person)] if person else [])])
    return workspace.keep_handout(space, own, files)
