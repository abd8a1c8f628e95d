"""Everything intake says to a shop, in one place.

Each message names what was found, what was expected and what to do; the file, line and column stand beside it in
`refused_rows` and `intake_files`. Reasons of rows begin with the column they speak of. Nothing here decides anything.
"""

import difflib
import re
from collections.abc import Iterable
from functools import cached_property

import polars as pl

#: Whole reasons of the data contract: other programs may look for them, so they never change. What was found and what to
#: do follows as a reason of its own.
KEY_CONFLICT = "key conflict"
WEIGHED_UP = "weighed up"
GAUGE_CANNOT_READ = "gauge cannot read {substrate}"
NO_TABLE = "no table takes this row"
#: a pattern that finds them, to put them before other reasons
LITERAL = "^(key conflict|weighed up|gauge cannot read .*|no table takes this row)$"

#: how a remark on rows begins that are used though they contradict others
DOUBTFUL = "doubtful: "
#: of a whole file: figures would move by more than 5 % if it is so; told first
FIGURES = DOUBTFUL + "figures hang on it: "

CATALOGUE = {
    # files
    "empty_file": "the file is empty; export it again or take it out of the inbox",
    "no_rows": "the file has a header and no rows",
    "binary": "the file holds bytes that no text has (first at byte {at}); it is not a text export. Export it as CSV",
    "misnamed": "the file holds no text, but what files ending in {ending} hold: it is named wrongly, or packed twice. Rename"
    " or unpack it, or export it as CSV",
    "kind": "files ending in '{ending}' are not read; export as .csv, .tsv, .txt, .parquet or .xlsx (each also .gz)",
    "too_large": "the file is {size_mb:.0f} MB unpacked, more than max_file_mb = {limit_mb:g} in"
    " filmledger.toml allows; split it or raise the"
    " limit",
    "too_large_over": "the file is larger, once unpacked, than max_file_mb = {limit_mb:g} in filmledger.toml allows;"
    " split it or raise the limit",
    "bomb": "the file unpacks to more than {times} times its size, which no export does; take it out of the inbox",
    "endless": "more than {most:,} bytes stand there without a line end; it is no table. Export it as CSV, a row a line",
    "too_wide": "the header has more than {most:,} columns; it is no table. Export it as CSV, with the names of the columns on its"
    " first line",
    "long_cell": "a cell is longer than {most:,} signs, which no export writes; correct it in the source",
    "marked": "read as {name}, which its byte order mark says",
    "encoding": "line {line}: the byte 0x{byte:02X} is not {encoding}; save the file as UTF-8, or name its"
    ' encoding in a layout (for example encoding = "windows-1252")',
    "gzip": "the file ends in .gz but cannot be unpacked ({why}); export it again",
    "parquet": "the file ends in .parquet but cannot be read ({why}); export it again",
    "parquet_columns": "columns that hold lists, structures or durations are not read: {columns}",
    "xlsx": "the file ends in .xlsx but cannot be read ({why}); open it and save it again",
    "xlsx_area": "sheet '{sheet}' spans {rows} rows and {columns} columns, too many to lay out; delete what stands far"
    " outside the table and save it again",
    "xlsx_trouble": "cell {cell} holds {found}; correct it in the spreadsheet and save it again",
    "xlsx_merged": "the row lies inside the merged cells {cells}, whose value stands in their first cell alone; unmerge"
    " them, or say merged = \"repeat\" in a layout if it holds for every row",
    "xlsx_layouts_differ": "layouts {names} read sheets of one workbook and differ in mode, complete_for, exported_at or"
    " time_zone; give them the same, or put the sheets into files of their own",
    "sheets_unread": "sheets that no layout reads: {sheets}",
    "part": "sheet '{sheet}': {why}",
    "sheets_read": "sheets: {sheets}",
    "above_header": "the header was found on line {line}; passed over what stands above it: {above}",
    "header_again": "the header stands again on lines {lines}; passed over",
    "skipped": "{n} rows passed over by the layout's skip on '{column}', lines {lines}",
    "deleted": "{n} rows of earlier files are not in this export, which is complete for its {span}; they are superseded",
    "not_deleted": "nothing is taken as deleted by this export, which is complete for its {span}: rows whose ids could"
    " not be read may be those that are missing (lines {lines})",
    "xlsx_sheet": "the workbook has no sheet '{sheet}' (it has: {sheets}); correct 'sheet' in layout {layout}",
    "raised": "the file could not be read: {why}",
    "trouble": "{why}",
    "register_name": "registers/ holds one file per table, named after it; '{name}' is no table{hint}",
    "register_columns": "table {table}: the header lacks {missing}; header found: {header}",
    "register_sheets": "a register is read from one sheet, and this workbook has several with content ({sheets})",
    "claims_none": "no layout claims this file and no table has all its columns here. {nearest}Header found: {header}."
    " To find out how it is to be read, run: filmledger adopt (all files) or filmledger layout FILE",
    "claims_nearest": "Nearest is {table}, which lacks {missing}. ",
    "claims_layouts": "{n} layouts claim this file: {names}. Give them a match_name that tells their files apart."
    " Header found: {header}",
    "claims_tables": "the header fits {names} equally well. Begin the file's name with the name of the table,"
    " or run: filmledger layout FILE --table TABLE. Header found: {header}",
    "claims_damaged": "the header fits {fits}, but it looks like {looks} without {missing}. Add the column, or"
    " begin the file's name with '{fits}' if that is what it is. Header found: {header}",
    "header_twice": "column '{column}' stands twice in the header; rename one",
    "unknown_columns": "columns not used: {columns}",
    "note": "a note that layout {layout} puts beside the rows of another export; it makes no rows itself",
    "note_lacks": "{n} times '{column}' names what no note '{note}' holds ({keys}): add it there, or bring the note",
    "note_twice": "the note '{note}' says different things of '{column}' {keys}; correct it there",
    "optional_columns": "columns the layout calls optional are missing: {columns}",
    "exported_at_name": "layout {layout} finds no time of export in the file's name (pattern {pattern}); the"
    " natural order of names is used",
    "exported_at_column": "layout {layout}: no readable time of export in column '{column}'; the natural order"
    " of names is used",
    "layout_needs": "layout {layout}: {why}",
    "gap_times": "{of}: times in the hour that the spring change of clocks skips, moved forward: {n}",
    "twice_times": "{of}: times in the hour that the autumn change of clocks repeats, taken as the first: {n}",
    "open_register": "register {register} is empty: {of} is not checked; fill it in to have it checked",
    "respelled": "ids with an accent written as a sign of its own: {n}; read with letter and accent as one sign, so that equal"
    " ids are one",
    "on_refused": "its component '{component}' was refused: {reason}",
    # rows
    "cells": "the row has {found} cells, the header {expected}; a delimiter is missing or a text holds one (put it in"
    " quotes)",
    "quote": "a quote is opened and not closed on this row, or stands inside a text; write \"\" for a quote in a quoted"
    " text",
    "number": "{column}: '{found}' is not a number; write digits with a decimal {mark}",
    "number_comma": "{column}: '{found}' is not a number here; this file is read with a decimal point. Write"
    " {better}, or use a layout with decimal = \",\"",
    "infinite": "{column}: '{found}' is not a finite number; write the mass, length or figure that was measured",
    "integer": "{column}: '{found}' is not a whole number; write it without a fraction",
    "integer_large": "{column}: '{found}' is too large for a whole number; write the number that was meant",
    "datetime": "{column}: '{found}' is not a time that exists, as {wanted}",
    "date": "{column}: '{found}' is not a date that exists, as {wanted}",
    "year": "{column}: '{found}' gives the year {year}; write four digits of a year from 1950 to 2199",
    "bool": "{column}: '{found}' is neither true nor false; write true or false",
    "value": "{column}: '{found}' is not among the layout's values ({known}); correct the cell, or add"
    " it there",
    "before_unread": "{column}: the cumulative weight before this row could not be read, so its difference is unknown;"
    " correct that row",
    "zone_name": "time_zone: '{found}' is no IANA time zone; write a name such as Europe/Vienna",
    "conflict": "{key} stands on lines {lines} with different values; keep the right one",
    "no_zone": "{column}: the time carries an offset, and neither its shop nor filmledger.toml names a time_zone; name"
    " one",
    "unknown_jurisdiction": "line {line}: no pack of rules for jurisdiction '{found}'{hint}: nothing is compared with limits"
    " there. Known: {known}; another one needs a row in registers/packs.csv and its limits in registers/voc_limits.csv",
    "cas_digit": "lines {lines}: {found} fails the check digit of CAS numbers, or is none: a mistyped one is in no list of"
    " pollutants or exempt compounds; compare it with the safety data sheet",
    "unknown_use": "measure: no product is of category '{found}'{hint}, so there is nothing to compare. Known: {known}",
    "unknown_category": "line {line}: '{place}' has no limit for category '{found}'{hint}: what belongs to it alone is"
    " compared with nothing. Known there: {known}; others need a row in registers/voc_limits.csv",
    "unknown_id": "{column}: '{found}' is not in {table}{hint}",
    "unknown_operation": "{column}: operation {found} of job '{job}' is not in operations{hint}",
    "no_density": "{column}: a volume of '{component}' cannot be weighed: the register gives it no density_g_per_ml",
    "net_negative": "weighed_g: more of '{component}' was taken out of cup '{mix}' than was poured in (net {net:g} g);"
    " correct one of its weights",
    "leftover_above": "leftover_g: leftover above poured: {leftover:g} g left of {poured:g} g poured; a tare not"
    " taken off, or two cups mixed up",
    "weighed_up": "leftover_g: {leftover:g} g after {before:g} g; a leftover cannot grow: correct one of them",
    "shares": "share: the shares of cup '{mix}' sum to {total:g}, above 1; correct them",
    "gauge": "gauge_id: '{gauge}' is {principle}, and the panel is {substrate}; tape a steel or foil strip beside it",
    "stage_missing": "after_operation: empty, and taken_at is empty too; give one of them",
    "stage_tie": "after_operation: operations {first} and {second} on panel '{panel}' ended at the same time before the"
    " reading; write which one it followed",
    "stage_refused": "after_operation: cannot be told from taken_at, because a row of job '{job}' about its"
    " operations was refused; correct that row, or write after_operation",
    "witness_nowhere": "witness_of: no panel '{found}' on job '{job}'{hint}",
    "witness_self": "witness_of: a strip cannot stand for itself; give the strip an id of its own",
    "two_products": "the cup's pours name more than one product: {products}",
    # doubts: used as it stands, and told. No "; " in them: run.py takes them out of a file's message by it
    "doubt_product": DOUBTFUL + "draws from a cup of another product: {n} (lines {lines}), the first: operation"
    " {operation_no} of job '{job_id}' is '{product_id}', cup '{mix_id}' holds '{held}'. Correct the product or the cup",
    "doubt_early": DOUBTFUL + "draws from a cup that was poured only when the operation was over: {n} (lines {lines}),"
    " the first: operation {operation_no} of job '{job_id}', cup '{mix_id}' of {poured}. Correct the times or the cup",
    "doubt_eddy": DOUBTFUL + "readings by an eddy gauge on steel: {n} (lines {lines}), the first: gauge '{gauge_id}' on"
    " panel '{panel_id}'. Eddy gauges are for metals that are not magnetic. Correct the gauge, its principle or the"
    " substrate",
    "doubt_stage": DOUBTFUL + "readings after an operation that is not in operations: {n} (lines {lines}), the"
    " first: operation {after_operation} of job '{job_id}'. Bring the export that holds it, or correct after_operation",
    "doubt_two_products": DOUBTFUL + "pours into cups of more than one product: {n} (lines {lines}), the first: cup"
    " '{mix_id}'. Such a cup stays incomplete. Correct the product, or give the cups ids of their own",
    "doubt_heavy": DOUBTFUL + "pours of more than 50 kg: {n} (lines {lines}), the first: {weighed_g:g} g into cup"
    " '{mix_id}'. Correct the unit or the decimal mark",
    "doubt_weighed": DOUBTFUL + "leftovers weighed before their cup was poured: {n} (lines {lines}), the first: cup"
    " '{mix_id}' of {poured}. Correct the times or the cup",
    "doubt_size": FIGURES + "{of} of {n} rows has its middle at {middle:,.4g} and its largest at {largest:,.4g} {unit}, and {low:g} to"
    " {high:g} {unit} is usual. Correct the unit in the layout, or the export",
    "doubt_cups": FIGURES + "{n} cups, of which the middle one holds {middle:,.4g} g and the largest {largest:,.4g} g, and 40 to 6,000 g is"
    " usual. Correct the unit of weighed_g in the layout, or say weights = \"cumulative\" where the display runs on",
    "doubt_runs_on": FIGURES + "weights rise from pour to pour within {percent:.0f} % of {n} cups of three pours and more, as on a display"
    " that runs on. Say weights = \"cumulative\" in the layout if it does",
    "doubt_taken_out": FIGURES + "{percent:.0f} % of the pours ({n}) take something out of their cup again. If the display does not run on, leave"
    " out weights = \"cumulative\" in the layout",
    "doubt_left": FIGURES + "of {n} cups weighed back the middle one held {percent:.2g} % of what was poured. Correct the unit of leftover_g or"
    " of weighed_g in the layout",
    "doubt_used": FIGURES + "of {n} operations the middle one used {middle:,.0f} g per m2, and {low:g} to {high:g} is usual. Correct the unit of"
    " the weights or of the areas in the layout",
    "doubt_ml": FIGURES + "{n} cups of '{product}' come to {as_g:.3g} g/mL if their weights are grams and to {as_ml:.3g} if they are millilitres, and"
    " its sheet says {sheet:.3g}. Say unit = \"ml\" in the layout if they are",
    "doubt_ratio": FIGURES + "{n} cups of '{product}' come to {as_g:.3g} g/mL by their components, and its sheet says {sheet:.3g}. Look at the"
    " mixing ratio, the unit of the weights and the densities in registers/components.csv",
    "doubt_target": FIGURES + "of {n} pours the middle one is {middle:.3g} times what was asked for. Correct the unit of weighed_g or of target_g, or"
    " say weights = \"cumulative\" where the display runs on",
    "doubt_tare": FIGURES + "in {n} cups the first component weighs some {middle:.0f} g more than the second one says, always the same. Say tare"
    " or tare_g in the layout if the empty cup is in it",
    "doubt_alike": FIGURES + "{n} leftovers hold {values} different weights, the first {leftover_g:.5g} g, as empty cups do. Look whether leftover_g"
    " is the column of the empty cup's weight",
    "doubt_coat": FIGURES + "of {n} films the middle one is {middle:.3g} um for each coat, and {low:g} to {high:g} is usual. Correct the unit of"
    " reading_um, or the operation after which was read",
    "doubt_area": FIGURES + "of {n} areas the middle one is {middle:.3g} times that of registers/panel_areas.csv. Correct the unit of area_m2",
    "doubt_per_day": FIGURES + "the middle one of {n} days opens {middle:.0f} jobs. Look whether job_id is the job's number",
    "doubt_density": FIGURES + "{n} components whose solids by mass and by volume do not go together, the first: '{component_id}', whose solids would"
    " weigh {dry:.3g} g/mL and whose volatiles {volatile:.3g}. Correct it by its data sheet",
    "doubt_dates": FIGURES + "{of} of {n} rows ({percent:.0f} %) is no date that exists. Look whether day and month are the other way round in the"
    " layout's format",
    "doubt_far": FIGURES + "{of} of {n} rows ({percent:.0f} %) lies more than 45 days, at most {days}, from what else is known of the same job or"
    " cup. Look whether day and month are the other way round in a layout's format",
    "doubt_early_reading": DOUBTFUL + "readings taken before the operation had ended after which they count: {n} (lines {lines}), the first: panel"
    " '{panel_id}' after operation {after_operation} of job '{job_id}', read {taken_at}. Correct taken_at or after_operation",
    "doubt_jobs": DOUBTFUL + "jobs holds nothing of shop '{of}', so job ids are not checked and no vehicle class is"
    " known. Panels need an area_m2 of their own then. Bring the export of jobs",
    "doubt_name": DOUBTFUL + "{later} replaces rows of {files}, and has the same name: only folder or ending say which"
    " is the later one. Name the files by their date, or give the layout exported_at",
}  # fmt: skip


