"""The command line. Exit status: 0 fine; 1 something was found or differs; 2 usage, bad input or nothing to read from;
70 (EX_SOFTWARE of sysexits.h) a fault of the program itself.

What a command needs is imported when it runs, so that ``--help`` stays quick.
"""

from __future__ import annotations

import gc
import sys
import traceback
from collections.abc import Sequence
from importlib import import_module
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from cyclopts import App

USAGE = 2
# A traceback must never look as if a command had found something: Python's own status for one is 1.
FAULT = 70
INTERRUPTED = 130

# Name, where it is, what it does: the text is here because the modules are imported only when called.
COMMANDS: Final = (
    ("run", "run:run", "Run the daemon until SIGTERM or Ctrl-C."),
    ("relay", "relay:relay", "Pass badge lines on to the release server, in a process of its own, until SIGTERM."),
    (
        "totals",
        "totals:totals",
        "Pages per person, cost centre, printer, day or release: released, counted, charged; exports.",
    ),
    ("releases", "releases:releases", "What was released, a line each: claim, count, charge, verdict, grade."),
    (
        "statement",
        "statement:statement",
        "The statement of a person, a cost centre or a printer for a period: to print, as JSON, or a table.",
    ),
    ("explain", "explain:explain", "The whole chain of evidence for a release, in order."),
    ("findings", "findings:app", "List problems with their evidence; record their cause."),
    ("decide", "decide:app", "Waive, confirm or move pages that no proof settles; undo and list such decisions."),
    ("alerts", "alerts:app", "List alerts and undelivered messages; send a test message."),
    ("ledger", "ledger:ledger", "The postings as plain-text double entry (beancount syntax)."),
    ("costs", "costs:costs", "What charged pages cost, by the rate cards of the settings."),
    ("close", "close:close", "Close a period: freeze its rows; what comes later is an adjustment."),
    ("closed", "closed:closed", "List closed periods: by whom, when, head of the journal, rows, SHA-256."),
    (
        "archive",
        "archive:archive",
        "Put readings of closed periods into sealed files beside the journal. Stop the daemon first.",
    ),
    ("changed", "changed:changed", "Adjustments to closed periods: what came later, and what each corrects."),
    (
        "supplier-bill",
        "supplier_bill:supplier_bill",
        "Check a supplier's statement of meters against the readings.",
    ),
    (
        "note-reading",
        "note_reading:note_reading",
        "Note a figure that you read from a printer's panel; take one back.",
    ),
    ("noted-readings", "noted_readings:noted_readings", "List figures read from panels, beside the meter's readings."),
    ("losses", "losses:losses", "Pages for which nobody pays, by printer and cause, and what would help."),
    ("facts", "facts:facts", "Write the journal's facts as NDJSON, one fact a line."),
    ("project", "project:project", "Compute ledger, findings and totals from a file of facts, without a daemon."),
    ("prove", "prove:prove", "Prove printers, stage by stage, with test pages if wanted."),
    ("read", "read:read", "Read one printer over SNMP: which counters would be used, and why."),
    ("printers", "printers:app", "Many printers at once: import a list, check which are ready."),
    ("profile", "profile:app", "Check a profile of a maker's counters, also against a recording."),
    ("verify", "verify:verify", "Find facts that were edited, removed or inserted; prove a release to somebody else."),
    (
        "replay",
        "replay:replay",
        "Recompute all results from the stored events, report differences. Stop the daemon first.",
    ),
    (
        "clock",
        "clock:app",
        "Agree to this machine's clock; correct the dates of facts.",
    ),
    (
        "credentials",
        "credentials:app",
        "Make, list and revoke credentials: who may send, note, decide, read, install, administer.",
    ),
    ("backup", "backup:backup", "Copy the journal beside a running daemon, verified; one file, whole or not there."),
    ("restore", "restore:restore", "Put a backup in the place of the journal. Stop the daemon first."),
    (
        "move",
        "move:move",
        "Move the journal from its file into a PostgreSQL database. Stop the daemon first.",
    ),
    ("people", "people:app", "Who is who: import a list of people, show it, merge two who are one."),
    ("erase", "erase:erase", "Take a person out of the journal. Stop the daemon first."),
    ("erase-titles", "erase_titles:erase_titles", "Delete titles of jobs whose time is over. Stop the daemon first."),
    ("demo", "demo:demo", "A fictional college's day in about a minute, with faults planted on purpose."),
    ("simulate", "simulate:app", "Simulated printers, gateways and a release server, for courses and integrators."),
    ("doctor", "doctor:doctor", "Show on one page what is wrong with a site, and what to do."),
    ("ready", "ready:ready", "Say whether the running daemon works; for health checks."),
    ("check-config", "check_config:check_config", "Check a settings file."),
    ("example", "example:example", "Print files that come with Pagereeve: settings, units, rules, dashboards."),
    ("schema", "schema:schema", "Print a JSON Schema: of events, of the settings, of a file of facts."),
    ("docs", "docs:docs", "Print a document: events, access, alerts, glossary and others."),
    ("completion", "completion:completion", "Print a script that completes commands in your shell."),
    ("version", "version:version", "Show the version."),
)

