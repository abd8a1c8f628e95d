"""A hand-out as a workbook: one sheet each, headings repeated on every printed page."""

from __future__ import annotations

import io
from datetime import date, datetime

from reports.handouts.cells import defused, plain
from reports.handouts.sheets import Handout

#: rows that go on one sheet of a workbook; it can hold 1,048,576 with its headings
MOST_ROWS = 1_000_000

#: made on a day of its own, so that the same figures give the same bytes
CREATED = datetime(2000, 1, 1)


def xlsx(handout: Handout) -> bytes:
    """The workbook: one sheet each, headings repeated on every printed page. The same hand-out gives the same bytes."""
    import xlsxwriter

    out = io.BytesIO()
    never = {"strings_to_formulas": False, "strings_to_urls": False, "strings_to_numbers": False}
    with xlsxwriter.Workbook(
        out, {"in_memory": True, "default_date_format": "yyyy-mm-dd", "nan_inf_to_errors": False, **never}
    ) as book:
        book.set_properties({"title": f"Environmental record {handout.period.label}", "created": CREATED})
        title = book.add_format({"bold": True, "font_size": 14})
        note = book.add_format({"italic": True})
        head = book.add_format({"bold": True, "text_wrap": True, "valign": "top", "bottom": 1})
        number = book.add_format({"num_format": "#,##0.######"})
        line = book.add_format({"bottom": 1})
        for sheet in handout.sheets:
            page_ = book.add_worksheet(sheet.key[:31])
            page_.write_string(0, 0, defused(sheet.title), title)
            for n, said in enumerate(sheet.notes, start=1):
                page_.write_string(n, 0, defused(said), note)
            top = len(sheet.notes) + 2
            for column, one in enumerate(sheet.heads):
                page_.write_string(top, column, defused(str(one)), head)
            if len(sheet.rows) > MOST_ROWS:
                said = f"{len(sheet.rows):,} rows are more than a sheet can hold: they are in csv/{sheet.key}.csv."
                page_.write_string(top + 1, 0, said)
                continue
            for r, row in enumerate(sheet.rows, start=top + 1):
                for column, cell in enumerate(row):
                    if isinstance(cell, bool):
                        page_.write_string(r, column, "yes" if cell else "no")
                    elif isinstance(cell, int | float):
                        page_.write_number(r, column, cell, number)
                    elif isinstance(cell, date):
                        page_.write_string(r, column, cell.isoformat())
                    elif cell:
                        page_.write_string(r, column, defused(cell))
                if row and row[0] in ("Prepared by", "Reviewed by"):
                    page_.write_blank(r, 1, None, line)
            for column, one in enumerate(sheet.heads):
                longest = max(
                    (len(str(plain(row[column]))) for row in sheet.rows[:200] if not isinstance(row[column], float)),
                    default=0,
                )
                page_.set_column(column, column, min(60, max(11, len(str(one)) * 0.7, longest + 1)))
            page_.freeze_panes(top + 1, 0)
            page_.repeat_rows(top)
            page_.set_landscape()
            page_.fit_to_pages(1, 0)
            page_.set_footer(f"&Lfilmledger, {handout.period.label}&RPage &P of &N")
    return out.getvalue()
