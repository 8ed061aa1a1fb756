"""Names of persons were shown to somebody: a fact of the site."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class NamesShown:
    """From ``at_us`` on, and before ``until_us`` at the latest, pages show ``by`` whose releases they were.

    Concerns no printer (``printer`` is "").
    """

    at_us: int
    by: str
    until_us: int
    printer: str = ""
