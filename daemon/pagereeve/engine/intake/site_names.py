"""Names of printers, gateways and readers: which are known, under which others, and what is told of the rest."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace

from pagereeve.domain.facts.facts import BadgePresented, Event, PrinterNoted, ReadingNoted, ReleaseStarted
from pagereeve.domain.values.nearest import KnownNames
from pagereeve.ports.intake import Remark


@dataclass(frozen=True, slots=True)
class SiteNames:
    """``aliases``: other names of printers, each with the printer's own. ``readers``: those that the settings name, by
    gateway.
    """

    printers: KnownNames = field(default_factory=KnownNames)
    gateways: KnownNames = field(default_factory=KnownNames)
    readers: Mapping[str, KnownNames] = field(default_factory=dict)
    aliases: Mapping[str, str] = field(default_factory=dict)

    def placed(self, event: Event) -> Event:
        """The event with its printer's own name."""
        if isinstance(event, ReleaseStarted | PrinterNoted | ReadingNoted) and event.printer in self.aliases:
            return replace(event, printer=self.aliases[event.printer])
        return event

    def remarks(self, event: Event) -> Iterator[Remark]:
        """On the names of an event as it came. Where a site names no gateways, none of them is unknown."""
        match event:
            case ReleaseStarted() | PrinterNoted():
                yield from self._of_printer(event.printer)
                if isinstance(event, ReleaseStarted) and event.gateway:
                    yield from _of("data.gateway", event.gateway, self.gateways, "gateway of the settings")
            case BadgePresented():
                yield from _of("data.gateway", event.gateway, self.gateways, "gateway of the settings")
                known = self.readers.get(event.gateway)
                if event.reader and known is not None:
                    yield from _of("data.reader", event.reader, known, f"reader of gateway {event.gateway!r}")
            case _:
                pass

    def _of_printer(self, name: str) -> Iterator[Remark]:
        own = self.aliases.get(name)
        if own is not None:
            yield Remark("data.printer", f"{name!r} is another name of printer {own!r}, where the event counts")
        elif name not in self.printers:
            meant = _meant(name, self.printers)
            yield Remark("data.printer", f"{name!r} is no printer of the settings, so nothing proves its pages{meant}")


def _of(where: str, name: str, known: KnownNames, what: str) -> Iterator[Remark]:
    if known and name not in known:
        yield Remark(where, f"{name!r} is no {what}{_meant(name, known)}")


def _meant(name: str, known: KnownNames) -> str:
    near = known.nearest(name)
    return f"; did you mean {near!r}?" if near else ""
