"""`filmledger mix` answers from the published guide alone, and says plainly where it cannot."""

from __future__ import annotations

from pathlib import Path

import polars as pl
import pytest

from pipelines import cli, settings, workspace
from schemas import validate


def publish(root: Path, **tables: pl.DataFrame) -> None:
    """Put tables in force as a run's results."""
    space = workspace.find(root)
    workspace.begin(space)
    for name, frame in tables.items():
        workspace.write_table(space, name, frame.write_parquet)
    workspace.publish(space, {})


@pytest.fixture
def shop(tmp_path: Path) -> Path:
    workspace.init(tmp_path, settings.template())
    row = {"shop_id": "north", "product_id": "clear_one", "gun_id": "g1", "area_class": "1.5_to_4", "role": "clear",
           "as_sprayed_ml_per_m2": 150.0, "advised_ml_per_m2": 200.0, "mid_window_ml_per_m2": 160.0, "quantile": 0.98,
           "flush_ml": 8.0, "n": 20, "n_product": 60, "coats": 2.0, "min_mix_ml": 50.0, "product": "High solids clear"}  # fmt: skip
    publish(tmp_path, mix_guide=pl.concat([validate.empty("mix_guide"), pl.DataFrame([row])], how="diagonal"))
    return tmp_path


def test_the_advised_amount_is_area_times_the_quantile_and_one_flush(
    shop: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    code = cli.main(["mix", "clear_one", str(shop), "--gun", "g1", "--area", "2.0"])
    said = capsys.readouterr().out
    assert code == 0
    assert said.startswith("Mix 408 mL (enough in 98 of 100 jobs like this; usual here 308 mL")
    assert "20 jobs behind it" in said and "isocyanates" in said


def test_the_name_on_the_pages_is_as_good_as_the_id(shop: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["mix", "High solids clear", str(shop), "--gun", "g1", "--area", "2.0"]) == 0
    assert capsys.readouterr().out.startswith("Mix 408 mL")


def test_an_unknown_product_is_named_with_its_nearest(shop: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["mix", "clear_on", str(shop), "--gun", "g1", "--area", "2.0"]) == 2
    assert "did you mean clear_one?" in capsys.readouterr().err


def test_without_a_run_it_says_what_to_do(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    workspace.init(tmp_path, settings.template())
    assert cli.main(["mix", "clear_one", str(tmp_path), "--gun", "g1", "--area", "2.0"]) == 1
    assert "filmledger run" in capsys.readouterr().err


def test_without_gun_and_area_it_answers_for_a_usual_cup(shop: Path, capsys: pytest.CaptureFixture[str]) -> None:
    row = {"shop_id": "north", "product_id": "clear_one", "role": "clear", "n": 12, "mixed_ml": 400.0, "taken_ml": 300.0, "left_ml": 100.0,
           "quantile": 0.98, "advised_ml": 380.4, "low": 350.0, "high": 420.0, "n_short": 0, "would_leave_ml": 80.0, "grade": "B"}  # fmt: skip
    publish(shop, cup_guide=pl.concat([validate.empty("cup_guide"), pl.DataFrame([row])], how="diagonal"))
    assert cli.main(["mix", "clear_one", str(shop)]) == 0
    said = capsys.readouterr().out
    assert (
        said.startswith("Mix 381 mL (95 %: 350 to 420; enough for 98 of 100 cups")
        and "12 weighed cups, grade B" in said
    )
    assert "isocyanates" in said
    assert cli.main(["mix", "clear_one", str(shop), "--gun", "g1"]) == 2
    assert "--gun and --area go together" in capsys.readouterr().err
    assert cli.main(["mix", "other", str(shop)]) == 2
    assert "8 cups of it" in capsys.readouterr().err
