"""``pagereeve prove``."""

from __future__ import annotations

import asyncio
import sys
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Annotated, Final, Literal

from cyclopts import Parameter
from pydantic import BaseModel

from pagereeve.app.clocks import SystemClock, SystemEntropy
from pagereeve.app.journals import may_be_there, place_of, reads_of
from pagereeve.app.proof_notes import ProofNotes
from pagereeve.cli.options import CONFIG_DEFAULT, AsJson, Config
from pagereeve.cli.output import complain, output_file, say, say_json, show
from pagereeve.cli.progress import progress_of
from pagereeve.cli.prompts import person_at_terminal
from pagereeve.cli.version import version_text
from pagereeve.domain.values.amounts import amount
from pagereeve.domain.values.errors import PagereeveError
from pagereeve.meters.discovery.profile import profiles_with
from pagereeve.meters.doors import MeterDoors
from pagereeve.meters.panel import NO_METER
from pagereeve.ports.meter import MeterTarget
from pagereeve.proof.course import prove as prove_one
from pagereeve.proof.equals import offers_of
from pagereeve.proof.plan import Patience, Plan
from pagereeve.proof.report.html import page_of
from pagereeve.proof.report.settings_entry import Value, fragment_of
from pagereeve.proof.report.summary import proofs_json, summary_line, summary_table, worst_first
from pagereeve.proof.report.terminal import proof_json, proof_text
from pagereeve.proof.results import Proof
from pagereeve.proof.stages.printing import jobs_in
from pagereeve.proof.testpages.jobs import sheets_at_most, sheets_of_two_sided
from pagereeve.queries.units import units_of
from pagereeve.reports.units import offer_lines
from pagereeve.settings import BadSettings, PrinterSettings, Problem, Settings, load_settings
from pagereeve.settings.as_written import paths_as_written
from pagereeve.settings.suggestions import nearest

AT_ONCE_MAX: Final = 16
USAGE: Final = 2
PORT_MAX: Final = 65_535

# What an entry may keep in the printed fragment: everything but what the proof finds, and never a secret itself.
NOT_KEPT: Final = frozenset({"community", "policy"})


def prove(
    *printers: Annotated[str, Parameter(help="Printers of the settings file.")],
    all_: Annotated[bool, Parameter(name="--all", negative="", help="Every printer of the settings file.")] = False,
    print_: Annotated[
        bool,
        Parameter(name="--print", negative="", help="Print test pages; shows the number of sheets and asks first."),
    ] = False,
    yes: Annotated[bool, Parameter(negative="", help="Don't ask before printing.")] = False,
    language: Annotated[
        Literal["text", "pjl", "postscript", "pcl", "pwg"],
        Parameter(help="What the printer understands; pjl is text behind a PJL header."),
    ] = "pcl",
    panel: Annotated[int | None, Parameter(help="All pages as the printer's panel shows them.")] = None,
    sheets_seen: Annotated[int | None, Parameter(help="Sheets of the two-sided job, as you counted them.")] = None,
    quiet_s: Annotated[float, Parameter(name="--quiet", help="Seconds for which the counter must not move.")] = 10.0,
    port: Annotated[int | None, Parameter(help="TCP port of print data, instead of print_port.")] = None,
    web: Annotated[int | None, Parameter(help="TCP port of the printer's web page, instead of web_port.")] = None,
    report: Annotated[Path | None, Parameter(help="A page to print and file (HTML).")] = None,
    json: AsJson = False,
    config: Config = CONFIG_DEFAULT,
) -> int:
    """Prove an installation, stage by stage, with real pages if wanted. Exit status 1 if anything failed.

    At a terminal, one printer's panel and paper are asked for.
    """
    one = not all_ and len(set(printers)) == 1
    _refuse_misuse(
        one=one,
        printing=print_,
        yes=yes,
        figures=(panel, sheets_seen),
        ports=(port, web),
        two_sided=any(job.two_sided for job in jobs_in(language)),
    )
    settings = load_settings(config)
    entries = _entries(settings, printers, config, all_=all_)
    targets = settings.model_copy(update={"printers": tuple(entries)}).targets()
    person = person_at_terminal() if one else None
    notes = ProofNotes(settings.local_socket_path, SystemClock()) if print_ else None
    asked = Plan(
        target=targets[0],
        language=language if print_ else None,
        panel=panel,
        sheets_seen=sheets_seen,
        person=person,
        notes=notes,
        print_port=port,
        web_port=web,
    )
    plans = [_plan(settings, entry, target, asked, quiet_s) for entry, target in zip(entries, targets, strict=True)]
    if print_ and not _consent(plans, yes=yes):
        return USAGE
    proofs = asyncio.run(_prove_all(settings, plans, notes, as_json=json))
    offers = [] if json else asyncio.run(_offers(settings, proofs))
    written = paths_as_written(config)
    shown = [
        (proof, _fragment(settings, proof, entry, written.get(entry.name, {})))
        for proof, entry in zip(proofs, entries, strict=True)
    ]
    _show(
        shown,
        report,
        many=all_ or not one,
        as_json=json,
    )
    for line in offers:
        say(line)
    return 0 if all(proof.passed for proof in proofs) else 1


