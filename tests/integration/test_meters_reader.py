"""The reader against agents on loopback whose objects and habits the test chooses."""

from __future__ import annotations

import pytest

from pagereeve.domain.facts.reading import Count, PrinterState, SilenceReason, Unit, UnitGrade
from pagereeve.meters.snmp.ber import COUNTER32, NULL, oid_bytes, oid_label
from pagereeve.meters.snmp.message import GET, GET_NEXT
from pagereeve.ports.meter import Meter
from tests.integration.meter import a_meter, failure, reading, total
from tests.snmp_agents import (
    DEVICE_TYPE,
    ERRORS,
    GENERAL,
    LIFE,
    POWER_ON,
    PRINTER_OBJECT_ID,
    ROUTER_OBJECT_ID,
    SERIAL,
    SERIAL_COLUMN,
    STATUS,
    SYS_OBJECT,
    UNIT,
    UP_TIME,
    MibAgent,
    Request,
    counter,
    mib_agent,
    name,
    printer_mib,
    router_mib,
    small,
    text,
    ticks,
)


async def test_a_first_read_finds_pins_and_reads_and_later_ones_are_one_get() -> None:
    agent = MibAgent(printer_mib())
    async with a_meter() as meter, mib_agent(agent) as raw:
        port: Meter = meter
        first = reading(await port.read(raw.target(), 2.0))
        assert first.sight.counts == (("total", Count(764, Unit.IMPRESSIONS, object=f"{LIFE}.1.1")),)
        assert (first.sight.serial, first.sight.object_id) == (SERIAL, PRINTER_OBJECT_ID)
        assert (first.sight.state, first.sight.errors) == (PrinterState.IDLE, ())
        assert (first.uptime_cs, first.power_on) == (100_000, 35)
        assert first.sent_us <= first.received_us
        assert [request.pdu_tag for request in agent.requests] == [GET, GET_NEXT, GET_NEXT, GET, GET_NEXT, GET]
        agent.mib[f"{LIFE}.1.1"] = counter(770)
        assert total(await port.read(raw.target(), 2.0)) == 770
        assert [request.pdu_tag for request in agent.requests] == [GET, GET_NEXT, GET_NEXT, GET, GET_NEXT, GET, GET]
        assert len(raw.received[-1]) < 300
        assert meter.stats.reads == {"reading": 2}
        assert meter.stats.discoveries == 1


@pytest.mark.parametrize("version", ["1", "2c"])
async def test_both_versions_read_the_same(version: str) -> None:
    async with a_meter() as meter, mib_agent(MibAgent(printer_mib(count=40_000))) as raw:
        assert total(await meter.read(raw.target(version=version), 2.0)) == 40_000


async def test_an_agent_that_ignores_an_unknown_version_is_silent() -> None:
    # Tylan/check_snmp_printer#1, bieniu/brother#5: version 1 only
    async with a_meter() as meter, mib_agent(MibAgent(printer_mib(), versions=(0,))) as raw:
        silent = failure(await meter.read(raw.target(version="2c"), 0.3))
        assert silent.reason is SilenceReason.TIMEOUT
        assert total(await meter.read(raw.target(version="1"), 2.0)) == 764


async def test_a_row_index_of_0_is_found_and_pinned_and_found_anew_when_it_moves() -> None:
    # fusioninventory/fusioninventory-agent#658: the index is 0
    agent = MibAgent(printer_mib(device=0))
    async with a_meter() as meter, mib_agent(agent) as raw:
        assert total(await meter.read(raw.target(), 2.0)) == 764
        assert oid_label(agent.requests[-1].names[3]) == f"{LIFE}.0.1"
        agent.mib = printer_mib(count=765)
        gone = failure(await meter.read(raw.target(), 2.0))
        assert gone.reason in {SilenceReason.NO_METER, SilenceReason.WRONG_RESPONDER}
        assert total(await meter.read(raw.target(), 2.0)) == 765


@pytest.mark.parametrize("version", ["1", "2c"])
async def test_an_agent_that_can_not_be_walked_is_asked_for_likely_instances(version: str) -> None:
    # librenms/librenms#4767: a walk fails, a GET works
    for device in (1, 0):
        agent = MibAgent(printer_mib(device=device), walkable=False)
        async with a_meter() as meter, mib_agent(agent) as raw:
            assert total(await meter.read(raw.target(version=version), 2.0)) == 764


