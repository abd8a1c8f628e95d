"""What the shop's files hold and which program reads them, as fingerprints: whether anything is new is asked here."""

from __future__ import annotations

import contextlib
import hashlib
import math
import os
import unicodedata
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path

from pipelines.workspace.checksums import read_plain, sha256_file
from pipelines.workspace.paths import Workspace
from pipelines.workspace.pseudonyms import LIST
from pipelines.workspace.refusals import WorkspaceError

CODE_SUFFIXES = frozenset({".py", ".sql", ".csv", ".toml", ".html", ".js", ".css", ".jinja", ".j2", ".json", ".svg"})
LIBRARIES = ("polars", "duckdb", "pandera", "numpy", "scipy", "plotly", "jinja2", "sqlglot", "fastexcel", "xlsxwriter")
KERNELS = ("OPENBLAS_CORETYPE", "MKL_CBWR", "NPY_DISABLE_CPU_FEATURES")  # choose how numbers are added up
MOST_SETTINGS = 4_000_000  # bytes
UNREADABLE = "unreadable: "  # in place of the SHA-256 of what cannot be opened
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

    Raises WorkspaceError where a folder cannot be listed or the inbox is not there: what is missing is not empty.
    """
    if not os.path.lexists(space.inbox):
        raise WorkspaceError(
            f"{space.inbox} is not there. Make the folder, or connect the drive it stands on, and run again;"
            " nothing was replaced."
        )
    found: list[Input] = []
    try:
        _look_below(space, found)
    except RecursionError as error:
        raise WorkspaceError(
            f"Folders in {space.root} are nested too deeply to be listed. Take them away and run again; nothing was replaced."
        ) from error
    return _told_apart(sorted(found, key=lambda one: one.path))


def _look_below(space: Workspace, found: list[Input]) -> None:
    for top in (space.inbox, space.layouts, space.registers):
        for folder, inner, names in os.walk(top, onerror=_unlisted) if os.path.lexists(top) else ():
            inner[:] = sorted(name for name in inner if not _ignored(name))
            links = [name for name in inner if os.path.islink(os.path.join(folder, name))]
            for name in sorted(links + [name for name in names if not _ignored(name)]):
                found.append(_input(space, Path(folder) / name))


def _told_apart(files: list[Input]) -> list[Input]:
    """Two names may be one in print, where one has a sign that nobody sees: only the first is read, so that none takes another's
    place."""
    seen: Counter[str] = Counter()
    for at, one in enumerate(files):
        seen[one.path] += 1
        if seen[one.path] > 1:
            trouble = "has a name that reads like another file's; rename it"
            files[at] = replace(one, path=f"{one.path} <{seen[one.path]}>", trouble=trouble)
    return files


def _unlisted(error: OSError) -> None:
    raise WorkspaceError(
        f"{error.filename} cannot be listed ({error.strerror}). Allow reading it, or connect the drive it stands on, and run"
        " again; nothing was replaced."
    ) from error


def leading_out(space: Workspace) -> list[str]:
    """What is to be said of inbox/, layouts/ and registers/ that are links out of the workspace."""
    return [
        f"{top.name}/ is a link out of the workspace, to {target}."
        for top in (space.inbox, space.layouts, space.registers)
        if top.is_symlink() and not (target := top.resolve()).is_relative_to(space.root.resolve())
    ]


def settings_bytes(space: Workspace) -> bytes | None:
    """filmledger.toml as it stands; None where there is none. Raises WorkspaceError."""
    try:
        if space.settings_file.stat().st_size > MOST_SETTINGS:
            raise WorkspaceError(
                f"{space.settings_file} is too large to be settings; `filmledger init` writes a file to begin with."
            )
        return read_plain(space.settings_file)
    except FileNotFoundError:
        return None
    except OSError as error:
        raise WorkspaceError(f"{space.settings_file}: cannot be read ({error.strerror or error}).") from error


def _ignored(name: str) -> bool:
    return name.startswith((".", "~$"))


def _input(space: Workspace, full: Path) -> Input:
    path = printable(full.relative_to(space.root).as_posix().encode("utf-8", "backslashreplace").decode())
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


def printable(text: str) -> str:
    """A name with its control signs, and those that turn the direction of writing, as what they are called: no terminal acts on
    them."""
    return "".join(
        one if unicodedata.category(one) not in ("Cc", "Cf", "Zl", "Zp") else f"<U+{ord(one):04X}>" for one in text
    )


def digests(
    files: Iterable[Input], limit_mb: float = math.inf, of: Callable[[Path], str] = sha256_file
) -> dict[str, str]:
    """Path -> SHA-256 of the content, as `of` tells it. A file that cannot be read gets the word `unreadable` and its trouble; one that is too large
    to be read is known by its size and time."""

    def digest(one: Input) -> str:
        if one.trouble is not None:
            return f"{UNREADABLE}{one.trouble}"
        if one.size > limit_mb * 1e6:
            return f"too large: {one.size} {one.mtime_ns}"
        try:
            return of(one.full)
        except OSError as error:
            return f"{UNREADABLE}{error.strerror}"

    files = list(files)
    if sum(one.size for one in files) < LARGE:
        return {one.path: digest(one) for one in files}
    from concurrent.futures import ThreadPoolExecutor

    with ThreadPoolExecutor(os.cpu_count()) as pool:
        return dict(zip((one.path for one in files), pool.map(digest, files), strict=True))


def held(
    space: Workspace, limit_mb: float, files: Iterable[Input] | None = None, of: Callable[[Path], str] = sha256_file
) -> dict[str, str]:
    """Path -> SHA-256 of everything that a run rests on: the shop's files (None: as they stand now; see `digests`), and who was
    forgotten."""
    whole = digests(inputs(space) if files is None else files, limit_mb, of)
    with contextlib.suppress(FileNotFoundError):
        whole[LIST] = sha256_file(space.root / LIST)
    return whole


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
    for name in KERNELS:
        total.update(f"{name} {os.environ.get(name, '')}\n".encode())
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


@cache
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


def fingerprint(settings: bytes | None, contents: Mapping[str, str], code: str) -> str:
    """One hash for everything that can move a result: contents by path, settings as they were read, program."""
    total = hashlib.sha256(code.encode())
    total.update(b"no settings file" if settings is None else settings)
    for path in sorted(contents):
        total.update(f"\n{path}\0{contents[path]}".encode())
    return total.hexdigest()
