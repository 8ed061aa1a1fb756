"""Logs: for people on a terminal, one JSON object a line otherwise (RFC 8259; times RFC 3339 in UTC)."""

from __future__ import annotations

import logging
from collections.abc import Iterable
from typing import Any, Final, Literal, TextIO

import structlog
from structlog.typing import EventDict, Processor, WrappedLogger

from pagereeve.telemetry.redaction import Redactor

Format = Literal["auto", "human", "json"]
Level = Literal["debug", "info", "warning", "error"]

OURS: Final = "pagereeve"
LEVELS: Final = {"debug": logging.DEBUG, "info": logging.INFO, "warning": logging.WARNING, "error": logging.ERROR}
# Libraries that set up a handler or a level of their own when they are first used.
HEADSTRONG: Final = ("uvicorn", "uvicorn.error", "uvicorn.access", "alembic", "sqlalchemy", "aiosqlite", "asyncio")


def set_up_logs(format: Format, level: Level, stream: TextIO, secrets: Iterable[str] = ()) -> Redactor:  # noqa: A002 - the setting's name
    """Send every log line of the process to ``stream``; may be called again. Libraries speak from ``warning`` on.

    ``secrets`` are values to mask wherever they occur (communities, tokens); the answer learns more of them.
    """
    human = format == "human" or (format == "auto" and stream.isatty())
    redact = Redactor(secrets)
    begin: list[Processor] = [
        structlog.contextvars.merge_contextvars,
        structlog.stdlib.add_logger_name,
        structlog.stdlib.add_log_level,
        structlog.processors.TimeStamper(fmt="iso", utc=True, key="time"),
        structlog.processors.StackInfoRenderer(),
    ]
    structlog.configure(
        processors=[
            structlog.stdlib.filter_by_level,
            *begin,
            structlog.stdlib.ProcessorFormatter.wrap_for_formatter,
        ],
        wrapper_class=structlog.stdlib.BoundLogger,
        logger_factory=structlog.stdlib.LoggerFactory(),
        cache_logger_on_first_use=True,
    )
    handler = logging.StreamHandler(stream)
    handler.setFormatter(
        structlog.stdlib.ProcessorFormatter(
            foreign_pre_chain=[*begin, structlog.stdlib.ExtraAdder()],
            processors=[structlog.stdlib.ProcessorFormatter.remove_processors_meta, *_ending(human, redact, stream)],
        )
    )
    _take_over(handler, LEVELS[level])
    return redact


def _ending(human: bool, redact: Redactor, stream: TextIO) -> list[Processor]:
    # The traceback is text before redaction, so that a secret in an error's text is masked too; and it is the plain
    # one, since the renderers' own show local variables.
    begin: list[Processor] = [structlog.processors.format_exc_info, redact]
    if not human:
        return [*begin, structlog.processors.JSONRenderer(ensure_ascii=False)]
    plain = structlog.dev.plain_traceback
    console = structlog.dev.ConsoleRenderer(colors=stream.isatty(), timestamp_key="time", exception_formatter=plain)
    return [*begin, _printable, console]


def _printable(_logger: WrappedLogger, _method: str, event: EventDict) -> EventDict:
    """A terminal obeys control characters; whatever came from outside is shown escaped, a traceback in its lines."""
    return {name: _escaped(value, "\n" if name == "exception" else "") for name, value in event.items()}


def _escaped(value: Any, spared: str) -> Any:
    if not isinstance(value, str) or value.isprintable():
        return value
    return "".join(letter if letter.isprintable() or letter in spared else ascii(letter)[1:-1] for letter in value)


def _take_over(handler: logging.Handler, level: int) -> None:
    root = logging.getLogger()
    for old in list(root.handlers):
        root.removeHandler(old)
    root.addHandler(handler)
    root.setLevel(max(level, logging.WARNING))
    logging.getLogger(OURS).setLevel(level)
    for name in HEADSTRONG:
        library = logging.getLogger(name)
        library.handlers.clear()
        library.propagate = True
        library.setLevel(logging.NOTSET)
    logging.captureWarnings(capture=True)
