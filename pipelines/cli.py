"""The `filmledger` command: parses, calls, prints. No logic, and no import that --help does not need.

Exit codes: 0 fine, 1 could not run, 2 wrong usage, 3 ran but refused rows or files (or a hand-out without any record), 4 ran and
found what --fail-on names, 130 stopped by Ctrl-C or SIGTERM.
It prints no colours, so NO_COLOR asks for nothing.
"""

from __future__ import annotations

import argparse
import contextlib
import dataclasses
import io
import json
import math
import os
import re
import signal
import socket
import sys
import threading
import time
import warnings
from pathlib import Path
from typing import TYPE_CHECKING, Any, NoReturn

if TYPE_CHECKING:
    import logging
    from collections.abc import Callable, Collection, Iterator, Sequence

    import polars as pl

    from pipelines.adoption import Adoption
    from pipelines.commands import Findings, Gone, Outcome
    from pipelines.intake.recognising.questions import Answers, Question
    from pipelines.workspace import Workspace
    from reports.handouts import Handout

# By name: their modules are not imported for --help.
WRONGLY_ASKED = ("Misused", "PeriodError", "MixError", "TrialError", "AudienceError", "MeasureError")
FORESEEN = ("WorkspaceError", "SettingsError", "LayoutError", "EngineError", "RowsLost")
# What libraries say where the machine refused something:
MACHINE = ("too many open files", "start new thread", "spawn", "resource temporarily", "(os error ", "not write file")
SHELLS = ("bash", "zsh", "fish")
FINE, COULD_NOT_RUN, WRONG_USAGE, REFUSED, FOUND, STOPPED = 0, 1, 2, 3, 4, 130
KNOWN = (("duplicate", "found word for word elsewhere"), ("superseded", "replaced by later exports"))
SHOWN_DOUBTS, SHOWN_KINDS = 8, 20
PACE_AFTER = 1.0  # seconds of counting before a rate is told
BAR = 20  # signs of the bar
LEAST_MEMORY = 2_200_000_000  # bytes of address space
ENDING = tuple(getattr(signal, name) for name in ("SIGINT", "SIGTERM", "SIGHUP") if hasattr(signal, name))
LONGEST_PAUSE = 86_400  # seconds between two looks of a watch
GRACE = 0.5  # seconds for a run that was stopped to end by itself
SAID_LOST = "The results in force are whole; run again where it can be said."
SAID_STOPPED = "Stopped. The results in force are whole: those from before, or the new ones if they stood already."


class Misused(Exception):
    """Options that do not go together. The text says which do."""


class _Parser(argparse.ArgumentParser):
    """Says which command may have been meant."""

    names: Collection[str] = ()  # of its commands

    def error(self, message: str) -> NoReturn:
        import difflib

        wrong = re.search(r"argument COMMAND: invalid choice: '([^']*)'", message)
        near = difflib.get_close_matches(wrong[1], self.names, n=1) if wrong else []
        super().error(f"{message}\nDid you mean {near[0]}?" if near else message)


#: arguments that several commands take
SHOPS: dict[str, Any] = {
    "metavar": "SHOP", "action": "append", "default": [], "help": "this shop alone (give it again for more)",
}  # fmt: skip
PERIOD: dict[str, Any] = {"metavar": "PERIOD", "help": "a month (2026-03), a quarter (2026-Q1) or a year (2026)"}
EXAMPLES = """\
init my_shop
demo
demo /tmp/demo_shop
run my_shop
run my_shop --for painter --who t101
run my_shop -q --tolerate-refused --fail-on breaches --log run.log
watch my_shop
watch my_shop --every 60 --hook tell-the-office
open my_shop
completion bash > ~/.local/share/bash-completion/completions/filmledger
completion zsh > ~/.zfunc/_filmledger
check my_shop
check my_shop --show inbox/scale.csv
check my_shop --json
adopt my_shop
adopt my_shop --questions open.toml
adopt my_shop --answers open.toml
layout my_shop/inbox/scale.csv my_shop
layout my_shop/inbox/scale.csv my_shop --table pours --ask --write
registers my_shop
registers my_shop --fill
registers my_shop --workbook registers.xlsx
registers my_shop --take registers.xlsx
kit sheets
kit sheets --paper Letter
trial my_shop --gun g101 --gun g203 --role clear --sheet trial.html
trial my_shop --change c04 --jobs 24
mix clear_hs my_shop --gun g1 --area 2.3
mix clear_hs my_shop --json
handout my_shop --period 2026-Q1
handout my_shop --rolling --shop north
handout my_shop --period 2026 --people pseudonyms
close 2026-03 my_shop
reopen 2026-03 my_shop
forget t101 my_shop
forget 'Ada Nord' my_shop
lines voc_kg my_shop --period 2026-03
lines hap_kg:100-41-4 my_shop --period 2026 --csv
lines voc_g_per_l:M1 my_shop
"""