async def test_a_device_index_beyond_others_is_found() -> None:
    mib = printer_mib(device=40, marker=2) | {
        f"1.3.6.1.2.1.25.3.2.1.2.{other}": name("1.3.6.1.2.1.25.3.1.3") for other in range(1, 40)
    }
    async with a_meter() as meter, mib_agent(MibAgent(mib)) as raw:
        assert total(await meter.read(raw.target(), 2.0)) == 764


async def test_several_markers_are_never_added() -> None:
    # docs.cpp.canon M124813, prtMarkerGroup: rows .1=100, .2=0 give 100; a power-on count that falls does not matter
    agent = MibAgent(printer_mib(count=100) | {f"{LIFE}.1.2": counter(7), f"{UNIT}.1.2": small(7)})
    async with a_meter() as meter, mib_agent(agent) as raw:
        agent.mib[f"{POWER_ON}.1.1"] = counter(350)
        before = reading(await meter.read(raw.target(), 2.0))
        agent.mib[f"{POWER_ON}.1.1"] = counter(2)
        after = reading(await meter.read(raw.target(), 2.0))
        assert (total(before), before.power_on) == (100, 350)
        assert (total(after), after.power_on) == (100, 2)


def standard(unit: Unit) -> Count:
    return Count(764, unit, object=f"{LIFE}.1.1")


async def test_the_unit_is_read_in_every_answer() -> None:
    # HP-LASERJET-COMMON-MIB and Ricoh D017 service manual: a two-sided sheet counts 2 on one model, 1 on another
    agent = MibAgent(printer_mib(unit=7))
    async with a_meter() as meter, mib_agent(agent) as raw:
        assert reading(await meter.read(raw.target(), 2.0)).sight.count("total") == standard(Unit.IMPRESSIONS)
        agent.mib[f"{UNIT}.1.1"] = small(8)
        assert reading(await meter.read(raw.target(), 2.0)).sight.count("total") == standard(Unit.SHEETS)


@pytest.mark.parametrize(("unit", "label"), [(16, "feet(16)"), (11, "hours(11)"), (3, "tenThousandthsOfInches(3)")])
async def test_a_unit_that_does_not_count_pages_is_named_and_not_used(unit: int, label: str) -> None:
    # PrtMarkerCounterUnitTC, RFC 3805 section 6
    async with a_meter() as meter, mib_agent(MibAgent(printer_mib(unit=unit))) as raw:
        refused = failure(await meter.read(raw.target(), 2.0))
        assert refused.reason is SilenceReason.UNIT_NOT_USABLE
        assert label in refused.detail


@pytest.mark.parametrize("said", [None, 0, 2])
@pytest.mark.parametrize("version", ["1", "2c"])
async def test_a_missing_or_undefined_unit_is_unknown_and_no_refusal(version: str, said: int | None) -> None:
    agent = MibAgent(printer_mib(unit=said or 0))
    if said is None:
        del agent.mib[f"{UNIT}.1.1"]
    async with a_meter() as meter, mib_agent(agent) as raw:
        sight = reading(await meter.read(raw.target(version=version), 2.0)).sight
        assert sight.count("total") == Count(764, Unit.UNKNOWN, object=f"{LIFE}.1.1", grade=UnitGrade.ASSUMED)
        assert [(one.unit, one.grade) for one in sight.counters] == [(Unit.UNKNOWN, UnitGrade.ASSUMED)]


@pytest.mark.parametrize("version", ["1", "2c"])
async def test_a_box_in_the_middle_is_a_wrong_responder_and_says_what_it_is(version: str) -> None:
    # openwrt/packages#7980: the gateway answers for itself
    async with a_meter() as meter, mib_agent(MibAgent(router_mib())) as raw:
        refused = failure(await meter.read(raw.target(version=version), 2.0))
        assert refused.reason is SilenceReason.WRONG_RESPONDER
        assert ROUTER_OBJECT_ID in refused.detail
        assert refused.responder == f"127.0.0.1:{raw.port}"