EPILOGUE: Final = (
    "Exit status: 0 fine; 1 something was found or differs; 2 usage, bad input or nothing to read from; "
    "70 a fault in Pagereeve. "
    "Commands that read may run beside the daemon."
)


def main(arguments: Sequence[str] | None = None) -> None:
    """The entry point; exits with the command's status."""
    sys.exit(status_of(sys.argv[1:] if arguments is None else arguments, own_process=True))


def status_of(arguments: Sequence[str], *, own_process: bool = False) -> int:
    """Run one command. Errors made on purpose are one message on stderr, without a traceback; a fault has both.

    ``own_process``: nothing else goes on in it.
    """
    try:
        return _status_of(arguments, own_process=own_process)
    except KeyboardInterrupt:
        return INTERRUPTED
    except BaseException as fault:  # noqa: BLE001 - whatever it is, it is shown, and its status is its own
        traceback.print_exception(fault)
        sys.stderr.write("pagereeve: this is a fault in Pagereeve; what stands above belongs into its report\n")
        return FAULT


def _load(command: str) -> None:
    """What it needs stays: looking for cycles among that, again and again while it grows, took a seventh of a start."""
    place = next((place for name, place, _ in COMMANDS if name == command), None)
    if place is None:
        return
    gc.disable()
    import_module(f"{__name__}.{place.partition(':')[0]}")
    gc.freeze()
    gc.enable()


def _status_of(arguments: Sequence[str], *, own_process: bool) -> int:
    from cyclopts import CycloptsError  # noqa: PLC0415 - see above

    from pagereeve.app.compiled import refuse_changed  # noqa: PLC0415 - see above
    from pagereeve.cli.output import give_up_output, lenient_output  # noqa: PLC0415 - see above
    from pagereeve.domain.values.errors import PagereeveError  # noqa: PLC0415 - see above

    lenient_output()
    try:
        refuse_changed()  # before what it would refuse is loaded
        if own_process and arguments:
            _load(arguments[0])
        app = build_app(arguments[0] if arguments else "")
        result = app(list(arguments), result_action="return_value", exit_on_error=False, print_error=False)
        sys.stdout.flush()
    except CycloptsError as error:
        return _complain(f"{_one_line(str(error))} (pagereeve --help shows how)")
    except PagereeveError as error:
        return _complain(str(error))
    except (BrokenPipeError, SystemExit) as ended:
        # rich ends a process whose reader has left (rich.console.Console.on_broken_pipe).
        if not isinstance(ended, BrokenPipeError) and not isinstance(ended.__context__, BrokenPipeError):
            raise
        # Whoever read our output has seen enough.
        give_up_output()
        return 0
    except OSError as error:
        where = f"{error.filename}: " if error.filename else ""
        return _complain(f"{where}{error.strerror or error}")
    return result if isinstance(result, int) else 0


def build_app(called: str = "") -> App:
    """All commands; the one that is called has its own docstring for help."""
    from cyclopts import App, Parameter  # noqa: PLC0415 - see above

    from pagereeve.cli.version import version_line  # noqa: PLC0415 - see above

    app = App(
        name="pagereeve",
        help="Accounts for every page that a badge-released printer counts.",
        help_epilogue=EPILOGUE,
        version=version_line,
        # A switch that is off needs no word; nor has a list an option that empties it.
        default_parameter=Parameter(show_default=_default_shown, negative_iterable=()),
    )
    for name, place, text in COMMANDS:
        known = {} if name == called else {"help": text}
        app.command(f"pagereeve.cli.{place}", name=name, **known)
    return app


def _default_shown(value: object) -> object:
    return None if value is False or value == "" else getattr(value, "value", value)


def _complain(text: str) -> int:
    sys.stderr.write(f"pagereeve: {text}\n")
    return USAGE


def _one_line(text: str) -> str:
    return " ".join(text.split())
