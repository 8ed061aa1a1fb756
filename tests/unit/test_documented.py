"""What the program says, the documents explain: findings, reasons, commands, metrics, policy."""

from __future__ import annotations

import re
import shlex
from collections.abc import Iterator
from pathlib import Path
from typing import get_args

import pytest
from cyclopts import App, CycloptsError

from pagereeve.app.shipped_files import TOPICS
from pagereeve.cli import COMMANDS, build_app
from pagereeve.demo.advice import ADVISED
from pagereeve.domain.alerts.advice import ADVICE
from pagereeve.domain.findings.finding import Kind
from pagereeve.domain.ledger import HOUSE_KINDS, Grade, Verdict
from pagereeve.ports.journal import HINDRANCES
from pagereeve.reports.sentences import REASONS
from pagereeve.settings import PolicySettings
from pagereeve.store.sqlite.files import JOURNAL_NAME, lock_path, newest_path, shm_path, wal_path
from pagereeve.telemetry.metrics import MetricsPage
from tests.telemetry_stub import StubTelemetry

ROOT = Path(__file__).parents[2]
PACKAGE = ROOT / "daemon" / "pagereeve"
BESIDE_THE_CODE = ("app", "domain", "domain/facts", "domain/seal", "engine", "meters", "store", "telemetry")
DOCS = sorted((ROOT / "contrib" / "docs").glob("*.md"))
FILES = [
    ROOT / "README.md",
    ROOT / "DEVELOPERS.md",
    *DOCS,
    *(PACKAGE / folder / "README.md" for folder in BESIDE_THE_CODE),
]
DOCUMENTS = "\n".join(path.read_text(encoding="utf-8") for path in FILES)
FIRST_HOUR_BYTES = 15 * 1024
FIRST_MINUTE_BYTES = 12 * 1024
TOP = ("daemon", "tests", "dashboards", "contrib")
THERE = [f"/{path.relative_to(ROOT).as_posix()}" for top in TOP for path in [ROOT / top, *(ROOT / top).rglob("*")]]


def told(word: str) -> bool:
    return re.search(rf"(?<![\w-]){re.escape(word)}(?![\w-])", DOCUMENTS) is not None


@pytest.mark.parametrize("kind", get_args(Kind))
def test_every_kind_of_finding(kind: str) -> None:
    assert told(kind)


@pytest.mark.parametrize("word", [*Grade, *Verdict, *(f"house:{kind}" for kind in HOUSE_KINDS)])
def test_every_grade_verdict_and_house_account(word: str) -> None:
    assert told(str(word))


@pytest.mark.parametrize("reason", sorted(REASONS))
def test_every_reason(reason: str) -> None:
    assert told(reason)


@pytest.mark.parametrize("setting", sorted(PolicySettings.model_fields))
def test_every_rule_of_the_policy(setting: str) -> None:
    assert told(setting)


def test_every_command() -> None:
    table = (ROOT / "contrib" / "docs" / "commands.md").read_text(encoding="utf-8")
    assert [name for name, *_ in COMMANDS if not re.search(rf"^\| `pagereeve {name}[ `]", table, re.MULTILINE)] == []


def commands_with_json() -> Iterator[str]:
    for name, *_ in COMMANDS:
        app = build_app(name)[name]
        for words, one in [
            (name, app),
            *((f"{name} {inner}", app[inner]) for inner in app if not inner.startswith("-")),
        ]:
            if one.default_command and any("--json" in each.names for each in one.assemble_argument_collection()):
                yield words


def test_every_command_that_prints_json_says_what_is_stable() -> None:
    table = (ROOT / "contrib" / "docs" / "commands.md").read_text(encoding="utf-8").partition("## JSON")[2]
    named = set(re.findall(r"`([a-z -]+)`", "".join(re.findall(r"^\| (`[^|]*) \|", table, re.MULTILINE))))
    found = set(commands_with_json())
    assert len(found) > 10
    assert sorted(found - named) == []


