"""All that the API serves, in this process: a journal that holds something of everything, and the daemon's own door."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

from pagereeve.app.closing import ClosingRequest, close_period
from pagereeve.app.deciding.decider import decision_door
from pagereeve.app.deciding.door import with_decisions
from pagereeve.app.installing.api_checks import check_door
from pagereeve.app.installing.check_door import with_checks
from pagereeve.app.installing.checking import Checking, PacedInspector
from pagereeve.app.installing.installing import Installing
from pagereeve.app.questions.own import with_health
from pagereeve.app.zone_database import zone_database
from pagereeve.console.api.asker import headers_of
from pagereeve.console.api.context import ApiContext
from pagereeve.console.api.site import AskedGateway, AskedPrinter, AskedSite
from pagereeve.console.application import make_console
from pagereeve.domain.facts.events import event_of
from pagereeve.domain.facts.facts import Fact, Origin
from pagereeve.domain.facts.people import PersonNamed
from pagereeve.domain.ledger import Verdict
from pagereeve.domain.projection.projector import rebuild
from pagereeve.domain.values.instants import from_text
from pagereeve.feeds.http.answers import READER, AsgiApp, Receive, Scope, Send
from pagereeve.feeds.http.endpoint import EventsEndpoint, HttpLimits
from pagereeve.feeds.http.guarding import guarded_pages
from pagereeve.feeds.http.quotas import QuotaLimits
from pagereeve.feeds.testing import LoopClock, MemoryIntake
from pagereeve.meters.discovery.profile import profiles_with
from pagereeve.ports.intake import Accepted, Envelope
from pagereeve.queries.readiness import PrinterLook
from pagereeve.settings import PrinterSettings, Settings
from pagereeve.settings.rates import PriceSettings, RateSettings
from pagereeve.settings.site import PeriodSettings, SiteSettings
from pagereeve.store.memory.journal import MemoryJournal
from pagereeve.telemetry.pages import make_web
from tests.asking import EXAMPLE
from tests.closings import closings_in
from tests.credentials import bearer, callers_of, credential
from tests.histories import PRINTER, SIMPLE, at, journal_of, started
from tests.page_decisions import undone, waived
from tests.statements import DAY_S, late, month
from tests.telemetry_stub import StubTelemetry

NOW_US: Final = from_text("2026-12-02T00:00:00Z")
PERSON: Final = "p-0123456789ab"
OTHER_PRINTER: Final = "annex/2 ö"
SITE: Final = AskedSite(
    site=SiteSettings(zone="Europe/Berlin"),
    periods=(
        PeriodSettings.model_validate({"name": "first-week", "from": "2026-11-01", "to": "2026-11-08"}),
        PeriodSettings.model_validate({"name": "later", "from": "2026-11-08", "to": "2026-11-15"}),
    ),
    rates=(
        RateSettings.model_validate(
            {
                "name": "2026",
                "currency": "EUR",
                "from": "2026-01-01",
                "prices": [PriceSettings(channel="total", price="0.025")],  # type: ignore[arg-type]
            }
        ),
    ),
    printers=(
        AskedPrinter(name=PRINTER, gateway="gate-1", host="127.0.0.1", port=161),
        AskedPrinter(name=OTHER_PRINTER, host="127.0.0.1", port=161, site="annex"),
    ),
    gateways=(AskedGateway(name="gate-1", host="127.0.0.1", checked=True), AskedGateway(name="gate-2")),
)
ROLES: Final = ("nobody", "reader", "names", "decider")
"""Nobody: where no credential was ever made. The decider has every act that the API asks for."""
_CREDENTIALS: Final = (
    credential("reader", "read"),
    credential("names", "read", "names"),
    credential("decider", "read", "names", "decide", "install"),
)
_SETTINGS: Final = Settings(printers=(PrinterSettings(name=PRINTER, host="127.0.0.1"),))
_NO_LIMIT: Final = QuotaLimits(requests_per_s=1e9, requests_burst=1e9, day_max_bytes=2.0**60)


def facts() -> list[Fact]:
    named = PersonNamed(at(-25 * DAY_S), PERSON, "login", "anise", at(-25 * DAY_S), "registry")
    return [named, *month(days=14)]


async def full_journal() -> MemoryJournal:
    """A month with releases, findings and losses, its first week closed; then a notice for it and decisions came."""
    known = facts()
    journal = await journal_of(known)
    await close_period(journal, ClosingRequest(SITE.chosen("first-week"), "Anise said so"), "warden", NOW_US)
    more = [late(started("r-1001", -22 * DAY_S + 5, "sage", SIMPLE), 20 * DAY_S)]
    for fact in more:
        await journal.append(fact)
    await journal.replace(PRINTER, None, rebuild(PRINTER, [one for one in [*known, *more] if one.printer == PRINTER]))
    unproven = [
        charge
        for segment in await journal.segments(PRINTER)
        for charge in segment.charges
        if charge.verdict is Verdict.UNPROVEN or charge.unproven
    ]
    first, *others = unproven
    decided = waived("d-1", NOW_US - 5, first, 1)
    await journal.append(decided)
    await journal.append(undone("d-2", NOW_US - 4, decided))
    for other in others[:1]:
        await journal.append(waived("case-4711", NOW_US - 3, other, 1))
    return journal


class KeepingIntake(MemoryIntake):
    """Decisions are stored, and the rows of PRINTER follow at once."""

    def __init__(self, journal: MemoryJournal) -> None:
        super().__init__()
        self._journal = journal
        self._taken = 0

    async def take(self, envelope: Envelope, *, feed: str, wait_s: float | None, rest: bool = False) -> Accepted:
        accepted = await MemoryIntake.take(self, envelope, feed=feed, wait_s=wait_s, rest=rest)
        if accepted.outcome == "stored":
            # One after the other, as a clock would have it: an undo comes after what it undoes.
            self._taken += 1
            origin = Origin(envelope.source, envelope.id, NOW_US + self._taken, NOW_US + self._taken)
            await self._journal.append(replace(event_of(envelope.type, origin, envelope.data), printer=PRINTER))
            known = [stored.fact async for stored in self._journal.facts(PRINTER)]
            await self._journal.replace(PRINTER, None, rebuild(PRINTER, known))
        return accepted


@dataclass(frozen=True, slots=True)
class ApiWorld:
    """``app`` for who shows a credential of ROLES; ``open_app`` where no credential was ever made."""

    journal: MemoryJournal
    app: AsgiApp
    open_app: AsgiApp

    @classmethod
    def of(cls, journal: MemoryJournal) -> ApiWorld:
        return cls(journal, _web(journal, known=True), _web(journal, known=False))

    def app_of(self, role: str) -> AsgiApp:
        return self.open_app if role == "nobody" else self.app


def headers_as(role: str) -> dict[str, str]:
    return {} if role == "nobody" else {"Authorization": bearer(role)}


def _web(journal: MemoryJournal, *, known: bool) -> AsgiApp:
    clock = LoopClock(NOW_US)
    callers = callers_of(*(_CREDENTIALS if known else ()))
    events = EventsEndpoint(KeepingIntake(journal), HttpLimits(quotas=_NO_LIMIT), clock=clock, callers=callers)
    context = ApiContext(journal, SITE, lambda: NOW_US, zone_database=zone_database, example=EXAMPLE)
    telemetry = StubTelemetry()
    questions = with_health(_forwarded(make_console(context)), telemetry)
    web = make_web(
        events, telemetry, telemetry, lambda pages: guarded_pages(pages, callers, events.stats), None, questions
    )
    decided = with_decisions(web, decision_door(journal, events, clock, closings_in(journal, lambda: NOW_US, SITE)))
    installing = Installing(None, lambda: _SETTINGS, _no_reload, _AskingNobody(lambda: profiles_with(None)), clock)
    return with_checks(decided, check_door(installing, journal, events))


class _AskingNobody(Checking):
    """Each printer answers as one that is off."""

    async def many(
        self,
        printers: Sequence[PrinterSettings],
        settings: Settings,
        proven_us: Mapping[str, int],
        on_done: Callable[[PrinterLook], None],
        pace: PacedInspector | None = None,
    ) -> None:
        for one in printers:
            on_done(PrinterLook(one.name, "", "", (one.host,), meter_trouble="no answer", meter_reason="timeout"))


async def _no_reload() -> str:
    raise NotImplementedError


def _forwarded(console: AsgiApp) -> AsgiApp:
    """As app.questions.forwarding passes a question on: who asks stands in headers of ours alone."""

    async def forward(scope: Scope, receive: Receive, send: Send) -> None:
        theirs = [pair for pair in scope["headers"] if not pair[0].startswith(b"pagereeve-")]
        await console({**scope, "headers": theirs + headers_of(scope[READER])}, receive, send)

    return forward
