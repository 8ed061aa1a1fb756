"""What a file that is downloaded is called."""

from __future__ import annotations

import re
from collections.abc import Iterable
from typing import Final

LENGTH_MAX: Final = 100
_NOT_PLAIN: Final = re.compile(r"[^A-Za-z0-9._-]+")


def attachment(words: Iterable[str], suffix: str) -> str:
    """A Content-Disposition whose name has only letters, digits and signs that every file system holds (RFC 6266
    section 4.3).
    """
    name = "-".join(filter(None, (_NOT_PLAIN.sub("-", one).strip("-.") for one in words)))
    return f'attachment; filename="pagereeve-{name[:LENGTH_MAX].rstrip("-.")}.{suffix}"'