def parser() -> _Parser:
    top = _Parser(
        prog="filmledger",
        description="Shows a paint shop where the material it mixed went, from its own scale, job and film records.",
        epilog="Exit codes: 0 fine, 1 could not run, 2 wrong usage, 3 ran but refused rows or files, 4 found what --fail-on names,"
        " 130 stopped.",
    )
    top.add_argument("--version", action=_Version, nargs=0, help="say which version this is")
    commands = top.add_subparsers(dest="command", metavar="COMMAND", required=True)
    placed, speaking, scheduled = _place(_Parser(add_help=False)), _speaking(), _scheduled()

    def command(do: Callable[[argparse.Namespace], int], said: str, *parents: _Parser) -> _Parser:
        """The command that is called as its function is, `said` in words."""
        name = do.__name__.removeprefix("_")
        examples = [f"  filmledger {one}" for one in EXAMPLES.splitlines() if one.split()[0] == name]
        made = commands.add_parser(
            name,
            parents=parents,
            help=said,
            epilog="\n".join(["examples:", *examples]),
            formatter_class=argparse.RawDescriptionHelpFormatter,
        )
        made.set_defaults(do=do)
        return made

    init = command(_init, "make a workspace: inbox/, layouts/, registers/ and filmledger.toml")
    init.add_argument("dir", metavar="DIR", help="the folder; what is in it already stays as it is")
    demo = command(_demo, "build the invented shops in a folder of their own and run on them")
    demo.add_argument("dir", metavar="DIR", nargs="?", default="demo_shop", help="the folder (default: ./demo_shop)")
    run = command(_run, "bring tables and pages up to date with the workspace", placed, speaking, scheduled)
    run.add_argument("--again", action="store_true", help="compute everything anew, even where nothing has changed")
    run.add_argument(
        "--for",
        dest="reader",
        metavar="READER",
        help="then make a site with one reader's pages and data alone: owner, environment, trainer or painter",
    )
    run.add_argument(
        "--accept-removals",
        action="store_true",
        help="go on where half of the files or rows are gone since the last run",
    )
    run.add_argument("--who", metavar="TECHNICIAN", help="whose own card a painter's site holds (default: nobody's)")
    watch = command(
        _watch, "run whenever the files have changed and then kept still, until stopped", placed, speaking, scheduled
    )
    watch.add_argument(
        "--every", metavar="SECONDS", type=_seconds, default=30.0, help="between two looks (default: 30)"
    )
    command(_open, "open the pages of the last run in the browser", placed)
    completion = command(_completion, "print what makes a shell complete these commands")
    completion.add_argument("shell", choices=SHELLS, help="the shell")
    check = command(_check, "read the files and say what would be used and refused; publish nothing", placed, speaking)
    check.add_argument("--show", metavar="FILE", help="print the first 20 rows of this file as they would be read")
    adopt = command(
        _adopt, "find out how all exports of the inbox are to be read, and write the layouts", placed, speaking
    )
    adopt.add_argument("--questions", metavar="FILE", help="write what would be asked into FILE (TOML) and no layout")
    adopt.add_argument("--answers", metavar="FILE", help="take answers from FILE (TOML); what is left is asked or told")
    layout = command(_layout, "look at one export and propose the layout that reads it")
    layout.add_argument("file", metavar="FILE", help="the export")
    _place(layout)
    layout.add_argument(
        "--table", metavar="TABLE", action="append", help="what its rows are (give it again for several)"
    )
    layout.add_argument("--answers", metavar="FILE", help="take answers from FILE (TOML)")
    layout.add_argument("--ask", action="store_true", help="ask the open questions here in the terminal")
    layout.add_argument("--write", action="store_true", help="write it into layouts/ once nothing is open")
    registers = command(
        _registers, "list the ids that registers lack; fill them, or carry them to a workbook and back", placed
    )
    registers.add_argument("--fill", action="store_true", help="add rows to be completed for all ids that are missing")
    registers.add_argument("--workbook", metavar="FILE", help="write all registers into one workbook (XLSX)")
    registers.add_argument("--take", metavar="FILE", help="take the registers back from such a workbook")
    kit = command(_kit, "sheets for a shop without a job log: pages to print, and a workbook to type into")
    kit.add_argument("folder", metavar="FOLDER", help="where to put them")
    kit.add_argument("--paper", choices=["A4", "Letter"], default="A4", help="paper of the pages (default: A4)")
    mix = command(_mix, "say at the scale how much to mix, from the last run's guide")
    mix.add_argument("product", metavar="PRODUCT", help="the product to be mixed")
    _place(mix)
    mix.add_argument("--gun", metavar="GUN", help="the gun it will be sprayed with")
    mix.add_argument(
        "--area", metavar="M2", type=float, help="area x covered fraction, m2; without both: what a usual cup takes"
    )
    mix.add_argument("--coats", metavar="N", type=int, help="coats, where they differ from the usual")
    mix.add_argument("--shop", metavar="SHOP", help="the shop, where a gun has worked in several")
    mix.add_argument("--json", action="store_true", help="the answer as one JSON object")
    trial = command(_trial, "plan a trial of one gun against another, print its sheet, or say where one stands", placed)
    trial.add_argument(
        "--gun", metavar="GUN", action="append", default=[], help="give it twice: one gun, and the other"
    )
    trial.add_argument("--role", metavar="ROLE", help="what is sprayed in it, such as clear or surfacer")
    trial.add_argument("--who", metavar="TECHNICIAN", action="append", default=[], help="who takes part (default: all)")
    trial.add_argument("--shop", metavar="SHOP", help="where (default: the first gun's shop)")
    trial.add_argument("--difference", metavar="SHARE", help="what would matter, such as 5%% (default: 8%%)")
    trial.add_argument("--jobs", metavar="N", type=int, help="jobs with each gun, where they are set already")
    trial.add_argument("--looks", metavar="N", type=int, help="how often it is looked at (default: 4)")
    trial.add_argument("--seed", metavar="N", type=int, help="of the order that is drawn (default: of guns and role)")
    trial.add_argument("--sheet", metavar="FILE", help="write the sheet to be printed (HTML) into FILE")
    trial.add_argument("--paper", choices=["A4", "Letter"], default="A4", help="paper of the sheet (default: A4)")
    trial.add_argument("--change", metavar="ID", help="of registers/changes.csv: where the running trial stands")
    trial.add_argument("--json", action="store_true", help="the answer as one JSON object")
    handout = command(_handout, "make the environmental record of a period: workbook, page, CSV", placed, speaking)
    span = handout.add_mutually_exclusive_group(required=True)
    span.add_argument("--period", **PERIOD)
    span.add_argument("--rolling", action="store_true", help="the twelve months that end with the latest record")
    handout.add_argument("--shop", **SHOPS)
    handout.add_argument(
        "--people", choices=("names", "pseudonyms"), help="with an annex of each person's trainings and time at the gun"
    )
    for closing in (
        command(_close, "keep the figures of months as they are reported now; later runs show what has become of them"),
        command(_reopen, "open closed months again: forget what was kept of them"),
    ):
        closing.add_argument("period", **PERIOD)
        _place(closing)
        closing.add_argument("--shop", **SHOPS)
    forget = command(
        _forget, "call somebody by a pseudonym from now on, in everything that is published and kept", speaking
    )
    forget.add_argument("person", metavar="PERSON", help="the id or the label of a technician")
    _place(forget)
    lines = command(
        _lines, "list the cups, cleanings, uses and movements that a figure is made from, or a cup's pours", speaking
    )
    lines.add_argument(
        "measure",
        metavar="MEASURE",
        help="such as voc_kg, rts_l:CATEGORY, hap_kg:CAS, stock:COMPONENT, voc_g_per_l:CUP",
    )
    _place(lines)
    lines.add_argument(
        "--period",
        metavar="PERIOD",
        help="a month (2026-03), a quarter or a year; default: the latest month (of a cup: its own)",
    )
    lines.add_argument("--rolling", action="store_true", help="the twelve months that end with the period")
    lines.add_argument("--shop", **SHOPS)
    lines.add_argument("--csv", action="store_true", help="as CSV instead of a table")
    top.names = commands.choices
    return top


def _seconds(text: str) -> float:
    with contextlib.suppress(ValueError):
        if 0 <= (seconds := float(text)) <= LONGEST_PAUSE:
            return seconds
    raise argparse.ArgumentTypeError(f"{text!r} is no pause; give seconds, up to {LONGEST_PAUSE}")


def _place(command: _Parser) -> _Parser:
    command.add_argument("dir", metavar="DIR", nargs="?", help="the workspace (default: the one around this folder)")
    return command


def _speaking() -> _Parser:
    """How much is said, and to whom."""
    out = _Parser(add_help=False)
    how = out.add_mutually_exclusive_group()
    how.add_argument("-q", "--quiet", action="store_true", help="print nothing but trouble")
    how.add_argument(
        "-v", "--verbose", action="store_true", help="say how long each stage took, and details of a fault"
    )
    how.add_argument("--json", action="store_true", help="one JSON object a line, its kind in `event`")
    return out


