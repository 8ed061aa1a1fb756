"""CloudEvents in all three modes. The judge is the CloudEvents project's own SDK, where it has a say."""

from __future__ import annotations

import base64
import json
from datetime import UTC, datetime
from typing import Any

import pytest
from cloudevents.core.bindings.http import to_binary, to_structured
from cloudevents.core.formats.json import JSONFormat
from cloudevents.core.v1.event import CloudEvent

from pagereeve.feeds.http import cloudevents
from pagereeve.feeds.refusals import BadItem, Refusal
from pagereeve.ports.intake import Envelope

MEMBERS: dict[str, Any] = {
    "specversion": "1.0",
    "id": "e-1",
    "source": "/college/release",
    "type": "t",
    "data": {"a": 1},
}
ENVELOPE = Envelope(source="/college/release", id="e-1", type="t", time=None, data={"a": 1})


def structured(**changes: Any) -> Envelope:
    return cloudevents.read_structured(json.dumps(MEMBERS | changes).encode())


def refusal(**changes: Any) -> Refusal:
    with pytest.raises(Refusal) as caught:
        structured(**changes)
    return caught.value


def test_structured_mode_reads_the_event() -> None:
    assert structured() == ENVELOPE
    assert structured(time="2027-01-31T09:00:00Z", subject="x", traceparent="00-a", n=3, flag=True) == Envelope(
        "/college/release", "e-1", "t", "2027-01-31T09:00:00Z", {"a": 1}, "x"
    )


def test_null_attributes_are_unset_ones() -> None:
    """CloudEvents JSON event format 1.0.2, section 2.2."""
    assert structured(time=None, subject=None, datacontenttype=None) == ENVELOPE


def test_binary_mode_reads_the_event() -> None:
    headers = [("ce-specversion", "1.0"), ("ce-id", "e-1"), ("ce-source", "/college/release"), ("ce-type", "t")]
    assert cloudevents.read_binary(headers, b'{"a": 1}') == ENVELOPE
    assert cloudevents.read_binary(headers, b"").data is None


@pytest.mark.parametrize("text", ["plain", 'with "quotes" and %', "Euro € 😀", "é", "a b", "%41", "back\\slash"])
def test_header_values_are_decoded_as_the_sdk_encodes_them(text: str) -> None:
    event = CloudEvent({"id": text, "source": text, "type": "t", "subject": text}, {"a": 1})
    message = to_binary(event, JSONFormat())
    headers = [(name.lower(), value) for name, value in message.headers.items() if name.lower().startswith("ce-")]
    envelope = cloudevents.read_binary(headers, message.body)
    assert (envelope.id, envelope.source, envelope.subject, envelope.data) == (text, text, text, {"a": 1})


def test_structured_events_of_the_sdk_are_read() -> None:
    when = datetime(2027, 1, 31, 9, 0, tzinfo=UTC)
    event = CloudEvent(
        {"id": "1", "source": "s", "type": "t", "time": when, "datacontenttype": "application/json", "extra": "x"},
        {"pages": 3, "title": "é"},
    )
    message = to_structured(event, JSONFormat())
    content_type = next(value for name, value in message.headers.items() if name.lower() == "content-type")
    assert cloudevents.mode_of(content_type, has_attributes=False) == "structured"
    envelope = cloudevents.read_structured(message.body)
    assert envelope.data == {"pages": 3, "title": "é"}
    assert envelope.time is not None
    assert datetime.fromisoformat(envelope.time) == when


def test_quoted_header_values_are_unescaped() -> None:
    """CloudEvents HTTP binding 1.0.2, section 3.1.3.2: older senders quote."""
    assert cloudevents.header_text("ce-id", r'"a \"b\" %20c"') == 'a "b"  c'
    assert cloudevents.header_text("ce-id", "Euro%20%E2%82%AC%20%F0%9F%98%80") == "Euro € 😀"  # the binding's example


@pytest.mark.parametrize("value", ["100%", "%zz", "%C3%28", "é", "%ED%A0%80"])
def test_header_values_that_are_not_encoded_are_refused(value: str) -> None:
    with pytest.raises(Refusal) as caught:
        cloudevents.header_text("ce-source", value)
    assert caught.value.where == "ce-source"


