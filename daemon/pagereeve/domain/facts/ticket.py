"""What was released, in IPP's own keywords and numbers (RFC 8011, PWG 5100.x). None is *unknown*, never zero."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Sides = Literal["one-sided", "two-sided-long-edge", "two-sided-short-edge"]
ColorMode = Literal["monochrome", "color", "auto"]

PAGES_MAX = 10_000_000
COPIES_MAX = 100_000
NUMBER_UP_MAX = 256
SEPARATORS_MAX = 2


@dataclass(frozen=True, slots=True)
class Ticket:
    """``pages`` are logical pages of one copy; ``separator_sheets`` are banner sheets for the whole job."""

    pages: int | None = None
    copies: int | None = None
    sides: Sides | None = None
    number_up: int | None = None
    color_mode: ColorMode | None = None
    media: str | None = None
    separator_sheets: int | None = None
    title: str | None = None
