"""A small workspace that an earlier version left (upgrade/workspace_before_forms.tar.xz), run by the commands of pipelines/group.md as they stand
there: upgrade, a schedule's day, a run that is stopped, backup and restore.

The workspace: 12 cups of an invented shop, inbox to pages, as the program of 29 November 2026 made it; taken out were the charts' library of its
pages and one of Dagster's event logs, for their size.
"""

from __future__ import annotations

import configparser
import json
import os
import re
import shlex
import signal
import subprocess
import sys
import tarfile
import time
from pathlib import Path
from typing import Any

import polars as pl
import pytest

from pipelines import settings, workspace
from pipelines.workspace import Workspace

HOME = Path(__file__).resolve().parents[2]
GROUP = (HOME / "pipelines" / "group.md").read_text("utf-8")
BLOCKS = re.findall(r"```(?:ini)?\n(.*?)```", GROUP, re.DOTALL)
LEFT = Path(__file__).with_name("upgrade") / "workspace_before_forms.tar.xz"
SHOP = "tarnwick"


class Machine:
    """A machine with this program on its path and a workspace at the place of the page's."""

    def __init__(self, top: Path) -> None:
        self.top, self.srv = top, top / "srv"
        for folder in (self.srv, top / "bin", top / "log", top / "backup"):
            folder.mkdir()
        self.heard = top / "heard"
        self._script("filmledger", f'exec {shlex.quote(sys.executable)} -m pipelines.cli "$@"')
        self._script(
            "tell-the-office", f"cat >> {shlex.quote(str(self.heard))}; echo >> {shlex.quote(str(self.heard))}"
        )
        with tarfile.open(LEFT) as packed:
            packed.extractall(self.srv, filter="data")
        (self.srv / "shop").rename(self.srv / "group")
        self.space = Workspace(self.srv / "group")

    def _script(self, name: str, line: str) -> None:
        full = self.top / "bin" / name
        full.write_text(f"#!/bin/sh\n{line}\n")
        full.chmod(0o755)

    def here(self, command: str) -> str:
        """A command of the page with its places on this machine."""
        for place, ours in (
            ("/opt/filmledger/bin/", f"{self.top}/bin/"), ("/usr/local/bin/", f"{self.top}/bin/"),
            ("/srv/filmledger", str(self.srv)), ("/var/log/filmledger", f"{self.top}/log"), ("/backup", f"{self.top}/backup"),
        ):  # fmt: skip
            command = command.replace(place, ours)
        return command

    @property
    def around(self) -> dict[str, str]:
        kept = {name: value for name, value in os.environ.items() if name != "DAGSTER_HOME"}
        return kept | {"PATH": f"{self.top}/bin:{os.environ['PATH']}", "PYTHONPATH": str(HOME)}

    def call(self, command: str, umask: int = 0o022) -> subprocess.CompletedProcess[str]:
        """By the shell, as a scheduler does it."""
        return subprocess.run(
            ["sh", "-c", self.here(command)], env=self.around, umask=umask, cwd=self.top, text=True, capture_output=True, check=False
        )  # fmt: skip

    def fire(self) -> dict[str, Any]:
        """The timer fires: what the unit's command says, its exit code, what the hook heard and the log was told."""
        unit = configparser.ConfigParser(strict=True)
        unit.optionxform = str  # type: ignore[assignment,method-assign]
        unit.read_string(BLOCKS[0])
        log = self.top / "log" / "run.log"
        before = log.read_text() if log.exists() else ""
        self.heard.write_text("")
        done = self.call(unit["Service"]["ExecStart"], int(unit["Service"]["UMask"], 8))
        return {
            "code": done.returncode, "trouble": done.stderr, "said": [json.loads(line) for line in done.stdout.splitlines()],
            "heard": [json.loads(line) for line in self.heard.read_text().splitlines()], "log": log.read_text().removeprefix(before),
        }  # fmt: skip

    def cron(self) -> subprocess.CompletedProcess[str]:
        return self.call(BLOCKS[2].split(maxsplit=5)[5])


def block(word: str) -> list[str]:
    """The commands of the page's block that holds a word."""
    return next(one for one in BLOCKS if word in one).strip().splitlines()