async def test_a_forward_that_falls_back_to_the_box_is_noticed_and_healed_from_another_port() -> None:
    # openwrt/packages#7980, moby/moby#8795: the gateway answers for itself; an old UDP mapping is kept alive
    agent = MibAgent(printer_mib())
    async with a_meter() as meter, mib_agent(agent) as raw:
        assert total(await meter.read(raw.target(), 2.0)) == 764
        agent.mib = router_mib()
        refused = failure(await meter.read(raw.target(), 2.0))
        assert refused.reason is SilenceReason.WRONG_RESPONDER
        agent.mib = printer_mib(count=766)
        assert total(await meter.read(raw.target(), 2.0)) == 766
        assert len({port for _, port in raw.sources}) == 2


async def test_a_printer_without_a_life_count_has_no_meter() -> None:
    agent = MibAgent(printer_mib())
    del agent.mib[f"{LIFE}.1.1"]
    async with a_meter() as meter, mib_agent(agent) as raw:
        refused = failure(await meter.read(raw.target(), 2.0))
        assert refused.reason is SilenceReason.NO_METER
        assert "device index 1" in refused.detail


async def test_any_other_object_of_the_printer_mib_tells_a_printer_from_a_box() -> None:
    agent = MibAgent(router_mib() | {"1.3.6.1.2.1.43.10.2.1.15.1.1": small(2)})
    async with a_meter() as meter, mib_agent(agent) as raw:
        refused = failure(await meter.read(raw.target(), 2.0))
        assert refused.reason is SilenceReason.NO_METER
        assert "1.3.6.1.2.1.43.10.2.1.15.1.1" in refused.detail


async def test_a_null_is_no_count() -> None:
    # fusioninventory/fusioninventory-agent#734: NULL is no count
    agent = MibAgent(printer_mib())
    async with a_meter() as meter, mib_agent(agent) as raw:
        assert total(await meter.read(raw.target(), 2.0)) == 764
        agent.mib[f"{LIFE}.1.1"] = (NULL, b"")
        assert failure(await meter.read(raw.target(), 2.0)).reason is SilenceReason.NO_METER


async def test_digits_as_text_are_a_count_and_flagged() -> None:
    # netdata/netdata#1236: a number as text
    agent = MibAgent(printer_mib() | {f"{LIFE}.1.1": text("12345")})
    async with a_meter() as meter, mib_agent(agent) as raw:
        assert total(await meter.read(raw.target(), 2.0)) == 12345
        assert meter.stats.non_conforming == 1


@pytest.mark.parametrize(
    "content", [b"12,345", b"16 PERCENT", bytes.fromhex("0A5500E0"), b"", b" 12", b"-12", b"1" * 21]
)
async def test_any_other_text_is_no_count(content: bytes) -> None:
    # netdata/netdata#1236: nothing is stripped from it (Cacti/cacti#288)
    agent = MibAgent(printer_mib())
    async with a_meter() as meter, mib_agent(agent) as raw:
        assert total(await meter.read(raw.target(), 2.0)) == 764
        agent.mib[f"{LIFE}.1.1"] = text(content)
        refused = failure(await meter.read(raw.target(), 2.0))
        assert refused.reason is SilenceReason.MALFORMED
        assert "channel total" in refused.detail


async def test_a_counter_without_its_leading_zero_is_read_and_flagged() -> None:
    # troglobit/mini-snmpd#8, etingof/pysnmp#190: a counter without its leading zero octet
    agent = MibAgent(printer_mib() | {f"{LIFE}.1.1": (COUNTER32, bytes.fromhex("9C40"))})
    async with a_meter() as meter, mib_agent(agent) as raw:
        assert total(await meter.read(raw.target(), 2.0)) == 40_000
        assert meter.stats.non_conforming == 1


async def test_an_integer_serves_as_a_count_unless_it_is_negative() -> None:
    agent = MibAgent(printer_mib() | {f"{LIFE}.1.1": small(12)})
    async with a_meter() as meter, mib_agent(agent) as raw:
        assert total(await meter.read(raw.target(), 2.0)) == 12
        agent.mib[f"{LIFE}.1.1"] = small(-12)
        assert failure(await meter.read(raw.target(), 2.0)).reason is SilenceReason.MALFORMED