@pytest.mark.parametrize(
    ("content_type", "has_attributes", "mode"),
    [
        ("application/cloudevents+json", False, "structured"),
        ("Application/CloudEvents+JSON; charset=UTF-8", True, "structured"),
        ("application/cloudevents-batch+json", False, "batch"),
        ("application/json", True, "binary"),
        ("application/vnd.example+json", True, "binary"),
        (None, True, "binary"),
    ],
)
def test_the_mode_is_told_by_the_content_type(content_type: str | None, has_attributes: bool, mode: str) -> None:
    """CloudEvents HTTP binding 1.0.2, section 3."""
    assert cloudevents.mode_of(content_type, has_attributes=has_attributes) == mode


@pytest.mark.parametrize(
    ("content_type", "has_attributes"),
    [
        ("application/json", False),
        (None, False),
        ("text/plain", True),
        ("application/cloudevents+avro", True),
        ("application/cloudevents", False),
        ("application/cloudevents+json; charset=latin-1", False),
        ("", False),
    ],
)
def test_other_media_types_are_refused(content_type: str | None, has_attributes: bool) -> None:
    with pytest.raises(Refusal) as caught:
        cloudevents.mode_of(content_type, has_attributes=has_attributes)
    assert caught.value.reason == "wrong-media-type"


@pytest.mark.parametrize(
    ("changes", "where"),
    [
        ({"specversion": "0.3"}, "specversion"),
        ({"specversion": 1.0}, "specversion"),
        ({"specversion": None}, "specversion"),
        ({"id": ""}, "id"),
        ({"id": 7}, "id"),
        ({"id": None}, "id"),
        ({"source": ""}, "source"),
        ({"source": "x" * 1025}, "source"),
        ({"type": ["t"]}, "type"),
        ({"type": "a\nb"}, "type"),
        ({"time": 1769850000}, "time"),
        ({"time": ""}, "time"),
        ({"time": "2" * 65}, "time"),
        ({"subject": {}}, "subject"),
        ({"datacontenttype": "text/xml"}, "datacontenttype"),
        ({"Subject": "x"}, "attribute 'Subject'"),
        ({"data_bas64": "x"}, "attribute 'data_bas64'"),
        ({"extra": {"a": 1}}, "extra"),
        ({"extra": 1.5}, "extra"),
        ({"extra": 2**31}, "extra"),
        ({"data_base64": "e30="}, "data_base64"),
    ],
)
def test_a_bad_attribute_is_named(changes: dict[str, Any], where: str) -> None:
    found = refusal(**changes)
    assert (found.reason, found.where) == ("bad-cloudevent", where)


def test_data_may_come_in_base64() -> None:
    encoded = base64.b64encode(b'{"a": 1}').decode()
    assert structured(data=None, data_base64=encoded) == ENVELOPE


@pytest.mark.parametrize("encoded", ["e30", "e3 0=", "ÿ", 5, base64.b64encode(b'{"a": NaN}').decode()])
def test_base64_data_that_is_no_json_is_refused(encoded: object) -> None:
    assert refusal(data=None, data_base64=encoded).where.startswith("data_base64")


def test_a_batch_keeps_order_and_puts_bad_items_in_their_place() -> None:
    body = json.dumps([MEMBERS, MEMBERS | {"id": ""}, 5, MEMBERS | {"id": "e-2"}]).encode()
    good, nameless, number, last = cloudevents.read_batch(body)
    assert good == ENVELOPE
    assert isinstance(nameless, BadItem)
    assert (nameless.source, nameless.id, nameless.refusal.where) == ("/college/release", "", "id")
    assert isinstance(number, BadItem)
    assert (number.source, number.id, number.refusal.where) == (None, None, "body")
    assert isinstance(last, Envelope)
    assert last.id == "e-2"


def test_a_batch_is_a_list_of_bounded_length() -> None:
    assert cloudevents.read_batch(b"[]") == []
    with pytest.raises(Refusal) as caught:
        cloudevents.read_batch(b"{}")
    assert caught.value.reason == "bad-cloudevent"
    with pytest.raises(Refusal) as caught:
        cloudevents.read_batch(b"[0,0,0]", batch_max=2)
    assert caught.value.reason == "too-large"


def test_an_envelope_does_not_show_its_data() -> None:
    assert "a" not in repr(Envelope("s", "1", "t", None, "a")).split("data")[-1]
    assert "data" not in repr(ENVELOPE)
