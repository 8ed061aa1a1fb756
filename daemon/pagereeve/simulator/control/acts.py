"""The acts that somebody may ask of simulated printers: a closed set, each with an answer that says what is now so."""

from __future__ import annotations

from collections.abc import Awaitable, Callable, Sequence
from dataclasses import dataclass
from typing import Final

from pagereeve.domain.values.instants import SECOND_US
from pagereeve.ports.clock import Clock
from pagereeve.simulator.college.college import College
from pagereeve.simulator.control.printing import PRINT_OPTIONS, ask_of, printed
from pagereeve.simulator.errors import BadAct
from pagereeve.simulator.printer.print_engine import PrintEngine

WORDS_MAX: Final = 16
WORD_MAX: Final = 64
SILENCE_MAX_S: Final = 86_400
COPIES_MAX: Final = 1_000

Run = Callable[["Bench", str, Sequence[str]], Awaitable[str]]


@dataclass(frozen=True, slots=True)
class Act:
    """``takes`` are its arguments, as somebody types them."""

    name: str
    takes: str
    does: str
    run: Run

    @property
    def line(self) -> str:
        return f"{f'PRINTER {self.name} {self.takes}'.rstrip():<32}{self.does}"


class Bench:
    """The college's printers in somebody's hands. One act after the other; what is refused changes nothing."""

    def __init__(self, college: College, clock: Clock) -> None:
        self.college = college
        self.clock = clock
        self.begun_us = clock.now_us()
        self.jobs = 0
        self._replaced = 0

    async def perform(self, words: Sequence[str]) -> str:
        """What was done, and how the printer is now. Raises BadAct, BadScenario, PrinterOff, PrinterFull."""
        if len(words) > WORDS_MAX or any(len(word) > WORD_MAX for word in words):
            raise BadAct(f"that is too long: {WORDS_MAX} words of {WORD_MAX} characters at most")
        match list(words):
            case ["help"]:
                return help_text()
            case ["show", *names] if len(names) <= 1:
                return "\n".join(self.now(name) for name in names or self.college.printers)
            case ["print", printer, *given]:
                return await self._do("print", printer, given)
            case [printer, act, *given]:
                return await self._do(act, printer, given)
        raise BadAct(f"write PRINTER ACT, or show, or help. {_known()}")

    async def _do(self, name: str, printer: str, given: Sequence[str]) -> str:
        act = ACTS.get(name)
        if act is None:
            raise BadAct(f"{name!r} is no act. {_known()}")
        self.college.printer(printer)
        if given and not act.takes:
            raise BadAct(f"{name} takes nothing more, and {given[0]!r} was given")
        return f"{await act.run(self, printer, given)}\n{self.now(printer)}"

    def engine(self, printer: str) -> PrintEngine:
        return self.college.printer(printer).engine

    def now(self, printer: str) -> str:
        """How it is at this moment, in one line."""
        engine, at_us = self.engine(printer), self.clock.now_us()
        shown = engine.show(at_us)
        state = "asleep" if engine.asleep(at_us) else _STATES.get(shown.printer_status, "other")
        if shown.errors:
            state = f"stopped ({', '.join(shown.errors)})"
        agent = "its agent is silent" if engine.silent(at_us) else "its agent answers"
        return f"{printer}: {state}, count {shown.life_count}, serial {shown.serial}, {agent}"

    def new_serial(self, printer: str) -> str:
        self._replaced += 1
        return f"{self.college.printer(printer).place.spec.serial}-{self._replaced + 1}"


# hrPrinterStatus (RFC 2790 section 4).
_STATES: Final = {3: "idle", 4: "printing", 5: "warming up"}


def _at_once(does: Callable[[PrintEngine, int], None], said: str) -> Run:
    async def run(bench: Bench, printer: str, given: Sequence[str]) -> str:  # noqa: ARG001 - an act's signature
        does(bench.engine(printer), bench.clock.now_us())
        return said

    return run


async def _silence(bench: Bench, printer: str, given: Sequence[str]) -> str:
    for_s = _number(given, "SECONDS", SILENCE_MAX_S) if given else SILENCE_MAX_S
    bench.engine(printer).silence(bench.clock.now_us(), for_s * SECOND_US)
    return f"its agent is silent for {for_s} s" if given else "its agent is silent until: answer (a day at most)"


async def _replace(bench: Bench, printer: str, given: Sequence[str]) -> str:  # noqa: ARG001 - an act's signature
    bench.college.replace(printer, bench.new_serial(printer), 0)
    return "another device is in its place"


async def _copies(bench: Bench, printer: str, given: Sequence[str]) -> str:
    pages = _number(given, "N", COPIES_MAX)
    bench.college.copy(printer, pages)
    return f"somebody copies at its panel: {pages} page{'s' if pages != 1 else ''}, without a release"


async def _print(bench: Bench, printer: str, given: Sequence[str]) -> str:
    asked = ask_of(given)
    bench.jobs += 1
    name = f"job-{bench.begun_us // SECOND_US:x}-{bench.jobs}"
    return await printed(bench.college, bench.clock, printer, name, asked)


def _number(given: Sequence[str], what: str, most: int) -> int:
    if len(given) != 1 or not given[0].isdecimal() or not 1 <= int(given[0]) <= most:
        raise BadAct(f"{what} is one whole number from 1 to {most}")
    return int(given[0])


ACTS: Final = {
    act.name: act
    for act in (
        Act(
            "jam",
            "",
            "the sheet in flight, or the next, gets stuck",
            _at_once(PrintEngine.jam, "the sheet in flight, or the next, gets stuck"),
        ),
        Act("clear", "", "take the stuck sheet out", _at_once(PrintEngine.clear, "no sheet is stuck, none will be")),
        Act("tray-empty", "", "no paper before the next sheet", _at_once(PrintEngine.paper_out, "the tray is empty")),
        Act("refill", "", "paper again", _at_once(PrintEngine.refill, "the tray is full")),
        Act("silence", "[SECONDS]", "no answer over SNMP; printing goes on", _silence),
        Act(
            "answer",
            "",
            "the end of a silence",
            _at_once(lambda engine, at_us: engine.silence(at_us, 0), "its agent answers again"),
        ),
        Act("replace", "", "another device: new serial number, count 0", _replace),
        Act(
            "reset",
            "",
            "the counter is set to 0, the serial stays",
            _at_once(lambda engine, at_us: engine.put_meter(0, at_us), "its counter is 0"),
        ),
        Act("copies", "N", "somebody copies N pages, without a release", _copies),
        Act("sleep", "", "sleep as soon as it rests", _at_once(PrintEngine.sleep, "it sleeps as soon as it rests")),
        Act("wake", "", "somebody touches the panel", _at_once(PrintEngine.wake, "it is awake")),
        Act(
            "restart-agent",
            "",
            "its uptime begins at 0, the counter goes on",
            _at_once(PrintEngine.restart_agent, "its agent has restarted"),
        ),
        Act("print", PRINT_OPTIONS, "a release by badge, with notices if there is a daemon", _print),
    )
}


def _known() -> str:
    return f"There are: {', '.join(ACTS)}."


def help_text() -> str:
    lines = [act.line for act in ACTS.values() if act.name != "print"]
    return "\n".join([*lines, f"print PRINTER {PRINT_OPTIONS}", "show [PRINTER], help, quit"])
