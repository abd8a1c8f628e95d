"""What the shop's files hold and which program reads them, as fingerprints: whether anything is new is asked here."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

from pipelines.workspace.paths import Workspace
from pipelines.workspace.refusals import refusal

CODE_SUFFIXES = frozenset({".py", ".sql", ".csv", ".toml", ".html", ".js", ".css", ".jinja", ".j2", ".json", ".svg"})
LIBRARIES = ("polars", "duckdb", "pandera", "numpy", "scipy", "plotly", "jinja2", "sqlglot", "fastexcel", "xlsxwriter")
LARGE = 50_000_000  # bytes of files that are worth looking at on several cores


@dataclass(frozen=True, slots=True)
class Input:
    """One file of the shop's: `path` relative to the workspace with forward slashes, `full` on this machine.

    `trouble` says why it must not be read (a link that leads out of the workspace); None for everything else.
    """

    path: str
    full: Path
    size: int
    mtime_ns: int
    trouble: str | None = None


def inputs(space: Workspace) -> list[Input]:
    """Every file a run reads: all of inbox/ with its sub-folders, layouts/*.toml and registers/*, sorted by path.

    Left out: names that begin with a dot or `~$`, which editors and file managers leave lying about. A link is followed
    to a file inside the workspace; one that leads out of it is listed with its `trouble`, and never read.
    """
    found: list[Input] = []
    for top in (space.inbox, space.layouts, space.registers):
        for folder, inner, names in os.walk(top):
            inner[:] = sorted(name for name in inner if not _ignored(name))
            links = [name for name in inner if os.path.islink(os.path.join(folder, name))]
            for name in sorted(links + [name for name in names if not _ignored(name)]):
                found.append(_input(space, Path(folder) / name))
    return sorted(found, key=lambda one: one.path)


def _ignored(name: str) -> bool:
    return name.startswith((".", "~$"))


def _input(space: Workspace, full: Path) -> Input:
    path = full.relative_to(space.root).as_posix().encode("utf-8", "backslashreplace").decode()
    try:
        if full.is_symlink():
            target = full.resolve(strict=True)
            if not target.is_relative_to(space.root.resolve()):
                return Input(path, full, 0, 0, f"is a link that leads out of the workspace, to {target}; copy the file")
            if target.is_dir():
                return Input(path, full, 0, 0, "is a link to a folder; copy the folder")
        stat = full.stat()
        if not full.is_file():
            return Input(path, full, 0, 0, "is not a regular file; copy its content into one")
    except (OSError, RuntimeError) as error:
        return Input(path, full, 0, 0, f"cannot be opened ({getattr(error, 'strerror', None) or error})")
    return Input(path, full, stat.st_size, stat.st_mtime_ns)


def sha256_file(full: Path) -> str:
    """SHA-256 of a file's content, hex."""
    with open(full, "rb") as handle:
        return hashlib.file_digest(handle, "sha256").hexdigest()


def digests(files: Iterable[Input]) -> dict[str, str]:
    """Path -> SHA-256 of the content. A file that cannot be read gets the word `unreadable` and its trouble."""

    def digest(one: Input) -> str:
        if one.trouble is not None:
            return f"unreadable: {one.trouble}"
        try:
            return sha256_file(one.full)
        except OSError as error:
            return f"unreadable: {error.strerror}"

    files = list(files)
    if sum(one.size for one in files) < LARGE:
        return {one.path: digest(one) for one in files}
    from concurrent.futures import ThreadPoolExecutor

    with ThreadPoolExecutor(os.cpu_count()) as pool:
        return dict(zip((one.path for one in files), pool.map(digest, files), strict=True))


def code_digest(packages: Iterable[str] = ("pipelines", "schemas", "reports", "seed_data")) -> str:
    """Fingerprint of the program: its own source, templates and reference data, and the libraries' versions.

    `packages` are folders or files from the checkout's top (`pipelines/intake`). Results computed by another version of
    the program are thereby never taken for this one's.
    """
    home = Path(__file__).resolve().parents[2]
    total = hashlib.sha256()
    for full in _sources(home, packages):
        total.update(os.path.relpath(full, home).encode() + b"\0" + sha256_file(full).encode())
    for name, version in library_versions().items():
        total.update(f"{name} {version}\n".encode())
    return total.hexdigest()


def _sources(home: Path, packages: Iterable[str]) -> Iterator[Path]:
    for package in packages:
        if (home / package).is_file():
            yield home / package
        for folder, inner, names in os.walk(home / package):
            inner[:] = sorted(name for name in inner if name != "__pycache__")
            for name in sorted(names):
                if os.path.splitext(name)[1] in CODE_SUFFIXES:
                    yield Path(folder, name)


def program_version() -> str:
    """This program's version; "0" where it runs from a checkout that is not installed."""
    from importlib import metadata

    try:
        return metadata.version("filmledger")
    except metadata.PackageNotFoundError:
        return "0"


def library_versions() -> dict[str, str]:
    """Version of each library that can move a number or a byte of the output."""
    from importlib import metadata

    found: dict[str, str] = {}
    for name in LIBRARIES:
        try:
            found[name] = metadata.version(name)
        except metadata.PackageNotFoundError:
            found[name] = "none"
    return found


def fingerprint(space: Workspace, contents: Mapping[str, str], code: str) -> str:
    """One hash for everything that can move a result: contents by path, settings, program."""
    total = hashlib.sha256(code.encode())
    try:
        total.update(space.settings_file.read_bytes())
    except FileNotFoundError:
        total.update(b"no settings file")
    except OSError as error:
        raise refusal(error, f"read {space.settings_file}") from error
    for path in sorted(contents):
        total.update(f"\n{path}\0{contents[path]}".encode())
    return total.hexdigest()
