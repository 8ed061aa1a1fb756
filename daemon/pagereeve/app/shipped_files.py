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
EXAMPLE_SETTINGS: Final = "contrib/example.toml"


@dataclass(frozen=True, slots=True)
class Shipped:
    """``files`` as paths in the repository, the same under the wheel's folder.

    ``made``: the name of a file that is made when it is asked for, in the place of files.
    ``folders``: the folders of the repository whose files are written into folders of these names; all others are
    written without one.
    """

    name: str
    text: str
    files: tuple[str, ...]
    made: str = ""
    folders: tuple[tuple[str, str], ...] = ()

    def place_of(self, file: str) -> Path:
        """Where a file is written, beneath the folder that somebody names."""
        path = Path(file)
        for source, target in self.folders:
            if path.is_relative_to(source):
                return Path(target) / path.relative_to(source)
        return Path(path.name)


RULES: Final = tuple(f"dashboards/rules/{name}.yml" for name in ("recording", "alerting", "alerting-findings"))
DASHBOARDS: Final = tuple(f"dashboards/grafana/{name}.json" for name in ("fleet", "printer", "daemon", "month"))

SHIPPED: Final = (
    Shipped("settings", "settings file with every setting explained", (EXAMPLE_SETTINGS,)),
    Shipped("unit", "systemd unit of the daemon", ("contrib/pagereeve.service",)),
    Shipped("relay-unit", "systemd unit of the relay for badge lines", ("contrib/pagereeve-relay.service",)),
    Shipped("rules", "recording and alerting rules for Prometheus", RULES),
    Shipped("inhibit", "inhibit rules for Alertmanager", ("dashboards/alertmanager-inhibit.yml",)),
    Shipped("dashboards", "dashboards for Grafana", DASHBOARDS),
    Shipped("containerfile", "how a container is built from a checkout", ("contrib/container/Containerfile",)),
    Shipped(
        "compose",
        "containers of Pagereeve, Prometheus, Alertmanager and Grafana",
        (
            "contrib/compose/compose.yaml",
            "contrib/compose/pagereeve.toml",
            "contrib/compose/prometheus.yml",
            "contrib/compose/alertmanager.yml",
            "contrib/compose/grafana/provisioning/datasources/prometheus.yml",
            "contrib/compose/grafana/provisioning/dashboards/pagereeve.yml",
            *RULES,
            *DASHBOARDS,
        ),
        folders=(
            ("contrib/compose", "."),
            ("dashboards/rules", "rules"),
            ("dashboards/grafana", "grafana/dashboards"),
        ),
    ),
    Shipped("standby", "Litestream's settings for a copy on another machine", ("contrib/litestream.yml",)),
    Shipped("patroni", "Patroni's settings for a journal in PostgreSQL", ("contrib/patroni.yml",)),
    Shipped(
        "release-client",
        "a release server's side, in the standard library alone",
        ("contrib/examples/release_client.py",),
    ),
    Shipped("check-proof", "checks a proof of inclusion without Pagereeve", ("contrib/check_proof.py",)),
    Shipped("man", "manual page of all commands, for man(1)", (), made="pagereeve.1"),
)

TOPICS: Final = {
    "install": "uv or pipx, Debian package, container: first start, upgrade, uninstalling",
    "commands": "every command, what its exit status means, and what its JSON holds",
    "glossary": "what the words on screens, in messages and exports mean",
    "events": "what a release server sends, and what it is answered",
    "access": "credentials, other machines, the local socket, limits of a sender",
    "api": "asking over HTTP: releases, findings, totals, for programs",
    "badges": "how readers write badge numbers, and who owns a badge",
    "relay": "if nobody can print; what stops when what is stopped",
    "prove": "test pages at a new printer; the list before a cutover",
    "totals": "released, counted, charged; exports, prices, a supplier's bill, findings",
    "accounts": "closing a period, and what came later",
    "alerts": "who is told of what, and how to verify a message",
    "operate": "settings, many printers, health, log, sizes, what is kept, IPv6, the clock",
    "backup": "backup, restore, a standby",
    "database": "PostgreSQL: a standby that takes over, how large, what fails, a plan for a million printers",
    "sites": "sites that work while cut off, and forward to a centre",
    "audit": "edited facts, proofs, erasing a person",
    "simulate": "simulated printers, for courses and to try a release server",
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
