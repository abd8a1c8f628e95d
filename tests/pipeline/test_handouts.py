"""Hand-outs of invented shops: their figures are the tables', nobody is named, and what is missing is said."""

from __future__ import annotations

import csv
import io
import json
import re
import shutil
import subprocess
from collections.abc import Iterable
from datetime import date, datetime, timedelta
from functools import cache
from pathlib import Path
from typing import Any

import emission_oracle
import openpyxl
import polars as pl
import pytest
from test_emissions_oracle import frames

from pipelines.ledger import runner
from pipelines.settings import Settings
from reports import handouts
from reports.handouts import workbook
from tests import on_frames

SETTINGS = Settings().flat()
STEPS = [name for name in handouts.TABLES if name in runner.steps()]


def made(rows: dict[str, list[dict[str, Any]]]) -> dict[str, pl.DataFrame]:
    return on_frames.run_wanted(frames(rows), *STEPS, settings=SETTINGS)


@cache
def tables() -> dict[str, pl.DataFrame]:
    rows = emission_oracle.shops(7, cups=40)
    rows["technicians"] = [
        {"technician_id": "hand-77", "shop_id": shop, "label": "Petra Muster", "hired_on": date(2020, 1, 1)}
        for shop in ("north",)
    ] + [{"technician_id": "hand-78", "shop_id": "south", "label": "Pavel Muster", "hired_on": date(2020, 1, 1)}]
    rows["trainings"] = [
        {
            "technician_id": "hand-77",
            "completed_on": date(2022, 5, 1),
            "hands_on": True,
            "classroom": True,
            "certificate_ref": "cert-x",
        }
    ]
    rows["booths"] = [{"booth_id": "b", "shop_id": "north", "filter_capture": 0.98, "evidence_ref": "=HYPERLINK(1)"}]
    rows["deviations"] = [
        {
            "shop_id": "north",
            "deviation_no": "1",
            "from_on": date(2025, 2, 3),
            "rule": "+booth",
            "nature": "-filter torn",
            "action": "@changed",
        }
    ]
    return made(rows)


@cache
def of(text: str) -> handouts.Handout:
    return handouts.build(tables(), SETTINGS, handouts.period(text))


def sheet(handout: handouts.Handout, key: str) -> list[dict[str, Any]]:
    found = next(s for s in handout.sheets if s.key == key)
    return [dict(zip(map(str, found.heads), row, strict=True)) for row in found.rows]


def until(rows: dict[str, list[dict[str, Any]]], day: date) -> dict[str, list[dict[str, Any]]]:
    """The rows of events as they stood at the end of a day; registers as they are."""
    days = {
        "pours": "poured_at", "leftovers": "weighed_at", "operations": "started_at", "cleaning": "used_at",
        "unscaled_use": "used_at", "stock": "happened_on",
    }  # fmt: skip

    def then(row: dict[str, Any], column: str) -> bool:
        found = row[column]
        return (found if type(found) is date else found.date()) <= day

    kept = {name: [r for r in table if name not in days or then(r, days[name])] for name, table in rows.items()}
    jobs = {(r["shop_id"], r["job_id"], r["operation_no"]) for r in kept["operations"]}
    kept["draws"] = [r for r in kept["draws"] if (r["shop_id"], r["job_id"], r["operation_no"]) in jobs]
    return kept


def _found_again(rows: dict[str, list[dict[str, Any]]]) -> None:
    """Three leftovers kept on 10 December, unseen for 90 days on 10 March: one is weighed again in June, from one an operation draws
    then, one is poured into another cup."""
    poured, june = datetime(2024, 12, 10, 8), datetime(2025, 6, 5, 9)

    def add(table: str, **row: Any) -> None:
        rows[table].append(dict(shop_id="north") | row)

    for name in ("lost_weighed", "lost_drawn", "lost_poured"):
        cup = dict(mix_id=name, product_id="top", pour_no=1, poured_at=poured)
        add("pours", **cup, component_id="hard", weighed_g=300.0)
        back = poured + timedelta(hours=2)
        add("leftovers", mix_id=name, weigh_no=1, weighed_at=back, leftover_g=200.0, fate="kept")
    add("leftovers", mix_id="lost_weighed", weigh_no=2, weighed_at=june, leftover_g=150.0, fate="kept")
    step = dict(job_id="lost", operation_no=1)
    add("operations", **step, kind="spray", started_at=june, gun_id="north 1", technician_id="t", product_id="top")
    add("draws", **step, mix_id="lost_drawn", share=None)
    other = dict(mix_id="other", product_id="top", poured_at=june)
    add("pours", **other, pour_no=1, component_id="hard", weighed_g=100.0)
    add("pours", **other, pour_no=2, from_mix_id="lost_poured", weighed_g=80.0)


