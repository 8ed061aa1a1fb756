"""What must fit between the tables: names are unique, and whatever is named exists."""

from __future__ import annotations

from collections.abc import Callable, Hashable, Iterable, Mapping, Sequence
from typing import Any, Final

from pagereeve.feeds import FEEDS
from pagereeve.receivers import RECEIVERS
from pagereeve.settings.places import Entry, EntryProblem, member
from pagereeve.settings.suggestions import Known

CROSS_CHECK: Final = "cross_check"


def problems_between(
    gateways: Sequence[Any],
    printers: Sequence[Any],
    feeds: Any,
    readers: Sequence[Any] = (),
    alerts: Any = None,
    relays: Sequence[Any] = (),
) -> list[EntryProblem]:
    """Takes rows as models or as the raw tables of a file; what isn't a row or lacks a member is not judged here."""
    problems: list[EntryProblem] = []
    of_feeds = {f"feeds.{kind.table}": _rows_of(feeds, kind.table) for kind in FEEDS}
    of_feeds["relays"] = relays
    of_receivers = {f"alerts.{kind.table}": _rows_of(alerts, kind.table) for kind in RECEIVERS}
    problems += _other_names(printers)
    for table, rows in (("gateways", gateways), ("printers", printers)):
        problems += _repeated(table, rows, "name", _text_of("name"))
    problems += _repeated_over(of_feeds, "name", _text_of("name"))
    problems += _repeated("gateways", gateways, "host", _text_of("host"))
    problems += _shared_addresses(printers)
    problems += _repeated("printers", printers, "serial", _text_of("serial"))
    problems += _repeated_over(of_feeds, "listen", _listen)
    problems += _repeated("readers", readers, "name", _reader)
    known = _names_of(gateways)
    problems += _unknown_gateways("printers", printers, known)
    for table, rows in of_feeds.items():
        problems += _unknown_gateways(table, rows, known)
    problems += _unknown_gateways("readers", readers, known)
    if not any(member(row, "host") for row in gateways):
        problems += _unnamed_senders("feeds.lines", _rows_of(feeds, "lines"))
        problems += _unnamed_senders("relays", relays)
    problems += _repeated_over(of_receivers, "name", _text_of("name"))
    problems += _unknown_in_quiet(alerts, "gateways", known)
    problems += _unknown_in_quiet(alerts, "printers", _names_of(printers))
    return problems


def unknown_printers(sources: Iterable[Any], printers: Iterable[Any]) -> list[EntryProblem]:
    """Of [[sources]]."""
    known = _names_of(printers)
    return [
        EntryProblem(
            Entry("sources", index), "printers", f"{name[:64]!r} is none of [[printers]]{known.nearest_to(name)}"
        )
        for index, row in enumerate(sources)
        for name in _rows_of(row, "printers")
        if isinstance(name, str) and name not in known
    ]


def repeated_names(table: str, rows: Sequence[Any]) -> list[EntryProblem]:
    return names_repeated_over({table: rows})


def names_repeated_over(tables: Mapping[str, Iterable[Any]]) -> list[EntryProblem]:
    """Where a name stands for an entry among those of several tables."""
    return _repeated_over(tables, "name", _text_of("name"))


def _names_of(rows: Iterable[Any]) -> Known:
    return Known(name for row in rows if isinstance(name := member(row, "name"), str) and name)


def _text_of(name: str) -> Callable[[Any], Hashable]:
    def key(row: Any) -> Hashable:
        value = member(row, name)
        return value if isinstance(value, str) and value else None

    return key


def _meter_address(row: Any) -> Hashable:
    """Where it is counted: at the port of its agent, or of its IPP."""
    host, port = member(row, "host"), member(row, "port")
    if not isinstance(host, str) or not host or member(row, "meter") == "panel":
        return None
    if member(row, "meter") == "ipp":
        return (host.lower(), f"ipp {member(row, 'ipp_port')}")
    return (host.lower(), str(161 if port is None else port))


def _reader(row: Any) -> Hashable:
    gateway, name = member(row, "gateway"), member(row, "name")
    return (gateway, name) if isinstance(gateway, str) and isinstance(name, str) else None