async def test_v1_drops_the_object_that_the_agent_lacks_and_remembers_it() -> None:
    # librenms/librenms#9343, monitoring-plugins/monitoring-plugins#1702: one bad name loses all values
    agent = MibAgent(printer_mib())
    for lacking in (f"{SERIAL_COLUMN}.1", f"{POWER_ON}.1.1"):
        del agent.mib[lacking]
    async with a_meter() as meter, mib_agent(agent) as raw:
        first = reading(await meter.read(raw.target(version="1"), 2.0))
        assert (total(first), first.sight.serial, first.power_on) == (764, "", None)
        agent.requests.clear()
        assert total(await meter.read(raw.target(version="1"), 2.0)) == 764
        assert [len(request.names) for request in agent.requests] == [6]


async def test_too_big_closes_in_on_the_largest_size_that_works_and_remembers_it() -> None:
    # bonomani/devmon#102; 8 names → tooBig, 4 → ok, next read starts at 4
    agent = MibAgent(printer_mib(), names_max=4)
    async with a_meter() as meter, mib_agent(agent) as raw:
        assert total(await meter.read(raw.target(), 2.0)) == 764
        # 5 were too many, so 2, 3 and 4 are tried in turn, each as soon as there is something to ask for.
        assert [len(request.names) for request in agent.requests] == [1, 3, 3, 5, 2, 3, 1, 4, 4, 2]
        agent.requests.clear()
        again = reading(await meter.read(raw.target(), 2.0))
        assert [len(request.names) for request in agent.requests] == [4, 4, 2]
        # The count, the identity and the uptime stand in one answer.
        labels = [oid_label(asked) for asked in agent.requests[0].names]
        assert labels == [UP_TIME, SYS_OBJECT, f"{SERIAL_COLUMN}.1", f"{LIFE}.1.1"]
        assert (again.sight.serial, again.power_on, again.sight.state) == (SERIAL, 35, PrinterState.IDLE)


@pytest.mark.parametrize("names_max", [1, 2, 3])
async def test_an_agent_that_takes_hardly_anything_is_still_read(names_max: int) -> None:
    async with a_meter() as meter, mib_agent(MibAgent(printer_mib(), names_max=names_max)) as raw:
        assert total(await meter.read(raw.target(), 2.0)) == 764


async def test_an_agent_for_which_everything_is_too_big_is_malformed() -> None:
    async with a_meter() as meter, mib_agent(MibAgent(printer_mib(), names_max=0)) as raw:
        refused = failure(await meter.read(raw.target(), 2.0))
        assert refused.reason is SilenceReason.MALFORMED
        assert "tooBig" in refused.detail


async def test_another_serial_number_or_object_id_than_the_registrys_is_a_wrong_device() -> None:
    # openwrt/packages#7980, fusioninventory/fusioninventory-for-glpi#1186: the gateway answers for itself; another
    # printer at the same address
    async with a_meter() as meter, mib_agent(MibAgent(printer_mib())) as raw:
        for target, seen in (
            (raw.target(serial="PR-TEST-0002"), SERIAL),
            (raw.target(object_id=ROUTER_OBJECT_ID), PRINTER_OBJECT_ID),
        ):
            refused = failure(await meter.read(target, 2.0))
            assert refused.reason is SilenceReason.WRONG_DEVICE
            assert seen in refused.detail
        assert total(await meter.read(raw.target(serial=SERIAL, object_id=f".{PRINTER_OBJECT_ID}"), 2.0)) == 764


async def test_an_exchanged_model_is_a_wrong_device_once_and_then_looked_at_anew() -> None:
    agent = MibAgent(printer_mib())
    async with a_meter() as meter, mib_agent(agent) as raw:
        await meter.read(raw.target(), 2.0)
        agent.mib = printer_mib(count=412) | {SYS_OBJECT: name("1.3.6.1.4.1.99999.1.8")}
        assert failure(await meter.read(raw.target(), 2.0)).reason is SilenceReason.WRONG_DEVICE
        swapped = reading(await meter.read(raw.target(), 2.0))
        assert (total(swapped), swapped.sight.object_id) == (412, "1.3.6.1.4.1.99999.1.8")