def _scheduled() -> _Parser:
    """What a scheduler wants to hear."""
    out = _Parser(add_help=False)
    out.add_argument(
        "--tolerate-refused", action="store_true", help="refused rows or files are no reason for exit code 3"
    )
    out.add_argument(
        "--fail-on", metavar="WHAT", action="append", default=[], choices=("doubts", "breaches"),
        help="exit code 4 where there are doubts, or breaches of a limit (give it again for both)",
    )  # fmt: skip
    out.add_argument("--log", metavar="FILE", help="add what is said to FILE; at 1 MB it is put aside, five are kept")
    out.add_argument(
        "--hook",
        metavar="COMMAND",
        help="call COMMAND where a run failed and where doubts or breaches are new (JSON on its input)",
    )
    return out


class _Version(argparse.Action):
    """Looks the version up only where it is asked for."""

    def __call__(self, parser: argparse.ArgumentParser, *_: Any) -> None:
        from pipelines import workspace

        print("filmledger", workspace.program_version())
        parser.exit()


def main(arguments: list[str] | None = None) -> int:
    """Run one command; returns the exit code. argparse itself leaves with 2 on wrong usage."""
    _have_streams()
    given = parser().parse_args(arguments)
    warnings.simplefilter("ignore")  # libraries warn their developers; what a shop must know is said in its own words
    for name in ENDING[1:]:
        with contextlib.suppress(ValueError):  # not in a program's main thread
            if signal.getsignal(name) == signal.SIG_DFL:  # nohup has one ignored
                signal.signal(name, signal.default_int_handler)
    try:
        if lacks := _lacking_memory():
            return _stop(lacks)
        with _ends_in_time():
            code: int = given.do(given)
            sys.stdout.flush()  # what cannot be said shows here, while it can still be told
            return code
    except KeyboardInterrupt:
        _stop(SAID_STOPPED)
        return STOPPED
    except SystemExit:
        raise
    except BaseException as error:  # libraries in Rust panic with what is no Exception
        lost = _said("") if isinstance(error, OSError) else None
        if isinstance(lost or error, BrokenPipeError):  # whoever read has seen enough
            return COULD_NOT_RUN
        if lost is not None:
            return _stop(f"What is said could not be written ({lost.strerror}). {SAID_LOST}")
        if type(error).__name__ in WRONGLY_ASKED:
            return _stop(str(error), WRONG_USAGE)
        return _stop(_explained(error, given))


def _have_streams() -> None:
    """A standard stream that was closed leads nowhere, so that no file of ours gets its number and what libraries say there; signs that
    one does not know are written as what they are called."""
    for number, name in enumerate(("stdin", "stdout", "stderr")):
        try:
            os.fstat(number)
        except OSError:
            os.open(os.devnull, os.O_RDWR)  # gets the lowest number that is free
        if getattr(sys, name) is None:
            setattr(sys, name, open(number, "w" if number else "r", encoding="utf-8", closefd=False))
        if number and isinstance(stream := getattr(sys, name), io.TextIOWrapper):
            stream.reconfigure(errors="backslashreplace")


def _lacking_memory() -> str | None:
    """What is said where so little memory may be asked for that libraries end the process without a word."""
    try:
        import resource
    except ImportError:  # not a POSIX system
        return None
    most = resource.getrlimit(resource.RLIMIT_AS)[0]
    if most == resource.RLIM_INFINITY or most >= LEAST_MEMORY:
        return None
    return (
        f"This process may ask for {most / 1e6:,.0f} MB of memory (ulimit -v), and libraries need {LEAST_MEMORY / 1e6:,.0f} to begin with."
        " Raise the limit and run again; nothing was replaced."
    )


def _said(message: str) -> OSError | None:
    """Write to standard error what is said, after what stands before it on standard output. Returns why standard output takes nothing."""
    lost = None
    for stream, text in ((sys.stdout, ""), (sys.stderr, message)):
        try:
            stream.write(text)
            stream.flush()
        except OSError as error:
            lost = error if stream is sys.stdout else lost
            with contextlib.suppress(OSError):  # else Python would try once more when it ends
                os.dup2(os.open(os.devnull, os.O_WRONLY), stream.fileno())
    return lost


def entry() -> NoReturn:
    """The command as a process: once it was stopped nothing is waited for, neither threads nor what libraries do at an end."""
    code = main()
    if code == STOPPED:
        os._exit(code)
    sys.exit(code)


@contextlib.contextmanager
def _ends_in_time() -> Iterator[None]:
    """Within a second of Ctrl-C, SIGTERM or the terminal's end the process is gone, though the work be inside a library or its own handlers be in
    place: a thread hears of the signal, gives the work GRACE to end by itself, and ends the process. What is in force is replaced
    in one step and what is not finished is worthless, so that any moment will do."""
    ours, theirs = socket.socketpair()
    theirs.setblocking(False)
    try:
        before = signal.set_wakeup_fd(theirs.fileno(), warn_on_full_buffer=False)
    except ValueError:  # not in a program's main thread
        yield
        return
    ended = threading.Event()

    def listen() -> None:
        while got := ours.recv(1):
            if got[0] in ENDING and not ended.wait(GRACE):
                os.write(2, f"filmledger: {SAID_STOPPED}\n".encode())
                os._exit(STOPPED)

    listener = threading.Thread(target=listen, daemon=True)
    listener.start()
    try:
        yield
    finally:
        ended.set()
        signal.set_wakeup_fd(before)
        theirs.close()
        listener.join()
        ours.close()


# --- commands ---------------------------------------------------------------------------------------------------------


def _init(given: argparse.Namespace) -> int:
    from pipelines import settings, workspace

    space, made = workspace.init(given.dir, settings.template())
    if "registers/" in made:
        from pipelines.intake import register_templates

        for name, text in register_templates.registers().items():
            workspace.fill(space, f"registers/{name}", text.encode())
    print(
        f"{space.root}: made {', '.join(made)}." if made else f"{space.root} is a workspace already; nothing changed."
    )
    print("Put exports into inbox/ and the tables kept by hand into registers/, then: filmledger run " + given.dir)
    return FINE


def _demo(given: argparse.Namespace) -> int:
    from pipelines import settings, workspace

    space = workspace.occupied(given.dir)
    if space is None:
        print("Building the invented shops ...", flush=True)
        began = time.perf_counter()
        from seed_data import exports, scenario

        made = scenario.build()
        with workspace.draft_of(given.dir) as draft:
            workspace.init(draft, settings.template(currency="USD", data_licence="CC0-1.0", labour_rate_per_hour=60.0))
            exports.write_demo(draft, made)
        space = workspace.find(given.dir)
        print(f"{'demo':<9} {space.root} ({time.perf_counter() - began:.1f} s)", flush=True)
    return REFUSED if _run_on(space, False, _Screen()).refused else FINE


