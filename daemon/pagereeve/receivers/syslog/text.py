"""A message as one RFC 5424 record."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Final

from pagereeve.domain.alerts.message import Notification
from pagereeve.domain.ledger import Severity
from pagereeve.domain.values.instants import to_text
from pagereeve.receivers.wording import bounded, one_liner

FACILITIES: Final = {
    "kern": 0,
    "user": 1,
    "mail": 2,
    "daemon": 3,
    "auth": 4,
    "syslog": 5,
    "lpr": 6,
    "news": 7,
    "uucp": 8,
    "cron": 9,
    "authpriv": 10,
    "ftp": 11,
} | {f"local{number}": 16 + number for number in range(8)}
SEVERITIES: Final[dict[Severity, int]] = {"critical": 2, "warning": 4, "info": 6}
SEVERITY_OVER: Final = 5
RECORD_MAX_BYTES: Final = 2048  # what receivers should take (RFC 5424 section 6.1)
VALUE_MAX_BYTES: Final = 160
MSGID_MAX: Final = 32
HOST_NAME_MAX: Final = 255
BOM: Final = b"\xef\xbb\xbf"
NIL: Final = "-"
_PRINTABLE: Final = re.compile(r"[^\x21-\x7e]+")
_SPECIAL: Final = re.compile(r'(["\\\]])')


@dataclass(frozen=True, slots=True)
class RecordForm:
    """What all records have in common: facility (0 to 23), who sends, and the SD-ID, which holds an enterprise number.

    32473 is the number for examples (RFC 5612); a site that has one of its own puts it in its place.
    """

    facility: int = FACILITIES["local0"]
    host_name: str = NIL
    process_id: str = NIL
    structured_id: str = "pagereeve@32473"


def record_of(notification: Notification, form: RecordForm) -> bytes:
    """The whole record, at most 2048 octets. Only the end of its text is ever cut, never inside a character."""
    known = bounded(notification)
    severity = SEVERITY_OVER if known.is_over else SEVERITIES[known.severity]
    fields = (
        f"<{form.facility * 8 + severity}>1",
        to_text(known.at_us),
        token(form.host_name, HOST_NAME_MAX),
        "pagereeve",
        token(form.process_id, 128),
        token(known.kind, MSGID_MAX),
        structured(known, form.structured_id),
    )
    head = " ".join(fields).encode() + b" " + BOM
    return head + cut(one_liner(known).encode(), RECORD_MAX_BYTES - len(head))


def token(text: str, length_max: int) -> str:
    """``text`` as a header field: printable ASCII without a space, or "-" where nothing is left (section 6)."""
    return _PRINTABLE.sub("_", text)[:length_max] or NIL


def structured(known: Notification, structured_id: str) -> str:
    """One SD-ELEMENT; what is unknown is left out."""
    values = {
        "alert": known.alert,
        "nth": str(known.nth),
        "step": known.step,
        "severity": known.severity,
        "subject": known.subject,
        "printer": known.printer,
        "gateway": known.gateway,
        "since": to_text(known.since_us),
        "until": "" if known.until_us is None else to_text(known.until_us),
        "findings": str(known.findings),
        "pages": "" if known.pages is None else str(known.pages),
    }
    members = "".join(f' {name}="{escaped(value)}"' for name, value in values.items() if value)
    return f"[{structured_id}{members}]"


def escaped(value: str) -> str:
    """A PARAM-VALUE: quotes, backslashes and "]" after a backslash (section 6.3.3), cut to its length before."""
    return _SPECIAL.sub(r"\\\1", cut(value.encode(), VALUE_MAX_BYTES).decode())


def cut(text: bytes, size_max_bytes: int) -> bytes:
    """The beginning of UTF-8 ``text``, without a part of a character at its end."""
    return text if len(text) <= size_max_bytes else text[:size_max_bytes].decode(errors="ignore").encode()
