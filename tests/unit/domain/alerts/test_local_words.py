"""What a message says of instants is in the site's time; what somebody explained is not said again."""

from __future__ import annotations

import re
from dataclasses import replace

from pagereeve.domain.alerts.alert import Alert, AlertPolicy, SiteLayout, begun, joined, left
from pagereeve.domain.alerts.telling import compose, decide, restated
from pagereeve.domain.facts.facts import GatewayChecked, Origin
from pagereeve.domain.facts.reading import Silence, SilenceReason
from pagereeve.domain.findings import evidence as shown
from pagereeve.domain.findings.finding import make
from pagereeve.domain.ledger import Finding
from pagereeve.domain.values.instants import SECOND_US, from_text
from tests.findings import said

NOON_US = from_text("2026-11-25T12:00:00Z")
ORIGIN = Origin("/reeve", "e-1", NOON_US, NOON_US)
BERLIN = SiteLayout({"lone": "", "near": "gate-1", "far": "gate-1"}, {"gate-1": 2}, zone="Europe/Berlin")
RFC3339 = re.compile(r"\d{4}-\d{2}-\d{2}T")


def silent(printer: str = "lone") -> Finding:
    what = shown.reads_fail([Silence(NOON_US, NOON_US, 1, SilenceReason.TIMEOUT)], 1)
    return make("meter-silent", printer, (1,), NOON_US, what, [shown.presented(NOON_US + SECOND_US, "gate-1")])


def surplus(number: int) -> Finding:
    return make("surplus", "lone", (number,), NOON_US + number, said(f"{number} counted"), [said(f"line {number}")])


def explained(finding: Finding) -> Finding:
    return replace(finding, state="explained", reason="test-page", until_us=NOON_US + 9)


def told(alert: Alert) -> Alert:
    return compose(alert, "opened", BERLIN, NOON_US)[0]


def test_what_happened_and_what_shows_it_are_in_the_sites_time() -> None:
    _, message = compose(begun(silent(), BERLIN, NOON_US), "opened", BERLIN, NOON_US)
    assert "since 2026-11-25 13:00:00 CET" in message.what
    assert message.evidence == ("presented at gateway gate-1: 2026-11-25 13:00:01 CET",)
    assert message.zone == "Europe/Berlin"


def test_so_is_the_list_of_printers_behind_a_gateway_and_the_end_of_it() -> None:
    whole = joined(
        replace(begun(silent("near"), BERLIN, NOON_US), printer="", subject="gateway gate-1"), silent("far"), 1
    )
    told_of, message = compose(whole, "opened", BERLIN, NOON_US)
    assert len(message.evidence) == 2
    over = told_of
    for one in (silent("near"), silent("far")):
        over = left(over, one.id, replace(one, state="closed", until_us=NOON_US), NOON_US)
    _, last = compose(over, "resolved", BERLIN, NOON_US)
    for text in (*message.evidence, last.what):
        assert "2026-11-25 13:00:00 CET" in text
        assert RFC3339.search(text) is None


def test_an_explained_finding_is_not_named_while_others_are_open() -> None:
    both = told(joined(begun(surplus(1), BERLIN, NOON_US), surplus(2), NOON_US))
    _, later = compose(left(both, surplus(1).id, explained(surplus(1)), NOON_US), "updated", BERLIN, NOON_US)
    assert (later.what, later.evidence, later.findings) == ("2 counted.", ("line 2",), 1)
    assert later.command == f"pagereeve findings show {surplus(2).id}"


def test_the_end_by_an_explanation_shows_no_evidence_any_more() -> None:
    alert = told(begun(surplus(1), BERLIN, NOON_US))
    _, last = compose(left(alert, surplus(1).id, explained(surplus(1)), NOON_US), "resolved", BERLIN, NOON_US)
    assert last.what == "Explained: test-page. It was: 1 counted."
    assert last.evidence == ()


def test_a_state_that_is_repeated_names_no_finding_that_was_explained_since() -> None:
    alert = joined(begun(surplus(1), BERLIN, NOON_US), surplus(2), NOON_US)
    alert, message = compose(alert, "opened", BERLIN, NOON_US)
    assert (message.what, message.findings) == ("1 counted. And 1 more of the kind is open.", 2)
    assert restated(alert, message, BERLIN) == message
    after = left(alert, surplus(1).id, explained(surplus(1)), NOON_US + SECOND_US)
    now = restated(after, message, BERLIN)
    assert (now.what, now.evidence, now.findings) == ("2 counted.", ("line 2",), 1)
    assert now.command == f"pagereeve findings show {surplus(2).id}"
    assert (now.id, now.step, now.since_us, now.at_us) == (message.id, "opened", message.since_us, message.at_us)


def test_a_state_whose_findings_are_all_over_is_repeated_as_it_was_until_its_end_is_sent() -> None:
    alert, message = compose(begun(silent(), BERLIN, NOON_US), "opened", BERLIN, NOON_US)
    ended = left(alert, silent().id, replace(silent(), state="closed", until_us=NOON_US), NOON_US)
    assert restated(ended, message, BERLIN) is message


def test_the_alert_of_a_gateway_that_is_down_names_the_gateway_and_keeps_quiet_with_it() -> None:
    checked = GatewayChecked(ORIGIN, "gate-1", "down", "tcp 192.0.2.10:22", "no answer")
    finding = replace(make("gateway-down", "", (1,), NOON_US, shown.gateway_down(checked), []), place="gateway gate-1")
    quiet = replace(BERLIN, is_quiet=lambda printer, gateway, _at_us: (printer, gateway) == ("", "gate-1"))
    alert = begun(finding, quiet, NOON_US)
    assert (alert.subject, alert.printer, alert.gateway) == ("gateway gate-1", "", "gate-1")
    assert decide(alert, AlertPolicy(), quiet, NOON_US + 600 * SECOND_US)[0] is None
    assert decide(alert, AlertPolicy(), BERLIN, NOON_US + 600 * SECOND_US)[0] == "opened"
    _, message = compose(alert, "opened", BERLIN, NOON_US)
    assert (message.gateway, message.title.partition(":")[0]) == ("gate-1", "gateway gate-1")