def _of_a_cup(r: dict[str, Any]) -> str:
    """What the guide says of a usual cup of a product, in words."""
    return (
        f"Mix {math.ceil(r['advised_ml']):,} mL (95 %: {r['low']:,.0f} to {r['high']:,.0f}; enough for {100 * r['quantile']:.0f} of 100"
        f" cups, whatever the job; so far {r['mixed_ml']:,.0f} mL were mixed on average and {r['taken_ml']:,.0f} taken;"
        f" {r['n']} weighed cups, grade {r['grade']}).\n"
        "With --gun and --area the answer is for the job, once spray steps are written down."
    )


def _mix(given: argparse.Namespace) -> int:
    from pipelines import workspace
    from pipelines.transfer.decisions.mix_answer import advise, advise_cup, hardener

    space = workspace.find(given.dir)
    folder = space.snapshot()
    guides = workspace.read_snapshot(folder, ["mix_guide", "cup_guide"]) if folder else {}
    if (given.gun is None) != (given.area is None):
        raise Misused("--gun and --area go together; without both the answer is for a usual cup")
    guide = guides.get("cup_guide" if given.gun is None else "mix_guide")
    if guide is None:
        return _stop(f"{space.root}: there is no guide yet; run: filmledger run {space.root}")
    if given.gun is None:
        cup = advise_cup(guide, given.product, given.shop)
        print(json.dumps(cup) if given.json else _of_a_cup(cup))
        for note in [] if given.json else hardener(cup["role"]):
            print(note)
        return FINE
    told = advise(guide, given.product, given.gun, given.area, given.coats, given.shop)
    if given.json:
        print(json.dumps(dataclasses.asdict(told)))
        return FINE
    beside = f"usual here {told.usual_ml:,.0f} mL"
    if told.mid_window_ml is not None:
        beside += f", at the middle of the sheet's window {told.mid_window_ml:,.0f} mL"
    often = 100 * told.quantile
    print(
        f"Mix {told.mix_ml:,.0f} mL (enough in {often:.0f} of 100 jobs like this; {beside}; {told.n} jobs behind it)."
    )
    for c in told.choices:
        mark = "  <- cheapest" if c["enough_in"] == round(often) else ""
        print(
            f"  enough in {c['enough_in']} of 100: {c['mix_ml']:,.0f} mL; on average running short costs {c['cost_short']:,.2f},"
            f" what is left over {c['cost_left']:,.2f}{mark}"
        )
    for note in told.notes:
        print(note)
    return FINE


def _trial(given: argparse.Namespace) -> int:
    from pipelines import commands, workspace

    space = workspace.find(given.dir)
    if not given.change and (len(given.gun) < 2 or not given.role):
        raise Misused("a trial asks for --gun twice and --role, or for --change of one that runs")
    asked = {
        name: getattr(given, name) for name in ("who", "shop", "difference", "jobs", "looks", "seed", "paper", "change")
    }
    told, lines, sheet = commands.trial(space, given.gun, given.role, **asked)
    if given.sheet:
        with open(given.sheet, "wb") as file:
            file.write(sheet)
        lines.append(f"Sheet to print: {given.sheet}")
    print(json.dumps(told, default=str) if given.json else "\n".join(lines))
    return FINE


def _run(given: argparse.Namespace) -> int:
    from pipelines import workspace

    space = workspace.find(given.dir)
    if given.reader is None and given.who is None:
        return _scheduled_run(space, given)
    from pipelines import results
    from reports import audience

    audience.of(given.reader, given.who)
    code = _scheduled_run(space, given)
    _teller(given).remark(f"For one reader: {results.make_site(space, given.reader, given.who) / 'index.html'}")
    return code


def _scheduled_run(space: Workspace, given: argparse.Namespace) -> int:
    """A run with what a scheduler asks for: its log, its hook, its exit codes."""
    from pipelines import alerts, workspace

    before = workspace.said_in_force(space)
    with alerts.log_to(given.log) as log:
        screen = _teller(given, log)
        try:
            outcome = _run_on(space, getattr(given, "again", False), screen, getattr(given, "accept_removals", False))
        except BaseException as error:
            said = "stopped" if isinstance(error, KeyboardInterrupt) else _explained(error, given)
            log.error(said)
            if isinstance(error, Exception):
                _hooked(given, screen, [{"event": "failed", "workspace": str(space.root), "said": said}])
            raise
        news = alerts.news(before.get("headline", {}), outcome.headline)
        _hooked(given, screen, [{"event": event, "workspace": str(space.root), "new": new} for event, new in news])
        code = _code(outcome, given)
        log.info("finished with exit code %d", code)
    return code


def _hooked(given: argparse.Namespace, screen: _Screen | _Lines, told: list[dict[str, Any]]) -> None:
    from pipelines import alerts

    for one in told if given.hook else ():
        if trouble := alerts.call(given.hook, one):
            screen.remark(trouble)


def _code(outcome: Outcome, given: argparse.Namespace) -> int:
    if any(outcome.headline[what] for what in given.fail_on):
        return FOUND
    return REFUSED if outcome.refused and not given.tolerate_refused else FINE


def _run_on(space: Workspace, again: bool, screen: _Screen | _Lines, accept_removals: bool = False) -> Outcome:
    from pipelines import commands

    outcome = commands.run(space, again, screen, accept_removals)
    if outcome.remark:
        screen.remark(outcome.remark)
    screen.closing(space, outcome)
    return outcome


def _watch(given: argparse.Namespace) -> int:
    from pipelines import commands, workspace

    space = workspace.find(given.dir)

    def once() -> None:
        try:
            _scheduled_run(space, given)
        except Exception as error:  # one run that cannot be made is no end of watching
            _stop(_explained(error, given))

    commands.watch(space, once, given.every)
    return FINE


def _open(given: argparse.Namespace) -> int:
    import webbrowser

    from pipelines import workspace

    space = workspace.find(given.dir)
    page = space.out / "site" / "index.html"
    if not page.is_file():
        return _stop(f"{space.root}: there are no pages yet; run: filmledger run {space.root}")
    print(page)
    return (
        FINE if webbrowser.open(page.resolve().as_uri()) else _stop(f"No browser could be opened; the pages are {page}")
    )


def _completion(given: argparse.Namespace) -> int:
    import shtab

    print(shtab.complete(parser(), shell=given.shell))
    return FINE


def _handout(given: argparse.Namespace) -> int:
    from pipelines import commands, workspace

    space = workspace.find(given.dir)
    screen = _teller(given)
    outcome, folder, new, made = commands.handout(space, given.period, given.shop, screen, given.people)
    screen.handed(folder, new, made)
    return REFUSED if outcome.refused or not made.months else FINE


def _close(given: argparse.Namespace) -> int:
    from pipelines import commands, workspace

    space = workspace.find(given.dir)
    outcome, folder, months = commands.close(space, given.period, given.shop, _Screen())
    print(f"Closed: {', '.join(months)}. As reported: {folder}")
    return REFUSED if outcome.refused else FINE


