"""Film from exports to published tables, each figure reckoned by hand: strips beside partly covered panels, film after sanding,
inner faces. um x m2 = mL."""

from __future__ import annotations

import csv
from collections import defaultdict
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import polars as pl
import pytest

from pipelines import checks, settings, workspace
from pipelines.settings import Settings
from tests.workspaces import made_tables

START = datetime(2026, 3, 2, 8, 0)


class Book:
    """Rows by table, written as one canonical CSV each."""

    def __init__(self) -> None:
        self.rows: dict[str, list[dict[str, Any]]] = defaultdict(list)
        self.days = 0
        self.add("shops", shop_id="s")
        self.add("guns", gun_id="g", shop_id="s", atomising="hvlp", feed="gravity", flush_loss_g=0)
        self.add("technicians", technician_id="t", shop_id="s")
        # 40 % solids by volume at 1 g/mL
        self.add("components", component_id="c", density_g_per_ml=1, solids_mass_fraction=0.5, solids_volume_fraction=0.4,
                 voc_mass_fraction=0.5, water_mass_fraction=0, exempt_mass_fraction=0)  # fmt: skip
        for product, role, basis, low, high in (
            ("base1", "base", "as_applied", 10, 25), ("clear1", "clear", "as_applied", 40, 60),
            ("fill1", "surfacer", "after_sanding", 60, 100), ("fill2", "surfacer", "as_applied", 60, 100),
            ("seal1", "sealer", "as_applied", 20, 35),
        ):  # fmt: skip
            self.add("products", product_id=product, role=role, film_basis=basis, film_min_um=low, film_max_um=high)

    def add(self, table: str, **row: Any) -> None:
        self.rows[table].append(row)

    def job(self, job_id: str, *steps: dict[str, Any]) -> None:
        """A job of its own day; a spray step says product, panels ((panel, face, area, fraction), ...) and grams."""
        self.days += 1
        self.add("jobs", shop_id="s", job_id=job_id)
        for number, step in enumerate(steps, start=1):
            at = START + timedelta(days=self.days, hours=number)
            spray = "product_id" in step
            self.add(
                "operations", shop_id="s", job_id=job_id, operation_no=number, started_at=at,
                kind="spray" if spray else "sand", removal=step.get("removal"), product_id=step.get("product_id"),
                gun_id="g" if spray else None, technician_id="t",
            )  # fmt: skip
            for panel, face, area, fraction in step.get("panels", ()):
                self.add("operation_panels", shop_id="s", job_id=job_id, operation_no=number, panel_id=panel, face=face,
                         area_m2=area, covered_fraction=fraction, substrate="steel")  # fmt: skip
            if spray:
                cup = f"{job_id}-{number}"
                self.add("pours", shop_id="s", mix_id=cup, pour_no=1, poured_at=at - timedelta(minutes=20),
                         product_id=step["product_id"], component_id="c", weighed_g=step["grams"])  # fmt: skip
                self.add("leftovers", shop_id="s", mix_id=cup, weigh_no=1, weighed_at=at + timedelta(minutes=30),
                         leftover_g=0)  # fmt: skip
                self.add("draws", shop_id="s", job_id=job_id, operation_no=number, mix_id=cup, share=1)

    def read(self, job_id: str, after: int, film: float, panel: str = "door", nine: bool = True, **more: Any) -> None:
        """Nine marked places whose old film differs by place, or three readings at no marked place."""
        for place in range(9 if nine else 3):
            at = {"row": place // 3 + 1, "col": place % 3 + 1} if nine else {}
            # no two films alike, and no mean moved by it
            um = film + (place - (4 if nine else 1)) * (1.0 + 0.1 * after)
            self.add("readings", shop_id="s", job_id=job_id, panel_id=panel, after_operation=after, reading_no=place + 1,
                     reading_um=round(um, 6), **at, **more)  # fmt: skip

    def write(self, folder: Path) -> workspace.Workspace:
        space, _ = workspace.init(folder, settings.template())
        registers = {"shops", "guns", "technicians", "components", "products"}
        for table, rows in self.rows.items():
            columns = list(dict.fromkeys(name for row in rows for name in row))
            path = space.root / ("registers" if table in registers else "inbox") / f"{table}.csv"
            path.parent.mkdir(parents=True, exist_ok=True)
            with path.open("w", newline="", encoding="utf-8") as file:
                writer = csv.DictWriter(file, columns)
                writer.writeheader()
                writer.writerows(rows)
        return space


def spray(product: str, *panels: tuple[str, str, float, float], grams: float = 100) -> dict[str, Any]:
    return {"product_id": product, "panels": panels or (("door", "outer", 1.0, 1.0),), "grams": grams}


CUT, SANDED = {"removal": "cut"}, {"removal": None}


@pytest.fixture(scope="module")
def tables(tmp_path_factory: pytest.TempPathFactory) -> dict[str, pl.DataFrame]:
    book = Book()
    # a strip beside a face that base covers a quarter of; clear covers all of it
    spot = ("door", "outer", 0.953, 0.25), ("door", "outer", 0.953, 1.0)
    book.job("strip", spray("base1", spot[0], grams=20), spray("clear1", spot[1], grams=50))
    book.read("strip", 0, 110.0)
    book.read("strip", 2, 110.0 + 14.587)
    # strips that show four times what the whole panel gained
    book.job("against", spray("base1"), spray("clear1"))
    book.read("against", 0, 110.0)
    book.read("against", 2, 115.0)
    for job, film in (("strip", 15.395), ("against", 20.0)):
        book.read(job, 0, 1.0, panel=f"{job}_strip", nine=False, witness_of="door")
        book.read(job, 1, 1.0 + film, panel=f"{job}_strip", nine=False, witness_of="door")
    # film after sanding
    for job, steps, stages in (
        ("applied_and_sanded", (spray("fill1"), CUT), {0: 100, 1: 220, 2: 185}),
        ("sanded", (spray("fill1"), CUT), {0: 100, 2: 180}),
        ("sanded_who_knows_how", (spray("fill1"), SANDED), {0: 100, 1: 230}),
        ("sanded_and_read", (spray("fill1"), SANDED), {0: 100, 1: 230, 2: 170}),
        ("read_behind_the_sealer", (spray("fill1"), CUT, spray("seal1")), {0: 100, 3: 210}),
        ("never_sanded", (spray("fill1"),), {0: 100, 1: 220}),
        ("two_films", (spray("fill2"), SANDED, spray("fill2")), {0: 100, 1: 170, 2: 140, 3: 200}),
    ):  # fmt: skip
        book.job(job, *steps)
        for after, film in stages.items():
            book.read(job, after, float(film))
    # an inner face beside a read outer one
    inside = ("door", "inner", 0.5, 1.0)
    book.job("inside", spray("clear1", ("door", "outer", 1.0, 1.0), inside, grams=250))
    book.read("inside", 0, 100.0)
    book.read("inside", 1, 150.0)
    space = book.write(tmp_path_factory.mktemp("film") / "shop")
    made = made_tables(space)
    assert not made["refused_rows"].height
    return made


def record(tables: dict[str, pl.DataFrame], operation: str) -> dict[str, Any]:
    return tables["transfer_records"].row(by_predicate=pl.col("operations") == [operation], named=True)


def films(tables: dict[str, pl.DataFrame], job: str, product: str) -> list[float | None]:
    rows = tables["film_build"].filter((pl.col("job_id") == job) & (pl.col("product_id") == product))
    return rows.sort("operation_no", "face")["film_um"].to_list()


def test_a_strip_takes_its_ml_from_a_face_covered_in_part(tables):
    """.953 m2 x 14.587 um = 13.901 mL in all; the strip's .953 x .25 x 15.395 = 3.668 mL are base; clear has the other 10.234."""
    base, clear = record(tables, "strip/1"), record(tables, "strip/2")
    assert base["landed_solids_ml"] == pytest.approx(3.667858, rel=1e-6) and base["usable"]
    assert clear["landed_solids_ml"] == pytest.approx(13.901411 - 3.66785875, rel=1e-6) and clear["usable"]
    assert films(tables, "strip", "base1") == pytest.approx([15.395]), "film is where the paint is"
    assert films(tables, "strip", "clear1") == pytest.approx([10.23355225 / 0.953])


def test_a_strip_that_shows_more_than_its_panel_leaves_nothing_to_use(tables):
    """5 um in all, 20 +- 2 um of them base: the rest of -15 um lies far more than 3 u below 0."""
    rest = record(tables, "against/2")
    assert not rest["usable"] and rest["why_not"] == "the strip beside it shows more film than the whole panel"
    assert record(tables, "against/1")["usable"], "the strip itself was read"
    assert films(tables, "against", "clear1") != [-15.0]


def test_every_run_checks_that_pieces_sum_to_what_was_read():
    increments = pl.DataFrame(
        {
            "shop_id": "s", "job_id": "j", "panel_id": "door", "from_operation": 0, "to_operation": 2, "usable": True,
            "witness_of": pl.Series([None], dtype=pl.String), "mean_um": [14.587], "area_m2": [0.953],
        }
    )  # fmt: skip

    def pieces(rest_um: float) -> pl.DataFrame:
        return pl.DataFrame(
            {
                "shop_id": "s", "job_id": "j", "panel_id": "door", "operation_no": [1, 2], "piece": ["strip", "rest"],
                "mean_um": [15.395, rest_um], "area_m2": [0.953 / 4, 0.953],
            }
        )  # fmt: skip

    right, told = checks.sum_of_pieces(increments, pieces(14.587 - 15.395 / 4))
    assert right and told["split"] == 1
    assert not checks.sum_of_pieces(increments, pieces(14.587 - 15.395))[0]
    assert not checks.sum_of_pieces(increments, pieces(0.0).head(0))[0], "an increment that went nowhere"
    (standing,) = [check for check in checks.of("film_pieces") if check.name == "strips_take_what_they_leave"]
    assert (
        standing.blocking
        and standing.test(pieces(14.587 - 15.395 / 4), Settings().flat(), {"film_increments": increments})[0]
    )


@pytest.mark.parametrize(
    ("job", "film"),
    [
        ("applied_and_sanded", 85.0),  # 185 - 100, whatever lay there before it was cut
        ("sanded", 80.0),
        ("sanded_and_read", 70.0),  # a sanding that nobody described is a cut; what it left was read
        ("sanded_who_knows_how", None),  # 130 um as applied are no film after sanding
        ("read_behind_the_sealer", None),  # 110 um are surfacer and sealer
        ("never_sanded", None),
    ],
)
def test_film_after_sanding_was_read_right_after_it_or_is_not_known(tables, job, film):
    row = tables["film_build"].row(
        by_predicate=(pl.col("job_id") == job) & (pl.col("product_id") == "fill1"), named=True
    )
    assert row["film_basis"] == "after_sanding"
    if film is None:
        for name in ("film_um", "film_low", "film_high", "prob_over", "prob_under", "over_ml", "source", "grade"):
            assert row[name] is None, name
    else:
        assert row["film_um"] == pytest.approx(film)
        assert row["film_low"] < film < row["film_high"] and (row["source"], row["grade"]) == ("read", "A")


def test_sanding_that_nobody_described_parts_two_films_of_one_product(tables):
    """As applied 70 um and, sanded to 40, 60 um on top: 130 um never lay there at once."""
    assert films(tables, "two_films", "fill2") == pytest.approx([70.0, 60.0])


def test_an_inner_face_has_six_tenths_of_the_film_read_beside_it(tables):
    assert films(tables, "inside", "clear1") == pytest.approx([30.0, 50.0])
    assert record(tables, "inside/1")["landed_solids_ml"] == pytest.approx(1.0 * 50 + 0.5 * 30)
    inner = tables["film_build"].row(
        by_predicate=(pl.col("job_id") == "inside") & (pl.col("face") == "inner"), named=True
    )
    outer = tables["film_build"].row(
        by_predicate=(pl.col("job_id") == "inside") & (pl.col("face") == "outer"), named=True
    )
    # the ratio .6 +- .2 and the outer film's own uncertainty
    assert inner["film_se_um"] ** 2 == pytest.approx((0.6 * outer["film_se_um"]) ** 2 + (0.2 * 50) ** 2)
    assert (inner["source"], inner["grade"]) == ("from transfer", "B")
