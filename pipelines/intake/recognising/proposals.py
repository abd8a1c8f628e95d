"""Layouts out of matches: what is taken with its evidence, what must be asked, and what answers change.

`drafted` is a function of the shapes, what is known and the answers given: the same again whenever an answer is added.
"""

from __future__ import annotations

import contextlib
import dataclasses
import re
from dataclasses import dataclass, field
from datetime import datetime
from itertools import pairwise
from typing import Any, get_args

from pipelines import units
from pipelines.intake.reading import layout
from pipelines.intake.recognising import words
from pipelines.intake.recognising.columns import Column, complete, grouped
from pipelines.intake.recognising.matching import (
    ALONG,
    CORE,
    NUMBERED,
    TABLES,
    Candidate,
    Matcher,
    Steps,
    TableMatch,
    closed,
    fitting_units,
    infos,
    inside_unit,
    part_of_one,
    rising,
    runs_on,
    tare_like,
)  # fmt: skip
from pipelines.intake.recognising.opening import Opened
from pipelines.intake.recognising.questions import ABSENT, AS_LISTED, NEWEST_FIRST, NONE, Answers, Question
from pipelines.intake.recognising.shapes import REGISTER_OF, Joins, Known, Shape, beside_notes, key, parts_of, pooled
from pipelines.toml_texts import quoted as _q
from schemas.vocabulary import ColumnInfo

#: optional columns that figures hang on: asked for where a column without a use could be meant
FIGURES = {
    "operation_panels": ["area_m2", "covered_fraction"],
    "draws": ["share"],
    "cleaning": ["recovered_g"],
    "operations": ["coats", "inlet_kpa"],
}


#: units that mean different amounts in different places
AMBIGUOUS = {
    "gal": ["gal_us", "gal_imp"], "fl_oz": ["fl_oz_us", "fl_oz_imp"], "floz": ["fl_oz_us", "fl_oz_imp"],
    "ton": ["ton_us", "tonne"], "t": ["tonne", "ton_us"],
}  # fmt: skip


@dataclass
class Made:
    """One column of ours as the layout makes it: TOML value, evidence, the header names it uses."""

    toml: str
    evidence: str
    sources: tuple[str, ...] = ()


@dataclass
class Draft:
    """What is proposed for one shape. `tables`: table -> column -> Made, with `extras` (lines of [[tables]]); `questions` open;
    `unused` headers with why; `nothing` why it is read by no table."""

    shape: Shape
    tables: dict[str, dict[str, Made]] = field(default_factory=dict)
    extras: dict[str, list[tuple[str, str]]] = field(default_factory=dict)
    questions: list[Question] = field(default_factory=list)
    unused: dict[str, str] = field(default_factory=dict)
    months: str = "en"
    nothing: str = ""
    match_name: str | None = None

    def toml(self) -> str:
        """The layout's text with its evidence as comments."""
        first = self.shape.first
        out = [f"# Proposed by `filmledger adopt` from {self.shape.name}. Each line says why.", "", "[file]"]
        if self.match_name:
            out.append(f"match_name = {_q(self.match_name)}  # another layout fits the same header")
        keys: dict[str, tuple[str, str]] = {}
        for part in self.shape.parts:
            for name, found in part.file.items():
                if name not in keys or name == "header_line":
                    keys[name] = found
        if first.sheet and re.search(r"\d", first.sheet) and len({p.sheet for p in self.shape.parts}) > 1:
            keys["sheet"] = (_q(re.sub(r"\d+", "*", first.sheet)), "sheets of one form")
        out += [f"{name} = {value}  # {why}" for name, (value, why) in keys.items()]
        if self.shape.note:
            out.append(f"note = {self.shape.note[0]}  # {self.shape.note[1]}")
        if self.shape.newest_first:
            why = self.shape.newest_first
            out.append(f'order = "newest_first"  # {why if why == "your answer" else why + " falls from row to row"}')
        if self.months != "en":
            out.append(f"months = {_q(self.months)}  # the language of month names")
        if any("%y" in m.toml for made in self.tables.values() for m in made.values()):
            out.append("century = 1970  # years of two digits: 70-99 are read as 19.., 00-69 as 20..")
        for table, made in self.tables.items():
            out += ["", "[[tables]]", f'table = "{table}"']
            out += [f"{line}  # {why}" if why else line for line, why in self.extras.get(table, [])]
            out += ["", "[tables.columns]"]
            out += [f"{name} = {m.toml}  # {m.evidence}" for name, m in made.items()]
        if self.unused:
            out += ["", *(f"# not used: {_q(name)} ({why})" for name, why in self.unused.items())]
        return "\n".join(out) + "\n"


@dataclass
class Inbox:
    """All that does not hang on answers: shapes, how their ids join, parts of texts."""

    shapes: list[Shape]
    known: Known
    joins: Joins
    parts: dict[int, list[Column]]
    steps: Steps
    notes: dict[str, str] = field(default_factory=dict)  # name of a note -> the shape that it stands beside

    @staticmethod
    def of(opened: list[Opened], known: Known) -> Inbox:
        shapes = pooled(opened)
        joins = Joins(shapes, known)
        shapes, notes = beside_notes(shapes, joins)
        if notes:
            joins = Joins(shapes, known)
        jobs, mixes, panels = _ids(shapes, joins, known)
        parts = {id(s): parts_of(s, joins, jobs, mixes, panels) for s in shapes}
        steps = _steps([Matcher(s, joins, known, parts[id(s)]) for s in shapes])
        return Inbox(shapes, known, joins, parts, steps, notes)


def drafted(inbox: Inbox, answers: Answers) -> list[Draft]:
    """A draft for each shape of an inbox."""
    shapers = [_Shaper(s, inbox.joins, inbox.known, inbox.parts[id(s)], inbox.steps, answers) for s in inbox.shapes]
    poured = _poured(shapers)
    return [s.draft(poured) for s in shapers]


@dataclass(frozen=True)
class Poured:
    """Cup (as `key` writes it) -> what was poured, in the export's own `unit` (None: not known yet)."""

    by_cup: dict[str, float] = field(default_factory=dict)
    unit: str | None = None