def _refuse_misuse(
    *,
    one: bool,
    printing: bool,
    yes: bool,
    figures: tuple[int | None, int | None],
    ports: Sequence[int | None],
    two_sided: bool,
) -> None:
    """Raises BadSettings with everything that does not go together. ``two_sided``: the language can ask for it."""
    _, sheets_seen = figures
    least, most = sheets_of_two_sided()
    given = [figure for figure in figures if figure is not None]
    wrong = {
        "--yes belongs to --print; without --print nothing is printed": yes and not printing,
        "--panel and --sheets-seen are one printer's figures; name one printer": bool(given) and not one,
        "--panel and --sheets-seen are counts; none is below 0": any(figure < 0 for figure in given),
        "--sheets-seen is of the test pages; it goes with --print": sheets_seen is not None and not printing,
        "--sheets-seen is of the two-sided job, which this --language can't ask for; choose another language": (
            sheets_seen is not None and not two_sided
        ),
        f"--sheets-seen is {least} or {most}: the two-sided job has {most} pages, and separator sheets don't count": (
            sheets_seen is not None and not least <= sheets_seen <= most
        ),
        f"--port and --web are TCP ports, 1 to {PORT_MAX}": any(
            port is not None and not 1 <= port <= PORT_MAX for port in ports
        ),
    }
    problems = [Problem("", text) for text, is_so in wrong.items() if is_so]
    if problems:
        raise BadSettings("pagereeve prove", problems)


def _show(shown: Sequence[tuple[Proof, str]], report: Path | None, *, many: bool, as_json: bool) -> None:
    ordered = worst_first(shown)
    proofs = [proof for proof, _ in ordered]
    if as_json:
        say_json(proofs_json(shown) if many else [proof_json(proof, fragment) for proof, fragment in shown])
    else:
        if many:
            say(summary_line(proofs))
            sys.stdout.flush()
            show(summary_table(proofs))
        say("\n".join(proof_text(proof, fragment) for proof, fragment in ordered))
    if report is not None:
        with output_file(report) as file:
            file.write(page_of(shown, version_text()).encode())


def _entries(settings: Settings, names: Sequence[str], config: Path, *, all_: bool) -> list[PrinterSettings]:
    """Raises BadSettings."""
    known = {printer.name: printer for printer in settings.printers}
    if bool(names) == all_:
        raise BadSettings("pagereeve prove", [Problem("", "name printers of the settings file, or give --all")])
    unknown = [name for name in names if name not in known]
    if unknown:
        problems = [Problem(name[:64], f"is no printer of [[printers]]{nearest(name, known)}") for name in unknown]
        raise BadSettings(str(config), problems)
    chosen = list(known.values()) if all_ else [known[name] for name in dict.fromkeys(names)]
    panels = [one.name for one in chosen if one.meter == "panel"]
    if panels and (not all_ or len(panels) == len(chosen)):
        raise BadSettings(str(config), [Problem(f"printer {name}", NO_METER) for name in panels])
    if panels:
        complain(f'left out, as nothing of them can be asked (meter = "panel"): {", ".join(panels)}')
    return [one for one in chosen if one.meter != "panel"]


