# ruff: noqa: E501
"""Ten folders made by hand to look like what shops really have; the scenario behind them is the drawer's.

Each takes one difficulty: a step's own readings in its row, a sheet wide by component, leftovers among the pours, months as sheets of a
workbook, ids written otherwise in each file, notes that carry the job, pages with subtotals, an old balance, jobs split over columns.
"""

from __future__ import annotations

import io
from collections.abc import Callable

import polars as pl

from tests.adoption.drawer import Column, Folder, Grid, _as_written, _Shop


class _Hand(_Shop):
    """A shop with plain English marks, whose exports are set by hand."""

    def __init__(self, seed: int, **marks: str) -> None:
        super().__init__(seed, unseen=False)
        self.tables = dict(self.tables)
        plain = dict(language="en", decimal=".", delimiter=",", encoding="utf-8", header_style="plain", date="%d.%m.%Y", clock="%H:%M", unit_shown="(x)",
                     mass="g", film="um", area="m2", pressure="bar")  # fmt: skip
        for name, value in (plain | marks).items():
            setattr(self, name, value)
        self.split_time, self.by_label, self.inside = False, False, False
        jobs = self.tables["jobs"]["job_id"].to_list()
        self.job = {j: f"R{401 + i}" for i, j in enumerate(jobs)}

    def rows(self, table: str, *by: str) -> list[dict]:
        return self.tables[table].sort(*by).to_dicts() if by else self.tables[table].to_dicts()

    def done(self, name: str, grids: list[Grid], more: dict[str, tuple[bytes, dict]] | None = None) -> Folder:
        files, truth = {}, {}
        for grid in grids:
            grid.above, grid.total = [], None
            files[f"inbox/{grid.name}.csv"] = self.text(grid)
            truth[f"inbox/{grid.name}.csv", ""] = grid.truth()
        for path, (data, told) in (more or {}).items():
            files[path] = data
            for sheet, per in told.items():
                truth[path, sheet] = per
        tables = {t for per in truth.values() for t in per}
        canonical = {t: _as_written(self, t) for t in tables}
        return Folder(
            name,
            files,
            truth,
            canonical,
            {f"registers/{n}.csv": f.write_csv() for n, f in self.registers.items()},
            [name],
        )

    def work(self, draws: bool = True) -> list[Grid]:
        """Steps, with panels and draws in files of their own."""
        self.rng.seed(0)  # no lists in the steps' own rows
        steps = self.operations()
        assert not self.inside
        return [steps, self.panels(), *([self.draws()] if draws else [])]

    def plain(self) -> list[Grid]:
        return [self.pours(), self.leftovers(), self.jobs(), *self.work(), self.readings()]


def _at(value: object, form: str) -> str:
    return value.strftime(form) if value is not None else ""  # type: ignore[attr-defined]


def readings_in_the_job_log() -> Folder:
    """Start, finish and R1..R9 in one row for each panel of a step; nothing says which step a reading followed but its row."""
    s = _Hand(3)
    last = s.tables["operation_panels"].group_by("job_id", "panel_id").agg(pl.col("operation_no").max())
    readings = s.tables["readings"].filter(pl.col("after_operation") > 0).drop("row", "col")
    # one panel per step, so that the row is the step's
    first = (
        s.tables["operation_panels"]
        .filter(face="outer")
        .group_by("job_id", "operation_no")
        .agg(pl.col("panel_id").min())
    )
    stage = ["job_id", "panel_id", "after_operation"]
    readings = readings.join(first.rename({"operation_no": "after_operation"}), on=stage, how="semi")
    ends = s.tables["operations"].select("job_id", pl.col("operation_no").alias("after_operation"), "ended_at")
    readings = readings.sort(*stage, "reading_no").with_columns(reading_no=pl.int_range(1, pl.len() + 1).over(stage))
    readings = (
        readings.filter(pl.col("reading_no") <= 9)
        .join(ends, on=["job_id", "after_operation"])
        .with_columns(taken_at="ended_at")
        .drop("ended_at", "gauge_id")
    )
    s.tables["readings"] = readings
    s.tables["operation_panels"] = first.with_columns(shop_id=pl.lit("tarnwick")).select(
        "shop_id", "job_id", "operation_no", "panel_id"
    )
    del last
    s._drop("operations", "coats", "inlet_kpa", "tip_mm")
    by_step = {k: g["reading_um"].to_list() for k, g in readings.group_by("job_id", "after_operation")}
    panel = {(j, o): p for j, o, p in first.iter_rows()}
    lines = [
        "Job,Line,What was done,Sanding,Start,Finish,Painter,Gun,Paint,Panel," + ",".join(f"R{i}" for i in range(1, 10))
    ]
    for r in s.rows("operations", "job_id", "operation_no"):
        k = (r["job_id"], r["operation_no"])
        values = by_step.get(k, [])
        lines.append(",".join([s.job[r["job_id"]], str(r["operation_no"]), r["kind"], r["removal"] or "", _at(r["started_at"], "%d.%m.%Y %H:%M"), _at(r["ended_at"], "%d.%m.%Y %H:%M"),
                               r["technician_id"] or "", r["gun_id"] or "", r["product_id"] or "", panel.get(k, ""), *[repr(v) for v in values], *[""] * (9 - len(values))]))  # fmt: skip
    truth = {
        "operations": {},
        "operation_panels": {},
        "readings": {"reading_um": {"sources": [f"R{i}" for i in range(1, 10)], "unit": "um"}},
    }
    return s.done(
        "readings in the job log",
        [s.pours(), s.leftovers(), s.jobs(), s.draws()],
        {"inbox/joblog.csv": (("\n".join(lines) + "\n").encode(), {"": truth})},
    )


