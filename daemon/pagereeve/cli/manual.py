"""The manual page, for man(1): made of the commands' own help when it is asked for, so it is never old."""

from __future__ import annotations

import io
import re
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Final

from pagereeve.app.shipped_files import TOPICS, content_of, topic_file
from pagereeve.cli import COMMANDS, EPILOGUE, build_app
from pagereeve.cli.version import version_text

if TYPE_CHECKING:
    from cyclopts.help import HelpEntry, HelpPanel
    from rich.console import Console, ConsoleOptions

# Of the table in contrib/docs/commands.md: the command's name, and what its status 1 means.
ROW: Final = re.compile(r"^\| `pagereeve ([a-z-]+)[^`]*` \|.*\| ([^|]*) \|$", re.MULTILINE)
# Of troff: nothing at all, and the dash that is typed.
BARE: Final = r"\&"
DASH: Final = r"\-"
# Wide enough that no line of a help text is folded: folding is troff's.
WIDTH: Final = 10_000
FILES: Final = (
    (
        "/etc/pagereeve/pagereeve.toml",
        "The settings. pagereeve example settings prints one with every setting explained.",
    ),
    ("/var/lib/pagereeve/", "The journal and the key for badge numbers, unless data_dir names another folder."),
)


@dataclass
class Gathered:
    """What the help of one command says: a formatter of cyclopts, which hands each method console and options first."""

    usage: str = ""
    description: str = ""
    panels: list[HelpPanel] = field(default_factory=list)

    def __call__(self, console: Console, options: ConsoleOptions, panel: HelpPanel) -> None:  # noqa: ARG002 - cyclopts'
        self.panels.append(panel)

    def render_usage(self, *given: Any) -> None:
        self.usage = plain(given[-1]).removeprefix("Usage:").strip()

    def render_description(self, *given: Any) -> None:
        self.description = plain(given[-1])


def manual() -> str:
    """The page in the man macros of troff (groff_man(7)), ASCII only."""
    said = dict(ROW.findall(content_of(topic_file("commands")).decode()))
    parts = [
        f'.TH PAGEREEVE 1 "" "pagereeve {version_text()}" "User commands"',
        # Aligned on the left, no word broken: what is typed stands as it is.
        ".ad l\n.nh",
        ".SH NAME",
        f"pagereeve {DASH} {escaped('accounts for every page that a badge-released printer counts')}",
        ".SH SYNOPSIS",
        ".B pagereeve\n.I command\n[\\fIoptions\\fR]",
        ".SH DESCRIPTION",
        escaped(
            "Pagereeve compares what a release server sent with what a printer's own page counter shows, and keeps a "
        ),
        escaped("ledger in which every page that the counter showed is accounted for exactly once."),
        ".SH COMMANDS",
        *(part for name, *_ in COMMANDS for part in _command((name,), said.get(name, ""))),
        ".SH EXIT STATUS",
        escaped(EPILOGUE.removeprefix("Exit status: ")),
        ".SH FILES",
        *(line for name, text in FILES for line in (".TP", f".I {escaped(name)}", escaped(text))),
        ".SH SEE ALSO",
        escaped("pagereeve docs prints documents: " + ", ".join(TOPICS) + "."),
    ]
    return "\n".join(parts) + "\n"


def _command(words: tuple[str, ...], failed: str) -> list[str]:
    """The section of one command, and those of the commands of its group."""
    gathered = Gathered()
    app = build_app(words[0])
    app.help_formatter = gathered
    app.help_print(words, console=_silent())
    parts = [f'.SS "{escaped(gathered.usage)}"', *_paragraphs(gathered.description)]
    groups = [panel for panel in gathered.panels if panel.format == "command"]
    for panel in gathered.panels:
        if panel not in groups:
            parts += [line for entry in panel.entries for line in _entry(entry)]
    if failed:
        parts += [".P", escaped(f"Exit status 1: {failed}.")]
    names = [entry.names[0] for panel in groups for entry in panel.entries if entry.names]
    for name in names:
        if not name.startswith("-"):
            parts += _command((*words, name), "")
    return parts


def _entry(entry: HelpEntry) -> list[str]:
    """An option or an argument: how it is typed, what it does, its default."""
    more = [f"One of {', '.join(entry.choices)}."] if entry.choices else []
    more += ["Required."] if entry.required else []
    more += [f"Default: {entry.default}."] if entry.default not in (None, "False") else []
    more += [f"In the environment: {', '.join(entry.env_var)}."] if entry.env_var else []
    text = " ".join([plain(entry.description), *more]).strip()
    return [".TP", f".B {escaped(', '.join(entry.display_labels_with_metavar))}", escaped(text) or BARE]


def _paragraphs(text: str) -> list[str]:
    split = [" ".join(one.split()) for one in re.split(r"\n\s*\n", text) if one.strip()]
    return [line for nth, one in enumerate(split) for line in ([] if nth == 0 else [".P"]) + [escaped(one)]]


def plain(renderable: Any) -> str:
    """Without colours, in as few lines as it has."""
    if renderable is None:
        return ""
    console = _silent()
    with console.capture() as capture:
        console.print(renderable)
    return "\n".join(line.rstrip() for line in capture.get().splitlines()).strip()


def _silent() -> Console:
    from rich.console import Console  # noqa: PLC0415 - only this command needs it

    return Console(file=io.StringIO(), width=WIDTH, no_color=True, highlight=False, markup=False, emoji=False)


def escaped(text: str) -> str:
    """Text as troff takes it literally (groff(7), groff_char(7)), also where a line begins with a dot."""
    text = text.replace("\\", r"\e").replace("-", DASH).replace('"', r"\(dq").replace("'", r"\(aq")
    text = text.replace("^", r"\(ha").replace("~", r"\(ti").replace("`", r"\(ga")
    text = "".join(letter if letter.isascii() else f"\\[u{ord(letter):04X}]" for letter in text)
    return "\n".join(BARE + line if line.startswith(".") else line for line in text.split("\n"))
