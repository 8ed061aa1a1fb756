"""The credentials in force: those of the settings, and those of the journal as they are made and revoked beside us."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import Final

import structlog

from pagereeve.domain.credentials.book import Credential, CredentialBook
from pagereeve.domain.values.instants import SECOND_US
from pagereeve.engine.supervision.heartbeat import STORE_LONGEST_S, Heartbeat
from pagereeve.engine.supervision.supervisor import Supervisor
from pagereeve.feeds.http.callers import HttpCallers
from pagereeve.ports.clock import Clock
from pagereeve.ports.credentials import CredentialStore, StoredCredential
from pagereeve.ports.journal import JournalUnavailable

EVERY_S: Final = 1.0
# The last use is for people who wonder whether a credential is still needed: a row an hour is enough.
USE_GRAIN_US: Final = 3_600 * SECOND_US

log = structlog.get_logger("pagereeve.credentials")


@dataclass(slots=True)
class CredentialKeeper:
    """Looks into the journal each second, so that what is revoked is refused a second or two later.

    While the journal can't be read, what was known last stays in force.
    """

    store: CredentialStore
    callers: HttpCallers
    clock: Clock
    given: Sequence[Credential] = ()
    heartbeat: Heartbeat = field(init=False)
    _stored: Sequence[StoredCredential] = ()
    _trouble: str = ""

    def __post_init__(self) -> None:
        self.heartbeat = Heartbeat(self.clock)

    async def start(self, supervisor: Supervisor, given: Iterable[Credential]) -> None:
        """``given`` are the settings' own. Raises JournalUnavailable: without knowing who may do what, no start."""
        self._stored = await self.store.credentials()
        self.change(given)
        for name in self._names_given_twice():
            log.warning("a credential of the settings and one of the journal have one name", credential=name)
        supervisor.start("credentials", "credentials", self.run, heartbeat=self.heartbeat, forever=True)

    def change(self, given: Iterable[Credential]) -> None:
        """Other settings are in force."""
        self.given = tuple(given)
        self._put_in_force()

    async def run(self) -> None:
        while True:
            self.heartbeat.rests(EVERY_S)
            await self.clock.sleep(EVERY_S)
            self.heartbeat.does("looks up credentials", STORE_LONGEST_S)
            try:
                await self._look()
                await self._keep_uses()
            except JournalUnavailable as error:
                self._note(str(error))
            else:
                self._note("")
                self.heartbeat.succeeded()

    def _note(self, trouble: str) -> None:
        """Once each: the journal's own trouble is told elsewhere, and lasts."""
        if bool(trouble) != bool(self._trouble):
            if trouble:
                log.warning("credentials can't be looked up; those known last stay in force", why=trouble)
            else:
                log.info("credentials are looked up again")
        self._trouble = trouble

    async def _look(self) -> None:
        stored = await self.store.credentials()
        if stored == self._stored:
            return
        before = {one.name: one.credential for one in self._stored}
        self._stored = stored
        self._put_in_force()
        for one in stored:
            if before.get(one.name) != one.credential:
                state = "valid" if one.credential.revoked_us is None else "revoked"
                log.info("a credential changed", credential=one.name, acts=one.credential.caller.acts_text, state=state)

    def _put_in_force(self) -> None:
        self.callers.book = CredentialBook([*self.given, *(one.credential for one in self._stored)])

    async def _keep_uses(self) -> None:
        """Those of the journal alone, each once in USE_GRAIN_US."""
        used = dict(self.callers.used)
        self.callers.used.clear()
        known = {one.name: one.used_us for one in self._stored}
        due = {
            name: at_us - at_us % USE_GRAIN_US
            for name, at_us in used.items()
            if name in known and at_us - at_us % USE_GRAIN_US > (known[name] or 0)
        }
        if due:
            await self.store.credentials_used(due)

    def _names_given_twice(self) -> list[str]:
        return sorted({one.caller.name for one in self.given} & {one.name for one in self._stored})
