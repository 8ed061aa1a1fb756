"""Forms that a page shows to who may decide; the daemon itself answers them (app/deciding/forms.py)."""

from __future__ import annotations

import secrets
from dataclasses import dataclass
from typing import Final, get_args

from pagereeve.console.api.asker import Asker, Decides
from pagereeve.domain.facts.facts import Reason

REASONS: Final[tuple[str, ...]] = get_args(Reason)
TOGETHER_MAX: Final = 20
"""So many findings are decided on at once."""


@dataclass(frozen=True, slots=True)
class FormShown:
    """``token`` is the session's; ``key`` is this form's own, so that it decides once however often it is sent."""

    token: str
    key: str
    reasons: tuple[str, ...] = REASONS
    together_max: int = TOGETHER_MAX


def form_for(asker: Asker, what: Decides = "findings") -> FormShown | None:
    """None where what it sends would be refused: nobody signed in, or may not decide on that."""
    token = form_token_of(asker)
    return FormShown(token, secrets.token_urlsafe(16)) if token and what in asker.decides else None


def form_token_of(asker: Asker) -> str:
    """The token of the session that the page is shown to; "" where it is shown to none."""
    return "" if asker.session is None else asker.session.form_token