def mass_balance(of_sheet: Any) -> list[tuple[Any, ...]]:
    """Rows of a sheet without particulate, which follows the transfer efficiency, and without numbers of lines."""
    heads = [str(head) for head in of_sheet.heads]
    kept = [n for n, head in enumerate(heads) if "particulate" not in head and head != "line"]
    rows = [row for row in of_sheet.rows if "Particulate" not in str(row[0])]
    if of_sheet.key == "emission_lines":
        rows = [row for row in rows if row[heads.index("kind")] != "overspray"]
    return [tuple(row[n] for n in kept) for row in rows]


def test_a_record_of_march_made_later_is_the_one_made_in_april() -> None:
    """With all data, and from what the inbox held on 30 April: the same in all that is mass balance, law and dates. A training that
    was valid then has run out since, another was done since; a gun was retired, a permit tightened, a filter replaced."""
    rows = emission_oracle.shops(8, cups=100)
    _found_again(rows)
    rows["technicians"] = [
        {"technician_id": name, "shop_id": "north", "hired_on": hired}
        for name, hired in (("a", date(2019, 1, 1)), ("b", date(2024, 6, 1)), ("c", date(2025, 5, 5)))
    ]
    rows["trainings"] = [
        {"technician_id": name, "completed_on": on, "hands_on": True, "classroom": True}
        for name, on in (("a", date(2020, 5, 10)), ("b", date(2025, 5, 20)))
    ]
    rows["booths"] = [
        {"booth_id": "b", "shop_id": "north", "filter_capture": 0.98, "evidence_ref": "sheet"},
        {"booth_id": "b", "valid_from": date(2025, 5, 1), "shop_id": "north", "filter_capture": 0.95},
    ]
    rows["guns"][0]["retired_on"] = date(2025, 6, 1)
    rows["permit_limits"].append(
        dict(shop_id="north", measure="voc_kg", period="rolling_12_months", valid_from=date(2025, 5, 1), limit=0.1,
             unit="ton_us", source="permit")
    )  # fmt: skip
    march = handouts.period("2025-03")
    whole = made(rows)
    lost = whole["emission_lines"].filter(pl.col("mix_id").str.starts_with("lost"), pl.col("kind") != "overspray")
    assert set(lost.filter(pl.col("month") == "2025-03")["kind"]) == {"unseen"}
    assert lost.filter(pl.col("month") > "2025-03")["kind"].to_list() == ["found"]
    later = handouts.build(whole, SETTINGS, march)
    then = handouts.build(made(until(rows, date(2025, 4, 30))), SETTINGS, march)
    assert [s.key for s in later.sheets] == [s.key for s in then.sheets] and len(later.sheets) > 12
    compared = 0
    for ours, theirs in zip(later.sheets, then.sheets, strict=True):
        left, right = mass_balance(ours), mass_balance(theirs)
        assert len(left) == len(right), ours.key
        for a, b in zip(left, right, strict=True):
            same = [
                x == y or (isinstance(x, float) and x == pytest.approx(y, rel=1e-9)) for x, y in zip(a, b, strict=True)
            ]
            assert all(same), (ours.key, a, b)
            compared += len(a)
    assert compared > 3000
    (training,) = sheet(later, "training")
    wanted = (date(2025, 3, 31), 2, 1, 1)
    assert (training["on"], training["people"], training["trained"], training["overdue"]) == wanted
    (booth,) = sheet(later, "compliance_booths")
    assert booth["filter capture"] == 0.98 and booth["status"] == "holds"
    limits = {row["measure"]: row for row in sheet(later, "permit_limits")}
    assert limits["voc_kg"]["limit as stated"] == 0.5 and limits["voc_kg"]["up to month"] == "2025-03"
    assert limits["voc_kg"]["head-room, in the permit's unit"] == pytest.approx(
        0.5 - limits["voc_kg"]["total"] / 907.18474, rel=1e-9
    )