def _ids(shapes: list[Shape], joins: Joins, known: Known) -> tuple[set[str], set[str], set[str]]:
    jobs, mixes = {key(x) for x in known.ids.get("jobs", ())}, {key(x) for x in known.ids.get("mixes", ())}
    panels = {key(x) for x in known.ids.get("panels", ())}
    for shape in shapes:
        for column in shape.columns:
            job, mix = joins.job.get(id(column), 0.0), joins.mix.get(id(column), 0.0)
            if max(job, mix) >= 0.7 and abs(job - mix) > 0.2 and all(" " not in c for c in list(column.distinct)[:50]):
                (jobs if job >= mix else mixes).update(key(x) for x in column.distinct if not re.search(r"[+;/,&|]", x))
    return jobs, mixes, panels


def _steps(matchers: list[Matcher]) -> Steps:
    """(job, step) pairs of shapes that look like the job log."""
    out: set[tuple[str, int]] = set()
    for one in matchers:
        found = one.table("operations")
        if found.score <= 0 or "operation_no" not in found.taken or "job_id" not in found.taken:
            continue
        if "kind" in found.taken and found.taken["kind"][1].score >= 0.8:
            job, step = found.taken["job_id"][0], found.taken["operation_no"][0]
            out |= {(key(j), int(n)) for j, n in complete(job.cells, step.numbers)}
    return frozenset(out)


def _poured(shapers: list[_Shaper]) -> Poured:
    """What was poured into each cup, of the shape that looks like pours."""
    for one in shapers:
        found = one.tables.get("pours")
        if found is None or "weighed_g" not in found.taken or "mix_id" not in found.taken:
            continue
        cup, weight = found.taken["mix_id"][0], found.taken["weighed_g"][0]
        running = runs_on(cup, weight)
        out: dict[str, float] = {}
        for m, w in complete(cup.cells, weight.numbers):
            out[key(m)] = max(out.get(key(m), w), w) if running else out.get(key(m), 0.0) + w
        return Poured(out, one.unit("pours", infos("pours")["weighed_g"])[0] or weight.unit)
    return Poured()