def _reopen(given: argparse.Namespace) -> int:
    from pipelines import results, workspace

    months = results.reopen(workspace.find(given.dir), given.period, given.shop)
    print(f"Open again: {', '.join(months)}")
    return FINE


def _forget(given: argparse.Namespace) -> int:
    from pipelines import commands, workspace

    screen = _teller(given)
    gone, _ = commands.forget(workspace.find(given.dir), given.person, screen)
    screen.forgotten(gone)
    return FINE


def _lines(given: argparse.Namespace) -> int:
    from pipelines import commands, workspace

    space = workspace.find(given.dir)
    found = commands.lines(space, given.measure, given.period, given.rolling, given.shop)
    if given.json:
        screen = _Lines()
        for row in found.rows.iter_rows(named=True):
            screen.say("line", **row)
        screen.say("finished", lines=found.rows.height, unit=found.unit, total=found.total, complete=found.complete)
        return FINE
    if given.csv:
        print(workspace.defused(found.rows).write_csv(), end="")
        return FINE
    _print_frame(
        found.rows, "ASCII_BORDERS_ONLY_CONDENSED", tbl_rows=-1, tbl_cols=-1, tbl_width_chars=10_000, fmt_str_lengths=60,
        float_precision=6, tbl_hide_column_data_types=True,
    )  # fmt: skip
    for line in found.told():
        print(line)
    return FINE


def _check(given: argparse.Namespace) -> int:
    from pipelines import commands, workspace

    screen = _teller(given)
    found = commands.check(workspace.find(given.dir), screen, given.show)
    screen.checked(found)
    return REFUSED if found.refused else FINE


def _adopt(given: argparse.Namespace) -> int:
    from pipelines import adoption, workspace
    from pipelines.intake.recognising import questions

    space = workspace.find(given.dir)
    answers = adoption.answers_of(Path(given.answers) if given.answers else None)
    found = adoption.begin(space)
    if not found.exports.sources:
        there = any(one.file.startswith("inbox/") for one in found.others)
        empty = (
            f"{space.inbox} holds no export yet: put the files there as scale and job log wrote them, then adopt again."
        )
        _teller(given).remark("Every file of the inbox is read already; nothing to adopt." if there else empty)
        return FINE
    look = found.again(answers)
    if given.json:
        return _adopt_for_programs(found, answers)
    if given.questions:
        workspace.write_new(Path(given.questions), questions.written(look.questions).encode())
        print(f"{len(look.questions)} questions written to {given.questions}; no layout was written.")
        return REFUSED if look.questions else FINE
    _answered(found, answers)
    found.finish(answers)
    _print_adoption(found)
    doubts = found.doubts()
    for file, remark in doubts:
        print(f"{file}: {remark}.")
    if (
        doubts
        and sys.stdin.isatty()
        and input("Write the layouts all the same? (yes or no) > ").strip().lower() not in ("yes", "y")
    ):
        print("No layout was written.")
        return REFUSED
    written = found.write()
    for relative in written:
        print(f"Wrote {space.root / relative}.")
    left = {one.shape for one in found.look.questions}
    if left:
        print(
            f"Left open: {len(found.look.questions)} questions about {', '.join(sorted(left))}; nothing was written for them."
        )
    print("Next: filmledger check" if written else "No layout was written.")
    return FINE if written and not left and not doubts and not found.look.unread else REFUSED


def _adopt_for_programs(found: Adoption, answers: Answers) -> int:
    """Nothing is asked: what is open is told, and layouts are written for what is not, where nothing is doubtful."""
    screen = _Lines()
    look = found.finish(answers)
    for name, draft in look.drafts.items():
        screen.say("shape", name=draft.shape.name, tables=list(draft.tables), finished=name in look.layouts)
    for file, why in look.unread.items():
        screen.say("unread", file=file, why=why)
    for one in look.questions:
        options = [option for option, _ in one.options]
        screen.say(
            "question", shape=one.shape, kind=one.kind, table=one.table, column=one.column, ask=one.ask, options=options
        )
    doubts = found.doubts()
    for file, remark in doubts:
        screen.say("doubt", file=file, remark=remark)
    written = [] if doubts else found.write()
    screen.say("finished", written=written, questions=len(look.questions), doubts=len(doubts))
    return FINE if written and not look.questions and not look.unread else REFUSED


def _print_adoption(found: Adoption) -> None:
    """What each file was taken for, how many rows it gives, and what is doubtful about them."""
    for name, draft in found.look.drafts.items():
        state = "" if name in found.look.layouts else " (not finished)"
        print(f"{draft.shape.name}: {', '.join(draft.tables) or 'not known yet'}{state}")
        for header, why in draft.unused.items() if draft.tables else ():
            print(f"  not used: '{header}': {why}")
    for read in found.look.reads:
        for table, part in read.tables.items() if read.layout else ():
            lost = part.refused["item"].n_unique()
            print(
                f"  {read.file}: {table or 'rows that no table takes'}: {part.height:,} rows would be read, {lost:,} refused"
            )
    for file, why in found.look.unread.items():
        print(f"Not read: {file}: {why}")


def _answered(found: Adoption, answers: Answers) -> None:
    """Ask what is open, round by round, until nothing is or nothing more is said."""
    asked: set[tuple[str, ...]] = set()
    with contextlib.suppress(EOFError):  # the rest stays open
        while fresh := [q for q in found.look.questions if (*q.name, q.sheet, q.ask) not in asked]:
            try:
                for one in fresh:
                    asked.add((*one.name, one.sheet, one.ask))
                    said = _asked(one)
                    if said is not None:
                        answers.give(one, said)
            finally:
                found.again(answers)


def _asked(one: Question) -> Any:
    """One question, answered in the terminal; None where it is left open. Raises EOFError: input has ended."""
    print(f"\n{one.ask}")
    if one.rows:
        import polars as pl

        look = {"tbl_rows": 5, "tbl_cols": 14, "tbl_width_chars": 160, "fmt_str_lengths": 18}
        _print_frame(pl.DataFrame(list(one.rows)), tbl_hide_column_data_types=True, **look)
    for number, (option, why) in enumerate(one.options, start=1):
        print(f"  {number}  {option}" + (f"    {why}" if why else ""))
    several = one.kind in ("tables", "unused")
    print("  " + _HOW[one.kind] if one.kind in _HOW else "  a number, or what is meant; nothing leaves it open")
    if one.kind == "values":
        return _asked_values(one)
    options = [o for o, _ in one.options]
    while answer := input("> ").strip():
        if answer.isdecimal() and options:
            if 1 <= int(answer) <= len(options):
                return [options[int(answer) - 1]] if several else options[int(answer) - 1]
        elif several:
            return [part.strip() for part in answer.split(",")] if answer != "none" else []
        elif answer in options or one.kind in ("format", "register", "split"):
            return answer
        elif one.kind in ("source", "tare") and answer[0] == answer[-1] == '"' and len(answer) > 2:
            return answer[1:-1]
        elif one.kind == "tare" and answer[0] == "=":
            with contextlib.suppress(ValueError):
                return float(answer[1:])
        elif one.kind == "source" and answer[0] == "=" and answer[1:].strip():
            return answer
        print(f"  {answer} is none of these")
    return None