def test_a_month_below_nothing_is_told_and_all_months_together_are_what_was_poured() -> None:
    """By hand: 200 g of 300 are kept on 10 December and gone, unseen, on 10 March; 80 g of them are found on 5 June and poured into a
    cup of 100 g that is kept whole. June is 80 g of VOC-bearing mass below nothing, until that cup is emptied in July."""
    december, june = datetime(2024, 12, 10, 8), datetime(2025, 6, 5, 8)
    pour = dict(shop_id="north", pour_no=1, product_id="top", component_id="hard")
    weigh = dict(shop_id="north", weigh_no=1, fate="kept")
    rows: dict[str, list[dict[str, Any]]] = {
        "shops": [dict(shop_id="north", jurisdiction="us")],
        "components": emission_oracle.COMPONENTS,
        "products": emission_oracle.PRODUCTS,
        "product_categories": [dict(product_id="top", jurisdiction="us", category="primer_sealer")],
        "pours": [
            pour | dict(mix_id="lost", poured_at=december, weighed_g=300.0),
            pour | dict(mix_id="other", poured_at=june, weighed_g=100.0),
            pour
            | dict(mix_id="other", pour_no=2, poured_at=june, component_id=None, from_mix_id="lost", weighed_g=80.0),
        ],
        "leftovers": [
            weigh | dict(mix_id="lost", weighed_at=december + timedelta(hours=2), leftover_g=200.0),
            weigh | dict(mix_id="other", weighed_at=june + timedelta(hours=2), leftover_g=180.0),
        ],
    }

    def voc(tables: dict[str, pl.DataFrame]) -> dict[str, float]:
        frame = tables["emissions_monthly"].filter(pl.col("voc_kg") != 0)
        return dict(frame.select("month", "voc_kg").iter_rows())

    found = made(rows)
    assert voc(found) == pytest.approx({"2024-12": 0.1 * 0.4, "2025-03": 0.2 * 0.4, "2025-06": -0.08 * 0.4})
    told = missing(handouts.build(found, SETTINGS, handouts.period("2025-06")))
    assert any(one.startswith("north 2025-06: Below 0 in this month: primer sealer.") for one in told)
    assert not any("Below 0" in one for one in missing(handouts.build(found, SETTINGS, handouts.period("2025-03"))))
    july = datetime(2025, 7, 1, 8)
    rows["leftovers"].append(
        dict(shop_id="north", mix_id="other", weigh_no=2, weighed_at=july, leftover_g=0.0, fate="discarded")
    )
    assert sum(voc(made(rows)).values()) == pytest.approx(0.4 * 0.4)


@pytest.mark.parametrize(
    ("text", "first", "last"),
    [
        ("2025-03", "2025-03", "2025-03"),
        ("2025-Q1", "2025-01", "2025-03"),
        ("2025-q4", "2025-10", "2025-12"),
        (" 2025 ", "2025-01", "2025-12"),
    ],
)
def test_period_is_a_month_a_quarter_or_a_year(text: str, first: str, last: str) -> None:
    found = handouts.period(text)
    assert (found.first, found.last) == (first, last)


@pytest.mark.parametrize("text", ["", "2025-13", "2025-00", "2025-Q5", "25", "March", "2025-3", "2025-03-01"])
def test_what_is_no_period_is_told_what_to_write(text: str) -> None:
    with pytest.raises(handouts.PeriodError, match="write a month"):
        handouts.period(text)


