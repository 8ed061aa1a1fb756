"""What a batch is called on its way through a broker: one word a site, one id a message."""

from __future__ import annotations

import pytest

from pagereeve.domain.forwarding.message import (
    MESSAGE_ID_MAX,
    MessageId,
    facts_stream,
    facts_subject,
    heads_stream,
    heads_subject,
)
from tests.forwarding import ORIGIN


def test_a_full_stop_parts_no_words_of_a_subject() -> None:
    assert facts_subject("annex") == "pagereeve.facts.annex"
    assert heads_subject("north.annex") == "pagereeve.heads.north=annex"
    assert facts_stream("north.annex") == "pagereeve-facts-north=annex"
    assert heads_stream("annex") == "pagereeve-heads-annex"


@pytest.mark.parametrize("name", ["", "*", "a b", "a>", "north=annex", ".a", "a\n", "a/b", "x" * 65])
def test_what_is_no_sites_name_is_in_no_subject(name: str) -> None:
    with pytest.raises(ValueError, match="no site's name"):
        facts_subject(name)


@pytest.mark.parametrize("site", ["annex", "north.annex", "x" * 64])
def test_an_id_is_read_as_it_was_written(site: str) -> None:
    for one in (MessageId(site, ORIGIN, 0, 512, 1), MessageId(site, ORIGIN, 7, 7, 10**18 - 1, 9)):
        assert len(str(one)) <= MESSAGE_ID_MAX
        assert MessageId.parsed(str(one)) == one


@pytest.mark.parametrize("text", ["", "annex", f"annex.{ORIGIN}.1-2.3", f"annex.{ORIGIN}.-1-2.3.0", "x" * 500, "é"])
def test_what_is_no_id_is_none(text: str) -> None:
    assert MessageId.parsed(text) is None