def _asked_values(one: Question) -> Any:
    """What each cell means, one by one."""
    out: dict[str, str] = {}
    choices = [o for o, _ in one.options]
    for cell in one.values:
        print(f"  {cell}")
        while answer := input("> ").strip():
            chosen = choices[int(answer) - 1] if answer.isdecimal() and 1 <= int(answer) <= len(choices) else answer
            if chosen in choices:
                out[cell] = chosen
                break
            print(f"  {answer} is none of these")
    return out or None


_HOW = {
    "tables": "a number, or names with commas between, or none; nothing leaves it open",
    "source": "a number, a header in quotes, = and a value for every row, or nothing to leave it open",
    "tare": "a number, a header in quotes, = and grams, or nothing to leave it open",
    "values": "for each: a number or the word itself; nothing leaves it open",
}


def _layout(given: argparse.Namespace) -> int:
    from pipelines import adoption, workspace

    space, path = workspace.find(given.dir), Path(given.file)
    answers = adoption.answers_of(Path(given.answers) if given.answers else None)
    if given.table:
        answers.entries.append({"kind": "tables", "shape": "*", "answer": given.table})
    found = adoption.begin(space, path)
    found.again(answers)
    if given.ask:
        _answered(found, answers)
    found.finish(answers)
    for draft in found.look.drafts.values():
        print(draft.toml())
    for one in found.look.questions:
        options = f" ({', '.join(o for o, _ in one.options)})" if one.options else ""
        print(f"Open: {one.table}.{one.column}: {one.ask}{options}" if one.table else f"Open: {one.ask}{options}")
    if found.look.questions:
        print("Answer these with --ask or --answers. Nothing was written.")
        return REFUSED
    for name, why in found.look.unread.items():
        print(f"Not read: {name}: {why}")
    if not found.look.layouts:
        print("Nothing was written.")
        return REFUSED
    for read in found.look.reads:
        for table, part in read.tables.items():
            lost = part.refused["item"].n_unique()
            print(f"{table or 'rows that no table takes'}: {part.height:,} rows would be read, {lost:,} refused")
            _print_rows({table: part.rows.head(20).collect()})
            for line, reason in part.refused.select("line", "reason").head(5).iter_rows():
                print(f"  line {line}: {reason}")
    if not given.write:
        print("Nothing was written; --write puts it into layouts/.")
        return FINE
    for relative in found.write():
        print(f"Wrote {space.root / relative}. Look at it, then: filmledger check")
    return FINE


def _registers(given: argparse.Namespace) -> int:
    from pipelines import adoption, workspace
    from pipelines.intake import workbooks_to_fill
    from pipelines.intake.bringing_together import unknown_ids
    from pipelines.intake.reading.files import Source

    space = workspace.find(given.dir)
    reads, texts = adoption.registers(space)
    if given.take:
        for path in adoption.take(space, Source(given.take, Path(given.take)), texts):
            print(f"Wrote {space.root / path}.")
        return FINE
    if given.workbook:
        grids = {name: workbooks_to_fill.grid_of(text) for name, text in texts.items()}
        workspace.write_new(Path(given.workbook), workbooks_to_fill.workbook(grids))
        print(f"Wrote {given.workbook}. Fill it in, then: filmledger registers --take {given.workbook}")
        return FINE
    lost = unknown_ids.missing(reads)
    for line in unknown_ids.told(lost):
        print(line)
    if lost.is_empty():
        print("The registers know every id that the exports name.")
        return FINE
    if not given.fill:
        print(f"{lost.height} ids are in no register; --fill adds a row for each, to be completed.")
        return REFUSED
    for line in adoption.fill(space, lost, texts):
        print(f"{line}.")
    print("Then: filmledger check, which says what each missing figure hides.")
    return FINE


def _kit(given: argparse.Namespace) -> int:
    from pipelines import workspace
    from pipelines.intake import workbooks_to_fill

    folder = Path(given.folder)
    folder.mkdir(parents=True, exist_ok=True)
    workspace.write_new(folder / "recording.xlsx", workbooks_to_fill.kit())
    (folder / "recording_sheets.html").write_text(workbooks_to_fill.pages(given.paper), encoding="utf-8")
    print(
        f"Wrote {folder / 'recording_sheets.html'} (to print) and {folder / 'recording.xlsx'} (to type into; put it into inbox/)."
    )
    return FINE


# --- what is printed --------------------------------------------------------------------------------------------------


def _teller(given: argparse.Namespace, log: logging.Logger | None = None) -> _Screen | _Lines:
    return _Lines(log) if given.json else _Screen(given.quiet, given.verbose, log)


