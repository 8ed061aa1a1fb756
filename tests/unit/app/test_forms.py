"""Forms of the console's pages: what they send is decided, once, and the address after it says what came of it."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, Final
from urllib.parse import parse_qs, urlencode, urlsplit

import pytest

from pagereeve.app.deciding.forms import FIELDS_MAX, Forms, fields_of, posts_form, require_proven
from pagereeve.console.api.deciding.answers import FindingDecided, PagesDecided
from pagereeve.console.api.deciding.bodies import Book, Close, Explain, Move, Settle, Undo
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

    async def on_finding(self, name: str, said: Explain | Close | Book, caller: Caller, key: str) -> FindingDecided:
        assert caller is MARA
        self._ask(name, said, key)
        return FindingDecided(
            decision=key, finding=name, action=said.action, state=self.state, repeated=False, shown=self.shown
        )

    async def on_pages(self, said: Settle | Move, caller: Caller, key: str) -> PagesDecided:
        raise AssertionError("no form moves pages")

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
