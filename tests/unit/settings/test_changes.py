"""What can change while the daemon runs."""

from __future__ import annotations

from pathlib import Path

import pytest
from pydantic import BaseModel

from pagereeve.settings import HostPort, HttpSettings, LimitSettings, PrinterSettings, Settings
from pagereeve.settings.changes import CHANGEABLE, fixed_changes

PRINTER = PrinterSettings(name="p", host="192.0.2.1")


def test_printers_and_token_files_may_change() -> None:
    wanted = Settings(printers=(PRINTER,), http=HttpSettings(token_files=(Path("token"),)))
    assert fixed_changes(Settings(), wanted) == []


def test_each_setting_that_must_not_is_named() -> None:
    wanted = Settings(
        data_dir=Path("/srv/elsewhere"),
        http=HttpSettings(listen=HostPort("127.0.0.1", 1), token_files=(Path("token"),)),
        printers=(PRINTER,),
        limits=LimitSettings(requests_max=7),
    )
    assert fixed_changes(Settings(), wanted) == ["data_dir", "http.listen", "limits.requests_max"]


@pytest.mark.parametrize("path", sorted(CHANGEABLE))
def test_what_can_change_is_a_setting(path: str) -> None:
    table: type[BaseModel] = Settings
    *tables, last = path.split(".")
    for name in tables:
        kind = table.model_fields[name].annotation
        assert isinstance(kind, type)
        assert issubclass(kind, BaseModel)
        table = kind
    assert last in table.model_fields