class _Screen:
    """Stages as lines on standard output; progress as a line that overwrites itself, on a terminal only."""

    def __init__(self, quiet: bool = False, verbose: bool = False, log: logging.Logger | None = None) -> None:
        self._shown = 0.0
        self._width = 0
        self._began = ("", 0.0, 0)  # what is being counted, since when, from which number
        self._quiet = quiet
        self._verbose = verbose
        self._log = log
        self._since = time.monotonic()
        self._line = sys.stderr  # a run keeps stderr from the libraries, not from progress
        self._live = self._line.isatty() and not quiet

    def stage(self, name: str, result: str) -> None:
        now = time.monotonic()
        took = f" [{now - self._since:.1f} s since the line before]" if self._verbose else ""
        self._since = now
        self.remark(f"{name:<9} {result}{took}")

    def progress(self, what: str, done: int, total: int) -> None:
        now = time.monotonic()
        if what != self._began[0] or done < self._began[2]:
            self._began = (what, now, done)
        if self._live and now - self._shown > 0.2:
            self._shown = now
            line = f"\r{what}: {done} of {total} {self._pace(now, done, total)}"
            print(line.ljust(self._width), end="", file=self._line, flush=True)
            self._width = len(line)

    def _pace(self, now: float, done: int, total: int) -> str:
        """A bar, how many a second and how long it will take still, once there is something to reckon it from."""
        _, since, first = self._began
        if now - since < PACE_AFTER or done <= first or total < done:
            return ""
        rate = (done - first) / (now - since)
        filled = BAR * done // total
        left = math.ceil((total - done) / rate)
        often = f"{rate:,.0f} a second" if rate >= 1 else f"one in {1 / rate:,.0f} s"
        return f"[{'#' * filled}{'.' * (BAR - filled)}] {often}, {left // 60}:{left % 60:02d} left "

    def remark(self, said: str) -> None:
        self._clear()
        if self._log:
            self._log.info(said.strip())
        if not self._quiet:
            print(said, flush=True)

    def checked(self, found: Findings) -> None:
        if not self._quiet:
            for line in _told(found):
                print(line)
            _print_rows(found.shown)

    def handed(self, folder: Path, new: bool, made: Handout) -> None:
        """Where a hand-out is, what it holds and what it lacks."""
        if not new and not made.same:
            self.remark(f"{made.period.label} is closed: the hand-out stays as it was given: {folder}")
            self.remark("What has become of its figures since stands in later hand-outs and on the page on emissions.")
            return
        self.remark(f"{'Hand-out' if new else 'Nothing differs from the hand-out that is there'}: {folder}")
        shops = ", ".join(made.shops)
        if made.months:
            there = (
                f"{len(made.months)} of {len(made.period.months)} months"
                if len(made.period.months) > 1
                else made.months[0]
            )
            self.remark(f"It holds a record of {there} ({shops}), {len(made.sheets)} sheets.")
        else:
            self.remark(f"There is no record of {made.period.label} ({shops}): it holds registers and rules alone.")
        if n := len(made.lacking):
            self.remark(f"It lacks {n} thing{'' if n == 1 else 's'} (sheet `missing`):")
        for line in _some([f"  {one}" for one in made.lacking], SHOWN_DOUBTS):
            self.remark(line)

    def forgotten(self, gone: Gone) -> None:
        """What somebody is called, and where the shop's own files still hold this person."""
        self.remark(
            f"This person was forgotten before and is called {gone.called}."
            if gone.before
            else f"From now on {gone.called} stands for this person in everything that is published and kept; no figure has moved."
        )
        if not gone.places:
            self.remark("No file of inbox/ or registers/ holds this person.")
            return
        self.remark("The shop's own files are not touched. This person stands in")
        for one in gone.places:
            more = f" and {one.places - len(one.first)} more" if one.places > len(one.first) else ""
            self.remark(f"  {one.file}: {', '.join(one.first)}{more}")
        from pipelines.forgetting import WHAT_TO_DO

        self.remark(WHAT_TO_DO)

    def closing(self, space: Workspace, outcome: Outcome) -> None:
        if not outcome.new:
            self.remark("Nothing new since the last run.")
        self.remark("\n" + _closing(space, outcome))

    def _clear(self) -> None:
        if self._live and self._shown:
            print("\r" + " " * self._width + "\r", end="", file=self._line, flush=True)
            self._shown, self._width = 0.0, 0


class _Lines:
    """The same for programs: one JSON object a line on standard output, its kind in `event` (pipelines/command_line.md). `finished` of a run
    has every number of the closing paragraph, as the set in force has them."""

    def __init__(self, log: logging.Logger | None = None) -> None:
        self._log = log

    def stage(self, name: str, result: str) -> None:
        self.say("stage", name=name, result=result)

    def progress(self, what: str, done: int, total: int) -> None:
        self.say("progress", what=what, done=done, total=total)

    def remark(self, said: str) -> None:
        self.say("remark", said=said)

    def closing(self, space: Workspace, outcome: Outcome) -> None:
        self.say("finished", new=outcome.new, results=str(space.out), **outcome.headline)

    def checked(self, found: Findings) -> None:
        for row in found.files.iter_rows(named=True):
            self.say("file", **row)
        for row in found.reasons.iter_rows(named=True):
            self.say("reason", **row)
        for row in found.gaps.iter_rows(named=True) if found.gaps is not None else ():
            self.say("gap", **row)
        self.say("finished", refused=found.refused, rows_incomplete=found.rows_incomplete)

    def handed(self, folder: Path, new: bool, made: Handout) -> None:
        sheets = [sheet.key for sheet in made.sheets]
        self.say(
            "finished", folder=str(folder), new=new, period=made.period.label, shops=made.shops, months=made.months, sheets=sheets,
            lacking=made.lacking,
        )  # fmt: skip

    def forgotten(self, gone: Gone) -> None:
        for one in gone.places:
            self.say("place", file=one.file, first=one.first, places=one.places)
        self.say("finished", called=gone.called, before=gone.before)

    def say(self, event: str, **told: Any) -> None:
        if self._log and event != "progress":
            self._log.info("%s %s", event, told)
        print(json.dumps({"event": event, **told}, ensure_ascii=False, default=str), flush=True)


def _some(lines: Sequence[str], most: int, rest: str = "  and {} more") -> list[str]:
    """The first of these lines, and in the words of `rest` how many there are besides."""
    return [*lines[:most], *([rest.format(len(lines) - most)] if len(lines) > most else [])]


def _told(found: Findings) -> list[str]:
    """Findings of a check: each file and table with its counts, then the commonest reasons with an example each."""
    lines = []
    for row in found.files.iter_rows(named=True):
        if row["state"] == "refused":
            lines.append(f"{row['file']}: refused: {row['message']}")
            continue
        parts = [f"{row['accepted']:,} of {row['rows_read']:,} rows would be used"]
        parts += [f"{row[kind]:,} {kind}" for kind in ("refused", "duplicate", "superseded") if row[kind]]
        how = f" by {row['layout']}" if row["layout"] else ""
        lines.append(f"{row['file']}: {row['table']}{how}: {', '.join(parts)}")
        if row["message"]:
            lines.append(f"    {row['message']}")
    lines += _share(found)
    if found.reasons.height:
        from pipelines.intake import check_notes

        lines += ["", "Reasons, commonest first:"]
        kinds = [
            f"  {r['rows']:,} row{'s' if r['rows'] > 1 else ''}, first {r['file']} line {r['line']}: {r['reason']}\n      {r['raw']}"
            + (f"\n      To change: {r['change']}." if r["change"] else "")
            for r in check_notes.kinds(found.reasons).iter_rows(named=True)
        ]
        lines += _some(kinds, SHOWN_KINDS, "  and {} more kinds; a run writes every one into out/refused.")
    if found.gaps is not None and found.gaps.height:
        lines += ["", "What the registers lack, by the material that is hidden by it:"]
        named = found.gaps.iter_rows(named=True)
        gaps = [f"  {r['hidden_g'] / 1000:10,.1f} kg  {r['register']} {r['id']}: {r['gap']}" for r in named]
        lines += _some(gaps, SHOWN_KINDS)
    if found.changes is not None and found.changes.height:
        what = "Changes that the records tell; to be told whether one helped, copy its row into registers/changes.csv:"
        changes = [f"  {row['seen']}: {row['row']}" for row in found.changes.iter_rows(named=True)]
        lines += ["", what, *_some(changes, SHOWN_KINDS, "  and {} earlier ones")]
    if not lines:
        lines.append("There are no files yet: put exports into inbox/ and the tables kept by hand into registers/.")
    return lines