def test_rolling_ends_with_the_latest_month() -> None:
    found = handouts.rolling(tables())
    last = tables()["emissions_monthly"]["month"].max()
    assert (found.last, len(found.months)) == (last, 12)
    with pytest.raises(handouts.PeriodError, match="no month with a record"):
        handouts.rolling({})


def test_workbook_totals_are_those_of_the_tables() -> None:
    book = openpyxl.load_workbook(io.BytesIO(handouts.xlsx(of("2025-Q1"))))
    page = book["emissions_monthly"]
    rows = [[cell.value for cell in row] for row in page.iter_rows()]
    top = next(n for n, row in enumerate(rows) if row[0] == "shop")
    columns = {name: n for n, name in enumerate(rows[top]) if name}
    body = rows[top + 1 :]
    expected = tables()["emissions_monthly"].filter(pl.col("month").is_between(pl.lit("2025-01"), pl.lit("2025-03")))
    assert len(body) == expected.height > 50
    for head, column, factor in (
        ("VOC [kg]", "voc_kg", 1.0),
        ("VOC [lb]", "voc_kg", 1 / 0.45359237),
        ("ready to spray [L]", "rts_l", 1.0),
        ("ready to spray [US gal]", "rts_l", 1 / 3.785411784),
        ("exempt [kg]", "exempt_kg", 1.0),
    ):
        ours = sum(row[columns[head]] or 0 for row in body)
        assert ours == pytest.approx(expected[column].sum() * factor, rel=1e-12), head
    by_category = sum(row["VOC [kg]"] or 0 for row in sheet(of("2025-Q1"), "by_category"))
    assert by_category == pytest.approx(expected["voc_kg"].sum(), rel=1e-12)
    lines = sum(row["VOC [kg]"] or 0 for row in sheet(of("2025-Q1"), "emission_lines"))
    assert lines == pytest.approx(expected["voc_kg"].sum(), rel=1e-9)


def test_csv_holds_the_same_as_the_workbook() -> None:
    found = next(s for s in of("2025-Q1").sheets if s.key == "hap_monthly")
    rows = list(csv.reader(io.StringIO(handouts.csv_of(found).decode("utf-8-sig"))))
    assert rows[0] == [str(head) for head in found.heads]
    assert len(rows) == len(found.rows) + 1
    assert sum(float(row[4]) for row in rows[1:]) == pytest.approx(sum(row[4] for row in found.rows))


def test_the_same_figures_give_the_same_bytes() -> None:
    again = handouts.build(tables(), SETTINGS, handouts.period("2025-Q1"))
    assert handouts.files(again) == handouts.files(of("2025-Q1"))


def test_nobody_is_named() -> None:
    for text in ("2025", "2025-Q1"):
        files = handouts.files(of(text))
        book = openpyxl.load_workbook(io.BytesIO(files[f"environmental_record_{text}.xlsx"]))
        said = [str(c.value) for page in book for row in page.iter_rows() for c in row if c.value is not None]
        said += [content.decode("utf-8-sig") for name, content in files.items() if not name.endswith(".xlsx")]
        for word in ("hand-77", "hand-78", "Muster", "cert-x"):
            assert not any(word in one for one in said), word
    (row,) = [r for r in sheet(of("2025-Q1"), "training") if r["shop"] == "north"]
    assert (row["people"], row["trained"], row["next one ends on"]) == (1, 1, date(2027, 5, 1))


def test_no_cell_starts_a_formula() -> None:
    files = handouts.files(of("2025-Q1"))
    book = openpyxl.load_workbook(io.BytesIO(files["environmental_record_2025-Q1.xlsx"]))
    for page in book:
        for row in page.iter_rows():
            for cell in row:
                assert cell.data_type != "f"
                assert not (isinstance(cell.value, str) and cell.value[:1] in "=+-@"), cell.value
    assert sheet(of("2025-Q1"), "deviations")[0]["nature"] == "-filter torn"
    for name, content in files.items():
        if name.endswith(".csv"):
            for row in csv.reader(io.StringIO(content.decode("utf-8-sig"))):
                for cell in row:
                    assert cell[:1] not in ("=", "+", "@") and not re.match(r"-[^\d]", cell), (name, cell)