class _Shaper:
    """One shape: chooses its tables, makes its columns, asks."""

    def __init__(
        self, shape: Shape, joins: Joins, known: Known, extra: list[Column], steps: Steps, answers: Answers
    ) -> None:
        self.shape, self.joins, self.known, self.answers = shape, joins, known, answers
        self.matcher = Matcher(shape, joins, known, extra, steps)
        self.draft_ = Draft(shape)
        self.row_kind = self._rows_of_two_kinds()
        self.apart = self._apart(steps) if self.row_kind else {}
        self.tables = self._tables()

    def _apart(self, steps: Steps) -> dict[str, Matcher]:
        """Pours and leftovers of one export, each looked at by its own rows."""
        assert self.row_kind is not None
        column, meanings = self.row_kind
        out = {}
        for table, kind in (("pours", "pour"), ("leftovers", "leftover")):
            at = [i for i, c in enumerate(column.cells) if c in meanings[kind]]
            columns = []
            for whole in self.shape.columns:
                one = dataclasses.replace(whole, cells=[whole.cells[i] for i in at])
                self.joins.alike(whole, one)
                columns.append(one)
            out[table] = Matcher(Shape(self.shape.parts, columns), self.joins, self.known, [], steps)
        return out

    # --- which tables

    def _tables(self) -> dict[str, TableMatch]:
        told = self.answers.find("tables", self.shape.files, self.shape.first.sheet)
        found = {t: self.matcher.table(t) for t in TABLES}
        ranked = sorted((m for m in found.values() if m.score > 0), key=lambda m: -m.score)
        if self.apart and told is None:
            both = {t: m.table(t) for t, m in self.apart.items() if m.shape.height}
            if all(m.score > 0 for m in both.values()):
                return both
            self.row_kind, self.apart = None, {}
        if told is not None:
            names = [n.strip() for one in _listed(told) for n in str(one).split(",")]
            if wrong := [n for n in names if n and n not in CORE and n not in layout.TABLES]:
                ask = f"What does {self.shape.name} hold? Name the tables that its rows feed, or [] for none."
                self.ask("tables", "", "", ask, [(n, "") for n in CORE], unfit=f"There is no table '{wrong[0]}'.")
                return {}
            return self._several([n for n in names if n], found)
        if not ranked:
            self._unrecognised(found)
            return {}
        best = ranked[0]
        names = [best.table, *(t for t in ALONG.get(best.table, ()) if self._along(best, t))]
        close = [
            m
            for m in ranked[1:]
            if m.table not in names
            and m.score > 0.8 * best.score
            and best.table not in ALONG.get(m.table, ())
            and m.table not in ALONG.get(best.table, ())
        ]
        weak = [n for n in CORE[best.table] if n in best.taken and best.taken[n][1].score < 0.6]
        if close or len(weak) >= 2:
            options = [
                (m.table, f"{len(m.taken)} columns fit, such as {', '.join(list(m.taken)[:4])}") for m in ranked[:5]
            ]
            ask = f"What does {self.shape.name} hold? Name the tables that its rows feed."
            self.ask("tables", "", "", ask, options)
        return self._several(names, found)

    def _several(self, names: list[str], found: dict[str, TableMatch]) -> dict[str, TableMatch]:
        out: dict[str, TableMatch] = {}
        for name in names:
            spent = frozenset().union(*(_spent(other, "kind", "removal") for other in out.values()))
            out[name] = self.matcher.table(name, spent) if out else found.get(name) or self.matcher.table(name)
        return out

    def _along(self, best: TableMatch, table: str) -> bool:
        """Whether the rows feed another table too: its core is there, with something of its own."""
        other = self.matcher.table(table, _spent(best))
        if other.score <= 0:
            return False
        own = [n for n in CORE[table] if n in other.taken and other.taken[n][0].header not in best.used]
        own += ["reading_um"] if other.wide and table == "readings" else []
        if table == "jobs":
            return "vehicle_class" in other.taken and other.taken["vehicle_class"][0].header not in best.used
        if not own:
            return False
        weak = [n for n in own if n in other.taken and other.taken[n][1].score < 0.9]
        if table == "leftovers":
            return "leftover_g" in own and self._left_over(best, other.taken["leftover_g"][0])
        if table == "operation_panels" and best.table == "readings":
            return False
        if table == "readings":
            reading = other.taken.get("reading_um")
            return bool(other.wide) or (reading is not None and reading[1].word >= 0.9 and reading[0].unit is not None)
        return not weak

    def _left_over(self, pours: TableMatch, column: Column) -> bool:
        """Whether a weight of the pours' rows is what was left of the cup: by its name; or, if asked, because it stands once for a
        cup and is always less than what was poured."""
        if words.meant(column.plain, words.listed(words.LEFT)) >= 0.9:
            return True
        if "mix_id" not in pours.taken or "weighed_g" not in pours.taken or column.filled > 0.7:
            return False
        poured: dict[str, float] = {}
        left: dict[str, list[float]] = {}
        cells = zip(pours.taken["mix_id"][0].cells, pours.taken["weighed_g"][0].numbers, column.numbers, strict=True)
        for cup, weight, back in cells:
            if cup is not None:
                poured[cup] = poured.get(cup, 0.0) + (weight or 0.0)
                left.setdefault(cup, []).extend([back] if back is not None else [])
        once = [(poured[cup], found[0]) for cup, found in left.items() if len(found) == 1]
        if len(once) < 5 or any(len(found) > 1 for found in left.values()) or len(column.distinct) < 0.5 * len(once):
            return False
        if any(back >= 0.98 * whole for whole, back in once):
            return False
        ask = (
            f"'{column.header}' of {self.shape.name} stands once for each cup and is less than what was poured: is it the leftover?"
            " Name the tables that the rows feed."
        )
        options = [("pours, leftovers", f"it is, such as {column.said[0]}"), ("pours", "it is something else")]
        self.ask("tables", "", "", ask, options)
        return False

    def _rows_of_two_kinds(self) -> tuple[Column, dict[str, list[str]]] | None:
        """A column that says of each row whether it is a pour or a leftover."""
        for column in self.shape.columns:
            if 2 <= len(column.distinct) <= 4 and column.filled > 0.95 and not column.numeric:
                meanings: dict[str, list[str]] = {}
                for c in sorted(column.distinct):
                    meanings.setdefault(words.closed("row", c) or "?", []).append(c)
                if set(meanings) == {"pour", "leftover"}:
                    return column, meanings
        return self._told_kinds()

    def _told_kinds(self) -> tuple[Column, dict[str, list[str]]] | None:
        """The same where no word tells: rows of one kind name no component, those of the others always do. Which are leftovers is
        asked."""
        component = next((c for c in self.shape.columns if self.joins.registered.get(id(c)) == "component_id"), None)
        if component is None or not 0.3 < component.filled < 0.98:
            return None
        for column in self.shape.columns:
            if column is component or column.numeric or column.filled < 0.95 or not 2 <= len(column.distinct) <= 6:
                continue
            named: dict[str, list[bool]] = {}
            for cell, what in zip(column.cells, component.cells, strict=True):
                if cell is not None:
                    named.setdefault(cell, []).append(what is not None)
            without = sorted(c for c, found in named.items() if sum(found) <= 0.03 * len(found))
            whole = sorted(c for c, found in named.items() if sum(found) >= 0.97 * len(found))
            if not without or not whole or len(without) + len(whole) < len(named):
                continue
            told = self.answers.find("where", self.shape.files, self.shape.first.sheet, "leftovers", column.header)
            told = told.get("is", []) if isinstance(told, dict) else told
            said = _listed(told)
            wrong = [c for c in said if c not in named and c != NONE]
            if told is None or wrong:
                ask = (
                    f"Rows of {self.shape.name} whose '{column.header}' is {' or '.join(without)} name no component: are they leftovers"
                    " that were weighed back?"
                )
                options = [(c, f"rows with {c} are leftovers") for c in without] + [(NONE, "they are something else")]
                unfit = f"No row has '{wrong[0]}' there." if wrong else ""
                self.ask("where", "leftovers", column.header, ask, options, source=column.header, unfit=unfit)
                return None
            left = [c for c in said if c in named]
            return column, {"pour": [c for c in named if c not in left and c not in without], "leftover": left}
        return None

    def _unrecognised(self, found: dict[str, TableMatch]) -> None:
        joined = [
            c
            for c in self.matcher.columns
            if max(self.joins.mix.get(id(c), 0), self.joins.job.get(id(c), 0)) >= 0.9
            or self.joins.registered.get(id(c))
        ]
        headers = ", ".join(c.header for c in self.shape.columns)
        if joined and self.shape.height >= 3:
            near = sorted(found.values(), key=lambda m: (-m.core, m.table))[:4]
            options = [(m.table, f"{', '.join(m.taken)} fit") for m in near if m.core]
            ask = f"What does {self.shape.name} hold? Name the tables that its rows feed, or [] for none."
            self.ask("tables", "", "", ask, options)
        self.draft_.nothing = f"nothing in it is recognised as one of our tables; its header: {headers}"

    # --- its columns

    def draft(self, poured: Poured) -> Draft:
        """The draft with all its questions."""
        draft = self.draft_
        if draft.questions:  # which tables it feeds comes first; the rest hangs on it
            return draft
        for table, match in self.tables.items():
            draft.tables[table], draft.extras[table] = {}, []
            _Maker(self, table, match, draft, poured).make()
        for table in list(draft.tables):
            lacking = [
                i.name
                for i in infos(table).values()
                if i.required and i.name not in draft.tables[table] and not _made_otherwise(i.name, draft.extras[table])
            ]
            absent = [n for n in lacking if self.answer("source", table, n) is not None]
            if absent:
                del draft.tables[table]
                draft.nothing = f"{table} cannot be read from it: there is no {', '.join(absent)}"
        for table in list(draft.tables)[1:]:
            self._where_filled(table)
        self._together(draft)
        self._unused(draft)
        return draft

    def _where_filled(self, table: str) -> None:
        """Rows of a second table are those in which its own columns are filled."""
        match, extras = self.tables[table], self.draft_.extras[table]
        first = {c.header for c, _ in next(iter(self.tables.values())).taken.values()}
        rules = []
        for name in CORE[table]:
            column = match.column(name)
            if (
                column
                and column.header not in first
                and column.filled < 1
                and not {"split", "columns"} & column.how.keys()
            ):
                rules.append(f"{{ column = {_q(column.header)}, filled = true }}")
        if rules and not match.wide:
            extras.append((f"where = [{', '.join(rules)}]", "rows in which it is filled"))

    def _together(self, draft: Draft) -> None:
        """What one table of the rows says for another: readings of a step's own row follow that step."""
        if "operations" in draft.tables and "readings" in draft.tables:
            steps, readings = draft.tables["operations"], draft.tables["readings"]
            for mine, theirs in (("after_operation", "operation_no"), ("taken_at", "ended_at")):
                if theirs in steps and "number_within" not in steps[theirs].toml:
                    readings[mine] = Made(
                        steps[theirs].toml, "read at the end of the row's own step", steps[theirs].sources
                    )
        if self.row_kind is not None and set(draft.tables) <= {"pours", "leftovers"}:
            column, meanings = self.row_kind
            for table, kind in (("pours", "pour"), ("leftovers", "leftover")):
                if not meanings[kind]:
                    continue
                listed = ", ".join(_q(c) for c in meanings[kind])
                draft.extras.setdefault(table, []).append(
                    (f"where = {{ column = {_q(column.header)}, is = [{listed}] }}", "the rows are of two kinds")
                )

    def _unused(self, draft: Draft) -> None:
        """What no table takes, each with its reason; numbers without one are asked about together, once all else is settled."""
        used = {s for made in draft.tables.values() for m in made.values() for s in m.sources}
        text = " ".join(line for lines in draft.extras.values() for line, _ in lines)
        rest = [c for c in self.shape.columns if c.header not in used and _q(c.header) not in text]
        options: list[tuple[str, str]] = []
        for column in rest:
            why = _why_unused(column, [c for c in self.shape.columns if c.header in used])
            if why is None:
                why = f"numbers from {min(column.values):g} to {max(column.values):g}"
                options += [
                    (f"{column.header} = {t}.{i.name}", f"{why}: {_about(i)}") for t, i in self._could_be(column)
                ]
                why += "; not one of the columns that are still free"
            draft.unused[column.header] = why
        if options and not any(q.kind in ("tables", "source") for q in draft.questions):
            ask = f"Nothing uses these columns of {self.shape.name}. Is one of them what is said beside it?"
            told = self.answer("unused", "", "")
            known = {o for o, _ in options} | {NONE}
            wrong = [one for one in _listed(told) if one not in known and self._takes_nothing(one)]
            unfit = f"'{wrong[0]}' is none of the options." if wrong else ""
            self.ask("unused", "", "", ask, [*options, (NONE, "no figure needs them")], unfit=unfit)

    def _takes_nothing(self, entry: str) -> bool:
        """Whether `header = table.column` names a column of ours that nothing was made of."""
        table, _, column = entry.rpartition(" = ")[2].partition(".")
        return column not in self.draft_.tables.get(table, {})

    def _could_be(self, column: Column) -> list[tuple[str, ColumnInfo]]:
        """The measured columns of our tables that are still free for it: by its unit and size, and not answered away."""
        return [
            (table, info)
            for table, made in self.draft_.tables.items()
            for info in infos(table).values()
            if info.kind == "float"
            and info.name not in made
            and not _made_otherwise(info.name, self.draft_.extras[table])
            and self.source(table, info.name) is None
            and _may_be(info, column)
        ]

    def source(self, table: str, column: str) -> Any:
        """The answered source of a column of ours; also where it was named among the columns that nothing used."""
        for entry in _listed(self.answer("unused", "", "")):
            header, _, target = str(entry).rpartition(" = ")
            if target == f"{table}.{column}":
                return header
        return self.answer("source", table, column)

    def unit(self, table: str, info: ColumnInfo) -> tuple[str | None, str]:
        """The unit answered for a column of ours, and why an answer that was given cannot be one."""
        told = self.answer("unit", table, info.name)
        if told is None:
            return None, ""
        quantities = {units.lookup(inside_unit(info) or "g").quantity, *(["volume"] if table == "pours" else [])}
        with contextlib.suppress(units.UnitError):
            if (unit := units.lookup(str(told))).quantity in quantities:
                return unit.name, ""
        return None, f"'{told}' is no unit of {' or '.join(sorted(quantities))}."

    def ask(
        self, kind: str, table: str, column: str, ask: str, options: list[tuple[str, str]], unfit: str = "", **more: Any
    ) -> None:
        """Ask, unless it is answered; `unfit` says why the answer that was given cannot be, and it is asked again. `more`: further
        fields of the Question."""
        if not unfit and self.answer(kind, table, column) is not None:
            return
        one = self.question(kind, table, column, f"{unfit} {ask}" if unfit else ask, options)
        self.draft_.questions.append(dataclasses.replace(one, **more))

    def question(self, kind: str, table: str, column: str, ask: str, options: list[tuple[str, str]]) -> Question:
        first, files, rows = self.shape.first, tuple(self.shape.files), tuple(self.shape.rows())
        return Question(kind, first.source.below, files, first.sheet, table, column, ask, tuple(options), rows)

    def answer(self, kind: str, table: str, column: str) -> Any:
        return self.answers.find(kind, self.shape.files, self.shape.first.sheet, table, column)