def contents(space: Workspace) -> dict[str, str]:
    folder = space.snapshot()
    assert folder is not None and workspace.set_in_force(space)[1] is None
    found: dict[str, str] = workspace.said_of(folder)["contents"]
    return found


@pytest.fixture(scope="module")
def day(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    """Everything that happens, in its order; the tests say what should have come of it."""
    on = Machine(tmp_path_factory.mktemp("machine"))
    space, fired = on.space, {}
    text = space.settings_file.read_text()
    text = text.replace("[transfer]\n", "[transfer]\nshared_rel_u = 0.06\n", 1)
    space.settings_file.write_text(text)
    old = {path.stem: pl.read_parquet(path) for path in (space.out / "tables").glob("*.parquet")}
    fired["upgrade"] = on.fire()
    fired["nothing"] = on.fire()
    handed = {
        period: on.call(f"filmledger handout /srv/filmledger/group --period {period}")
        for period in ("2025-03", "2031-01")
    }
    modes = [path for top in ("intake", "tables") if (path := space.state / top).stat().st_mode & 0o077]

    (space.inbox / "pours_next.csv").write_text(
        "shop_id,mix_id,pour_no,poured_at,product_id,component_id,weighed_g\n"
        f"{SHOP},M99,1,never,sealer_grey,sf_hardener,12\n"
    )
    fired["refused"] = on.fire()
    strict = on.call("filmledger run /srv/filmledger/group -q")

    with open(space.registers / "permit_limits.csv", "a") as handle:
        handle.write(f"{SHOP},voc_kg,month,0.001,kg,a limit of this test\n")
    fired["breach"] = on.fire()
    fired["after"] = on.fire()
    in_force = space.snapshot()
    space.settings_file.write_text(text + "\n[mispelt]\n")
    fired["failed"] = on.fire()
    kept = space.snapshot() == in_force and workspace.set_in_force(space)[1] is None
    space.settings_file.write_text(text)
    by_cron = on.cron()
    return {
        "machine": on, "old": old, "fired": fired, "handed": handed, "modes": modes, "strict": strict, "kept": kept, "cron": by_cron,
    }  # fmt: skip


def told(one: dict[str, Any], event: str) -> list[dict[str, Any]]:
    return [line for line in one["said"] if line["event"] == event]


def test_what_an_earlier_version_left_is_made_anew_with_a_word(day: dict[str, Any]) -> None:
    first = day["fired"]["upgrade"]
    assert first["code"] == 0, first
    said = [one["said"] for one in told(first, "remark")]
    assert any("written by an earlier version of the program; it is made anew" in one for one in said), said
    assert any("shared_rel_u is read as [film] area_shared_sd" in one for one in said), said
    space = day["machine"].space
    assert workspace.said_of(space.snapshot())["settings"]["film"]["area_shared_sd"] == 0.06
    now, before = pl.read_parquet(space.out / "tables" / "mixes.parquet"), day["old"]["mixes"]
    both = before.join(now, on=["shop_id", "mix_id"], how="left", suffix="_now")
    assert both.height == before.height == now.height > 10
    for column in ("poured_g", "solids_mass_fraction", "rts_l"):
        assert both[column].to_list() == pytest.approx(both[f"{column}_now"].to_list(), rel=1e-9), column


def test_a_later_form_of_the_settings_is_refused_and_nothing_else() -> None:
    assert (
        settings.parse(f"settings_form = {settings.FORM}\n".encode())
        == settings.Settings()
        == settings.parse(b"settings_form = 0\n")
    )
    with pytest.raises(settings.SettingsError, match=r"later version of the program .* nothing was replaced"):
        settings.parse(f"settings_form = {settings.FORM + 1}\n".encode())
    for wrong in (b"settings_form = true\n", b"settings_form = -1\n", b'settings_form = "1"\n'):
        with pytest.raises(settings.SettingsError, match="no number of a form"):
            settings.parse(wrong)


def test_a_schedules_day(day: dict[str, Any]) -> None:
    """Exit codes, log and hook as the page says, firing by firing."""
    fired = day["fired"]
    assert {name: one["code"] for name, one in fired.items()} == {
        "upgrade": 0, "nothing": 0, "refused": 0, "breach": 4, "after": 4, "failed": 1,
    }  # fmt: skip
    for name, one in fired.items():
        assert all(
            re.match(r"\d{4}-\d\d-\d\d \d\d:\d\d:\d\d,\d{3} (INFO|ERROR) ", line) for line in one["log"].splitlines()
        ), name
        if name != "failed":
            assert one["log"].rstrip().endswith(f"finished with exit code {one['code']}")
    ends = {name: told(one, "finished") for name, one in fired.items()}
    wanted = [True, False, True, True, False]
    assert [ends[name][0]["new"] for name in ("upgrade", "nothing", "refused", "breach", "after")] == wanted
    assert ends["refused"][0]["refused_rows"] == 1 and day["strict"].returncode == 3
    assert [one["heard"] for name, one in fired.items() if name in ("upgrade", "nothing", "refused", "after")] == [
        []
    ] * 4
    (breach,) = fired["breach"]["heard"]
    assert breach["event"] == "breaches" and breach["workspace"] == str(day["machine"].space.root)
    assert {one["measure"] for one in breach["new"]} == {"voc_kg"} and all(
        one["limit"] == 0.001 for one in breach["new"]
    )
    (failed,) = fired["failed"]["heard"]
    assert failed["event"] == "failed" and "mispelt" in failed["said"] and "mispelt" in fired["failed"]["log"]
    assert "ERROR" in fired["failed"]["log"] and "mispelt" in fired["failed"]["trouble"] and ends["failed"] == []
    assert day["kept"], "the results in force stayed"
    assert (day["cron"].returncode, day["cron"].stdout, day["cron"].stderr) == (4, "", "")


def test_a_hand_out_of_a_period_without_a_record_says_so_and_leaves_with_3(day: dict[str, Any]) -> None:
    there, none = day["handed"]["2025-03"], day["handed"]["2031-01"]
    assert there.returncode == 0 and "It holds a record of 2025-03" in there.stdout, there
    assert none.returncode == 3 and "There is no record of 2031-01" in none.stdout, none
    assert "It lacks" in none.stdout


def test_what_was_read_and_the_tables_of_a_run_are_for_their_owner_alone(day: dict[str, Any]) -> None:
    assert day["modes"] == []


def test_a_run_that_is_stopped_leaves_the_set_in_force(day: dict[str, Any]) -> None:
    on = day["machine"]
    before = contents(on.space)
    running = subprocess.Popen(
        [on.top / "bin" / "filmledger", "run", str(on.space.root), "--json", "--again"],
        env=on.around,
        stdout=subprocess.PIPE,
        text=True,
    )
    assert running.stdout is not None
    for line in running.stdout:
        if json.loads(line)["event"] == "stage":
            break
    begun = time.monotonic()
    running.send_signal(signal.SIGTERM)
    assert (
        running.wait(timeout=30) == 130 and time.monotonic() - begun < 3
    )  # the page promises one on a machine at rest
    running.stdout.close()
    assert contents(on.space) == before
    after = on.call("filmledger run /srv/filmledger/group --json --tolerate-refused")
    assert after.returncode == 0 and json.loads(after.stdout.splitlines()[-1])["new"] is False


def test_what_a_backup_of_everything_restores_is_in_force_at_once(day: dict[str, Any]) -> None:
    on = day["machine"]
    before, root = contents(on.space), on.space.root
    save, restore = block("flock")
    assert on.call(save).returncode == 0
    root.rename(on.top / "lost")
    try:
        assert on.call(restore).returncode == 0
        assert contents(on.space) == before
        again = on.call("filmledger run /srv/filmledger/group --tolerate-refused")
        assert again.returncode == 0 and again.stdout.startswith("Nothing new since the last run."), again
    finally:
        root.rename(on.top / "restored")
        (on.top / "lost").rename(root)


def test_what_cannot_be_made_again_is_enough_to_have_the_same_tables(day: dict[str, Any]) -> None:
    on = day["machine"]
    before, root = contents(on.space), on.space.root
    save, restore, run = block("group-own")
    assert on.call(save).returncode == 0
    root.rename(on.top / "lost")
    try:
        assert on.call(restore).returncode == 0
        assert not (root / "out").exists() and not on.space.state.exists()
        assert on.call(run).returncode == 0
        assert contents(on.space) == before
    finally:
        root.rename(on.top / "restored_own")
        (on.top / "lost").rename(root)