def _share(found: Findings) -> list[str]:
    """How many rows would count, and the cups, operations and panel stages that stay incomplete all the same."""
    rows, used = int(found.files["rows_read"].sum()), int(found.files["accepted"].sum())
    if not rows:
        return []
    known = int(found.files["duplicate"].sum()) + int(found.files["superseded"].sum())
    lost = found.files.filter(found.files["state"] == "refused").height
    told = f"{used:,} of {rows:,} rows {'that could be read ' if lost else ''}would be used, {known:,} stand in other files too"
    if found.rows_incomplete:
        told += f", {found.rows_incomplete:,} hang on something incomplete"
    lines = [
        "",
        f"{told}." if lost else f"{told}: {100 * (used + known - found.rows_incomplete) / rows:.1f} % are good.",
    ]
    if lost:
        whole = "1 file was" if lost == 1 else f"{lost:,} files were"
        lines.append(f"{whole} refused as a whole: no share can be given of rows that could not be read.")
    if not found.rows_incomplete:
        return lines
    from pipelines.intake import check_notes

    assert found.incomplete is not None
    left = check_notes.incomplete(found.incomplete)
    parts = ", ".join(f"{n:,} {word}" for word, n in left.items())
    lines.append(f"Incomplete, so that no equation is made of it: {parts}.")
    return lines


def _print_rows(tables: dict[str, pl.DataFrame]) -> None:
    """Rows as they would be read, by table."""
    for table, rows in tables.items():
        shown = [name for name in rows.columns if rows[name].null_count() < rows.height and "@" not in name]
        print(f"\n{table}: the first {rows.height} rows as they would be read")
        _print_frame(rows.select(shown), tbl_rows=20, tbl_cols=-1, tbl_width_chars=200)


def _print_frame(frame: pl.DataFrame, border: Any = "ASCII_MARKDOWN", **look: Any) -> None:
    import polars as pl

    with pl.Config(tbl_formatting=border, tbl_hide_dataframe_shape=True, **look):
        print(frame)


def _closing(space: Workspace, outcome: Outcome) -> str:
    """The closing paragraph: headline numbers and where the pages are."""
    told = outcome.headline
    lines = []
    if told["poured_solids_g"]:
        lines.append(
            f"{told['cups']:,} cups held {told['poured_solids_g'] / 1000:,.1f} kg of solids. {_where_it_went(told)}"
        )
    else:
        lines.append("No cup with known solids was found, so there is nothing to account for yet.")
    if told["te"] is not None:
        ends = "" if told["te_low"] is None else f" ({100 * told['te_low']:.0f}-{100 * told['te_high']:.0f})"
        lines.append(f"Transfer efficiency of what was sprayed and could be followed: {100 * told['te']:.0f} %{ends}.")
    else:
        lines.append(f"No transfer efficiency yet{': ' if told['no_te'][0].islower() else '. '}{told['no_te']}.")
    lines += _breaches(told["breaches"])
    lines.append(_refusals(space, told))
    if told["incomplete_months"]:
        n = told["incomplete_months"]
        lines.append(
            f"Emissions: {n} month{' is' if n == 1 else 's are'} incomplete, the figures lower bounds or not known;"
            " the page on emissions says why."
        )
    lines.append(f"Pages: {space.out / 'site' / 'index.html'}")
    return "\n".join(lines)


def _where_it_went(told: dict[str, Any]) -> str:
    """Of every 100 g of solids: what is known of their way, and how much is not."""
    known = []
    if told["te"] is not None:
        known.append(f"{100 * told['useful_share']:.0f} became useful film")
    else:
        shares = ((told["left_share"], "were left in the cups"), (told["flushed_share"], "were flushed out"))
        known += [f"{100 * share:.0f} {words}" for share, words in shares if share]
    lost = round(100 * (told["not_split_share"] or 0))
    unknown = f"the way of {lost} is not known" if lost else ""
    return f"Of every 100 g, {'; '.join(part for part in (', '.join(known), unknown) if part)}."


def _breaches(found: list[dict[str, Any]]) -> list[str]:
    """Windows above a limit of a permit, the latest first."""
    if not found:
        return []
    n = f"{len(found)} window{' is' if len(found) == 1 else 's are'}"
    named = [
        f"  {one['shop_id']}, {one['window_words']}: {one['measure_words']},"
        f" {one['total']:,.4g} {one['unit_words']} against {one['limit']:,.4g}"
        for one in reversed(found)
    ]
    return [f"Limits: {n} above the limit of a permit (the page on emissions lists all):", *_some(named, SHOWN_DOUBTS)]


def _refusals(space: Workspace, told: dict[str, Any]) -> str:
    """What became of the rows, and what is doubtful about those that were used."""
    rows, files = told["refused_rows"], told["refused_files"]
    known = [f"{told[f'{kind}_rows']:,} {words}" for kind, words in KNOWN if told[f"{kind}_rows"]]
    lines = []
    if rows or files or known:
        used = f"{told['rows_used']:,} of {told['rows_read']:,} rows were used"
        lines.append(", ".join([used, *known, *([f"{rows:,} refused"] if rows else [])]) + ".")
    elif told["rows_read"]:
        lines.append(f"All {told['rows_read']:,} rows were used.")
    else:
        lines.append("No row was read: copy exports of the scale and the job log into inbox/.")
    if rows:
        lines.append(f"Refused rows, each with its reason: {space.out / 'refused'}")
    if files:
        what = f"{files:,} files were" if files > 1 else "1 file was"
        lines.append(f"{what} refused as a whole: see Intake on the pages, or filmledger check.")
    doubts = [f"{file}: {doubt}." for file, doubt in told["doubts"]]
    return "\n".join(lines + _some(doubts, SHOWN_DOUBTS, "{} more remarks of this kind: see Intake on the pages."))


# --- trouble ----------------------------------------------------------------------------------------------------------


def _explained(error: BaseException, given: argparse.Namespace) -> str:
    """A sentence for any trouble: the foreseeable kind in its own words, the rest with the place of its details."""
    from pipelines import workspace

    causes = workspace.causes(error)
    for one in causes:
        if type(one).__name__ in FORESEEN:
            return str(one)
    for one in causes:
        if workspace.is_refusal(one):
            return str(workspace.refusal(one, "finish the run"))
        if isinstance(one, MemoryError) or type(one).__name__ == "OutOfMemoryException":
            return "There is not enough memory for this. Close other programs and run again; nothing was replaced."
    for one in causes:
        if (isinstance(one, OSError) and one.errno) or any(sign in str(one).lower() for sign in MACHINE):
            return f"The machine refused something: {one}. Mend that and run again; nothing was replaced."
        if isinstance(one, ImportError):
            return f"A library cannot be loaded: {one}. Install the pinned libraries anew (README.md); nothing was replaced."
    import traceback

    details = "".join(traceback.format_exception(error))
    if getattr(given, "verbose", False):
        print(details, file=sys.stderr)
    kept = workspace.report_fault(getattr(given, "dir", None), details)
    return f"This is a fault of the program, not of your files: {error!r}. Nothing was replaced." + (
        f" Please report it with {kept}." if kept else ""
    )


def _stop(message: str, code: int = COULD_NOT_RUN) -> int:
    _said(f"filmledger: {message}\n")
    return code


if __name__ == "__main__":
    entry()
