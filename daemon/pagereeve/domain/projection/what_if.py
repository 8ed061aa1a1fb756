"""What a printer's ledger would be if a setting were another one: the same facts, projected under another policy.

Nothing is changed by it. Which settings are tried for a finding follows from its own hints, reasons and evidence.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from typing import Final

from pagereeve.domain.brackets.expectation import CLAIMED_CHANNELS
from pagereeve.domain.brackets.hypotheses import HINT_PREFIX
from pagereeve.domain.facts.facts import Fact, PlateauRead, PolicySet, ReadFailed
from pagereeve.domain.facts.in_force import Rules, is_standing
from pagereeve.domain.facts.policy import Policy
from pagereeve.domain.ledger import Charge, EvidenceKind, Finding
from pagereeve.domain.projection.projection import Projected
from pagereeve.domain.projection.projector import PrinterProjector
from pagereeve.domain.projection.resume_point import ResumePoint
from pagereeve.domain.values.instants import SECOND_US
from pagereeve.domain.values.records import dataclass

JOINT: Final = "+"
TOGETHER_MAX: Final = 2
"""A pair of hypotheses names two settings."""


@dataclass(frozen=True, slots=True)
class Change:
    """``words`` are what a policy's table says after it, as TOML: the policy before it is given."""

    name: str
    words: Callable[[Policy], tuple[str, ...]]
    changed: Callable[[Policy], Policy]


def _set(name: str, words: str, **values: object) -> Change:
    def changed(policy: Policy) -> Policy:
        return replace(policy, **values)  # type: ignore[arg-type]

    return Change(name, lambda _: (words,), changed)


def _twice_settled(policy: Policy) -> Policy:
    return replace(policy, settle_us=2 * policy.settle_us)


def _settle_words(policy: Policy) -> tuple[str, ...]:
    settle_us = 2 * policy.settle_us
    whole = settle_us % SECOND_US == 0
    return (f'settle = "{settle_us // SECOND_US}s"' if whole else f'settle = "{settle_us // 1_000}ms"',)


SETTLE_TWICE: Final = Change("settle-twice", _settle_words, _twice_settled)
_CHANGES: Final = (
    _set("blank-backs-counted", 'blank_backs = "counted"', blank_backs="counted"),
    _set("blank-backs-not-counted", 'blank_backs = "not-counted"', blank_backs="not-counted"),
    _set("copies-not-made", 'copies = "in-pages"', copies="in-pages"),
    _set("number-up-ignored", 'number_up = "in-pages"', number_up="in-pages"),
    _set("banner-sheet", "separator_sheets = 1", separator_sheets=1),
    _set("banner-sheets", "separator_sheets = 2", separator_sheets=2),
    _set("not-two-sided", 'sides = "one-sided"', sides="one-sided"),
    _set("large-media-twice", "large_media_weight = 2", large_media_weight=2),
    SETTLE_TWICE,
)
CHANGES: Final[Mapping[str, Change]] = {one.name: one for one in _CHANGES}
"""By the name of the hypothesis whose cure it is (brackets.hypotheses). Other cures are no policy's."""

# What an expectation left open, and the settings that would say it.
_OPEN: Final[Mapping[str, tuple[str, ...]]] = {
    "blank-backs": ("blank-backs-counted", "blank-backs-not-counted"),
    "separator-backs": ("blank-backs-counted", "blank-backs-not-counted"),
    "separators-unknown": ("banner-sheet", "banner-sheets"),
    "large-media": ("large-media-twice",),
}


def change_named(name: str) -> Change | None:
    """One of CHANGES, or two of them joined by JOINT; None of any other name."""
    parts = [CHANGES.get(part) for part in name.split(JOINT, TOGETHER_MAX)]
    known = [one for one in parts if one is not None]
    if len(known) < len(parts) or len(known) > TOGETHER_MAX:
        return None
    return known[0] if len(known) == 1 else _both(*known)


def _both(one: Change, other: Change) -> Change:
    return Change(
        f"{one.name}{JOINT}{other.name}",
        lambda policy: (*one.words(policy), *other.words(policy)),
        lambda policy: other.changed(one.changed(policy)),
    )