def commands_advised() -> Iterator[tuple[str, str]]:
    """(where, command): each command line that a text of ours tells somebody to type."""
    texts = {kind: f"{one.cost} {one.first}" for kind, one in ADVICE.items()}
    root = PACKAGE.parents[1]
    paths = [*root.glob("*.md"), *DOCS, *root.glob("d*/**/*.md"), *root.glob("dashboards/rules/*.yml")]
    paths += [*(PACKAGE / "reports" / "doctor").glob("*.py"), root / "contrib" / "example.toml"]
    texts["the demo"] = "\n".join(f"`pagereeve {command}`" for command in ADVISED)
    texts |= {path.relative_to(root).as_posix(): path.read_text(encoding="utf-8") for path in paths}
    for where, text in texts.items():
        typed = re.findall(r"`pagereeve ([a-z][^`\n]*)`", text)
        typed += re.findall(r"^ +(?:\$ )?pagereeve ([a-z][a-z-]*(?: .*)?)$", text, re.MULTILINE)
        if where in ADVICE or where.endswith((".py", ".toml")):
            typed += re.findall(r"\bpagereeve ([a-z-]+(?: (?:--?[a-z-]+|[A-Z]+))*)", text)
        for command in dict.fromkeys(one for one in typed if one.split()[0] in NAMES):
            yield where, command


NAMES = {name for name, *_ in COMMANDS}


def words_of(command: str) -> list[str]:
    """As a shell would give them: of alternatives (a | b) and optional parts the first, of a template any name."""
    text = re.sub(r"\{\{[^}]*\}\}", "NAME", command.replace("REASON", "jam").split(" > ", maxsplit=1)[0])
    return shlex.split(re.sub(r" ?\| ?[a-z-]+| ?\.\.\.|…", "", text), comments=True)


def is_name(app: App, words: list[str]) -> bool:
    """A command, or one of its group, without what it asks of."""
    here = app
    for word in words:
        if word not in here:
            return False
        here = here[word]
    return True


@pytest.mark.parametrize(("where", "command"), list(commands_advised()))
def test_every_command_that_a_text_advises_can_be_typed(where: str, command: str) -> None:
    words = words_of(command)
    app = build_app(words[0])
    if is_name(app, words):
        return
    try:
        app.parse_args(words, exit_on_error=False, print_error=False)
    except CycloptsError as error:
        pytest.fail(f"{where}: pagereeve {command}: {error}")


def test_every_file_of_the_journal_and_every_reason_that_a_sender_may_be_given() -> None:
    text = (PACKAGE / "store" / "README.md").read_text(encoding="utf-8")
    path = Path(JOURNAL_NAME)
    files = [one(path).name for one in (wal_path, shm_path, lock_path, newest_path)]
    assert [name for name in [path.name, *files] if f"`{name}`" not in text] == []
    unsaid = {"busy", "closed", "other"}
    assert [word for word in HINDRANCES if word not in unsaid and f"`{word}`" not in text] == []


def test_every_metric() -> None:
    page = MetricsPage(StubTelemetry())
    text = b"".join(page.render(page.take())).decode()
    names = {line.split()[2] for line in text.splitlines() if line.startswith("# TYPE pagereeve_")}
    assert len(names) > 20
    assert sorted(name for name in names if not told(name)) == []


def test_what_a_newcomer_reads_first_is_short() -> None:
    assert (ROOT / "README.md").stat().st_size <= FIRST_MINUTE_BYTES
    assert (ROOT / "DEVELOPERS.md").stat().st_size <= FIRST_HOUR_BYTES


def test_every_document_is_a_topic_and_stands_in_the_readme() -> None:
    assert sorted(TOPICS) == [path.stem for path in DOCS]
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    assert [path.stem for path in DOCS if f"](contrib/docs/{path.name})" not in readme] == []


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.relative_to(ROOT).as_posix())
def test_every_path_that_a_document_names_is_there(path: Path) -> None:
    """A path may be cut short at its front: `intake/` is a folder of that name, `bias.py` a module."""
    text = path.read_text(encoding="utf-8")
    named = re.findall(r"`((?:[a-z_]+/)+(?:[a-z_]+(?:\.(?:py|md|toml|yml))?)?|[a-z_]+\.py)(?::\w+)?`", text)
    assert [name for name in named if not any(one.endswith(f"/{name.rstrip('/')}") for one in THERE)] == []
    links = re.findall(r"\]\((?!http)([^)#]+)", text)
    assert [link for link in links if not (path.parent / link).exists()] == []


def test_every_folder_of_the_package_has_its_row() -> None:
    table = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    folders = sorted(path.parent.name for path in PACKAGE.glob("*/__init__.py"))
    assert [name for name in folders if f"| `{name}/` |" not in table] == []
