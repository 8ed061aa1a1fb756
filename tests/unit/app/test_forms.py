"""Forms of the console's pages: what they send is decided, once, and the address after it says what came of it."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, Final, Literal
from urllib.parse import parse_qs, urlencode, urlsplit

import pytest

from pagereeve.app.deciding.form_fields import FIELDS_MAX, fields_of
from pagereeve.app.deciding.forms import Forms, posts_form, require_proven
from pagereeve.console.api.deciding.answers import FindingDecided, PagesDecided, PeriodClosed
from pagereeve.console.api.deciding.bodies import (
    Book,
    Close,
    ClosePeriod,
    Explain,
    Move,
    OfFinding,
    OfRelease,
    OnFinding,
    Reopen,
    Settle,
    Undo,
)
from pagereeve.console.api.deciding.port import WAITED_S
from pagereeve.console.api.problems import ApiProblem
from pagereeve.console.pages.came import DONE, TEXTS
from pagereeve.console.pages.forms import TOGETHER_MAX
from pagereeve.domain.credentials.callers import Caller
from pagereeve.domain.ledger import FindingState
from pagereeve.feeds.refusals import Refusal
from pagereeve.ports.journal import JournalUnavailable

MARA: Final = Caller("mara", frozenset({"decide"}))


@dataclass
class Decided:
    """Implements console.api.deciding.port.Deciding: says yes, unless ``fails`` says what for."""

    state: FindingState | None = "closed"
    shown: bool = True
    fails: dict[str, Exception] = field(default_factory=dict)
    asked: list[tuple[str, Any, str]] = field(default_factory=list)

    async def on_finding(self, name: str, said: OnFinding, caller: Caller, key: str) -> FindingDecided:
        assert caller is MARA
        self._ask(name, said, key)
        return FindingDecided(
            decision=key, finding=name, action=said.action, state=self.state, repeated=False, shown=self.shown
        )

    async def on_pages(self, said: Settle | Move, caller: Caller, key: str) -> PagesDecided:
        named = said.of.release if isinstance(said.of, OfRelease) else ""
        self._ask(named, said, key)
        return PagesDecided(decisions=[], dry_run=False, repeated=False, shown=self.shown)

    async def close_period(
        self, name: str, said: ClosePeriod, caller: Caller, waited_s: float = WAITED_S
    ) -> PeriodClosed:
        assert caller is MARA
        self._ask(name, said, f"{waited_s:g}")
        state: Literal["closed", "under-way"] = "closed" if self.shown else "under-way"
        return PeriodClosed(period=name, state=state, closed=None, repeated=False)

    async def undo(self, decision: str, said: Undo, caller: Caller, key: str) -> PagesDecided:
        self._ask(decision, said, key)
        return PagesDecided(decisions=[], dry_run=False, repeated=False, shown=self.shown)

    def _ask(self, name: str, said: Any, key: str) -> None:
        if name in self.fails:
            raise self.fails[name]
        self.asked.append((name, said, key))


async def sent(decided: Decided, path: str, *pairs: tuple[str, str]) -> tuple[str, dict[str, str]]:
    address = urlsplit(await Forms(decided).address_after(path, urlencode(pairs).encode(), MARA))
    return address.path, {name: values[0] for name, values in parse_qs(address.query).items()}


@pytest.mark.parametrize(
    ("pairs", "said", "came"),
    [
        (
            [("action", "explain"), ("reason", "jam"), ("text", "")],
            Explain(action="explain", reason="jam"),
            "explained",
        ),
        ([("action", "close"), ("reason", ""), ("text", "ok")], Close(action="close", text="ok"), "closed"),
        ([("action", "reopen"), ("reason", ""), ("text", "")], Reopen(action="reopen"), "reopened"),
        ([("action", "book"), ("at", "hall"), ("csrf", "x")], Book(action="book", at="hall"), "booked"),
    ],
)
async def test_what_a_form_says_is_decided_and_empty_fields_say_nothing(
    pairs: list[tuple[str, str]], said: Any, came: str
) -> None:
    decided = Decided()
    assert await sent(decided, "/findings/f-1/decide", *pairs) == ("/findings/f-1", {"came": came})
    assert decided.asked == [("f-1", said, "")]
    assert await sent(Decided(shown=False), "/findings/f-1/decide", *pairs) == ("/findings/f-1", {"came": "pending"})


@pytest.mark.parametrize(
    "pairs",
    [
        [],
        [("action", "forget")],
        [("action", "explain")],
        [("action", "explain"), ("reason", "boredom")],
        [("action", "close"), ("text", "x" * 2_000)],
        [("action", "close"), ("text", "a\u202eb")],
        [("action", "close"), ("action", "explain"), ("reason", "jam")],
        [("action", "close"), ("key", "k" * 101)],
        [("action", "close"), *[("more", "x")] * FIELDS_MAX],
    ],
)
async def test_what_is_no_decision_decides_nothing(pairs: list[tuple[str, str]]) -> None:
    decided = Decided()
    assert await sent(decided, "/findings/f-1/decide", *pairs) == ("/findings/f-1", {"came": "bad"})
    assert decided.asked == []


async def test_one_form_is_one_decision_and_another_one_is_another() -> None:
    decided = Decided()
    close = ("action", "close")
    for key in ("k-1", "k-1", "k-2"):
        await sent(decided, "/findings/f-1/decide", close, ("key", key))
    await sent(decided, "/findings/f-2/decide", close, ("key", "k-1"))
    first, again, other, elsewhere = (key for *_, key in decided.asked)
    assert first == again
    assert len({first, other, elsewhere}) == 3
    # A decision's id is as the API would take it.
    assert all(key.isascii() and len(key) <= 100 for key in (first, other, elsewhere))


@pytest.mark.parametrize(
    ("error", "path", "came"),
    [
        (ApiProblem("not-found", "finding", "is none"), "/findings", "gone"),
        (ApiProblem("conflict", "key", "was used"), "/findings/f-1", "conflict"),
        (ApiProblem("not-possible", "at", "is no printer"), "/findings/f-1", "not-possible"),
        (Refusal("forbidden", "pages", "are too many", "decide"), "/findings/f-1", "not-allowed"),
        (Refusal("over-quota", "sender", "wait"), "/findings/f-1", "busy"),
        (JournalUnavailable("the disk is full"), "/findings/f-1", "busy"),
    ],
)
async def test_what_can_not_be_decided_is_told_from_a_closed_set(error: Exception, path: str, came: str) -> None:
    decided = Decided(fails={"f-1": error})
    assert await sent(decided, "/findings/f-1/decide", ("action", "close")) == (path, {"came": came})
    assert came in TEXTS


async def test_a_finding_that_the_decision_explained_away_has_no_page_to_go_back_to() -> None:
    ended = await sent(Decided(state=None), "/findings/f-1/decide", ("action", "explain"), ("reason", "maintenance"))
    assert ended == ("/findings", {"came": "ended"})
    assert "ended" in DONE


async def test_several_at_once_are_tried_each_for_itself() -> None:
    decided = Decided(fails={"f-2": ApiProblem("not-possible", "at", "x")})
    named = [("finding", f"f-{nth}") for nth in (1, 2, 3, 3)]
    after = await sent(decided, "/findings/decide", *named, ("action", "close"), ("key", "k"))
    assert after == ("/findings", {"came": "not-possible", "done": "2", "of": "3"})
    assert [name for name, *_ in decided.asked] == ["f-1", "f-3"]
    after = await sent(Decided(), "/findings/decide", *named, ("action", "close"))
    assert after == ("/findings", {"came": "closed", "done": "3", "of": "3"})
    for count in (0, TOGETHER_MAX + 1):
        many = [("finding", f"f-{nth}") for nth in range(count)]
        assert await sent(Decided(), "/findings/decide", *many, ("action", "close")) == ("/findings", {"came": "bad"})


async def test_a_decision_about_pages_is_undone_from_the_findings_page() -> None:
    decided = Decided()
    after = await sent(decided, "/findings/f-1/undo", ("decision", "move-1"), ("reason", "mistake"))
    assert after == ("/findings/f-1", {"came": "undone"})
    assert decided.asked == [("move-1", Undo(), "")]


@pytest.mark.parametrize(
    ("pairs", "came", "asked"),
    [
        ([("period", " 2026-10 "), ("despite", "")], "period-closed", [ClosePeriod()]),
        ([("period", "2026-10"), ("despite", "a jam")], "period-closed", [ClosePeriod(despite="a jam")]),
        ([("period", "2026-1")], "not-named", []),
        ([], "not-named", []),
        ([("period", "2026-10"), ("period", "2026-10")], "bad", []),
        ([("period", "2026-10"), ("despite", "x" * 501)], "bad", []),
    ],
)
async def test_a_period_is_closed_by_a_form_that_names_it(
    pairs: list[tuple[str, str]], came: str, asked: list[ClosePeriod]
) -> None:
    decided = Decided()
    assert await sent(decided, "/accounts/2026-10/close", *pairs) == ("/accounts/2026-10/closing", {"came": came})
    assert [said for _, said, _ in decided.asked] == asked
    assert came in TEXTS


async def test_a_period_that_takes_long_or_can_not_be_closed_is_told_on_its_page() -> None:
    named = ("period", "2026-10")
    after = await sent(Decided(shown=False), "/accounts/2026-10/close", named)
    assert after == ("/accounts/2026-10/closing", {"came": "closing"})
    refused = Decided(fails={"2026-10": ApiProblem("not-possible", "name", "it is not over")})
    after = await sent(refused, "/accounts/2026-10/close", named)
    assert after == ("/accounts/2026-10/closing", {"came": "not-closed"})


OF: Final = "source=%2Fs&release=r-1&channel=total"
WAIVED: Final = Settle(act="waive", of=OfRelease(release="r-1", source="/s"), reason="jam", channel="total")
CONFIRMED: Final = Settle(act="confirm", of=OfFinding(finding="f-1"), reason="admitted")
MOVED: Final = Move.model_validate(
    {
        "act": "move",
        "of": WAIVED.of,
        "reason": "agreed",
        "channel": "total",
        "pages": 2,
        "from": "unproven",
        "to": "house",
        "to_name": "maintenance",
    }
)


@pytest.mark.parametrize(
    ("pairs", "came", "asked"),
    [
        ([("of", OF), ("act", "waive"), ("reason", "jam"), ("to", "person")], "waived", [WAIVED]),
        (
            [
                *[("of", OF), ("act", "move"), ("reason", "agreed"), ("pages", "2"), ("from", "unproven")],
                *[("to", "house"), ("to_name", "maintenance")],
            ],
            "moved",
            [MOVED],
        ),
        ([("of", "finding=f-1"), ("act", "confirm"), ("reason", "admitted")], "confirmed", [CONFIRMED]),
        ([("of", OF), ("act", "waive"), ("reason", "")], "bad", []),
        ([("of", OF), ("act", "waive"), ("reason", "jam"), ("pages", "all")], "bad", []),
        ([("of", OF), ("act", "waive"), ("reason", "jam"), ("pages", "0")], "bad", []),
        ([("of", "r-1"), ("act", "waive"), ("reason", "jam")], "bad", []),
        ([("of", f"{OF}&more=1"), ("act", "waive"), ("reason", "jam")], "bad", []),
        ([("of", "finding=f-1&more=1"), ("act", "waive"), ("reason", "jam")], "bad", []),
        ([("of", OF), ("act", "undo"), ("reason", "jam")], "bad", []),
        ([("act", "waive"), ("reason", "jam")], "bad", []),
        ([*[("of", f"{OF}{nth}") for nth in range(TOGETHER_MAX + 1)], ("act", "waive"), ("reason", "jam")], "bad", []),
    ],
)
async def test_pages_of_a_release_are_decided_on_and_the_page_comes_back(
    pairs: list[tuple[str, str]], came: str, asked: list[Any]
) -> None:
    decided, back = Decided(), ("back", "/releases/r-1?source=%2Fs")
    assert await sent(decided, "/decisions/pages", back, *pairs) == ("/releases/r-1", {"source": "/s", "came": came})
    assert [said for _, said, _ in decided.asked] == asked
    assert came in TEXTS


@pytest.mark.parametrize("back", ["", "//elsewhere.example/x", "https://elsewhere.example/", "/sign-out", "x"])
async def test_a_form_leads_nowhere_but_to_a_page_of_ours(back: str) -> None:
    pairs = [("of", OF), ("act", "waive"), ("reason", "jam"), ("back", back)]
    assert await sent(Decided(), "/decisions/pages", *pairs) == ("/now", {"came": "waived"})


async def test_several_releases_are_decided_on_each_for_itself() -> None:
    decided = Decided(fails={"r-2": ApiProblem("not-possible", "decision", "too many")})
    named = [("of", f"source=%2Fs&release=r-{nth}&channel=total") for nth in (1, 2, 3, 3)]
    more = [("act", "confirm"), ("reason", "admitted"), ("key", "k"), ("back", "/accounts/2026-10/decisions")]
    after = await sent(decided, "/decisions/pages", *named, *more)
    assert after == ("/accounts/2026-10/decisions", {"came": "not-possible", "done": "2", "of": "3"})
    assert len({key for *_, key in decided.asked}) == 2


async def test_a_decision_is_undone_from_any_page() -> None:
    decided, back = Decided(), ("back", "/accounts/2026-10/decisions")
    after = await sent(decided, "/decisions/undo", back, ("decision", "case/4711"))
    assert after == ("/accounts/2026-10/decisions", {"came": "undone"})
    assert decided.asked == [("case/4711", Undo(), "")]


async def test_the_address_after_it_holds_the_name_as_one_part() -> None:
    forms = Forms(Decided())
    address = await forms.address_after("/findings/f ?\r\nx: y\u00e9/decide", b"action=close", MARA)
    assert address == "/findings/f%20%3F%0D%0Ax%3A%20y%C3%A9?came=closed"


def test_what_is_no_form_is_an_empty_one() -> None:
    assert fields_of(b"a=1&a=2&b=") == {"a": ["1", "2"], "b": [""]}
    for body in (b"\xff=1", b"a=%ff", b"a=%00", b"%e2%80%ae=1"):
        assert fields_of(body) == {}


def test_only_a_page_of_ours_may_send_one() -> None:
    scope = {"type": "http", "method": "POST", "path": "/findings/f-1/decide"}
    assert posts_form(scope)
    with pytest.raises(Refusal, match="signed in"):
        require_proven(scope)
    require_proven({**scope, "pagereeve.session": object()})
    assert not posts_form({**scope, "method": "GET"})
    assert not posts_form({**scope, "path": "/findings/f-1"})
    assert not posts_form({**scope, "type": "lifespan"})
