"""Workspaces as tests make them: of files that stand in a test or of drawn shops, and what a run has published of them."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import polars as pl

from pipelines import commands, results, run, settings, steps, workspace
from pipelines.workbench import Tables
from pipelines.workspace import Workspace
from seed_data import scenario
from tests.bench import kills


def filled(root: Path, files: Mapping[str, str]) -> Workspace:
    """A workspace with these files: path below it -> text."""
    space, _ = workspace.init(root, settings.template())
    for name, text in files.items():
        workspace.fill(space, name, text.encode())
    return space


def drawn(root: Path, chosen: Mapping[str, Any] | None = None, **asked: Any) -> Workspace:
    """A workspace with the canonical files of an invented business (seed_data.scenario.build), with these settings chosen."""
    space, _ = workspace.init(root, settings.template(**chosen or {}))
    scenario.write_canonical(space.root, scenario.build(**asked))
    return space


def ran(space: Workspace) -> Workspace:
    commands.run(space)
    return space


def made_tables(space: Workspace) -> dict[str, pl.DataFrame]:
    """The published tables, made step by step as a run makes them; no page is built and no set put in force. For tests that ask for
    figures alone."""
    with run.begin(space, run.Silent()) as current:
        steps.bring_up_to_date(current)
        tables = Tables(current.bench)
        return {name: tables[name] for name in results.PUBLISHED}


def table(space: Workspace, name: str) -> pl.DataFrame:
    return pl.read_parquet(space.out / "tables" / f"{name}.parquet")


def hashes(space: Workspace) -> dict[str, str]:
    """What the set in force says, file by file."""
    folder = space.snapshot()
    assert folder is not None
    return kills.hashes(folder)
