"""IPP to the octet (RFC 8010 section 3): the question, and answers whole, hard and broken."""

from __future__ import annotations

from struct import pack

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pagereeve.meters.ipp.jobs import NAMES, IppJobs
from pagereeve.meters.ipp.message import ANSWER_BYTES_MAX, GET_JOBS, BadIpp, answer_of, question

HEAD = bytes.fromhex("0200 0000 00000001")
CHARSET = b"\x01\x47\x00\x12attributes-charset\x00\x05utf-8"
END = b"\x03"


def value(tag: int, name: str, octets: bytes) -> bytes:
    return pack(">BH", tag, len(name)) + name.encode() + pack(">H", len(octets)) + octets


def integer(name: str, figure: int, tag: int = 0x21) -> bytes:
    return value(tag, name, pack(">i", figure))


def job(*members: bytes) -> bytes:
    return b"".join([b"\x02", *members])


def jobs_in(*parts: bytes) -> list[dict[str, int]]:
    return [dict(one) for one in answer_of(b"".join([HEAD, CHARSET, *parts, END]), NAMES).jobs()]


def test_a_question_is_what_the_document_says() -> None:
    asked = question(GET_JOBS, "ipp://127.0.0.1:8632/ipp/print", 0x0200, "completed", 5, ["job-id", "job-state"])
    assert asked == (
        bytes.fromhex("0200 000a 00000001")
        + CHARSET
        + b"\x48\x00\x1battributes-natural-language\x00\x02en"
        + b"\x45\x00\x0bprinter-uri\x00\x1eipp://127.0.0.1:8632/ipp/print"
        + b"\x44\x00\x0awhich-jobs\x00\x09completed"
        + b"\x21\x00\x05limit\x00\x04\x00\x00\x00\x05"
        + b"\x44\x00\x14requested-attributes\x00\x06job-id"
        + b"\x44\x00\x00\x00\x09job-state"
        + END
    )


def test_integers_that_were_asked_for_are_kept_and_nothing_else() -> None:
    # Names that come unasked; a list where one value belongs (its first counts); no-value and unknown (section 3.5.2).
    answer = jobs_in(
        job(
            value(0x42, "job-originating-user-name", b"somebody"),
            value(0x42, "job-name", b"a title"),
            integer("job-id", 7),
            integer("job-state", 9, 0x23),
            integer("job-impressions-completed", 6),
            integer("", 8),
            value(0x13, "job-pages-completed", b""),
        ),
        job(value(0x12, "job-id", b""), integer("job-state", 5, 0x23)),
    )
    assert answer == [{"job-id": 7, "job-state": 9, "job-impressions-completed": 6}, {"job-state": 5}]


def test_members_of_a_collection_are_not_the_jobs_own() -> None:
    # Section 3.1.6: a collection in a collection, with members named as attributes are.
    collection = [
        value(0x34, "job-impressions-completed-col", b""),
        value(0x4A, "", b"job-id"),
        integer("", 4),
        *(value(0x4A, "", b"inner"), value(0x34, "", b""), value(0x37, "", b"")),
        value(0x37, "", b""),
    ]
    assert jobs_in(job(integer("job-id", 7), *collection, integer("job-state", 9, 0x23))) == [
        {"job-id": 7, "job-state": 9}
    ]


WHOLE = HEAD + CHARSET + job(integer("job-id", 7), integer("job-state", 9, 0x23)) + END


@pytest.mark.parametrize("length", range(len(WHOLE)))
def test_an_answer_cut_at_any_octet_is_refused(length: int) -> None:
    # OpenPrinting/cups#1149: answers that can't be parsed.
    with pytest.raises(BadIpp):
        answer_of(WHOLE[:length], NAMES)


@pytest.mark.parametrize(
    ("answer", "why"),
    [
        (HEAD + b"\x02" + value(0x21, "job-id", b"\x07") + END, "1 octets"),
        (HEAD + b"\x02" + b"\x21\x00\x06job-id\xff\xff\x00" + END, "past the end"),
        (HEAD + integer("job-id", 7) + END, "before the first group"),
        (HEAD + b"\x02" + value(0x37, "", b"") + END, "did not begin"),
        (HEAD + b"\x02" + 5 * value(0x34, "a", b"") + END, "inside one another"),
        (HEAD + 300 * b"\x02" + END, "groups"),
        (bytes.fromhex("0200 0000 00000002") + END, "request-id 2"),
        (HEAD + bytes(ANSWER_BYTES_MAX), "octets"),
    ],
)
def test_what_is_malformed_is_named(answer: bytes, why: str) -> None:
    with pytest.raises(BadIpp, match=why):
        answer_of(answer, NAMES)


@given(st.binary(max_size=200))
def test_anything_is_an_answer_or_is_refused(octets: bytes) -> None:
    try:
        answer = answer_of(HEAD + octets, NAMES)
    except BadIpp:
        return
    assert all(set(members) <= set(NAMES) for members in answer.jobs())


def listed(number: int, state: int, made: int = 0) -> dict[str, int]:
    return {"job-id": number, "job-state": state, "job-impressions-completed": made}


def test_a_look_tells_what_is_at_work_and_what_ended_since() -> None:
    jobs = IppJobs()
    first = jobs.look([listed(8, 5, 1)], [listed(7, 9, 6)], 1, 2)
    assert [(one.job, one.state) for one in first.rows] == [(8, "processing")]
    second = jobs.look([listed(10, 3)], [listed(9, 8, 2), listed(8, 9, 3), listed(7, 9, 6)], 3, 4)
    assert [(one.job, one.state, one.counts.impressions) for one in second.rows] == [
        *((8, "completed", 3), (9, "aborted", 2), (10, "pending", 0)),
    ]
    # apple/cups#4079: a printer that keeps no history.
    third = jobs.look([], [], 5, 6)
    assert (third.rows, third.gone, third.whole) == ((), ((1, 10),), True)


def test_a_number_that_is_unknown_is_no_job_and_a_count_that_cannot_be_is_none() -> None:
    # RFC 8011 section 9.6; apple/cups#2427.
    look = IppJobs().look([{"job-state": 5}, listed(8, 5, -2129748404)], [], 1, 2)
    assert [(one.job, one.counts.impressions) for one in look.rows] == [(8, None)]


def test_a_full_list_may_have_left_something_out() -> None:
    jobs = IppJobs()
    jobs.look([], [listed(1, 9)], 1, 2)
    assert not jobs.look([], [listed(30 - nth, 9) for nth in range(20)], 3, 4).whole
    assert jobs.look([], [listed(31 - nth, 9) for nth in range(20)], 3, 4).whole