def _listen(row: Any) -> Hashable:
    address = str(member(row, "listen") or "")
    return None if address.endswith(":0") else address or None


def _repeated(table: str, rows: Iterable[Any], what: str, key_of: Callable[[Any], Hashable]) -> list[EntryProblem]:
    return _repeated_over({table: rows}, what, key_of)


def _repeated_over(
    tables: Mapping[str, Iterable[Any]], what: str, key_of: Callable[[Any], Hashable]
) -> list[EntryProblem]:
    """Twice in one table, or in two: a receiver's or a feed's name stands for it among all kinds."""
    first: dict[Hashable, Entry] = {}
    problems = []
    for table, rows in tables.items():
        for index, row in enumerate(rows):
            key, entry = key_of(row), Entry(table, index)
            if key is None:
                continue
            if key in first:
                text = "is the same as that of "
                problems.append(EntryProblem(entry, what, text, first[key], "; each needs its own"))
            first.setdefault(key, entry)
    return problems


def _shared_addresses(printers: Sequence[Any]) -> list[EntryProblem]:
    """Several printers may be behind one agent: each entry then says which is its own."""
    first: dict[Hashable, tuple[int, Any]] = {}
    problems = []
    for index, row in enumerate(printers):
        key = _meter_address(row)
        if key is None:
            continue
        if key not in first:
            first[key] = (index, row)
        elif not (_picks(row) and _picks(first[key][1])):
            other = Entry("printers", first[key][0])
            rest = "; each needs its own, or device or serial in both"
            problems.append(
                EntryProblem(Entry("printers", index), "host and port", "are the same as those of ", other, rest)
            )
    return problems + _repeated("printers", printers, "device", _device)


def _picks(row: Any) -> bool:
    return member(row, "device") is not None or bool(member(row, "serial"))


def _device(row: Any) -> Hashable:
    address, device = _meter_address(row), member(row, "device")
    return None if address is None or device is None else (address, str(device))


def _other_names(printers: Sequence[Any]) -> list[EntryProblem]:
    """A name leads to one printer: to the one that has it, else to the one that has it beside its own."""
    leads: dict[str, Entry] = {}
    for index, row in enumerate(printers):
        if isinstance(name := member(row, "name"), str) and name:
            leads[name] = Entry("printers", index)
    problems = []
    for index, row in enumerate(printers):
        entry = Entry("printers", index)
        for where, name in (("was", member(row, "was")), *(("also", one) for one in _rows_of(row, "also"))):
            if not isinstance(name, str) or not name:
                continue
            if name in leads:
                text = f"{name[:64]!r} is a name of "
                problems.append(EntryProblem(entry, where, text, leads[name], " already; a name leads to one printer"))
            leads.setdefault(name, entry)
    return problems


def _unknown_gateways(table: str, rows: Iterable[Any], known: Known) -> list[EntryProblem]:
    return [
        EntryProblem(
            Entry(table, index), "gateway", f"{name[:64]!r} is no gateway of [[gateways]]{known.nearest_to(name)}"
        )
        for index, row in enumerate(rows)
        if isinstance(name := member(row, "gateway"), str) and name not in known
    ]


def _unnamed_senders(table: str, lines: Iterable[Any]) -> list[EntryProblem]:
    text = "no gateway is named, and none of [[gateways]] has a host to know its lines by; give one of the two"
    return [
        EntryProblem(Entry(table, index), "gateway", text)
        for index, row in enumerate(lines)
        if member(row, "gateway") is None
    ]


def _unknown_in_quiet(alerts: Any, table: str, known: Known) -> list[EntryProblem]:
    return [
        EntryProblem(
            Entry("alerts.quiet", index), table, f"{name[:64]!r} is none of [[{table}]]{known.nearest_to(name)}"
        )
        for index, row in enumerate(_rows_of(alerts, "quiet"))
        for name in _rows_of(row, table)
        if isinstance(name, str) and name not in known
    ]


def _rows_of(table: Any, name: str) -> Sequence[Any]:
    rows = member(table, name)
    return rows if isinstance(rows, list | tuple) else ()
