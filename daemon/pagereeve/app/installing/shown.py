"""From what is kept to what a page shows."""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Mapping
from dataclasses import replace
from typing import Final

from pagereeve.app.installing.drafts import EntryDraft, ListDraft
from pagereeve.app.installing.entries import access_key
from pagereeve.app.installing.lists import ROWS_MAX
from pagereeve.console.pages.adding import FIELDS as NAMES
from pagereeve.console.pages.adding import (
    GATEWAYS_MAX,
    SHOWN_MAX,
    AddShown,
    ChangeShown,
    Choice,
    Fragment,
    ImportShown,
    LookShown,
)
from pagereeve.console.pages.meter_seen import meter_seen
from pagereeve.queries.readiness import PrinterLook, lacks_of
from pagereeve.settings import HostPort, Problem, Settings
from pagereeve.settings.importing import Change
from pagereeve.settings.snmp_access import accesses_of

PROBLEMS_MAX: Final = 50
_ORDER: Final = ("removed", "changed", "added")


def add_shown(token: str, name: str, draft: EntryDraft | None, settings: Settings, unusable: str) -> AddShown:
    """``name`` is the draft's, as it was asked for; "" for none."""
    gateways = [Choice(one.name, _gateway(one.name, one.host)) for one in settings.gateways[:GATEWAYS_MAX]]
    accesses = [Choice(access_key(one), one.text) for one in accesses_of(settings)]
    values = dict.fromkeys(NAMES, "") | ({} if draft is None else dict(draft.values))
    common = AddShown(token, gateways=gateways, accesses=accesses, values=values, unusable=unusable)
    if draft is None:
        return replace(common, is_over=bool(name))
    outcome = draft.outcome
    return replace(
        common,
        draft=name,
        pins=draft.pins,
        problems=_problems(draft.problems),
        seen=None if draft.seen is None else meter_seen(draft.seen),
        fragment=Fragment(draft.text, str(draft.target), draft.trouble) if draft.text else None,
        came=None if outcome is None else outcome.came,
        why="" if outcome is None else outcome.why,
    )


def import_shown(token: str, name: str, draft: ListDraft | None, unusable: str) -> ImportShown:
    if draft is None:
        return ImportShown(token, is_over=bool(name), unusable=unusable, rows_max=ROWS_MAX)
    plan, outcome, looks = draft.plan, draft.outcome, list(draft.looks)
    changes = [] if plan is None else sorted(plan.changes, key=lambda one: _ORDER.index(one.kind))
    kinds = Counter(one.kind for one in changes)
    places = {} if plan is None else _places(plan.settings, {one.name for one in changes[:SHOWN_MAX]})
    lacking = {one.printer: _troubles(one) for one in looks}
    looks.sort(key=lambda one: (not lacking[one.printer], one.printer))
    return ImportShown(
        token,
        draft=name,
        list_name=draft.name,
        pasted=draft.pasted,
        problems=_problems(draft.problems[:PROBLEMS_MAX]),
        problems_left=max(0, len(draft.problems) - PROBLEMS_MAX),
        is_planned=plan is not None,
        changes=[
            ChangeShown(one.kind, one.table.removesuffix("s"), one.name, one.line, _details(one, places))
            for one in changes[:SHOWN_MAX]
        ],
        changes_left=max(0, len(changes) - SHOWN_MAX),
        numbers={kind: kinds[kind] for kind in _ORDER} | {"same": 0 if plan is None else plan.same},
        columns_left=[] if plan is None else list(plan.left[:SHOWN_MAX]),
        printers_after=0 if plan is None else len(plan.settings.printers),
        to_check=len(draft.to_check),
        checked=len(looks),
        answer=sum(not troubles for troubles in lacking.values()),
        is_checking=draft.is_checking,
        was_checked=draft.check is not None,
        check_trouble=draft.check_trouble,
        looks=[
            LookShown(one.printer, one.place, one.model, one.serial, one.total, lacking[one.printer])
            for one in looks[:SHOWN_MAX]
        ],
        looks_left=max(0, len(looks) - SHOWN_MAX),
        fragment=Fragment(draft.text, str(draft.target), draft.trouble) if draft.text else None,
        came=None if outcome is None else outcome.came,
        why="" if outcome is None else outcome.why,
        rows_max=ROWS_MAX,
        unusable=unusable,
    )


def _troubles(one: PrinterLook) -> tuple[str, ...]:
    """A proof is what each new one lacks."""
    return tuple(f"{lack.part}: {lack.text}" for lack in lacks_of(one) if lack.part != "proof")


def _places(settings: Settings, names: Collection[str]) -> Mapping[tuple[str, str], str]:
    printers = (one for one in settings.printers if one.name in names)
    places = {("printers", one.name): str(HostPort(one.host, one.port)) for one in printers}
    return places | {("gateways", one.name): one.host or "" for one in settings.gateways if one.name in names}


def _details(one: Change, places: Mapping[tuple[str, str], str]) -> str:
    return "; ".join(one.details) or (places.get((one.table, one.name), "") if one.kind == "added" else "")


def _problems(problems: tuple[Problem, ...]) -> list[tuple[str, str]]:
    return [(one.where, one.text) for one in problems]


def _gateway(name: str, host: str | None) -> str:
    return f"{name} ({host})" if host else name