async def test_a_serial_number_may_be_empty_and_changes_are_the_domains_to_judge() -> None:
    # fusioninventory/fusioninventory-for-glpi#492: a serial number that is empty at first
    agent = MibAgent(printer_mib())
    seen = []
    async with a_meter() as meter, mib_agent(agent) as raw:
        for serial in ("", "K1", "", "K2"):
            agent.mib[f"{SERIAL_COLUMN}.1"] = text(serial)
            seen.append(reading(await meter.read(raw.target(), 2.0)).sight.serial)
    assert seen == ["", "K1", "", "K2"]


@pytest.mark.parametrize(
    ("raw_serial", "shown"),
    [
        (b"  K1\0\0", "K1"),
        (b"K\x07\x1b[31m1", "K[31m1"),
        ("Ä1".encode(), "Ä1"),
        ("Ä1".encode("latin-1"), "Ä1"),
        (b"\0" * 20, ""),
        (b"\xff\xfe", "ÿþ"),
    ],
)
async def test_a_serial_number_is_printable_whatever_the_agent_sends(raw_serial: bytes, shown: str) -> None:
    async with a_meter() as meter, mib_agent(MibAgent(printer_mib() | {f"{SERIAL_COLUMN}.1": text(raw_serial)})) as raw:
        assert reading(await meter.read(raw.target(), 2.0)).sight.serial == shown


@pytest.mark.parametrize(
    ("bits", "errors"),
    [
        # RFC 2790 section 4: two octets, one octet, none
        (b"\x40\x00", ("noPaper",)),
        (b"\x04", ("jammed",)),
        (b"", ()),
        (b"\x08\x08", ("doorOpen", "outputFull")),
    ],
)
async def test_error_bits_and_state_come_along(bits: bytes, errors: tuple[str, ...]) -> None:
    async with (
        a_meter() as meter,
        mib_agent(MibAgent(printer_mib() | {f"{ERRORS}.1": text(bits), f"{STATUS}.1": small(1)})) as raw,
    ):
        sight = reading(await meter.read(raw.target(), 2.0)).sight
        assert (sight.errors, sight.state) == (errors, PrinterState.OTHER)


async def test_state_objects_of_a_wrong_type_spoil_only_themselves() -> None:
    odd = {f"{ERRORS}.1": small(4), f"{STATUS}.1": text("idle"), SYS_OBJECT: small(1), UP_TIME: text("1 day")}
    async with a_meter() as meter, mib_agent(MibAgent(printer_mib() | odd)) as raw:
        result = reading(await meter.read(raw.target(), 2.0))
        assert (total(result), result.sight.errors, result.sight.state) == (764, (), PrinterState.ABSENT)
        assert (result.uptime_cs, result.sight.object_id) == (None, "")
        assert meter.stats.undecodable == 4


async def test_an_agent_that_started_anew_is_looked_at_anew() -> None:
    agent = MibAgent(printer_mib(uptime=500_000))
    async with a_meter() as meter, mib_agent(agent) as raw:
        await meter.read(raw.target(), 2.0)
        agent.mib[UP_TIME] = ticks(1_000)
        assert total(await meter.read(raw.target(), 2.0)) == 764
        agent.mib = printer_mib(count=770, device=3, uptime=2_000)
        assert total(await meter.read(raw.target(), 2.0)) == 770
        assert meter.stats.discoveries == 2


async def test_an_agent_that_runs_in_circles_does_not_hold_the_reader() -> None:
    class Circling(MibAgent):
        def answer(self, data: bytes) -> bytes | None:
            request = Request.of(data)
            if request.pdu_tag == GET:
                return super().answer(data)
            self.requests.append(request)
            # Always the same row of a column, whatever is asked for.
            rows = {
                oid_bytes(column): index for column, index in ((DEVICE_TYPE, ".9"), (GENERAL, ".9"), (LIFE, ".9.9"))
            }
            found = [
                next((column for column in rows if asked.startswith(column)), oid_bytes(LIFE))
                for asked in request.names
            ]
            return request.response([(oid_bytes(oid_label(column) + rows[column]), *counter(1)) for column in found])

    agent = Circling(printer_mib())
    async with a_meter() as meter, mib_agent(agent) as raw:
        failure(await meter.read(raw.target(), 2.0))
        assert len(agent.requests) < 10