def _listed(told: Any) -> list[Any]:
    """An answer of one or of several, as several."""
    return [told] if isinstance(told, str) else list(told or [])


def _spent(match: TableMatch, *names: str) -> frozenset[str]:
    """The headers that give a table its measures and times, and those of the columns `names`."""
    ours = infos(match.table)
    taken = [c for n, (c, _) in match.taken.items() if n in names or ours[n].kind in ("float", "datetime", "date")]
    return frozenset({h for c in taken for h in c.heads} | {c.header for c in match.wide})


def _made_otherwise(name: str, extras: list[tuple[str, str]]) -> bool:
    return any(
        line.startswith("unpivot") and (f'into = "{name}"' in line or f"{name} = [" in line) for line, _ in extras
    )


def _why_unused(column: Column, used: list[Column]) -> str | None:
    """Why no table needs a column; None: it is numbers, and nothing explains them."""
    if not column.said:
        return "empty"
    if not column.numeric:
        return f"text such as {column.said[0][:30]}"
    if words.meant(column.plain, words.listed(words.IGNORED)) >= 0.9:
        return "no figure needs it"
    if column.constant:
        return f"{column.said[0]} on every row"
    if column.whole and all(b - a == 1 for a, b in pairwise(column.values)):
        return "numbers of the rows"
    for other in used:
        pairs = [(a, b) for a, b in zip(column.numbers, other.numbers, strict=True) if a and b]
        ratios = [a / b for a, b in pairs]
        if len(ratios) > 5 and max(ratios) - min(ratios) < 1e-3 * abs(max(ratios)):
            return f"always {ratios[0]:.4g} times {other.header}"
    return None


