"""Signing in at an OpenID provider, as the settings in force have it. Its libraries are loaded where it is wanted."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from typing import TYPE_CHECKING, Final, Protocol

from pagereeve.console.sign_in.oidc.outcomes import NotSignedIn
from pagereeve.ports.clock import Clock
from pagereeve.ports.secrets import NoSecret, secret_from_file
from pagereeve.settings import BadSettings, Problem, Settings
from pagereeve.settings.console import ConsoleSettings
from pagereeve.settings.oidc import OidcSettings

if TYPE_CHECKING:
    from pagereeve.console.sign_in.oidc.relying_party import RelyingParty


class WallClock(Clock, Protocol):
    def wall_us(self) -> int:
        """What the machine's wall clock shows, as an OpenID provider's does."""
        ...


MISSING: Final = "needs the extra oidc, which is not installed: pip install 'pagereeve[oidc]'"


class OidcParty:
    """``settings`` gives those in force. A reload reads the files anew; who is under way goes on."""

    def __init__(self, settings: Callable[[], ConsoleSettings], clock: WallClock) -> None:
        self._settings = settings
        self._clock = clock
        self._made: RelyingParty | None = None
        self._making = asyncio.Lock()

    @property
    def settings(self) -> OidcSettings | None:
        return self._settings().oidc

    async def ready(self, wanted: OidcSettings) -> RelyingParty:
        """Raises NotSignedIn for what was there when the settings came, and is gone."""
        async with self._making:
            before = self._made
            if before is not None and before.settings is wanted:
                return before
            try:
                made = await asyncio.to_thread(_made, wanted, self._clock.monotonic_us, self._clock.wall_us)
            except (NoSecret, ImportError) as error:
                raise NotSignedIn("away", str(error)) from error
            if before is not None and before.settings == wanted:
                made.under_way, made.going_out = before.under_way, before.going_out
            self._made = made
            return made


def _made(settings: OidcSettings, monotonic_us: Callable[[], int], wall_us: Callable[[], int]) -> RelyingParty:
    from pagereeve.console.sign_in.oidc.relying_party import RelyingParty  # noqa: PLC0415 - an extra

    return RelyingParty.of(settings, monotonic_us, wall_us)


def require_oidc(settings: Settings) -> None:
    """Can the settings' provider be asked? Reads files, and asks nobody. Raises BadSettings."""
    wanted = settings.console.oidc
    if wanted is None:
        return
    try:
        _made(wanted, lambda: 0, lambda: 0)
    except ImportError as error:
        raise BadSettings("the console", [Problem("console.oidc", MISSING)]) from error
    except NoSecret as error:
        raise BadSettings("the console", [Problem("console.oidc", str(error))]) from error


def oidc_secrets(settings: Settings) -> list[str]:
    """What no log may hold. What can't be read is said elsewhere."""
    try:
        return [] if settings.console.oidc is None else [secret_from_file(settings.console.oidc.client_secret_file)]
    except NoSecret:
        return []