def wide_by_component() -> Folder:
    """A row for each cup, a column for each component, what came back at its end."""
    s = _Hand(5)
    pours = (
        s.tables["pours"]
        .group_by("mix_id", "component_id", maintain_order=True)
        .agg(pl.exclude("weighed_g").first(), pl.col("weighed_g").sum())
    )
    s.tables["pours"] = pours.drop("target_g", "technician_id").with_columns(
        poured_at=pl.col("poured_at").min().over("mix_id")
    )
    s._drop("leftovers", "fate")
    left = dict(s.tables["leftovers"].select("mix_id", "leftover_g").iter_rows())
    components = sorted(pours["component_id"].unique())
    lines = [";".join(["Cup", "Mixed at", "Paint", *(f"{c} (g)" for c in components)])]
    for (m,), g in s.tables["pours"].group_by("mix_id", maintain_order=True):
        by = dict(g.select("component_id", "weighed_g").iter_rows())
        lines.append(
            ";".join(
                [
                    s.cup[m],
                    _at(g["poured_at"][0], "%d.%m.%Y %H:%M"),
                    g["product_id"][0],
                    *(repr(by[c]) if c in by else "" for c in components),
                ]
            )
        )
    del left
    truth = {
        "pours": {"weighed_g": {"sources": [f"{c} (g)" for c in components], "unit": "g", "weights": "incremental"}}
    }
    return s.done(
        "wide by component",
        [s.leftovers(), s.jobs(), *s.work(), s.readings()],
        {"inbox/mixes.csv": (("\n".join(lines) + "\n").encode(), {"": truth})},
    )


def leftovers_among_pours() -> Folder:
    """One file of the balance: rows of mixing and rows of weighing back."""
    s = _Hand(7)
    s._drop("pours", "target_g", "technician_id")
    s._drop("leftovers", "fate")
    rows = [
        (r["poured_at"], "MIX", s.cup[r["mix_id"]], r["product_id"], r["component_id"], r["weighed_g"])
        for r in s.rows("pours")
    ]
    rows += [(r["weighed_at"], "RETURN", s.cup[r["mix_id"]], "", "", r["leftover_g"]) for r in s.rows("leftovers")]
    rows.sort(key=lambda r: r[0])
    lines = [
        "When,Type,Ticket,Paint,Tin,Net weight (g)",
        *(f"{_at(a, '%Y-%m-%d %H:%M')},{k},{c},{p},{t},{w!r}" for a, k, c, p, t, w in rows),
    ]
    truth = {"pours": {}, "leftovers": {}}
    return s.done(
        "leftovers among the pours",
        [s.jobs(), *s.work(), s.readings()],
        {"inbox/balance.csv": (("\n".join(lines) + "\n").encode(), {"": truth})},
    )


