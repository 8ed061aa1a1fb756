"""The form that closes a period: it names the period once more, so that no stray click closes a month."""

from __future__ import annotations

import re
from typing import Final
from urllib.parse import quote, urlencode

from pagereeve.app.deciding.form_fields import Fields, came_of, fields_of, members_of
from pagereeve.console.api.deciding.bodies import ClosePeriod
from pagereeve.console.api.deciding.port import Deciding
from pagereeve.console.pages.came import Came
from pagereeve.domain.credentials.callers import Caller

PERIOD_PATHS: Final = re.compile(r"/accounts/(?P<period>[^/]+)/close")
WAITED_S: Final = 2.0
"""A small one is closed by then; of another one the page says that it is under way, and looks again."""


class PeriodForms:
    def __init__(self, deciding: Deciding) -> None:
        self._deciding = deciding

    async def address_after(self, period: str, body: bytes, caller: Caller) -> str:
        came = await came_of(self._close(period, fields_of(body), caller))
        at = f"/accounts/{quote(period, safe='', errors='surrogateescape')}/closing"
        return f"{at}?{urlencode({'came': 'not-closed' if came == 'not-possible' else came})}"

    async def _close(self, period: str, fields: Fields, caller: Caller) -> Came:
        try:
            typed = members_of(fields, ("period",)).get("period", "")
            said = ClosePeriod.model_validate(members_of(fields, ("despite",)))
        except ValueError:
            return "bad"
        if typed.strip() != period:
            return "not-named"
        closed = await self._deciding.close_period(period, said, caller, WAITED_S)
        return "period-closed" if closed.state == "closed" else "closing"