def _plan(settings: Settings, entry: PrinterSettings, target: MeterTarget, asked: Plan, quiet_s: float) -> Plan:
    """``asked`` for one printer of the registry."""
    return replace(
        asked,
        target=target,
        print_port=asked.print_port or entry.print_port,
        web_port=asked.web_port or entry.web_port,
        gateway_hosts=_gateway_hosts(settings, entry),
        patience=Patience(quiet_s=min(max(quiet_s, 0.0), 3600.0), rest_s=_rest_s(settings, entry)),
    )


def _gateway_hosts(settings: Settings, entry: PrinterSettings) -> frozenset[str]:
    """Addresses of gateways; a gateway without one owns the address of the printers behind it."""
    hosts = {gateway.name: gateway.host for gateway in settings.gateways if gateway.host}
    own = {entry.host} if entry.gateway is not None and entry.gateway not in hosts else set()
    return frozenset(hosts.values()) | own


def _rest_s(settings: Settings, entry: PrinterSettings) -> float:
    """A job is over once the count has not moved for one and a half times the settle time that is set."""
    return settings.policy_of(entry).settle_us / 1_000_000 * 1.5


def _consent(plans: Sequence[Plan], *, yes: bool) -> bool:
    """Paper is used only after a yes: on the command line, or at the terminal."""
    jobs = sum(len(jobs_in(plan.language)) for plan in plans if plan.language is not None)
    sheets = sum(sheets_at_most(jobs_in(plan.language)) for plan in plans if plan.language is not None)
    announcement = (
        f"This prints {amount(jobs, 'job')} on {amount(len(plans), 'printer')}, {amount(sheets, 'sheet')} at most."
    )
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


async def _offers(settings: Settings, proofs: Sequence[Proof]) -> list[str]:
    """What was proven, for other printers of the model that run on an assumed unit; the journal knows of these."""
    journal = place_of(settings)
    if not may_be_there(journal) or not any(proof.calibration.unit for proof in proofs):
        return []
    try:
        async with await reads_of(journal) as reads:
            known = await units_of(reads, {printer.name for printer in settings.printers})
    except PagereeveError as error:
        return [f"Whether other printers of the model run on an assumed unit is not known: {error}"]
    return offer_lines(offers_of(proofs, known))


async def _prove_all(
    settings: Settings, plans: Sequence[Plan], notes: ProofNotes | None, *, as_json: bool
) -> list[Proof]:
    untold: Counter[str] = Counter()

    clock = SystemClock()
    meter = MeterDoors.of(clock, SystemEntropy(), profiles=profiles_with(settings.meters.profiles))
    room = asyncio.Semaphore(AT_ONCE_MAX)

    async def one(plan: Plan) -> Proof:
        async with room:
            printer = plan.target.printer
            proof = await prove_one(plan, meter, clock, partial(progress.stage, printer))
            if proof.passed and proof.jobs and notes is not None:
                untold.update([(await notes.proven(printer)).why_not])
        progress.proof(printer, passed=proof.passed)
        return proof

    try:
        with progress_of(len(plans), quiet=as_json) as progress:
            return await asyncio.gather(*(one(plan) for plan in plans))
    finally:
        await meter.close()
        for why in filter(None, untold):
            complain(why)


def _fragment(settings: Settings, proof: Proof, entry: PrinterSettings, written: Mapping[str, tuple[Path, str]]) -> str:
    """Ready to paste where the entry stands: its paths as they are written there."""
    as_it_stands = {name: text for name, (path, text) in written.items() if path == getattr(entry, name, None)}
    kept = {
        name: value
        for name, value in {**_written(entry), **as_it_stands}.items()
        if name not in NOT_KEPT and value != ""
    }
    return fragment_of(proof, kept, _written(entry.policy), settings.policy_of(entry).settle_us / 1_000_000)


def _written(section: BaseModel) -> dict[str, Value]:
    """What a table of the settings file says by itself, as TOML has it; a rule that is None is written ``unknown``."""
    said: dict[str, Value] = {}
    for name in type(section).model_fields:
        value = getattr(section, name)
        if name not in section.model_fields_set:
            continue
        if name == "separator_sheets" and value is None:
            value = "unknown"
        if isinstance(value, BaseModel):
            said[name] = _written(value)
        elif value is not None:
            said[name] = value if isinstance(value, bool | int | float) else str(value)
    return said
