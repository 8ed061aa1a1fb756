"""[journal]: a database in the place of the file in the data folder. Explained in contrib/example.toml."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Self

from pydantic import StringConstraints, model_validator

from pagereeve.ports.secrets import secret_from_file
from pagereeve.ports.setting_types import URL_MAX, Section

if TYPE_CHECKING:
    from pagereeve.store.postgres.address import Address


class JournalSettings(Section):
    """``url`` None: ``journal.sqlite`` in the data folder. ``shared``: several daemons work with the database."""

    url: Annotated[str, StringConstraints(min_length=1, max_length=URL_MAX)] | None = None
    password_file: Path | None = None
    shared: bool = False

    @model_validator(mode="after")
    def _url_is_known(self) -> Self:
        if self.url is None:
            if self.password_file is not None:
                raise ValueError("password_file belongs to a url; name the database, or leave it out")
            if self.shared:
                raise ValueError("shared belongs to a url: a file has one daemon; name the database, or leave it out")
        elif self._parsed(None).password is not None:
            raise ValueError("leave the password out of url; write it into a file, and name that as password_file")
        return self

    def address(self) -> Address | None:
        """The password is read now. None: the journal is a file. Raises NoSecret."""
        if self.url is None:
            return None
        return self._parsed(None if self.password_file is None else secret_from_file(self.password_file))

    def _parsed(self, password: str | None) -> Address:
        from pagereeve.store.postgres.address import Address  # noqa: PLC0415 - few need SQLAlchemy to read settings

        return Address.of(self.url or "", password)
