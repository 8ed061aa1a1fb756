"""Where one asks what came of a release that was started: the answer to its start notice links there (RFC 8288)."""

from __future__ import annotations

from typing import Final
from urllib.parse import quote

from pagereeve.domain.facts.events import RELEASE_STARTED
from pagereeve.domain.values.address_step import one_step
from pagereeve.feeds.http.answers import Headers
from pagereeve.feeds.submission import Submission
from pagereeve.ports.intake import Envelope

# Servers between accept heads of 8 KiB at least (RFC 9110 section 5.4 has no figure; common practice, no source).
LINK_MAX_BYTES: Final = 2_000


def release_path(envelope: Envelope, taken: Submission) -> str:
    """The address of its release; "" where the event started none, was not accepted, or the address is too long."""
    if envelope.type != RELEASE_STARTED or taken.refusal is not None or not isinstance(envelope.data, dict):
        return ""
    name = envelope.data.get("release")
    if not isinstance(name, str) or not name:
        return ""
    path = f"/v1/releases/{one_step(name)}?source={quote(envelope.source, safe='')}"
    return path if len(path) <= LINK_MAX_BYTES else ""


def release_link(envelope: Envelope, taken: Submission) -> Headers:
    """Of the relations of RFC 8288's registry ``describedby`` says it best: there stands what is known of it."""
    path = release_path(envelope, taken)
    return ((b"link", f'<{path}>; rel="describedby"'.encode()),) if path else ()
