"""``pagereeve prove``."""

from __future__ import annotations

import asyncio
import os
import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Final, Literal

from cyclopts import Parameter

from pagereeve.cli.options import CONFIG_DEFAULT, AsJson, Config

if TYPE_CHECKING:
    from pagereeve.proof.plan import Plan
    from pagereeve.proof.results import Proof
    from pagereeve.settings import PrinterSettings, Settings

AT_ONCE_MAX: Final = 16
USAGE: Final = 2

# What an entry may keep in the printed fragment: everything but what the proof finds, and never a secret itself.
NOT_KEPT: Final = frozenset({"community", "policy"})


def prove(
    *printers: Annotated[str, Parameter(help="Printers of the settings file.")],
    all_: Annotated[bool, Parameter(name="--all", negative="", help="Every printer of the settings file.")] = False,
    print_: Annotated[
        bool, Parameter(name="--print", negative="", help="Print test pages, after a yes; says how many sheets.")
    ] = False,
    yes: Annotated[bool, Parameter(negative="", help="The yes, given in advance.")] = False,
    language: Annotated[
        Literal["text", "postscript", "pcl", "pwg"], Parameter(help="What the printer understands.")
    ] = "pcl",
    panel: Annotated[int | None, Parameter(help="All pages as the printer's panel shows them.")] = None,
    sheets_seen: Annotated[int | None, Parameter(help="Sheets that the two-sided job gave, as you see them.")] = None,
    quiet_s: Annotated[float, Parameter(name="--quiet", help="Seconds for which the counter must stand still.")] = 10.0,
    report: Annotated[Path | None, Parameter(help="A page to print and file (HTML).")] = None,
    json: AsJson = False,
    config: Config = CONFIG_DEFAULT,
) -> int:
    """Prove an installation, stage by stage, with real pages if wanted. Exit status 1 if anything failed."""
    from pagereeve.cli.output import complain, output_file, say, say_json  # noqa: PLC0415 - see pagereeve.cli
    from pagereeve.cli.versions import version_text  # noqa: PLC0415 - see pagereeve.cli
    from pagereeve.proof.page import page_of  # noqa: PLC0415 - see pagereeve.cli
    from pagereeve.proof.showing import proof_json, proof_text, summary_text  # noqa: PLC0415 - see pagereeve.cli
    from pagereeve.settings import load_settings  # noqa: PLC0415 - see pagereeve.cli

    settings = load_settings(config)
    entries = _entries(settings, printers, config, all_=all_)
    plans = [
        _plan(
            settings,
            entry,
            sheets_seen=sheets_seen,
            language=language if print_ else None,
            quiet_s=quiet_s,
        )
        for entry in entries
    ]
    if panel is not None and len(plans) > 1:
        complain("--panel is one printer's figure; name one printer")
        return USAGE
    if print_ and not _consent(plans, yes=yes):
        return USAGE
    panel = _asked_panel(plans, panel, quiet=json)
    plans = [replace(plan, panel=panel) for plan in plans]
    with _progress(len(plans), quiet=json) as tell:
        proofs = asyncio.run(_prove_all(settings, plans, tell))
    shown = [(proof, _fragment(proof, entry)) for proof, entry in zip(proofs, entries, strict=True)]
    if json:
        say_json([proof_json(proof, fragment) for proof, fragment in shown])
    else:
        say("\n".join(proof_text(proof, fragment) for proof, fragment in shown))
        if len(proofs) > 1:
            say(summary_text(proofs))
    if report is not None:
        with output_file(report) as file:
            file.write(page_of(shown, version_text()).encode())
    return 0 if all(proof.passed for proof in proofs) else 1


def _entries(settings: Settings, names: Sequence[str], config: Path, *, all_: bool) -> list[PrinterSettings]:
    """Raises BadSettings."""
    from pagereeve.settings import BadSettings, Problem  # noqa: PLC0415 - see pagereeve.cli
    from pagereeve.settings.nearest import nearest  # noqa: PLC0415 - see pagereeve.cli

    known = {printer.name: printer for printer in settings.printers}
    if bool(names) == all_:
        raise BadSettings("pagereeve prove", [Problem("", "name printers of the settings file, or give --all")])
    unknown = [name for name in names if name not in known]
    if unknown:
        problems = [Problem(name[:64], f"is no printer of [[printers]]{nearest(name, known)}") for name in unknown]
        raise BadSettings(str(config), problems)
    return list(known.values()) if all_ else [known[name] for name in dict.fromkeys(names)]


