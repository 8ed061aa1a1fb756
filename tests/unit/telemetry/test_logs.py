"""Logs: one line a thing, no secret in any of them. All names and values here are invented."""

from __future__ import annotations

import io
import json
import logging
import re
import warnings
from collections.abc import Callable, Iterator
from typing import Any

import pytest
import structlog
from hypothesis import given
from hypothesis import strategies as st

from pagereeve.telemetry.logs import HEADSTRONG, set_up_logs
from pagereeve.telemetry.redaction import ITEMS_MAX, MASK, TEXT_MAX, Redactor

SECRET = "s3cr3t-x"
Lines = Callable[[], list[dict[str, Any]]]


class Terminal(io.StringIO):
    def isatty(self) -> bool:
        return True


@pytest.fixture(autouse=True)
def _logging_as_it_was() -> Iterator[None]:
    root = logging.getLogger()
    handlers, level, show = list(root.handlers), root.level, warnings.showwarning
    yield
    root.handlers[:] = handlers
    root.setLevel(level)
    logging.getLogger("pagereeve").setLevel(logging.NOTSET)
    logging.captureWarnings(capture=False)
    warnings.showwarning = show
    structlog.contextvars.clear_contextvars()
    structlog.reset_defaults()


def logger(name: str = "pagereeve.test") -> structlog.stdlib.BoundLogger:
    log: structlog.stdlib.BoundLogger = structlog.stdlib.get_logger(name)
    return log


@pytest.fixture
def stream() -> io.StringIO:
    return io.StringIO()


@pytest.fixture
def lines(stream: io.StringIO) -> Lines:
    return lambda: [json.loads(line) for line in stream.getvalue().splitlines()]