def say(code: str, **found: object) -> str:
    """The message `code` with its blanks filled in. Found texts are shortened and made printable."""
    return CATALOGUE[code].format(**{k: shown(v) if isinstance(v, str) else v for k, v in found.items()})


def shown(text: str, limit: int = 400) -> str:
    """A text as it may stand in a message: one line, printable, at most `limit` characters."""
    text = re.sub(r"[\x00-\x1f\x7f\u2028\u2029]+", " ", text)
    return text if len(text) <= limit else text[: limit - 20] + f"... ({len(text)} characters)"


def listed(names: Iterable[str], limit: int = 30) -> str:
    """Names joined by commas; very long lists end in a count."""
    all_names = [shown(str(n), 60) for n in names]
    more = len(all_names) - limit
    return ", ".join(all_names[:limit]) + (f" and {more} more" if more > 0 else "")


#: of more ids than this, only those that stand next to the one found are compared with it letter by letter
_MANY = 500
#: so many of them to either side, in the order of the letters and in that of the letters read backwards
_BESIDE = 32


class Known:
    """Ids that are known, made ready for being asked often: a shop has a million cups, and a file may miss a hundred."""

    def __init__(self, ids: pl.Series | Iterable[str]) -> None:
        every = ids if isinstance(ids, pl.Series) else pl.Series(list(ids), dtype=pl.String)
        self.ids = every.drop_nulls().unique().sort()

    def __bool__(self) -> bool:
        return self.ids.len() > 0

    @cached_property
    def _bare(self) -> pl.Series:
        return _bare(self.ids)

    @cached_property
    def _backwards(self) -> pl.Series:
        return self.ids.str.reverse().sort()

    def nearest(self, found: str) -> str | None:
        """The one nearest to `found`, if any is near: same letters and digits first, then similar spelling."""
        if not self:
            return None
        same = self.ids.filter(self._bare == _bare(pl.Series([found]))[0])
        if same.len():
            return str(same[0])
        ids = self.ids.to_list() if self.ids.len() <= _MANY else self._beside(found)
        lower = {one.casefold(): one for one in ids}
        near = difflib.get_close_matches(found.casefold(), lower, n=1, cutoff=0.6)
        return lower[near[0]] if near else None

    def _beside(self, found: str) -> list[str]:
        """Ids that share a long beginning or a long end with `found`: comparing letters is slow."""
        out: list[str] = []
        for ids, one, back in ((self.ids, found, 1), (self._backwards, found[::-1], -1)):
            at = int(ids.search_sorted(one))
            out += [text[::back] for text in ids.slice(max(0, at - _BESIDE), 2 * _BESIDE)]
        return sorted(set(out))

    def hint(self, found: str) -> str:
        """'; did you mean ...?' or nothing."""
        near = self.nearest(found)
        return f"; did you mean '{shown(near, 60)}'?" if near is not None else ""


def _bare(texts: pl.Series) -> pl.Series:
    return texts.str.replace_all(r"[\W_]+", "").str.to_lowercase()


def nearest(found: str, known: Iterable[str]) -> str | None:
    """The known id nearest to the one found, if any is near."""
    return Known(known).nearest(found)


def hint(found: str, known: Iterable[str]) -> str:
    """'; did you mean ...?' or nothing."""
    return Known(known).hint(found)