def _plan(
    settings: Settings,
    entry: PrinterSettings,
    *,
    sheets_seen: int | None,
    language: Literal["text", "postscript", "pcl", "pwg"] | None,
    quiet_s: float,
) -> Plan:
    from pagereeve.proof.plan import Patience, Plan  # noqa: PLC0415 - see pagereeve.cli

    return Plan(
        target=entry.target(os.environ),
        print_port=entry.print_port,
        web_port=entry.web_port,
        language=language,
        sheets_seen=sheets_seen,
        gateway_hosts=frozenset(gateway.host for gateway in settings.gateways if gateway.host),
        patience=Patience(quiet_s=min(max(quiet_s, 0.0), 3600.0), rest_s=_rest_s(settings, entry)),
    )


def _rest_s(settings: Settings, entry: PrinterSettings) -> float:
    """A job is over once the count has stood still half as long again as the settle time that is set."""
    return settings.policy_of(entry).settle_us / 1_000_000 * 1.5


def _consent(plans: Sequence[Plan], *, yes: bool) -> bool:
    """Paper is used only after a yes: on the command line, or at the terminal."""
    from pagereeve.cli.output import complain  # noqa: PLC0415 - see pagereeve.cli
    from pagereeve.proof.printing import jobs_in  # noqa: PLC0415 - see pagereeve.cli
    from pagereeve.proof.testpages import sheets_at_most  # noqa: PLC0415 - see pagereeve.cli

    jobs = sum(len(jobs_in(plan.language)) for plan in plans if plan.language is not None)
    sheets = sum(sheets_at_most(jobs_in(plan.language)) for plan in plans if plan.language is not None)
    announcement = f"This prints {jobs} jobs on {len(plans)} printer(s), {sheets} sheets at most."
    if yes:
        sys.stderr.write(f"{announcement}\n")
        return True
    if not sys.stdin.isatty():
        complain(f"{announcement} Nothing was printed: nobody is there to say yes; add --yes if that is what you want")
        return False
    sys.stderr.write(f"{announcement} Type yes to go on: ")
    sys.stderr.flush()
    if sys.stdin.readline().strip().lower() == "yes":
        return True
    complain("nothing was printed")
    return False


@contextmanager
def _progress(many: int, *, quiet: bool) -> Iterator[Callable[[str], None]]:
    """A bar on a terminal, nothing elsewhere. Call what it gives with each printer that is done."""
    if quiet or many == 1 or not sys.stderr.isatty():
        yield lambda _: None
        return
    from rich.console import Console  # noqa: PLC0415 - slow to import
    from rich.progress import Progress  # noqa: PLC0415 - slow to import

    with Progress(console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task("proving", total=many)
        yield lambda printer: bar.update(task, advance=1, description=printer)


def _asked_panel(plans: Sequence[Plan], panel: int | None, *, quiet: bool) -> int | None:
    """The panel's figure, asked for where one printer is proven and somebody sits at the terminal."""
    if panel is not None or quiet or len(plans) > 1 or not (sys.stdin.isatty() and sys.stderr.isatty()):
        return panel
    sys.stderr.write("All pages as the printer's panel shows them (nothing to leave it out): ")
    sys.stderr.flush()
    answer = sys.stdin.readline().strip().replace(",", "").replace(".", "")
    return int(answer) if answer.isdigit() else None


async def _prove_all(settings: Settings, plans: Sequence[Plan], tell: Callable[[str], None]) -> list[Proof]:
    from pagereeve.clocks import SystemClock, SystemEntropy  # noqa: PLC0415 - see pagereeve.cli
    from pagereeve.meters.profile import profiles_with  # noqa: PLC0415 - see pagereeve.cli
    from pagereeve.meters.reader import SnmpMeter  # noqa: PLC0415 - see pagereeve.cli
    from pagereeve.proof.course import prove as prove_one  # noqa: PLC0415 - see pagereeve.cli

    clock = SystemClock()
    meter = SnmpMeter.of(clock, SystemEntropy(), profiles=profiles_with(settings.meters.profiles))
    room = asyncio.Semaphore(AT_ONCE_MAX)

    async def one(plan: Plan) -> Proof:
        async with room:
            proof = await prove_one(plan, meter, clock)
        tell(plan.target.printer)
        return proof

    try:
        return await asyncio.gather(*(one(plan) for plan in plans))
    finally:
        await meter.close()


def _fragment(proof: Proof, entry: PrinterSettings) -> str:
    from pagereeve.proof.fragment import fragment_of  # noqa: PLC0415 - see pagereeve.cli

    kept: dict[str, str | int | bool] = {}
    for name in type(entry).model_fields:
        value = getattr(entry, name)
        if name in entry.model_fields_set - NOT_KEPT and value is not None and value != "":
            kept[name] = value if isinstance(value, bool | int) else str(value)
    return fragment_of(proof, kept)
