"""Credentials that the journal keeps: made and revoked by people, asked for by the daemon."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final, Protocol

from pagereeve.domain.credentials.book import Credential

STORED_MAX: Final = 1_000
"""Of them, revoked ones too: a name stays its holder's, since facts name it."""


@dataclass(frozen=True, slots=True)
class StoredCredential:
    """``used_us`` is when it was last shown, to the hour or so; None where it never was."""

    credential: Credential
    added_us: int
    used_us: int | None = None

    @property
    def name(self) -> str:
        return self.credential.caller.name


class CredentialReads(Protocol):
    async def credentials(self) -> Sequence[StoredCredential]:
        """All, by their names; revoked and expired ones too. Raises JournalUnavailable."""
        ...


class CredentialStore(CredentialReads, Protocol):
    async def credentials_used(self, used_us: Mapping[str, int]) -> None:
        """When some of them were last shown, by name; others' names are passed over. Raises JournalUnavailable."""
        ...
