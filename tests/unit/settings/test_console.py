"""[console]: which header, and from whom."""

from __future__ import annotations

from typing import Any

import pytest
from pydantic import ValidationError

from pagereeve.settings.console import ConsoleSettings

PROXIES = ["192.0.2.7", "2001:db8::7"]


@pytest.mark.parametrize(
    ("given", "word"),
    [
        ({"trusted_user_header": "X-Remote-User"}, "needs trusted_proxies"),
        ({"trusted_user_header": "X Remote", "trusted_proxies": PROXIES}, "can be no header"),
        ({"trusted_user_header": "Cookie", "trusted_proxies": PROXIES}, "can be no header"),
        ({"trusted_user_header": "authorization", "trusted_proxies": PROXIES}, "can be no header"),
        ({"trusted_user_header": "Pagereeve-Asker", "trusted_proxies": PROXIES}, "can be no header"),
        ({"trusted_user_header": "", "trusted_proxies": PROXIES}, "can be no header"),
        ({"trusted_proxies": ["proxy.example"]}, "address"),
        ({"trusted_proxies": ["192.0.2.0/24"]}, "address"),
    ],
)
def test_what_nobody_could_mean_is_refused(given: dict[str, Any], word: str) -> None:
    with pytest.raises(ValidationError, match=word):
        ConsoleSettings.model_validate(given)


def test_only_addresses_that_are_listed_are_trusted() -> None:
    settings = ConsoleSettings.model_validate({"trusted_user_header": "X-Remote-User", "trusted_proxies": PROXIES})
    for peer in ("192.0.2.7", "::ffff:192.0.2.7", "2001:db8:0::7"):
        assert settings.trusts(peer)
    for peer in ("192.0.2.70", "192.0.2.8", "", "localhost", "2001:db8::8", "::1"):
        assert not settings.trusts(peer)
    assert not ConsoleSettings().trusts("127.0.0.1")
