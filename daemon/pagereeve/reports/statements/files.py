"""A statement as a file, wherever it goes: HTML to print, or JSON."""

from __future__ import annotations

import json
from typing import Literal

from pagereeve.queries.statement_lines import Statement
from pagereeve.reports.statements.as_json import statement_json
from pagereeve.reports.statements.html import statement_page

StatementFormat = Literal["html", "json"]


def statement_file(known: Statement, database: str, version: str, form: StatementFormat) -> bytes:
    """``database`` is the version of the time zone database, ``version`` the program's."""
    if form == "html":
        return statement_page(known, database, version).encode()
    return json.dumps(statement_json(known, database), indent=2, ensure_ascii=False).encode() + b"\n"
