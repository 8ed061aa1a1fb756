"""``pagereeve completion``."""

from __future__ import annotations

from typing import Annotated, Literal

from cyclopts import Parameter

from pagereeve.cli import build_app
from pagereeve.cli.output import say

Shell = Literal["bash", "zsh", "fish"]


def completion(shell: Annotated[Shell, Parameter(help="bash, zsh or fish.")], /) -> None:
    """Print a script that completes commands and options in your shell.

    For bash: pagereeve completion bash > ~/.local/share/bash-completion/completions/pagereeve
    """
    say(build_app().generate_completion(shell=shell))
