"""What is kept of an answer over IPP beside integers: texts of the printer, and which of our own names a job has."""

from __future__ import annotations

from pagereeve.meters.ipp.message import TEXT_OCTETS_MAX, TEXTS_MAX, answer_of
from tests.integration.ipp_printer import KEYWORD, TEXT, URI, attribute

HEAD = bytes.fromhex("0200 0000 00000001 01") + attribute(0x47, "attributes-charset", b"utf-8")
UUID = b"urn:uuid:01234567-89AB-4cde-8f01-23456789abcd"


def message(*groups: bytes) -> bytes:
    return b"".join([HEAD, *groups, b"\x03"])


def test_texts_are_the_printers_alone_and_bounded() -> None:
    reasons = [attribute(KEYWORD, "" if nth else "printer-state-reasons", b"r%d" % nth) for nth in range(TEXTS_MAX + 9)]
    printer = b"".join([b"\x04", *reasons, attribute(TEXT, "printer-make-and-model", b"x" * 5_000)])
    job = (
        b"\x02" + attribute(TEXT, "printer-make-and-model", b"of a job") + attribute(TEXT, "job-name", b"secret-title")
    )
    answer = answer_of(message(job, printer), (), ("printer-state-reasons", "printer-make-and-model"))
    assert list(answer.texts["printer-state-reasons"]) == [f"r{nth}" for nth in range(TEXTS_MAX)]
    assert answer.texts["printer-make-and-model"] == ["x" * TEXT_OCTETS_MAX]
    assert "secret" not in repr(answer)


def test_of_a_jobs_uuid_only_which_of_ours_it_is_is_kept() -> None:
    jobs = [b"\x02" + attribute(URI, "job-uuid", uuid) for uuid in (UUID, UUID[:-1] + b"e")]
    answer = answer_of(message(*jobs), ("job-uuid",), places=[b"urn:uuid:of-another", UUID.lower()])
    assert list(answer.jobs()) == [{"job-uuid": 1}, {}]
    assert "89ab" not in repr(answer).lower()
