"""The wheel: built from the checkout, installed into an environment of its own, it runs the demo outside of the checkout."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
import sysconfig
import venv
from pathlib import Path

import pytest

HOME = Path(__file__).resolve().parents[2]
PACKAGES = ("pipelines", "schemas", "reports", "seed_data")
#: files that are no Python and that the program reads while it runs
DATA = (".sql", ".csv", ".toml", ".html", ".js", ".css")


def outside(command: list[str | Path], folder: Path) -> subprocess.CompletedProcess[str]:
    clean = {name: value for name, value in os.environ.items() if not name.startswith(("PYTHON", "DAGSTER"))}
    return subprocess.run(command, cwd=folder, env=clean, capture_output=True, text=True, timeout=600)


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Built from a copy, so that nothing of the building is left in the checkout."""
    source = tmp_path_factory.mktemp("source")
    for name in PACKAGES:
        shutil.copytree(HOME / name, source / name, ignore=shutil.ignore_patterns("__pycache__"))
    for name in ("pyproject.toml", "README.md", "LICENSE"):
        shutil.copy(HOME / name, source)
    target = tmp_path_factory.mktemp("wheel")
    command = [sys.executable, "-m", "pip", "wheel", "--quiet", "--no-deps", "--no-index", "--no-build-isolation"]
    built = outside([*command, "--wheel-dir", target, source], target)
    assert built.returncode == 0, built.stderr
    (found,) = target.glob("filmledger-*.whl")
    return found


@pytest.fixture(scope="module")
def program(wheel: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The command in an environment of its own, which sees the libraries of this one but not the checkout."""
    folder = tmp_path_factory.mktemp("environment")
    venv.EnvBuilder(symlinks=os.name != "nt").create(folder)
    scripts = folder / ("Scripts" if os.name == "nt" else "bin")
    paths = {"base": str(folder), "platbase": str(folder)}
    site = Path(sysconfig.get_path("purelib", "venv" if "venv" in sysconfig.get_scheme_names() else None, paths))
    own = Path(sysconfig.get_path("purelib"))
    (site / "libraries.pth").write_text(f"{own}\n", encoding="utf-8")  # a plain path: nothing editable is followed
    pip = [sys.executable, "-m", "pip", "--python", scripts / "python", "install", "--quiet", "--no-deps", "--no-index"]
    installed = outside([*pip, "--ignore-installed", wheel], folder)
    assert installed.returncode == 0, installed.stderr
    return scripts / "filmledger"


def test_everything_that_the_program_reads_is_in_the_wheel(wheel: Path, program: Path) -> None:
    site = next(program.parents[1].rglob("site-packages"))
    for name in PACKAGES:
        for file in (HOME / name).rglob("*"):
            if file.suffix in (".py", *DATA) and "__pycache__" not in file.parts:
                inside = site / file.relative_to(HOME)
                assert inside.is_file() and inside.read_bytes() == file.read_bytes(), file.relative_to(HOME)
    told = outside([program.parent / "python", "-c", "import pipelines; print(pipelines.__file__)"], site.parent)
    assert Path(told.stdout.strip()).is_relative_to(site), told


def test_it_says_its_version(wheel: Path, program: Path) -> None:
    told = outside([program, "--version"], program.parent)
    assert told.returncode == 0, told.stderr
    assert told.stdout == f"filmledger {wheel.name.split('-')[1]}\n"
    assert f"\n## {wheel.name.split('-')[1]}" in (HOME / "CHANGELOG.md").read_text(encoding="utf-8")


def test_the_demo_runs_outside_of_the_checkout(program: Path, tmp_path: Path) -> None:
    ran = outside([program, "demo"], tmp_path)
    assert ran.returncode == 3, ran.stderr  # damaged rows are meant
    index = tmp_path / "demo_shop" / "out" / "site" / "index.html"
    assert str(index) in ran.stdout and re.search(rb"Of every 100", index.read_bytes())
    assert len(list((tmp_path / "demo_shop" / "out" / "tables").glob("*.parquet"))) > 40
    # of its changes one did not help, one did, and one cannot be told yet: each page says so of its own
    for page, word in (("guns", "It did not help"), ("hands", "It helped."), ("owner", "It cannot be told yet.")):
        html = (index.parent / f"{page}.html").read_text(encoding="utf-8")
        told = html[html.index('<section id="helped"') :].partition("</section>")[0]
        assert re.findall(r"<strong>(It [^<:]*)", told) == [word], page
    again = outside([program, "run", "demo_shop"], tmp_path)
    assert "Nothing new since the last run." in again.stdout