def test_json_is_one_object_a_line_with_time_level_event_and_values(stream: io.StringIO, lines: Lines) -> None:
    set_up_logs("json", "info", stream)
    logger().info("window closed", printer="library-1", pages=7, note="two\nlines")
    (line,) = lines()
    assert re.fullmatch(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{6}Z", line.pop("time"))
    assert line == {
        "event": "window closed",
        "level": "info",
        "logger": "pagereeve.test",
        "printer": "library-1",
        "pages": 7,
        "note": "two\nlines",
    }


def test_auto_is_human_on_a_terminal_and_json_elsewhere(stream: io.StringIO, lines: Lines) -> None:
    set_up_logs("auto", "info", stream)
    logger().info("hello")
    assert lines()[0]["event"] == "hello"
    terminal = Terminal()
    set_up_logs("auto", "info", terminal)
    logger().info("hello", printer="library-1")
    assert "hello" in terminal.getvalue()
    assert "library-1" in terminal.getvalue()
    with pytest.raises(json.JSONDecodeError):
        json.loads(terminal.getvalue())


@pytest.mark.parametrize(("level", "heard"), [("debug", 4), ("info", 3), ("warning", 2), ("error", 1)])
def test_what_is_below_the_level_is_not_written(stream: io.StringIO, lines: Lines, level: Any, heard: int) -> None:
    set_up_logs("json", level, stream)
    log = logger()
    for speak in (log.debug, log.info, log.warning, log.error):
        speak("x")
    assert len(lines()) == heard


def test_libraries_speak_the_same_form_and_only_from_warning_on(stream: io.StringIO, lines: Lines) -> None:
    for name in HEADSTRONG:
        logging.getLogger(name).addHandler(logging.NullHandler())
        logging.getLogger(name).setLevel(logging.DEBUG)
    set_up_logs("json", "debug", stream)
    for name in HEADSTRONG:
        logging.getLogger(name).info("chatter")
        logging.getLogger(name).warning("something %s", "odd", extra={"token": SECRET})
    assert [(line["logger"], line["event"], line["level"]) for line in lines()] == [
        (name, "something odd", "warning") for name in HEADSTRONG
    ]
    assert "s3c" not in stream.getvalue()


def test_setting_up_twice_does_not_double_the_lines(stream: io.StringIO, lines: Lines) -> None:
    set_up_logs("json", "info", io.StringIO())
    log = logger()
    log.info("first")
    set_up_logs("json", "info", stream)
    log.info("second")
    assert [line["event"] for line in lines()] == ["second"]


def test_an_errors_traceback_is_kept_in_one_line_and_shows_no_local_variables(
    stream: io.StringIO, lines: Lines
) -> None:
    set_up_logs("json", "info", stream)

    def fail() -> None:
        community = SECRET
        raise OSError(len(community), "no answer")

    try:
        fail()
    except OSError:
        logger().exception("read failed")
    (line,) = lines()
    assert "no answer" in line["exception"]
    assert "s3c" not in stream.getvalue()


def test_a_traceback_on_a_terminal_shows_no_local_variables_either() -> None:
    terminal = Terminal()
    set_up_logs("human", "info", terminal)
    try:
        community = SECRET
        int(f"x{len(community)}")
    except ValueError:
        logger().exception("read failed")
    assert "ValueError" in terminal.getvalue()
    assert "s3c" not in terminal.getvalue()


def test_a_terminal_gets_no_control_characters_from_outside() -> None:
    set_up_logs("human", "info", stream := io.StringIO())
    logger().warning("bad\x1b[2J name", printer="a\x1b]0;x\x07\nb")
    assert not set("\x1b\x07") & set(stream.getvalue())
    assert stream.getvalue().count("\n") == 1


@pytest.mark.parametrize("form", ["json", "human"])
def test_known_secrets_are_masked_wherever_they_stand(form: Any) -> None:
    # netboxlabs/orb-agent#564: a returned error held a hex dump, cut in mid-word.
    set_up_logs(form, "info", stream := io.StringIO(), secrets=[SECRET, "public", "abc"])
    hexed = SECRET.encode().hex()
    log = logger()
    event = f"malformed {SECRET} answer"
    log.error(event, detail=f"…{SECRET[:5]}", dump=hexed, spaced="73 33 63 72 33", public="public")
    try:
        int(f"answer was {SECRET[:4]}")
    except ValueError:
        log.exception("read failed")
    shown = stream.getvalue()
    assert "s3c" not in shown
    assert "733363" not in shown
    assert "73 33 63" not in shown
    assert shown.count(MASK) == 5
    assert "public" in shown


def test_a_secret_that_is_an_ordinary_word_leaves_other_words_alone() -> None:
    assert Redactor(["printers"]).text("print the printer of printers") == f"print the printer of {MASK}"


@pytest.mark.parametrize(
    "name",
    ["community", "badge_number", "badge", "token", "http_token", "key", "api-key", "password", "Secret", "tokens"],
)
def test_a_value_named_as_a_secret_is_masked_at_any_depth(name: str) -> None:
    redact = Redactor()
    shown = redact(None, "", {"event": "x", name: SECRET, "deep": [{name: SECRET}]})
    assert shown == {"event": "x", name: MASK, "deep": [{name: MASK}]}


@pytest.mark.parametrize("name", ["monkey", "keys_max", "printer", "release", "badges_seen", "token_file_count"])
def test_an_ordinary_name_is_not_masked(name: str) -> None:
    assert Redactor()(None, "", {name: 3}) == {name: 3}


def test_bytes_are_never_dumped_and_great_values_are_cut() -> None:
    shown = Redactor()(None, "", {"raw": b"\x01" * 99, "text": "x" * (TEXT_MAX + 1), "list": list(range(10**5))})
    assert shown["raw"] == "<99 bytes>"
    assert len(shown["text"]) < TEXT_MAX + 40
    assert len(shown["list"]) == ITEMS_MAX


def test_a_value_nested_without_end_is_cut() -> None:
    endless: list[Any] = []
    endless.append(endless)
    assert str(Redactor()(None, "", {"endless": endless})["endless"]).count("[") < 10


@given(st.text(min_size=4, max_size=20), st.text(), st.text())
def test_a_known_secret_never_passes_whole(secret: str, before: str, after: str) -> None:
    shown = Redactor([secret]).text(before + secret + after)
    assert secret not in shown or secret in {"public", "private"} or secret in MASK * 10


def test_a_secret_that_is_learnt_later_is_masked_and_those_of_before_still_are() -> None:
    redact = Redactor(["s3cr3t-x"])
    redact.learn(["0th3r-word"])
    redact.learn([])
    assert redact.text("s3cr3t-x and 0th3r-word") == f"{MASK} and {MASK}"
