"""Where a form may bring a file, and how large it may be."""

from __future__ import annotations

from typing import Final

from pagereeve.console.pages.adding import IMPORT

LIST_MAX_BYTES: Final = 1_048_576
UPLOAD_MAX_BYTES: Final = LIST_MAX_BYTES + 16_384
UPLOAD_S: Final = 30.0


def takes_upload(path: str) -> bool:
    return path == IMPORT