def months_as_sheets() -> Folder:
    """A workbook with a sheet a month: dates as texts, numbers as texts with a comma, a title and an empty row above."""
    import xlsxwriter

    s = _Hand(9)
    s._drop("pours", "target_g", "technician_id")
    out = io.BytesIO()
    with xlsxwriter.Workbook(out) as book:
        for month, g in (
            s.tables["pours"]
            .sort("poured_at", "mix_id", "pour_no")
            .with_columns(month=pl.col("poured_at").dt.strftime("%Y-%m"))
            .group_by("month", maintain_order=True)
        ):
            sheet = book.add_worksheet(month[0])
            sheet.write(0, 0, f"Mischprotokoll {month[0]}")
            for j, h in enumerate(["Becher", "Datum", "Uhrzeit", "Lack", "Komponente", "Einwaage (g)"]):
                sheet.write(2, j, h)
            for i, r in enumerate(g.iter_rows(named=True)):
                cells = [
                    s.cup[r["mix_id"]],
                    _at(r["poured_at"], "%d.%m.%Y"),
                    _at(r["poured_at"], "%H:%M"),
                    r["product_id"],
                    r["component_id"],
                    repr(r["weighed_g"]).replace(".", ","),
                ]
                for j, c in enumerate(cells):
                    sheet.write_string(3 + i, j, c)
    names = [f"2025-{m:02d}" for m in (3, 4)]
    truth = {n: {"pours": {"weighed_g": {"sources": ["Einwaage (g)"], "unit": "g"}}} for n in names}
    return s.done(
        "months as sheets",
        [s.leftovers(), s.jobs(), *s.work(), s.readings()],
        {"inbox/mischbuch.xlsx": (out.getvalue(), truth)},
    )


def ids_otherwise() -> Folder:
    """The job is R-00401 in the office, 401 in the booth and 'R401' at the gauge; cups with zeros in front on the balance alone."""
    s = _Hand(11)
    bare = {j: v.removeprefix("R") for j, v in s.job.items()}
    cups = {m: f"{i + 1201}" for i, m in enumerate(s.cup)}
    s.cup = {m: v.zfill(8) for m, v in cups.items()}
    pours = s.pours()
    s.cup = cups
    left = s.leftovers()
    s.job = {j: f"R-{v:0>5}" for j, v in bare.items()}
    jobs = s.jobs()
    s.job = bare
    work = s.work()
    s.job = {j: f"R{v}" for j, v in bare.items()}
    return s.done("ids written otherwise", [pours, left, jobs, *work, s.readings()])


def jobs_in_notes() -> Folder:
    """No list of draws: the balance has a remark that carries the job among words."""
    s = _Hand(13)
    job_of = dict(s.tables["draws"].group_by("mix_id").agg(pl.col("job_id").first()).iter_rows())
    kept = (
        s.tables["pours"]
        .filter(pl.col("mix_id").is_in(list(job_of)))
        .with_columns(job_id=pl.col("mix_id").replace_strict(job_of, default=None))
    )
    s.tables["pours"] = kept.drop("target_g", "technician_id")
    s.tables["leftovers"] = s.tables["leftovers"].filter(pl.col("mix_id").is_in(list(job_of)))
    lines = ["Cup no.,Logged at,Finish,Article,Net weight (g),Remark"]
    for r in s.rows("pours", "poured_at", "mix_id", "pour_no"):
        lines.append(
            f"{s.cup[r['mix_id']]},{_at(r['poured_at'], '%Y-%m-%d %H:%M')},{r['product_id']},{r['component_id']},{r['weighed_g']!r},for {s.job[r['job_id']]} rush"
        )
    truth = {"pours": {"job_id": {"sources": ["Remark"]}}}
    return s.done(
        "jobs in notes",
        [s.leftovers(), s.jobs(), *s.work(draws=False), s.readings()],
        {"inbox/scale.csv": (("\n".join(lines) + "\n").encode(), {"": truth})},
    )


