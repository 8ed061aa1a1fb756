"""Signed requests, judged by the published library (standard-webhooks/standard-webhooks, libraries/python)."""

from __future__ import annotations

import base64
from datetime import UTC, datetime

import pytest
from standardwebhooks.webhooks import Webhook

from pagereeve.domain.credentials.signatures import (
    SIGNATURES_MAX,
    BadSecret,
    Signed,
    key_of,
    signature,
)
from tests.credentials import KEY, NOW_US, SECRET

AT = datetime.fromtimestamp(NOW_US // 1_000_000, tz=UTC)
BODY = '{"id":"e-1","data":{"release":"Grün"}}'


def signed(body: str = BODY, message: str = "msg_1", at: datetime = AT, secret: str = SECRET) -> Signed:
    signatures = Webhook(secret).sign(message, at, body)
    return Signed(message.encode(), str(int(at.timestamp())).encode(), signatures.encode())


def test_what_the_library_signs_is_known() -> None:
    assert signed().is_well_formed()
    assert signed().is_by(KEY, BODY.encode())


def test_what_we_sign_the_library_knows() -> None:
    at = datetime.now(UTC)
    stamp = str(int(at.timestamp())).encode()
    ours = base64.b64encode(signature(KEY, b"msg_1", stamp, BODY.encode())).decode()
    headers = {"webhook-id": "msg_1", "webhook-timestamp": stamp.decode(), "webhook-signature": f"v1,{ours}"}
    assert Webhook(SECRET).verify(BODY, headers)["id"] == "e-1"


@pytest.mark.parametrize(
    "changed",
    [
        (KEY, BODY.replace("e-1", "e-2").encode()),
        (KEY, BODY.encode() + b" "),
        (KEY[:-1] + b"x", BODY.encode()),
    ],
)
def test_another_body_or_secret_is_not_what_was_signed(changed: tuple[bytes, bytes]) -> None:
    assert not signed().is_by(*changed)


def test_id_and_timestamp_are_signed_too() -> None:
    one = signed()
    assert not Signed(b"msg_2", one.timestamp, one.signatures).is_by(KEY, BODY.encode())
    assert not Signed(one.id, one.timestamp[:-1] + b"9", one.signatures).is_by(KEY, BODY.encode())


def test_one_of_several_signatures_is_enough_and_other_versions_are_passed_over() -> None:
    """The specification, "Signature scheme": a space delimited list, so that secrets can be renewed."""
    one = signed()
    others = b"v1a,AAAA v1,!!! v1," + base64.b64encode(b"x" * 32)
    assert Signed(one.id, one.timestamp, others + b" " + one.signatures).is_by(KEY, BODY.encode())
    many = b" ".join([b"v1," + base64.b64encode(b"x" * 32)] * SIGNATURES_MAX)
    assert not Signed(one.id, one.timestamp, many + b" " + one.signatures).is_by(KEY, BODY.encode())


@pytest.mark.parametrize(
    ("message", "stamp", "signatures", "well"),
    [
        (b"m", b"1800000000", b"v1,AAAA", True),
        (b"", b"1800000000", b"v1,AAAA", False),
        (b"m" * 257, b"1800000000", b"v1,AAAA", False),
        (b"m", b"", b"v1,AAAA", False),
        (b"m", b"-1", b"v1,AAAA", False),
        (b"m", b"1e9", b"v1,AAAA", False),
        (b"m", b"9" * 13, b"v1,AAAA", False),
        (b"m", "١٢٣".encode(), b"v1,AAAA", False),
        (b"m", b"1800000000", b"", False),
        (b"m", b"1800000000", b"v1,???", False),
        (b"m", b"1800000000", b"v2,AAAA", False),
    ],
)
def test_what_is_no_signature_is_known_before_anything_is_hashed(
    message: bytes, stamp: bytes, signatures: bytes, well: bool
) -> None:
    assert Signed(message, stamp, signatures).is_well_formed() == well


@pytest.mark.parametrize(("off_s", "fresh"), [(0, True), (300, True), (-300, True), (301, False), (-301, False)])
def test_five_minutes_either_way_are_tolerated(off_s: int, fresh: bool) -> None:
    """The library's own tolerance (libraries/python, webhooks.py: timedelta(minutes=5))."""
    assert signed().is_fresh(NOW_US + off_s * 1_000_000) == fresh


@pytest.mark.parametrize("secret", [SECRET, SECRET.removeprefix("whsec_")])
def test_a_secret_is_base64_with_or_without_its_prefix(secret: str) -> None:
    assert key_of(secret) == KEY


@pytest.mark.parametrize("size", [24, 64])
def test_the_bounds_of_a_secret_are_allowed(size: int) -> None:
    assert len(key_of("whsec_" + base64.b64encode(bytes(size)).decode())) == size


@pytest.mark.parametrize(
    ("secret", "told"),
    [
        ("whsec_" + base64.b64encode(bytes(23)).decode(), "holds 23 bytes"),
        ("whsec_" + base64.b64encode(bytes(65)).decode(), "holds 65 bytes"),
        ("whsec_c2VjcmV0LWlzLWhpZGRlbg", "holds no secret"),
        ("whsec_ü", "holds no secret"),
    ],
)
def test_another_secret_is_refused_and_not_repeated(secret: str, told: str) -> None:
    with pytest.raises(BadSecret, match=told) as raised:
        key_of(secret)
    assert secret not in str(raised.value)