class _Maker:
    """The columns of one table: TOML and questions."""

    def __init__(self, shaper: _Shaper, table: str, match: TableMatch, draft: Draft, poured: Poured) -> None:
        self.shaper, self.table, self.match, self.draft, self.poured = shaper, table, match, draft, poured
        self.ours = infos(table)
        self.made = draft.tables[table]
        self.extras = draft.extras[table]
        self.matcher = shaper.apart.get(table, shaper.matcher)  # that of the rows which feed the table

    def make(self) -> None:
        self._answers_of_sources()
        for name, info in self.ours.items():
            if name in self.match.taken and name != self.match.wide_into:
                column, found = self.match.taken[name]
                self._take(info, column, found)
        if self.match.wide:
            self._unpivot()
        self._rest()

    def _answers_of_sources(self) -> None:
        """Put the sources that were answered in place of those that were found."""
        for name in self.ours:
            told = self.shaper.source(self.table, name)
            if told is None:
                continue
            if told == ABSENT or told is False:
                self.match.taken.pop(name, None)
                continue
            if isinstance(told, str) and told.startswith("="):
                self.match.taken.pop(name, None)
                self.made[name] = Made(f"{{ constant = {_q(told[1:].strip())} }}", "your answer")
                continue
            named = _listed(told)
            found = [self.shaper.shape.column(h) for h in named]
            heads = [c.header if c else h for c, h in zip(found, named, strict=True)]
            column = self._named(name, heads)
            if column is not None:
                for other in [
                    n
                    for n, (c, _) in self.match.taken.items()
                    if n != name and c.header == column.header and not c.part_of and not column.part_of
                ]:
                    self.match.taken.pop(other)
                self.match.taken[name] = (column, Candidate(9.0, ("your answer",), 1.0))
                if name == self.match.wide_into:
                    self.match.wide, self.match.wide_into = [], ""
            elif len(heads) > 1 and name in ("reading_um", "weighed_g"):
                self.match.wide = [c for c in found if c is not None]
                self.match.wide_into = name
                self.match.taken.pop(name, None)
            if column is None and (lost := [h for h, c in zip(named, found, strict=True) if c is None]):
                self._missing(self.ours[name], f"There is no column '{lost[0]}' in it.")

    def _named(self, name: str, heads: list[str]) -> Column | None:
        parts = [c for c in self.matcher.columns if c.part_of == name and [c.header] == heads]
        if parts:
            return parts[0]
        for column in self.matcher.columns:
            if not column.part_of and column.heads == heads:
                return column
        if len(heads) > 1 and self.ours[name].kind == "text":
            several = [self.shaper.shape.column(h) for h in heads]
            if all(several):
                cells = ["-".join(x or "" for x in row) for row in zip(*(c.cells for c in several if c), strict=True)]
                return Column(heads[0], list(cells), how={"columns": heads, "join": "-"})
        return None

    # --- one column

    def _take(self, info: ColumnInfo, column: Column, found: Candidate) -> None:
        name = info.name
        rivals = self.match.rivals.get(name, []) if found.score < 9 else []
        told = self.shaper.source(self.table, name)
        measured = name in CORE[self.table] or info.required
        if told is None and measured and rivals and found.word < 0.9 and rivals[0][1].score > found.score - 0.2:
            options = [
                (column.header, "; ".join(found.evidence)),
                *((c.header, "; ".join(f.evidence)) for c, f in rivals if not c.part_of),
                (ABSENT, ""),
            ]
            self._ask_source(info, list(dict.fromkeys(options)))
        if column.__dict__.get("unsure"):
            column = self._split(info, column)
        parts, sources = self._source(column)
        why = "; ".join(found.evidence) or f"column '{column.header}'"
        if info.kind in ("datetime", "date"):
            parts += self._format(info, column)
        elif info.kind == "float":
            parts += self._unit(info, column)
            if name in ("weighed_g", "leftover_g"):
                more, used = self._weights(name, column)
                parts += more
                sources += used
        elif info.values:
            parts += self._values(info, column)
        elif name in REGISTER_OF and self.table not in ("guns", "components", "products", "technicians"):
            parts += self._renamed(name, column)
        if name in ("mix_id", "job_id") and "columns" not in column.how:
            parts += self._alike(name, column)
        self.made[name] = Made(_table(parts), why, tuple(sources))

    def _split(self, info: ColumnInfo, column: Column) -> Column:
        """A column that may hold lists, split as it is answered."""
        told = self.shaper.answer("split", self.table, info.name)
        mark = str(column.how["split"])
        if told is None:
            several = next(c for c in self.shaper.shape.column(column.header).said if mark in c)  # type: ignore[union-attr]
            ask = f"Does '{column.header}' of {self.shaper.shape.name} list several in one cell, such as {several}? Name what stands between them."
            options = [(mark, f"{len(several.split(mark))} in {several}"), (NONE, "each cell names one")]
            self.ask("split", info.name, ask, options, source=column.header)
            return column
        how = {k: v for k, v in column.how.items() if k != "split"} | ({} if told == NONE else {"split": str(told)})
        return dataclasses.replace(column, how=how)

    def _source(self, column: Column) -> tuple[list[str], list[str]]:
        if "columns" in column.how:
            heads = column.heads
            parts = [f"columns = [{', '.join(_q(h) for h in heads)}]"]
            if column.how.get("join"):
                parts.append(f"join = {_q(column.how['join'])}")
            return parts, heads
        parts = [f"column = {_q(column.header)}"]
        if "split" in column.how:
            parts.append(f"split = {_q(column.how['split'])}")
        if "pattern" in column.how:
            parts.append(f"pattern = {_p(str(column.how['pattern']))}")
        return parts, [column.header]

    def _format(self, info: ColumnInfo, column: Column) -> list[str]:
        told = self.shaper.answer("format", self.table, info.name)
        if told is not None:
            forms = [(told if isinstance(told, str) else told[0], column.dates[0][1] if column.dates else "en")]
        else:
            forms = column.dates
        if not forms:
            self.ask("format", info.name, f"How are the times in '{column.header}' written?", [])
            return []
        if len(forms) > 1:
            forms = self._in_order(column, forms)
        if len(forms) > 1:
            options = [(f, f"{column.said[0]} is {_spoken(column, f, language)}") for f, language in forms]
            ask = f"Day and month in '{column.header}' cannot be told apart: how is {column.said[0]} meant?"
            self.ask("format", info.name, ask, options)
        form, language = forms[0]
        if language != "en":
            self.draft.months = language
        return [] if form in _PLAIN else [f"format = {_q(form)}"]

    @staticmethod
    def _in_order(column: Column, forms: list[tuple[str, str]]) -> list[tuple[str, str]]:
        """Logs are kept in the order of time: the reading that keeps it is meant, where the other breaks it."""

        def breaks(form: str, language: str) -> float:
            times: list[datetime] = [t for t in column.moments(form, language) if t is not None]
            return sum(b < a for a, b in pairwise(times)) / max(1, len(times) - 1)

        if len(column.distinct) < 8:
            return forms
        scored = sorted((breaks(f, language), f, language) for f, language in forms)
        return [(scored[0][1], scored[0][2])] if scored[0][0] < 0.02 and scored[1][0] > 0.05 else forms

    def _unit(self, info: ColumnInfo, column: Column) -> list[str]:
        inside = inside_unit(info)
        if inside is None:
            return []
        unit = self._unit_of(info, column, inside)
        return [] if unit == inside else [f"unit = {_q(unit)}"]

    def _unit_of(self, info: ColumnInfo, column: Column, inside: str) -> str:
        told, unfit = self.shaper.unit(self.table, info)
        if told:
            return told
        fits = fitting_units(info, column)
        if not unfit and (unit := self._unit_told(info, column, inside, fits)):
            return unit
        if column.unit:
            fits = AMBIGUOUS.get(column.unit[1:].lower().replace(" ", "_"), fits)
        elif units.lookup(inside).quantity == "mass":
            usual = ["g", "kg", "oz", "lb", "ml"] if self.table == "pours" else ["g", "kg", "oz", "lb"]
            fits = fits + [u for u in usual if u not in fits]
        options = [(u, f"the middle one of the values is {column.middle:g}") for u in fits or [inside]]
        ask = f"In which unit is '{column.header}' (such as {', '.join(column.said[:3])}) of {self.shaper.shape.name}?"
        self.ask("unit", info.name, ask, options, source=column.header, unfit=unfit)
        return (fits or [inside])[0]

    def _unit_told(self, info: ColumnInfo, column: Column, inside: str, fits: list[str]) -> str | None:
        """The unit that header, sizes or what stands beside it tell; None where it must be asked."""
        if column.unit and not column.unit.startswith("?"):
            return column.unit
        if column.header == info.name:  # our own names carry their unit
            return inside
        if column.unit:
            return None
        if units.lookup(inside).quantity == "mass":
            near = self._neighbour(info, column)  # "?": the same as that of the pours, which is being asked
            return inside if near == "?" else near
        return self._area_unit(column) if inside == "m2" else fits[0] if len(fits) == 1 else None

    def _area_unit(self, column: Column) -> str | None:
        """By the areas of the same panels in the register."""
        panel = self.match.column("panel_id")
        if panel is None or not self.matcher.known.areas:
            return None
        areas = {key(p): a for p, a in self.matcher.known.areas.items()}
        pairs = complete(panel.cells, column.numbers)
        ratios = sorted(v / areas[key(p)] for p, v in pairs if v and key(p) in areas)
        if len(ratios) < 3:
            return None
        middle = ratios[len(ratios) // 2]
        return next((u for u in ("m2", "ft2") if 0.5 < middle * units.factor(u, "m2") < 2.0), None)

    def _neighbour(self, info: ColumnInfo, column: Column) -> str | None:
        """A unit that another weight of the same rows names, or that follows from what was poured into the same cups."""
        for other in self.shaper.shape.columns:
            known = other is not column and other.unit and not other.unit.startswith("?")
            if known and units.lookup(str(other.unit)).quantity == "mass":
                return other.unit
        if info.name in ("target_g", "recovered_g", "reading_g"):
            weighed = {"target_g": "weighed_g", "recovered_g": "issued_g", "reading_g": "weight_g"}[info.name]
            return self.shaper.unit(self.table, self.ours[weighed])[0] or "g"
        if info.name == "leftover_g" and (cup := self.match.column("mix_id")):
            pairs = [(self.poured.by_cup.get(key(m)), v) for m, v in complete(cup.cells, column.numbers)]
            ratios = [back / whole for whole, back in pairs if whole and back]
            if len(ratios) >= 5 and 0.12 < max(ratios) <= 1.1:
                return self.poured.unit or "?"
        return None

    def _weights(self, name: str, column: Column) -> tuple[list[str], list[str]]:
        """Whether a scale's figures run on from pour to pour, and the tare."""
        told_tare = self.shaper.answer("tare", self.table, name)
        shape = self.shaper.shape
        tare = next((c for c in self.matcher.tares if c.header not in self.match.used), None)
        gross = words.meant(column.plain, words.headers("", "gross")) >= 0.9
        weights = self._runs_on(name, column, gross) if name == "weighed_g" else "incremental"
        wanted = weights != "incremental" or name == "leftover_g"
        if told_tare is not None:
            if isinstance(told_tare, (int, float)) and not isinstance(told_tare, bool):
                weights = "cumulative_with_tare" if weights != "incremental" else weights
                return [*_w(weights), f"tare_g = {told_tare}"], []
            tare = shape.column(str(told_tare))
        unfit = f"There is no column '{told_tare}' in it." if told_tare not in (None, NONE) and tare is None else ""
        if unfit or (told_tare is None and wanted and tare is None):
            like = [c for c in shape.columns if c.header not in self.match.used and tare_like(c, column)]
            high = weights == "cumulative" and _starts_high(self.match, column)
            if unfit or like or high or weights == "cumulative_with_tare":
                options = [(c.header, f"values such as {c.said[0]}") for c in like] + [
                    (NONE, "the display shows what is in the cup alone")
                ]
                ask = f"Does '{column.header}' of {shape.name} include the empty cup? Name the column of its weight, or the weight in grams, or none."
                self.ask("tare", name, ask, options, source=column.header, unfit=unfit)
        if not wanted:
            return [], []
        if tare is None:
            return _w("cumulative" if weights == "cumulative_with_tare" else weights), []
        if weights == "cumulative":
            weights = "cumulative_with_tare"
        unit = tare.unit or column.unit
        if unit is None:
            unit = self._unit_of(self.ours[name], column, "g")
        return [*_w(weights), f"tare = {{ column = {_q(tare.header)}, unit = {_q(unit)} }}"], [tare.header]

    def _runs_on(self, name: str, column: Column, gross: bool) -> str:
        """Each pour by itself, or a display that runs on: by what rises within cups, or by the answer."""
        shape, told = self.shaper.shape, self.shaper.answer("weights", self.table, name)
        cup = self.match.column("mix_id")
        if cup is not None and self._from_below(name, cup, column):
            cup, column = (dataclasses.replace(c, cells=c.cells[::-1]) for c in (cup, column))
        several, up = rising(cup, column) if cup is not None else (0, 0)
        if told in get_args(layout.Weights):
            return str(told)
        each, on = ("incremental", "each pour by itself"), ("cumulative", "it runs on")
        ask = f"'{column.header}' of {shape.name} rises within {up} of {several} cups: does the display run on from pour to pour?"
        if told is not None:
            self.ask("weights", name, ask, [each, on], source=column.header, unfit=f"'{told}' is none of the options.")
        if several >= 3 and up >= 0.95 * several:
            if several < 5:
                self.ask("weights", name, ask, [on, each], source=column.header)
            return "cumulative"
        if (several and up >= 0.6 * several) or (gross and several < 3):
            self.ask("weights", name, ask, [each, on], source=column.header)
        return "incremental"

    def _from_below(self, name: str, cup: Column, column: Column) -> bool:
        """Whether the rows of a running display stand in the wrong order and no time tells; asked where weights fall within cups."""
        shape = self.shaper.shape
        backward = rising(*(dataclasses.replace(c, cells=c.cells[::-1]) for c in (cup, column)))
        time = self.match.column("poured_at")
        if shape.newest_first or backward[0] < 3 or backward[1] < 0.95 * backward[0] or (time and _in_time(time)):
            return False
        told = self.shaper.answer("order", self.table, name)
        if told not in (AS_LISTED, NEWEST_FIRST):
            ask = (
                f"'{column.header}' of {shape.name} falls within {backward[1]} of {backward[0]} cups, and no time says in which order"
                " the rows stand. Which is it?"
            )
            options = [(AS_LISTED, "the first row was poured first"), (NEWEST_FIRST, "the last row was poured first")]
            unfit = f"'{told}' is none of the options." if told is not None else ""
            self.ask("order", name, ask, options, source=column.header, unfit=unfit)
        if told == NEWEST_FIRST:
            shape.newest_first = "your answer"
        return bool(told == NEWEST_FIRST)

    def _values(self, info: ColumnInfo, column: Column) -> list[str]:
        told = self.shaper.answer("values", self.table, info.name)
        told = told if isinstance(told, dict) else {}
        meanings = {c: told.get(c) or closed(info, c) for c in dict.fromkeys(column.said)}
        if all(c == v for c, v in meanings.items()):
            return []
        lost = tuple(c for c, v in meanings.items() if v is None)
        if lost:
            ask = f"What do {', '.join(lost[:8])} in '{column.header}' of {self.shaper.shape.name} mean for {_about(info)}?"
            options = [(v, "") for v in info.values]
            self.ask("values", info.name, ask, options, values=lost, source=column.header)
        pairs = ", ".join(f"{_q(c)} = {_q(v)}" for c, v in meanings.items() if v)
        return [f"values = {{ {pairs} }}"] if pairs else []

    def _renamed(self, name: str, column: Column) -> list[str]:
        cells = column.__dict__.get("pieces") or column.distinct
        _, renames = self.matcher.known.match(REGISTER_OF[name], cells)
        told = self.shaper.answer("values", self.table, name)
        renames = {**renames, **{k: v for k, v in (told if isinstance(told, dict) else {}).items() if k in cells}}
        if not renames:
            return []
        pairs = ", ".join(f"{_q(a)} = {_q(b)}" for a, b in sorted(renames.items()))
        return [f"values = {{ {pairs} }}", 'otherwise = "keep"']

    def _alike(self, name: str, column: Column) -> list[str]:
        """The same id written with marks, zeros or letters elsewhere: cut to what all have."""
        part = self.matcher.joins.cut.get(name, "")
        return [part] if part and not (part.startswith("pattern") and "pattern" in column.how) else []

    # --- several columns, and none

    def _unpivot(self) -> None:
        info = self.ours[self.match.wide_into]
        wide = self.match.wide
        names = ", ".join(_q(c.header) for c in wide)
        every = dataclasses.replace(wide[0], cells=[c for w in wide for c in w.cells])
        unit = self._unit_of(info, every, inside_unit(info) or "um")
        numbers = ", ".join(str(i + 1) for i in range(len(wide)))
        beside = ""
        if self.match.beside:
            position = f"pour_no = [{numbers}]"
            beside = f", beside = {{ component_id = [{', '.join(_q(c.header) for c in self.match.beside)}] }}"
            several = dataclasses.replace(self.match.beside[0], cells=[c for b in self.match.beside for c in b.cells])
            renamed = self._renamed("component_id", several)
            self.made.pop("component_id", None)
            if renamed:
                self.made["component_id"] = Made(_table(renamed), "names as in registers/components.csv")
        elif self.table == "pours":
            ids = ", ".join(_q(self.matcher.component_of(c) or c.header) for c in wide)
            position = f"component_id = [{ids}], pour_no = [{numbers}]"
            self.made.pop("component_id", None)
        else:
            position = f"reading_no = [{numbers}]"
        self.made.pop("pour_no" if self.table == "pours" else "reading_no", None)
        rule = f'unpivot = {{ columns = [{names}], into = "{info.name}", unit = {_q(unit)}, position = {{ {position} }}{beside} }}'
        self.extras.append((rule, f"{len(wide)} columns side by side"))
        self.made.pop(info.name, None)

    def _rest(self) -> None:
        """What no source column gives: numbers within a parent, the shop, and questions for the rest."""
        have = set(self.made)
        if self.match.wide:
            have |= {self.match.wide_into, *(("component_id", "pour_no") if self.table == "pours" else ("reading_no",))}
        for info in self.ours.values():
            parents: list[str] | None = None
            if info.name in NUMBERED and info.required:
                parents = [p for p in NUMBERED[info.name] if p in self.ours]
            elif info.name == "reading_no":
                parents = [c for c in ("job_id", "panel_id", "after_operation", "taken_at") if c in have]
            stage = info.name == "after_operation" and self.table == "readings" and "taken_at" not in have
            if info.name in have:
                continue
            if info.name == "shop_id":
                self._shop(info)
            elif parents is not None:
                within = ", ".join(_q(p) for p in parents)
                told = "no column for it: numbered in the file's order"
                self.made[info.name] = Made(f"{{ number_within = [{within}] }}", told)
            elif stage or info.required or info.name in FIGURES.get(self.table, ()):
                self._missing(info)

    def _ask_source(self, info: ColumnInfo, options: list[tuple[str, str]], unfit: str = "") -> None:
        which = f"Which column of {self.shaper.shape.name} holds {_about(info)}?"
        self.ask("source", info.name, which, options, unfit=unfit)

    def _missing(self, info: ColumnInfo, unfit: str = "") -> None:
        if not unfit and self.shaper.source(self.table, info.name) is not None:
            return
        used = {s for made in self.draft.tables.values() for m in made.values() for s in m.sources}
        # what another table of the rows takes is not offered
        used = used.union(*(match.used for match in self.shaper.tables.values()))
        options = []
        for column in self.matcher.columns:
            heads = column.heads
            if column.part_of or set(heads) & used or not _may_be(info, column):
                continue
            options.append((" + ".join(heads), f"values such as {', '.join(column.said[:2])}"))
        if not info.required and not options and not unfit:
            return
        options += [(f"= {v}", "on every row") for v in info.values if info.required]
        self._ask_source(info, [*options, (ABSENT, "")], unfit)

    def _shop(self, info: ColumnInfo) -> None:
        shops = sorted(self.matcher.known.ids.get("shops", ()))
        path = self.shaper.shape.first.source.file.lower()
        inside = [s for s in shops if re.search(rf"(?<![a-z]){re.escape(s.lower())}(?![a-z])", path)]
        if len(shops) == 1 or len(inside) == 1:
            shop = (inside or shops)[0]
            why = "its name stands in the file's path" if inside else "the only shop in registers/shops.csv"
            self.made["shop_id"] = Made(f"{{ constant = {_q(shop)} }}", why)
            return
        told = self.shaper.answer("register", "shops", "shop_id")
        if told is not None:
            self.made["shop_id"] = Made(f"{{ constant = {_q(str(told))} }}", "your answer")
            return
        ask = (
            "Which shop do these exports come from?"
            if shops
            else "What is the shop to be called (a short word, such as north)? registers/shops.csv has none yet."
        )
        if info.required:
            options = [(s, "in registers/shops.csv") for s in shops]
            one = self.shaper.question("register", "shops", "shop_id", ask, options)
            self.draft.questions.append(one if shops else dataclasses.replace(one, shape="*", sheet=""))

    def ask(self, kind: str, column: str, ask: str, options: list[tuple[str, str]], **more: Any) -> None:
        self.shaper.ask(kind, self.table, column, ask, options, **more)


_PLAIN = {"%Y-%m-%d", "%Y-%m-%d %H:%M", "%Y-%m-%d %H:%M:%S", "%Y-%m-%dT%H:%M", "%Y-%m-%dT%H:%M:%S"}


def _w(weights: str) -> list[str]:
    return [] if weights == "incremental" else [f"weights = {_q(weights)}"]


def _in_time(column: Column) -> bool:
    """Whether a file's rows follow its times."""
    times = [t for t in column.moments(*column.dates[0]) if t is not None] if column.dates else []
    steps = [b > a for a, b in pairwise(times) if a != b]
    return len(steps) >= 3 and sum(steps) >= 0.95 * len(steps)


def _starts_high(match: TableMatch, column: Column) -> bool:
    """No cup's first figure is small: an empty cup may stand on the scale."""
    cup = match.column("mix_id")
    first = [weights[0] for weights in grouped([cup], column.numbers).values()] if cup else []
    return len(first) >= 5 and min(first) > 0.05 * max(first)


def _may_be(info: ColumnInfo, column: Column) -> bool:
    if info.kind in ("datetime", "date"):
        return bool(column.dates)
    if info.kind == "float":
        return (
            column.numeric
            and (inside_unit(info) is None or bool(fitting_units(info, column)))
            and words.meant(column.plain, words.listed(words.IGNORED)) < 0.9
            and (info.high != 1 or column.unit is not None or part_of_one(column))
        )
    if info.kind == "int":
        return column.whole and max(column.values, default=0) <= 60 and not column.dates
    return bool(column.said) and not column.dates and not column.clocks and not (column.numeric and not column.whole)


def _about(info: ColumnInfo) -> str:
    unit = f", {info.unit}" if info.unit else ""
    return f"{info.name} ({info.description[0].lower()}{info.description[1:]}{unit})"


def _spoken(column: Column, form: str, language: str) -> str:
    found = column.moments(form, language)[0]
    return found.strftime("%d %B %Y") if found else "?"


def _p(pattern: str) -> str:
    return f"'{pattern}'" if "'" not in pattern else _q(pattern)


def _table(parts: list[str]) -> str:
    if len(parts) == 1 and parts[0].startswith("column = "):
        return parts[0].removeprefix("column = ")
    return "{ " + ", ".join(parts) + " }"
