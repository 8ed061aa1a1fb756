"""What is sent of an alert, and when: one message to whoever is to act, the same for every receiver."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, get_args

from pagereeve.domain.ledger import Severity

AlertStep = Literal["opened", "updated", "resolved"]
"""An alert begins, goes on with more than was sent before, or is over."""

Step = AlertStep | Literal["digest", "trial"]
"""What a message is: a step of an alert; a list of those that were open before its receiver came; or a test of whether
messages arrive, which is about nothing.
"""

STEPS: tuple[Step, ...] = ("opened", "updated", "resolved", "digest", "trial")


@dataclass(frozen=True, slots=True)
class OpenAlert:
    """One alert in a digest; its members are those of a Notification."""

    alert: str
    kind: str
    severity: Severity
    subject: str
    printer: str
    gateway: str
    since_us: int
    title: str


@dataclass(frozen=True, slots=True)
class Notification:
    """The ``nth`` message (from 1) about an alert; ``id`` is unique for it, and the same at each delivery.

    ``alert`` names the alert for as long as it lasts: a receiver puts one alert's messages together by it. ``subject``
    is the printer, gateway, reader or feed concerned, ``printer`` and ``gateway`` where there is one of them ("" else).
    Instants are microseconds since 1970: ``since_us`` when it began, ``at_us`` when this message was made, ``until_us``
    when it was over. ``evidence`` has three lines at most; ``first`` is what to do first; ``command`` shows everything.
    ``findings`` counts the findings behind it that are open, ``pages`` the pages that they are about (None: none).
    ``zone`` is the site's time zone (a name of the time zone database): its texts name instants in it.
    A digest lists ``alerts``, the first of ``alerts_open``.

    No message names a person or holds a badge number: what leaves by mail can't be called back.
    """

    alert: str
    nth: int
    step: Step
    kind: str
    severity: Severity
    subject: str
    printer: str
    gateway: str
    since_us: int
    at_us: int
    until_us: int | None
    title: str
    what: str
    cost: str
    evidence: tuple[str, ...]
    first: str
    command: str
    findings: int
    pages: int | None = None
    zone: str = "UTC"
    alerts: tuple[OpenAlert, ...] = ()
    alerts_open: int = 0

    @property
    def id(self) -> str:
        return f"{self.alert}.{self.nth}"

    @property
    def is_over(self) -> bool:
        return self.step == "resolved"

    @property
    def is_of_alert(self) -> bool:
        """It is a step of an alert, which others of the alert may follow."""
        return self.step in get_args(AlertStep)

    @property
    def is_trial(self) -> bool:
        return self.step == "trial"
