"""Recorded answers of printers on real UDP, read by the daemon's own meter code and by net-snmp's snmpget."""

from __future__ import annotations

import sys
from collections.abc import Iterator

import pytest

from pagereeve.domain.facts.reading import Reading, SilenceReason
from pagereeve.ports.inspection import ChannelFound
from pagereeve.ports.meter import MeterTarget
from tests.integration.meter import a_meter
from tests.integration.recorded import RECORDED_WALKS, got, record_of, recordings, snmpsim
from tests.printers import PRINTERS

RECORDED = {one.name: one.counts for one in recordings()}
# The project's own facts, and every recording at hand; the second is empty away from them, the first never is.
KINDS = [*PRINTERS, *(f"recorded/{name}" for name in RECORDED)]


@pytest.fixture(scope="module")
def ports(tmp_path_factory: pytest.TempPathFactory) -> Iterator[dict[str, int]]:
    scratch = tmp_path_factory.mktemp("snmpsim")
    facts = scratch / "facts"
    facts.mkdir()
    for name, known in PRINTERS.items():
        (facts / f"{name}.snmprec").write_text(record_of(known.mib))
    with snmpsim(facts, scratch / "own") as own:
        if not RECORDED:
            yield {"own": own}
            return
        with snmpsim(RECORDED_WALKS, scratch / "recorded") as recorded:
            yield {"own": own, "recorded": recorded}


@pytest.mark.parametrize("kind", KINDS)
async def test_a_recorded_printer_shows_what_is_known_of_it(kind: str, ports: dict[str, int]) -> None:
    folder, _, name = kind.rpartition("/")
    port = ports[folder or "own"]
    async with a_meter() as meter:
        target = MeterTarget(kind, "127.0.0.1", port, community=name)
        seen = await meter.inspect(target, 20.0)
    found = {one.name: one.value for one in seen.channels}
    if folder:
        assert {channel: found.get(channel) for channel in RECORDED[name]} == RECORDED[name], seen.notes
    else:
        assert found == {channel: value for channel, (value, _) in PRINTERS[name].counts.items()}
    # Either a reading, or a reason that a person understands.
    assert (seen.reading is None) != (seen.failure is None)
    assert seen.failure is None or len(seen.failure.detail) > 40
    for one in seen.channels:
        assert sum(second_opinion(port, name, one)) == one.value


def second_opinion(port: int, community: str, channel: ChannelFound) -> list[int]:
    """The channel's instances read by net-snmp. Records of an octet string are taken apart by hand."""
    values = []
    for place in channel.objects:
        oid, _, record = place.partition("#")
        raw = " ".join(got(port, community, oid))
        if not record:
            values.append(int(raw.strip('"')))
            continue
        octets = bytes.fromhex(raw.strip('" '))
        starts = [at for at in range(0, len(octets) - 6, 7) if octets[at] == int(record, 16)]
        values.append(int.from_bytes(octets[starts[0] + 3 : starts[0] + 7], "big"))
    return values


# Away from the recordings, the project's own facts of printers.
KNOWN = RECORDED or {
    name: {channel: value for channel, (value, _) in one.counts.items()} for name, one in PRINTERS.items()
}
USABLE_LEAST = 57 if RECORDED else len(KNOWN) - 3


async def test_every_recording_with_a_total_or_prints_is_usable(
    ports: dict[str, int], capsys: pytest.CaptureFixture[str]
) -> None:
    seen = {}
    port = ports["recorded" if RECORDED else "own"]
    async with a_meter() as meter:
        for name in KNOWN:
            seen[name] = await meter.inspect(MeterTarget(name, "127.0.0.1", port, community=name), 20.0)
    usable = {name: one.reading for name, one in seen.items() if one.reading is not None}
    refused = {name: one.failure for name, one in seen.items() if one.failure is not None}
    lines = [f"{len(usable)} of {len(seen)} recordings are usable"]
    for name, reading in usable.items():
        channel, count = reading.sight.counts[-1]
        lines.append(f"  {name:40} {channel} {count.value} {count.unit} ({count.grade})")
    lines += [f"  {name:40} not usable: {failure.reason}" for name, failure in refused.items()]
    with capsys.disabled():
        sys.stdout.write("\n".join(["", *lines, ""]))
    assert len(usable) >= USABLE_LEAST
    # What is refused has no total and no prints in the recording; what is used has no figure that is not there.
    # Of the project's own, some count hours.
    others = {} if RECORDED else {name for name, one in refused.items() if one.reason is SilenceReason.UNIT_NOT_USABLE}
    assert all(name in others or set(KNOWN[name]) <= {"mono", "colour", "duplex"} for name in refused)
    for name, reading in usable.items():
        expected = {channel: value for channel, value in KNOWN[name].items() if channel in reading.sight.channels}
        assert {channel: _value(reading, channel) for channel in expected} == expected, name


def _value(reading: Reading, channel: str) -> int | None:
    count = reading.sight.count(channel)
    return None if count is None else count.value


def test_the_recordings_index_is_understood() -> None:
    if RECORDED_WALKS.exists():
        assert len(RECORDED) > 50
        assert sum(1 for counts in RECORDED.values() if counts) > 40
    else:
        assert RECORDED == {}


def test_facts_in_snmpsims_form_are_read_back_by_its_own_rules() -> None:
    text = record_of(PRINTERS["standard-impressions"].mib)
    assert "1.3.6.1.2.1.43.10.2.1.4.1.1|65|931\n" in text
    assert all(line.count("|") == 2 for line in text.splitlines())