def changes_for(finding: Finding, policy: Policy) -> list[Change]:
    """Those that the finding itself names, its own hints first; none that the policy has already."""
    named = dict.fromkeys(_named(finding))
    changes = [change for name in named if (change := change_named(name)) is not None]
    return [one for one in changes if one.changed(policy) != policy]


def _named(finding: Finding) -> Iterator[str]:
    hints, hypothesis = finding.what.value("hints"), finding.what.value("hypothesis")
    if isinstance(hints, tuple):
        yield from (str(one).removeprefix(HINT_PREFIX) for one in hints)
    if isinstance(hypothesis, str):
        yield hypothesis
    for one in finding.evidence:
        if one.kind is EvidenceKind.REASON:
            yield from _OPEN.get(str(one.value("reason")), ())
        elif one.kind is EvidenceKind.PERHAPS_MISSED:
            # The pages of a release came after its window had closed.
            yield SETTLE_TWICE.name


@dataclass(frozen=True, slots=True)
class ChargeChanged:
    """None: there is no such charge."""

    before: Charge | None
    after: Charge | None

    @property
    def charge(self) -> Charge:
        either = self.before or self.after
        if either is None:
            raise AssertionError("a changed charge has a before or an after")
        return either


@dataclass(frozen=True, slots=True)
class WhatIf:
    """``gone`` are findings that would not be, ``come`` such that would be besides, ``other`` those whose pages would
    be others (before, after); ``known`` are the ids of those that there are.
    """

    gone: tuple[Finding, ...]
    come: tuple[Finding, ...]
    other: tuple[tuple[Finding, Finding], ...]
    charges: tuple[ChargeChanged, ...]
    known: frozenset[str]

    @property
    def findings(self) -> int:
        return len(self.known)

    @property
    def changes_nothing(self) -> bool:
        return not (self.gone or self.come or self.other or self.charges)


def what_if(
    printer: str,
    rules: Rules,
    facts: Sequence[Fact],
    resume_point: ResumePoint | None,
    run: PlateauRead | ReadFailed | None,
    change: Change,
) -> WhatIf:
    """What the facts since the resume point lead to, with the change and without it. ``rules`` are all in force."""
    # A policy among the facts would come into force beside the one that is tried.
    happened = [one for one in facts if not is_standing(one)]

    def projected(by: Rules) -> Projected:
        projector = PrinterProjector.reopened(printer, by, resume_point, happened)
        projector.open_run(run)
        return projector.projected()

    return _compared(projected(rules), projected(_changed(printer, rules, change)))


def _changed(printer: str, rules: Rules, change: Change) -> Rules:
    policies = tuple(replace(one, policy=change.changed(one.policy)) for one in rules.policies)
    policies = policies or (PolicySet(printer, 0, change.changed(Policy())),)
    return Rules(policies, rules.learned, rules.notes, rules.decisions)


def _compared(before: Projected, after: Projected) -> WhatIf:
    was, would = _by_id(before), _by_id(after)
    both = ((one, would[name]) for name, one in was.items() if name in would)
    return WhatIf(
        gone=tuple(one for name, one in was.items() if name not in would),
        come=tuple(one for name, one in would.items() if name not in was),
        other=tuple((one, other) for one, other in both if one.pages != other.pages),
        charges=tuple(_charges(before.charges(), after.charges())),
        known=frozenset(was),
    )


def _by_id(projected: Projected) -> dict[str, Finding]:
    """In order of their beginning."""
    return {one.id: one for _, one in sorted(projected.findings, key=lambda one: (one[1].since_us, one[1].id))}


def _charges(before: Iterable[Charge], after: Iterable[Charge]) -> Iterator[ChargeChanged]:
    """Of billed channels: those that charge, or leave unproven, another number of pages."""
    was, would = _billed(before), _billed(after)
    for key in sorted(was.keys() | would.keys()):
        one, other = was.get(key), would.get(key)
        if one is None or other is None or (one.charged, one.unproven) != (other.charged, other.unproven):
            yield ChargeChanged(one, other)


def _billed(charges: Iterable[Charge]) -> dict[tuple[int, str, str, str], Charge]:
    return {
        (one.started_us, one.release.source, one.release.release, one.channel): one
        for one in charges
        if one.channel in CLAIMED_CHANNELS
    }