def pages_with_subtotals() -> Folder:
    """A printed list: a line for each cup, a sum below it, the header again on each page."""
    s = _Hand(17, decimal=",", delimiter=";")
    s._drop("pours", "target_g", "technician_id")
    lines = ["Mischliste vom 01.05.2025", "", "Komponente;Menge [g];gewogen am"]
    count = 0
    for (m,), g in s.tables["pours"].sort("poured_at", "mix_id", "pour_no").group_by("mix_id", maintain_order=True):
        lines.append(f"Becher {s.cup[m]} ({g['product_id'][0]});;")
        for r in g.iter_rows(named=True):
            lines.append(
                f"{r['component_id']};{repr(r['weighed_g']).replace('.', ',')};{_at(r['poured_at'], '%d.%m.%Y %H:%M')}"
            )
        lines.append(f"Summe;{repr(float(g['weighed_g'].sum())).replace('.', ',')};")
        count += 1
        if count % 20 == 0:
            lines.append("Komponente;Menge [g];gewogen am")
    truth = {"pours": {"mix_id": {"sources": ["@becher"]}, "product_id": {"sources": ["@about"]}}}
    return s.done(
        "pages with subtotals",
        [s.leftovers(), s.jobs(), *s.work(), s.readings()],
        {"inbox/liste.csv": (("\n".join(lines) + "\n").encode(), {"": truth})},
    )


def old_balance() -> Folder:
    """Ounces with the cup on the balance, years of two digits, half days, UTF-16 with tabs, units in a row of their own."""
    s = _Hand(19, mass="oz")
    s._drop("pours", "target_g", "technician_id")
    lines, before = ["TICKET\tDATE\tTIME\tPAINT\tTIN\tGROSS\tTARE", "\t\t\t\t\toz\toz"], {}
    for r in s.rows("pours", "poured_at", "mix_id", "pour_no"):
        before[r["mix_id"]] = before.get(r["mix_id"], 0.0) + r["weighed_g"]
        lines.append(
            "\t".join(
                [
                    s.cup[r["mix_id"]],
                    _at(r["poured_at"], "%m/%d/%y"),
                    _at(r["poured_at"], "%I:%M %p"),
                    r["product_id"],
                    r["component_id"],
                    s.number(before[r["mix_id"]] + 31.5, "oz", "g"),
                    s.number(31.5, "oz", "g"),
                ]
            )
        )
    truth = {
        "pours": {"weighed_g": {"sources": ["GROSS"], "unit": "oz", "weights": "cumulative_with_tare", "tare": "TARE"}}
    }
    return s.done(
        "an old balance",
        [s.leftovers(), s.jobs(), *s.work(), s.readings()],
        {"inbox/BAL0405.TXT": (("\r\n".join(lines) + "\r\n").encode("utf-16"), {"": truth})},
    )


def jobs_over_two_columns() -> Folder:
    """The job log writes year and number apart, the others write 2025-0401."""
    s = _Hand(21)
    s.job = {j: f"2025-{i + 401:04d}" for i, j in enumerate(s.job)}
    grids = s.plain()
    ops = next(g for g in grids if g.name == "operations")
    at = next(c for c in ops.columns if any(n == "job_id" for _, n, _ in c.truth))
    truth = list(at.truth)
    year, number = (
        Column("Year", [c.split("-")[0] for c in at.cells], truth),
        Column("Number", [c.split("-")[1] for c in at.cells], truth),
    )
    i = ops.columns.index(at)
    ops.columns[i : i + 1] = [year, number]
    return s.done("jobs over two columns", grids)


def units_in_cells() -> Folder:
    """Every weight with its unit in the cell, thousands with a point, the film too."""
    s = _Hand(23, decimal=",", delimiter=";")
    s._drop("pours", "target_g", "technician_id")
    lines = ["Charge;Zeitstempel;Lack;Stoff;Einwaage"]
    for r in s.rows("pours", "poured_at", "mix_id", "pour_no"):
        lines.append(
            f"{s.cup[r['mix_id']]};{_at(r['poured_at'], '%d.%m.%Y %H:%M:%S')};{r['product_id']};{r['component_id']};{repr(r['weighed_g']).replace('.', ',')} g"
        )
    truth = {"pours": {"weighed_g": {"sources": ["Einwaage"], "unit": "g", "weights": "incremental"}}}
    return s.done(
        "units in cells",
        [s.leftovers(), s.jobs(), *s.work(), s.readings()],
        {"inbox/waage.csv": (("\n".join(lines) + "\n").encode(), {"": truth})},
    )


FOLDERS: list[Callable[[], Folder]] = [
    readings_in_the_job_log, wide_by_component, leftovers_among_pours, months_as_sheets, ids_otherwise, jobs_in_notes, pages_with_subtotals, old_balance,
    jobs_over_two_columns, units_in_cells,
]  # fmt: skip
