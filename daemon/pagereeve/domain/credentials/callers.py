"""Who asks at an endpoint, and what it may. What a fact says of its author comes from here, never from a body."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal, get_args

# send: badges and release notices. note: what was done at a printer. decide: about findings. read: totals, findings,
# evidence, metrics. names: whose they were, in what is read. install: printers read once and added, from the console's
# pages. administer: credentials, the clock. forward: sealed facts of the site that is named as the credential. None of
# them holds another: who is audited can't decide.
Act = Literal["send", "note", "decide", "read", "names", "install", "administer", "forward"]
ACTS: Final[tuple[Act, ...]] = get_args(Act)


@dataclass(frozen=True, slots=True)
class Caller:
    """The holder of a credential, or the user of the daemon's own host.

    name      the author whom facts name
    acts      what it may do, and nothing else
    sources   the event sources that it may speak for; None: any
    types     the event types that it may send; None: any that its acts allow
    pages_max how many pages one decision of it may be about; None: any number
    pages_day_max  how many those of any 24 hours may be about together; None: any number
    """

    name: str
    acts: frozenset[Act]
    sources: frozenset[str] | None = None
    types: frozenset[str] | None = None
    pages_max: int | None = None
    pages_day_max: int | None = None

    @property
    def acts_text(self) -> str:
        """Its acts for people and for a header, in their order."""
        return " ".join(act for act in ACTS if act in self.acts)

    def may(self, act: Act) -> bool:
        return act in self.acts

    @property
    def may_close(self) -> bool:
        """May it close a period? That is about every page of it: whoever is limited in what it decides may not."""
        limits = (self.sources, self.types, self.pages_max, self.pages_day_max)
        return self.may("decide") and all(one is None for one in limits)

    def may_send(self, act: Act, source: str, event_type: str) -> bool:
        """Whether it may send an event of that source and type, which needs ``act``."""
        return (
            act in self.acts
            and (self.sources is None or source in self.sources)
            and (self.types is None or event_type in self.types)
        )


ANYBODY: Final = Caller("", frozenset({"send", "note"}))
"""Who asks where no credential was ever made: events and notes as ever, without an author, and nothing else."""
ANY_READER: Final = Caller("", frozenset({"read"}))
"""Who asks for a page where no credential was ever made: whatever holds no name of a person."""
