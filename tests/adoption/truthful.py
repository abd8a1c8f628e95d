# ruff: noqa: E501
"""An owner who answers every question by what is true of the folder, and the comparison of what was read with what is true."""

from __future__ import annotations

from typing import Any

import polars as pl

from pipelines.intake.bringing_together.merge import merge
from pipelines.intake.reading import layout, notes, read
from pipelines.intake.reading.files import Source
from pipelines.intake.recognising import adopt
from pipelines.intake.recognising.questions import ABSENT, NONE, Answers, Question
from tests.adoption.drawer import Folder

Truth = dict[tuple[str, str], dict[str, dict[str, dict[str, Any]]]]


def answer(question: Question, truth: Truth) -> Any:
    """What the owner says; '?' where the truth knows nothing of it (the test fails on that)."""
    if question.kind == "register":
        return "tarnwick"
    per_sheet = truth.get((question.files[0], question.sheet)) or truth.get((question.files[0], ""))
    if per_sheet is None:
        return "?"
    if question.kind == "tables":
        return list(per_sheet)
    if question.kind == "unused":
        true = {
            f"{s} = {t}.{c}" for t, of in per_sheet.items() for c, how in of.items() for s in how.get("sources", ())
        }
        return [option for option, _ in question.options if option in true] or NONE
    how = per_sheet.get(question.table, {}).get(question.column)
    if question.kind == "source":
        return (
            ABSENT
            if how is None
            else how["constant"]
            if "constant" in how
            else how["sources"]
            if len(how["sources"]) > 1
            else how["sources"][0].removeprefix("@")
        )
    if how is None:
        return "?"
    if question.kind == "values":
        return {cell: how["values"][cell] for cell in question.values if cell in how.get("values", {})}
    return how.get(question.kind, {"weights": "incremental", "tare": "none"}.get(question.kind, "?"))


def adopted(
    folder: Folder, wrong: dict[tuple[str, str, str], Any] | None = None
) -> tuple[adopt.Look, list[tuple[Question, Any]]]:
    """Look, answer all that is asked, look again, until nothing is asked. `wrong`: (kind, table, column) -> a wrong answer."""
    sources = [Source(name, content=data) for name, data in folder.files.items()]
    others = [read.read_file(Source(name, content=text.encode()), []) for name, text in folder.registers.items()]
    answers, given = Answers(), []
    exports = adopt.Exports.of(sources, others)
    for _ in range(8):
        found = exports.look(answers)
        if not found.questions:
            break
        for question in found.questions:
            said = (wrong or {}).get((question.kind, question.table, question.column), answer(question, folder.truth))
            answers.give(question, said)
            given.append((question, said))
    return exports.tried(answers), given


def taken_in(folder: Folder, layouts: dict[str, str]) -> Any:
    """The folder as a run would read it with these layouts and its registers."""
    found = layout.load({f"{n}.toml": t for n, t in layouts.items()})
    every = {**folder.files, **{n: t.encode() for n, t in folder.registers.items()}}
    found = notes.with_notes(found, [Source(n, content=b) for n, b in every.items()])
    reads = [read.read_file(Source(n, content=b), found) for n, b in every.items()]
    return merge(reads, read.Options(), lambda file, lines: dict.fromkeys(lines, ""))


#: columns that no figure hangs on, or that only name things; and numbers that only order rows
FREE = set(
    "mix_id job_id pour_no reading_no target_g shop_id line_no cleaning_no document_no colour_id row col".split()
)


def differences(folder: Folder, tables: dict[str, pl.DataFrame], relative: float = 1e-8) -> list[str]:
    """Where what was read differs from what is true: names of cups and jobs are free."""
    out = []
    mine, theirs = named(tables), named(folder.canonical)
    for table, true in theirs.items():
        got = mine.get(table)
        columns = [c for c in true.columns if c not in FREE]
        if lacking := [c for c in columns if c not in got.columns]:
            out.append(f"{table}: no {', '.join(lacking)}")
            continue
        if got is None or got.height != true.height:
            out.append(f"{table}: {0 if got is None else got.height} rows for {true.height}")
            continue
        order = [c for c in columns if true.schema[c] != pl.Float64] + [
            c for c in columns if true.schema[c] == pl.Float64
        ]
        true = true.select(columns).with_columns(pl.col(pl.Float64).round_sig_figs(10))
        got = got.select(pl.col(c).cast(true.schema[c]) for c in columns).with_columns(
            pl.col(pl.Float64).round_sig_figs(10)
        )
        a, b = true.sort(order, nulls_last=True), got.sort(order, nulls_last=True)
        for c in columns:
            if true.schema[c] == pl.Float64:
                off = (a[c] - b[c]).abs() > relative * a[c].abs() + 1e-11
                bad = int(off.fill_null(False).sum()) + int((a[c].is_null() != b[c].is_null()).sum())
            else:
                bad = int((a[c].ne_missing(b[c])).sum())
            if bad:
                out.append(f"{table}.{c}: {bad} of {a.height} differ")
    return out


def named(tables: dict[str, pl.DataFrame]) -> dict[str, pl.DataFrame]:
    """Cups and jobs named by what they are: when and how much was poured, when their steps began."""
    cup, job = None, None
    if "pours" in tables and tables["pours"].height:
        cup = tables["pours"].group_by("mix_id").agg(
            pl.concat_str(pl.col("poured_at").min().dt.strftime("%F %R"), pl.col("weighed_g").sum().round(4).cast(pl.String), pl.col("component_id").sort().str.join("+"), separator=" ").alias("@cup")
        )  # fmt: skip
    if "operations" in tables and tables["operations"].height:
        job = tables["operations"].group_by("job_id").agg(
            pl.concat_str(pl.col("started_at").min().dt.strftime("%F %R"), pl.col("started_at").max().dt.strftime("%F %R"), pl.len().cast(pl.String), separator=" ").alias("@job")
        )  # fmt: skip
    out = {}
    for name, frame in tables.items():
        if cup is not None and "mix_id" in frame.columns:
            frame = frame.join(cup, on="mix_id", how="left")
        if job is not None and "job_id" in frame.columns:
            frame = frame.join(job, on="job_id", how="left")
        out[name] = frame
    return out
