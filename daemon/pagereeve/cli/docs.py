"""``pagereeve docs``."""

from __future__ import annotations

import sys
from typing import Annotated

from cyclopts import Parameter
from rich.markdown import Markdown

from pagereeve.app.shipped_files import TOPICS, content_of, topic_file
from pagereeve.cli.output import say, say_bytes, show
from pagereeve.domain.values.bad_question import BadQuestion
from pagereeve.settings.suggestions import nearest


def docs(
    topic: Annotated[str | None, Parameter(help="One of the list; without it the list is shown.")] = None,
    /,
) -> None:
    """Print a document: how to send events, who may do what, what an alert means, the words and others.

    At a terminal it is laid out; else it is the Markdown file as it is.
    """
    if topic is None:
        width = max(map(len, TOPICS))
        for name, text in TOPICS.items():
            say(f"{name:<{width}}  {text}")
        return
    if topic not in TOPICS:
        raise BadQuestion("docs", f"no topic is called {topic!r}{nearest(topic, TOPICS)}")
    content = content_of(topic_file(topic))
    if sys.stdout.isatty():
        show(Markdown(content.decode()))
    else:
        say_bytes(content)
