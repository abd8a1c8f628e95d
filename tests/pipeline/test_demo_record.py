"""The environmental record of the demo's own scenario: its breach stands first, March 2025 is told alike whenever it is told, and
what was closed stays as it was given.

The scenario's events are taken up to a day, as an inbox would hold them then. The whole scenario goes through the statements of the
ledger; four months of it go through the command, transfer model and all.
"""

from __future__ import annotations

import hashlib
import re
from datetime import date
from typing import Any

import openpyxl
import polars as pl
import pytest
from test_handouts import SETTINGS, made, mass_balance

from pipelines import cli, workspace
from pipelines.settings import template
from reports import handouts
from seed_data import scenario

MARCH = handouts.period("2025-03")
APRIL, JUNE = date(2025, 4, 30), date(2025, 6, 30)
DAYS = {
    "pours": "poured_at", "leftovers": "weighed_at", "operations": "started_at", "cleaning": "used_at", "jobs": "opened_on",
    "unscaled_use": "used_at", "stock": "happened_on", "readings": "taken_at", "deviations": "from_on",
}  # fmt: skip
OPERATION = ["shop_id", "job_id", "operation_no"]
BREACH = r"30\.30 US gallons against 26\.00 \(invented permit of the demo\)"


@pytest.fixture(scope="module")
def demo() -> scenario.Scenario:
    return scenario.build()


def until(events: dict[str, pl.DataFrame], day: date) -> dict[str, pl.DataFrame]:
    """The rows of events as they stood at the end of a day."""
    kept = {
        name: frame.filter(pl.col(DAYS[name]).cast(pl.Date) <= day) if name in DAYS else frame
        for name, frame in events.items()
    }
    for name in ("draws", "operation_panels", "target_weighings"):
        kept[name] = kept[name].join(kept["operations"], on=OPERATION, how="semi")
    return kept


def rows(demo: scenario.Scenario, day: date | None = None) -> dict[str, list[dict[str, Any]]]:
    """What the statements of mass balance, law and dates read."""
    events = until(demo.canonical, day) if day else demo.canonical
    left_out = ("readings", "operation_panels", "target_weighings", "gauge_checks")
    return {name: frame.to_dicts() for name, frame in (events | demo.registers).items() if name not in left_out}


@pytest.fixture(scope="module")
def told(demo: scenario.Scenario) -> tuple[dict[str, pl.DataFrame], handouts.Handout, handouts.Handout]:
    """All tables, the hand-out of March 2025 made from them, and that of the inbox at the end of April 2025."""
    everything = made(rows(demo))
    then = made(rows(demo, APRIL))
    return everything, handouts.build(everything, SETTINGS, MARCH), handouts.build(then, SETTINGS, MARCH)


def same(left: handouts.Handout, right: handouts.Handout, but: tuple[str, ...] = ()) -> int:
    """Cells compared of two hand-outs that say the same but for particulate."""
    ours, theirs = ([one for one in made.sheets if one.key not in but] for made in (left, right))
    assert [one.key for one in ours] == [one.key for one in theirs]
    compared = 0
    for one, other in zip(ours, theirs, strict=True):
        cells = [[row for row in mass_balance(sheet) if "pm_kg" not in row] for sheet in (one, other)]
        assert len(cells[0]) == len(cells[1]), one.key
        for a, b in zip(*cells, strict=True):
            for x, y in zip(a, b, strict=True):
                equal = x == y or (isinstance(x, float) and isinstance(y, float) and x == pytest.approx(y, rel=1e-9))
                assert equal, (one.key, a, b)
                compared += 1
    return compared


def test_the_breach_stands_first_in_the_hand_out_of_its_month_and_in_no_other(told) -> None:
    tables, march, _ = told
    assert [one.key for one in march.sheets][:2] == ["summary", "limit_windows"]
    first = march.sheets[0].rows[0]
    assert first[0] == "ABOVE A LIMIT OF A PERMIT"
    assert re.search(rf"^vellmoor \(Vellmoor Body Works\), March 2025: .*{BREACH}$", str(first[1]))
    assert first[2:4] == (pytest.approx(114.68, abs=0.01), "L") and first[4] == pytest.approx(30.295, abs=1e-3)
    window = march.sheets[1].rows[0]
    assert window[:5] == ("vellmoor", "rts_l", "each month", "2025-03", "above the limit")
    page = handouts.page(march).decode()
    body = re.sub(r"<[^>]+>", " ", page[page.index("<tbody>") :])
    assert body.split()[:6] == ["ABOVE", "A", "LIMIT", "OF", "A", "PERMIT"]
    breaches = tables["limit_windows"].filter("breached")
    assert breaches.select("shop_id", "window").rows() == [("vellmoor", "2025-03")]
    other = handouts.build(tables, SETTINGS, handouts.period("2025-11")).sheets[0].rows
    assert not any("ABOVE" in str(row[0]) for row in other)
    assert any(row[0] == "Limits of the permits" and "none of the" in str(row[1]) for row in other)


