"""Files that come with the program for the site's use: example settings, units, rules, dashboards, programs.

They lie where a developer looks for them; a wheel has copies inside the package (pyproject.toml, ``force-include``).
"""

from __future__ import annotations

from dataclasses import dataclass
from importlib import resources
from pathlib import Path
from typing import Final

import pagereeve

# The folder beside the package's modules that a wheel has, and a checkout has not.
IN_THE_WHEEL: Final = "shipped"


@dataclass(frozen=True, slots=True)
class Shipped:
    """``files`` as paths in the repository, the same under the wheel's folder."""

    name: str
    text: str
    files: tuple[str, ...]


SHIPPED: Final = (
    Shipped("settings", "settings file with every setting explained", ("contrib/example.toml",)),
    Shipped("unit", "systemd unit of the daemon", ("contrib/pagereeve.service",)),
    Shipped("relay-unit", "systemd unit of the relay for badge lines", ("contrib/pagereeve-relay.service",)),
    Shipped(
        "rules",
        "recording and alerting rules for Prometheus",
        ("dashboards/rules/recording.yml", "dashboards/rules/alerting.yml"),
    ),
    Shipped("inhibit", "inhibit rules for Alertmanager", ("dashboards/alertmanager-inhibit.yml",)),
    Shipped(
        "dashboards",
        "dashboards for Grafana",
        tuple(f"dashboards/grafana/{name}.json" for name in ("fleet", "printer", "daemon", "month")),
    ),
    Shipped("standby", "Litestream's settings for a copy on another machine", ("contrib/litestream.yml",)),
    Shipped(
        "release-client",
        "a release server's side, in the standard library alone",
        ("contrib/examples/release_client.py",),
    ),
    Shipped("check-proof", "checks a proof of inclusion without Pagereeve", ("contrib/check_proof.py",)),
)

TOPICS: Final = {
    "commands": "every command, and what its exit status means",
    "glossary": "the words on screens, in messages and exports",
    "events": "what a release server sends, and what it is answered",
    "access": "credentials, other machines, the local socket, limits of a sender",
    "badges": "badge numbers, readers, and who owns a badge",
    "relay": "badge lines, and what stops when what is stopped",
    "prove": "a new installation, with real pages",
    "totals": "released, counted, charged; what people say of a finding",
    "alerts": "who is told of what, and how to verify a message",
    "operate": "change settings, watch over it, the clock, the journal's files",
    "backup": "backup, restore, a standby",
    "audit": "edited facts, proofs, erasing a person",
    "simulate": "simulated printers for courses, and for who writes a release server",
    "security": "how to report a weakness, and what is defended",
    "changes": "what changed from version to version, and how to upgrade",
}


def topic_file(topic: str) -> str:
    return f"contrib/docs/{topic}.md"


def shipped(name: str) -> Shipped | None:
    return next((one for one in SHIPPED if one.name == name), None)


def content_of(file: str) -> bytes:
    """Raises FileNotFoundError where the installation is incomplete."""
    inside = resources.files(pagereeve).joinpath(IN_THE_WHEEL, *file.split("/"))
    if inside.is_file():
        return inside.read_bytes()
    return (Path(pagereeve.__file__).parents[2] / file).read_bytes()
