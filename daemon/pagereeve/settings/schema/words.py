"""A description for each setting: what the example settings say of it, else what stands here."""

from __future__ import annotations

from typing import Final

from pagereeve.domain.facts.schema.words import MEMBERS
from pagereeve.settings.schema.example_words import ExampleWords

TABLES: Final[dict[str, str]] = {
    "http": "Where events come in, and metrics and health are asked for.",
    "log": "How the daemon logs.",
    "badges": "Badge numbers: how they are written, whose they are, when a reader or feed is reported.",
    "privacy": "What is kept of people.",
    "feeds": "Other ways by which badges come in.",
    "watch": "When a meter is read.",
    "meters": "What is known of makers' own counters.",
    "people": "Who is who.",
    "metrics": "What metrics show.",
    "clock": "Who may say that this machine's clock is right.",
    "journal": "A database in the place of the journal's file.",
    "limits": "What may be held at once.",
    "site": "What is the same for the whole site.",
}
_PRINTERS_QUIET: Final = "About these printers and gateways; where neither is named, about the whole site."
SETTINGS: Final[dict[tuple[str, str], str]] = {
    ("http.credentials", "name"): "The credential's name, which facts have as their author.",
    ("readers", "gateway"): "The gateway that it is a reader of.",
    ("readers", "form"): "How this reader writes badge numbers.",
    ("printers", "gateway"): "The gateway that it is behind, by its name.",
    ("printers", "site"): "Where it stands, in the site's own words.",
    ("sources", "printers"): "At these printers; left out, at all of them.",
    ("sources", "ticket"): "What its tickets mean where they leave a member out.",
    ("printers", "name"): "The name that the release server uses in its notices.",
    ("gateways", "name"): "The gateway's name, as badge events and printers have it.",
    ("feeds.lines", "listen"): "Where badge lines come in, as host:port.",
    ("relays", "listen"): "Where badge lines come in, as host:port.",
    ("alerts.quiet", "printers"): _PRINTERS_QUIET,
    ("alerts.quiet", "gateways"): _PRINTERS_QUIET,
    ("periods", "from"): 'The first day, as "2026-09-07".',
    ("periods", "to"): "The day after the last.",
    ("rates", "currency"): "The currency by its three letters (ISO 4217).",
    ("rates", "from"): "The first day on which these prices hold.",
    ("rates", "until"): "The first day on which they hold no more.",
    ("rates", "prices"): "Of prices that fit a page the one with most conditions is meant.",
    ("rates.prices", "channel"): "The counter that counts these pages.",
    ("rates.prices", "price"): 'What a page costs, as text: "0.025".',
    ("rates.prices", "price_class"): "For pages of printers of this price_class.",
    ("rates.prices", "sides"): "For pages of one-sided, or of two-sided jobs.",
    ("rates.prices", "size"): "For large pages (A3 and beyond), or for small ones.",
    ("rates", "name"): "The card's name.",
    ("printers.policy", "ticket"): "What a ticket means where it leaves a member out.",
}
ANYWHERE: Final[dict[str, str]] = {"name": "Its name.", "text": "Any words of the site's own."}


def setting_text(words: ExampleWords, model: str, place: str, name: str) -> str:
    """Of the setting ``name`` of the table at ``place``, whose model is called ``model``; "" where nobody says."""
    inner = f"{place}.{name}" if place else name
    if model == "BadgeFormSettings":
        return words.members.get(("badges.form", name), "")
    if model == "TicketSettings":
        return MEMBERS[name].replace("null:", '"unknown":')
    if model == "PolicyOverrides" and ("policy", name) in words.settings:
        return words.settings["policy", name]
    found = (
        SETTINGS.get((place, name)) or ANYWHERE.get(name),
        words.settings.get((place, name)),
        words.members.get((place, name)),
        words.tables.get(inner),
        TABLES.get(inner),
    )
    return next((text for text in found if text), "")