def test_march_is_told_from_all_data_as_it_was_told_in_april(told) -> None:
    _, march, then = told
    assert len(march.sheets) > 18 and same(march, then) > 20_000


def test_the_paper_names_products_and_materials_and_no_id(demo, told) -> None:
    """No id of the registers stands on it, in no sheet; those that are also the name of a category are left aside."""
    text = re.sub(r"<[^>]+>", " ", handouts.page(told[1]).decode().replace("_<wbr>", "_"))
    words = set(re.findall(r"[A-Za-z0-9_]+", text))
    ids = {*demo.registers["products"]["product_id"], *demo.registers["components"]["component_id"]}
    labels = {*demo.registers["products"]["label"], *demo.registers["components"]["label"]}
    assert len([one for one in labels if one in text]) > 30
    ids -= set(demo.registers["product_categories"]["category"])
    assert len(ids) > 45 and not {one for one in ids if "_" in one} & words


@pytest.fixture(scope="module")
def kept(demo, tmp_path_factory):
    """A workspace run with March and April, March closed; then run with the files of two more months. Gives the space, what the first run
    printed, both sets of tables and the hand-out's files as given."""
    space, _ = workspace.init(tmp_path_factory.mktemp("demo_record") / "shops", template())

    events = until(demo.canonical, APRIL)

    def fill(when: str, found: dict[str, pl.DataFrame]) -> None:
        for name, frame in found.items():
            if frame.height:
                text = frame.write_csv(datetime_format="%Y-%m-%d %H:%M:%S")
                workspace.fill(space, f"inbox/{name}_{when}.csv", text.encode())

    for name, frame in demo.registers.items():
        workspace.fill(space, f"registers/{name}.csv", frame.write_csv().encode())
    fill("april", events)
    printed: list[str] = []
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("builtins.print", lambda *given, **_: printed.append(" ".join(map(str, given))))
        assert cli.main(["run", str(space.root)]) == 0
        assert cli.main(["close", "2025-03", str(space.root)]) == 0
        then = workspace.read_snapshot(space.snapshot(), handouts.TABLES)
        page = (space.out / "site" / "environment.html").read_text("utf-8")
        given = files(space)
        later = until(demo.canonical, JUNE)
        fill(
            "june",
            {
                name: rest.join(events[name], on=rest.columns, how="anti", nulls_equal=True)
                for name, rest in later.items()
            },
        )
        assert cli.main(["run", str(space.root)]) == 0
    return space, "\n".join(printed), then, page, given


def files(space: workspace.Workspace) -> dict[str, str]:
    root = space.handouts / "2025-03"
    return {
        one.relative_to(root).as_posix(): hashlib.sha256(one.read_bytes()).hexdigest()
        for one in root.rglob("*")
        if one.is_file()
    }


def test_the_breach_stands_first_on_the_page_and_among_the_closing_lines(kept) -> None:
    _, printed, _, page, _ = kept
    assert "vellmoor, March 2025: poured, ready to spray, 30.3 US gallons against 26" in printed
    text = re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", page[page.index('id="breaches"') :]))
    assert re.search(rf"Vellmoor Body Works, March 2025: poured, ready to spray, {BREACH}", text[:400])
    assert page.index('id="breaches"') < page.index('class="finding"') < page.index("By category")


def test_what_was_closed_stays_byte_for_byte_and_particulate_is_told_as_restated(kept, capsys) -> None:
    space, _, then, _, given = kept
    root = str(space.root)
    assert len(given) > 15
    assert cli.main(["handout", root, "--period", "2025-03"]) == 0
    assert files(space) == given
    assert "2025-03 is closed: the hand-out stays as it was given" in capsys.readouterr().out
    now = workspace.read_snapshot(space.snapshot(), handouts.TABLES)
    moved = now["restatements"]
    assert moved.height > 5 and set(moved["month"]) == {"2025-03"}
    assert {name.removesuffix("_low").removesuffix("_high") for name in moved["figure"]} == {"pm_kg"}
    assert moved["because"].str.contains(r"inbox/\w+_june\.csv \(new\)").all()
    compared = same(
        handouts.build(now, SETTINGS, MARCH), handouts.build(then, SETTINGS, MARCH), but=("restatements", "sources")
    )
    assert compared > 20_000
    assert cli.main(["handout", root, "--period", "2025-06"]) == 0
    book = openpyxl.load_workbook(space.handouts / "2025-06" / "environmental_record_2025-06.xlsx")
    cells = [str(cell.value) for row in book["restatements"].iter_rows() for cell in row if cell.value is not None]
    assert "pm_kg" in cells and "2025-03" in cells and "voc_kg" not in cells
    assert cli.main(["reopen", "2025-03", root]) == 0
    assert cli.main(["handout", root, "--period", "2025-03"]) == 0
    assert files(space) != given
    book = openpyxl.load_workbook(space.handouts / "2025-03" / "environmental_record_2025-03.xlsx")
    changed = [row[0].value for row in book["changes"].iter_rows(min_row=4) if row[0].value]
    assert changed and all(str(one).endswith("| pm_kg") for one in changed), changed
    capsys.readouterr()