def test_every_unit_stands_in_a_heading_in_metric_and_us() -> None:
    heads = [str(head) for s in of("2025").sheets for head in s.heads]
    for metric, us in (("[kg]", "[lb]"), ("[L]", "[US gal]"), ("[g/L]", "[lb/US gal]"), ("[g]", "[oz]")):
        assert sum(metric in h for h in heads) == sum(us in h for h in heads) > 0


def test_sections_follow_each_shops_jurisdiction() -> None:
    def shops_on(key: str) -> set[str]:
        return {row["shop"] for row in sheet(of("2025"), key)}

    assert shops_on("hap_monthly") == {"north", "west"}
    assert shops_on("compliance_solvent") == {"south"}
    assert shops_on("compliance_average") == {"quay"}
    assert shops_on("diisocyanates") == {"south"}
    only = handouts.build(tables(), SETTINGS, handouts.period("2025"), shops=["south"])
    keys = {s.key for s in only.sheets}
    assert not keys & set("hap_monthly hap_63_3941 target_metals compliance_booths compliance_guns training".split())


def missing(handout: handouts.Handout) -> list[str]:
    return [f"{row['shop']} {row['month']}: {row['what']}" for row in sheet(handout, "missing")]


def test_what_is_missing_has_a_line_of_its_own() -> None:
    said = missing(of("2025"))
    assert any(one.startswith("west") and "No jurisdiction" in one for one in said)
    assert any("No category in product_categories for: odd" in one for one in said)
    assert any("a component has no VOC or exempt figure: m" in one for one in said)
    assert any("no density" in one for one in said)
    assert any(one.startswith("north 2025-12") and "No record in this month" in one for one in said)
    assert any("The records end on 2025-" in one for one in said)


def test_a_period_without_records_says_so() -> None:
    handout = of("2031-05")
    assert "north 2031-05: No record in this period." in missing(handout)
    assert handouts.files(handout)


def test_an_unknown_shop_is_named_with_those_that_there_are() -> None:
    with pytest.raises(handouts.PeriodError, match="known here: north, quay, south, west"):
        handouts.build(tables(), SETTINGS, handouts.period("2025"), shops=["nirgends"])


def test_a_second_handout_tells_what_has_changed() -> None:
    first = of("2025-Q1")
    asked: list[str] = []

    def last(name: str) -> bytes:
        asked.append(name)
        return handouts.record(first)

    same = handouts.build(tables(), SETTINGS, handouts.period("2025-Q1"), before=last)
    assert asked == ["2025-Q1"] and same.same and not first.same
    assert sheet(same, "changes")[0]["figure or register row"] == "nothing"
    rows = emission_oracle.shops(7, cups=40)
    rows["components"] = [
        {**row, "voc_mass_fraction": 0.15, "water_mass_fraction": 0.65} if row["component_id"] == "aqua" else row
        for row in rows["components"]
    ]
    after = handouts.build(made(rows), SETTINGS, handouts.period("2025-Q1"), before=last)
    assert not after.same
    said = {row["figure or register row"]: row for row in sheet(after, "changes")}
    was = said["components | aqua | from ever | voc_mass_fraction"]
    assert (was["what"], was["before"], was["now"]) == ("changed", 0.12, 0.15)
    assert any(key.startswith("emissions_monthly") and key.endswith("voc_kg") for key in said)
    assert not any(key.startswith("sheet") for key in said)
    assert said["training | north | Painter training | trained"]["what"] == "gone"  # these rows have no technicians
    assert said["deviations | north | 1 | nature"]["before"] == "-filter torn"
    assert json.loads(handouts.record(first))["period"] == "2025-Q1"


def test_the_page_prints_and_asks_nothing_of_a_network() -> None:
    text = handouts.page(of("2025-Q1")).decode()
    assert "@page" in text and "default-src 'none'" in text
    assert not re.search(r"(src|href)=\"(?!data:)", text) and "<script" not in text
    assert "Prepared by" in text and "Reviewed by" in text
    assert "What every figure was added from" not in re.sub(r"Sheets:.*", "", text)


