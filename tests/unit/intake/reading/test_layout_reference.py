"""The reference of layouts: complete, its examples are read, and what is committed is what the models give."""

from __future__ import annotations

import json
import tomllib
from pathlib import Path

import pytest
from jsonschema import Draft202012Validator

from pipelines.intake.reading import layout, layout_reference

HOME = Path(__file__).resolve().parents[4]
#: the library that checks JSON against a schema, as editors do: what is committed, not what our models say
SCHEMA = Draft202012Validator(json.loads((HOME / "schemas" / "layout.schema.json").read_text()))
EXAMPLES = [(model, key, line) for model, told in layout_reference.KEYS.items() for key, (_, line) in told.items()]


@pytest.mark.parametrize("model", layout_reference.MODELS)
def test_every_key_has_a_meaning_and_an_example(model: str) -> None:
    assert sorted(layout_reference.KEYS[model]) == sorted(layout_reference.keys(model))
    assert all(
        meaning and f"{key}" in line
        for key, (meaning, line) in layout_reference.KEYS[model].items()
        if key != "columns"
    )


@pytest.mark.parametrize(("model", "key", "line"), EXAMPLES, ids=[f"{m} {k}" for m, k, _ in EXAMPLES])
def test_every_example_is_a_layout(model: str, key: str, line: str) -> None:
    text = layout_reference.example(model, line)
    layout.parse("example.toml", text)
    assert not list(SCHEMA.iter_errors(tomllib.loads(text)))


@pytest.mark.parametrize(
    "line", ['decimal = "."\ndecimals = ","', 'order = "backwards"', "header_line = 0", "skip = [{ is = 3 }]"]
)
def test_the_schema_refuses_what_is_no_layout(line: str) -> None:
    assert list(SCHEMA.iter_errors(tomllib.loads(layout_reference.example("[file]", line))))


def test_the_schema_takes_every_layout_that_ships() -> None:
    shipped = sorted((HOME / "seed_data" / "demo" / "layouts").glob("*.toml"))
    assert shipped
    for path in shipped:
        assert not list(SCHEMA.iter_errors(tomllib.loads(path.read_text()))), path.name


def test_the_schema_knows_every_key_and_no_other() -> None:
    defs = layout_reference.schema()["$defs"]
    for model, cls in layout_reference.MODELS.items():
        known, stated = set(layout_reference.keys(model)), defs[cls.__name__]
        on_columns = {"weights", "tare", "tare_g"}
        wanted = (
            known | on_columns
            if model == "[tables.columns]"
            else known - on_columns
            if model == "[[tables]]"
            else known
        )
        assert set(stated["properties"]) == wanted and stated["additionalProperties"] is False


def test_what_is_committed_is_what_the_models_give() -> None:
    assert (HOME / "schemas" / "layout_reference.md").read_text() == layout_reference.markdown()
    assert json.loads((HOME / "schemas" / "layout.schema.json").read_text()) == json.loads(
        json.dumps(layout_reference.schema())
    )
