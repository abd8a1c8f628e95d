"""What the documents promise can be kept: they stay short, and what they point at is there."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

HOME = Path(__file__).resolve().parents[2]
DOCUMENTS = sorted([*HOME.glob("*.md"), *(HOME / "tests").rglob("results.md")])


def test_the_page_for_developers_can_be_read_in_one_sitting() -> None:
    assert len((HOME / "DEVELOPERS.md").read_text(encoding="utf-8").splitlines()) <= 300


@pytest.mark.parametrize("document", DOCUMENTS, ids=lambda path: path.name)
def test_links_lead_to_files_that_are_there(document: Path) -> None:
    for target in re.findall(r"\]\(([^)#\s]+)[^)]*\)", document.read_text(encoding="utf-8")):
        assert "://" in target or (document.parent / target).exists(), target


@pytest.mark.parametrize("document", DOCUMENTS, ids=lambda path: path.name)
def test_files_that_are_named_are_there(document: Path) -> None:
    """Paths in code marks that begin with a folder of the checkout."""
    for name in re.findall(r"`((?:pipelines|schemas|reports|seed_data|tests)/[\w/.]*)`", document.read_text("utf-8")):
        assert (HOME / name).exists(), f"{document.name} names {name}"


@pytest.mark.parametrize("document", [HOME / "README.md", HOME / "DEVELOPERS.md"], ids=lambda path: path.name)
def test_commands_of_make_that_are_named_are_there(document: Path) -> None:
    known = set(re.findall(r"^([a-z-]+):", (HOME / "Makefile").read_text(encoding="utf-8"), re.MULTILINE))
    named = set(re.findall(r"`make ([a-z-]+)`|^    make ([a-z-]+)", document.read_text(encoding="utf-8"), re.MULTILINE))
    assert {one or other for one, other in named} <= known


@pytest.mark.parametrize("template", sorted((HOME / "reports").rglob("*.html")), ids=lambda path: path.name)
def test_a_line_of_a_template_can_be_read(template: Path) -> None:
    for number, line in enumerate(template.read_text(encoding="utf-8").splitlines(), start=1):
        assert len(line) <= 160, f"{template.name}, line {number}: {len(line)} characters"