def numbers(rows: Iterable[Iterable[Any]]) -> dict[int, float]:
    """Sum of the numbers of each column."""
    sums: dict[int, float] = {}
    for row in rows:
        for column, cell in enumerate(row):
            if isinstance(cell, int | float) and not isinstance(cell, bool):
                sums[column] = sums.get(column, 0.0) + cell
    return sums


def test_every_sheet_of_the_workbook_holds_the_rows_of_its_table() -> None:
    handout = of("2025-03")
    book = openpyxl.load_workbook(io.BytesIO(handouts.xlsx(handout)))
    assert book.sheetnames == [s.key for s in handout.sheets]
    for one in handout.sheets:
        rows = [[cell.value for cell in row] for row in book[one.key].iter_rows(min_row=len(one.notes) + 3)]
        assert rows[0][: len(one.heads)] == [str(head) for head in one.heads]
        assert len(rows) - 1 == len(one.rows), one.key
        assert numbers(rows[1:]) == pytest.approx(numbers(one.rows), rel=1e-12), one.key


def test_rows_that_no_sheet_can_hold_are_left_to_the_csv_file(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(workbook, "MOST_ROWS", 20)
    handout = of("2025-03")
    book = openpyxl.load_workbook(io.BytesIO(handouts.xlsx(handout)))
    lines = next(s for s in handout.sheets if s.key == "emission_lines")
    said = [cell.value for row in book["emission_lines"].iter_rows() for cell in row if cell.value is not None]
    assert f"{len(lines.rows)} rows are more than a sheet can hold: they are in csv/emission_lines.csv." in said
    assert handout.csv["emission_lines"].count(b"\n") == len(lines.rows) + 1


def test_the_summary_says_what_it_rests_on() -> None:
    told = {row["what"]: row for row in sheet(of("2025-02"), "summary")}
    assert re.fullmatch(r"A \d+ %, B \d+ %, C \d+ %", told["  Evidence by mass poured"]["remark"])
    assert "whose way is not known" in told["  Particulate, upper figure"]["remark"]
    assert told["  VOC, documented waste taken off"]["remark"] == "a lower bound"


def test_the_workbook_opens_in_an_office_program_with_the_tables_totals(tmp_path: Path) -> None:
    """LibreOffice turns every sheet into CSV without a window; the sums of its columns are those of the tables."""
    office = shutil.which("soffice") or shutil.which("libreoffice")
    if office is None:
        pytest.skip("no LibreOffice here: install libreoffice-calc-nogui to open the workbook in it")
    handout = of("2025-03")
    (tmp_path / "record.xlsx").write_bytes(handouts.xlsx(handout))
    # separator, quote, UTF-8, from the first row; cells as they are and not as shown; every sheet a file of its own
    every_sheet = "csv:Text - txt - csv (StarCalc):44,34,76,1,,0,false,false,false,false,false,-1"
    subprocess.run(
        [office, f"-env:UserInstallation=file://{tmp_path}/profile", "--headless", "--convert-to", every_sheet,
         "--outdir", tmp_path, tmp_path / "record.xlsx"],
        check=True, capture_output=True, timeout=180,
    )  # fmt: skip
    assert {path.stem.removeprefix("record-") for path in tmp_path.glob("*.csv")} == {s.key for s in handout.sheets}
    for one in handout.sheets:
        text = (tmp_path / f"record-{one.key}.csv").read_text(encoding="utf-8")
        rows = list(csv.reader(io.StringIO(text)))[len(one.notes) + 2 :]
        assert rows[0][: len(one.heads)] == [str(head) for head in one.heads], one.key
        assert len(rows) - 1 >= len(one.rows) > 0, one.key
        found = [
            [
                float(text) if isinstance(cell, int | float) and not isinstance(cell, bool) else None
                for cell, text in both
            ]
            for both in (zip(ours, theirs, strict=False) for ours, theirs in zip(one.rows, rows[1:], strict=False))
        ]
        assert numbers(found) == pytest.approx(numbers(one.rows), rel=1e-12), one.key
