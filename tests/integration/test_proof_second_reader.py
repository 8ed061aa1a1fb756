"""The second reader against Debian's snmpd, by every version, and one whose figures differ."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from pagereeve.ports.inspection import ChannelFound
from pagereeve.ports.meter import MeterTarget, UsmUser
from pagereeve.proof.stages.second_reader import SYS_OBJECT_ID, NoOpinion, second_opinion
from tests.integration.foreign import COMMUNITY, PrinterObjects, Snmpd, free_port
from tests.integration.installation import an_installation, stage_of
from tests.snmp_agents import LIFE, PRINTER_OBJECT_ID

pytestmark = pytest.mark.alone

TOTAL = ChannelFound("total", None, "impressions", 500, 2**32, (f"{LIFE}.1.1",), "Printer-MIB", "")
PASSWORDS = ("a-long-auth-word", "a-long-priv-word")
USER = UsmUser("prover", "sha", PASSWORDS[0], "aes", PASSWORDS[1])


class WithUser(Snmpd):
    """Debian's snmpd with a user for version 3 (snmpd.conf(5))."""

    def _config(self) -> list[str]:
        users = [f"createUser {USER.name} SHA {PASSWORDS[0]} AES {PASSWORDS[1]}", f"rouser {USER.name} authPriv"]
        return [*super()._config(), *users]


@pytest.fixture
def port(tmp_path: Path) -> Iterator[int]:
    number = free_port()
    objects = PrinterObjects(tmp_path / "objects", count=500)
    listen = f"127.0.0.1:{number}"
    with WithUser(tmp_path / "agent", object_id=PRINTER_OBJECT_ID, listen=listen, objects=objects):
        yield number


@pytest.mark.parametrize("version", ["1", "2c", "3"])
async def test_every_version_reads_the_figure_and_who_answers(port: int, version: str) -> None:
    user = USER if version == "3" else None
    target = MeterTarget("p", "127.0.0.1", port, version, COMMUNITY, user=user)  # type: ignore[arg-type]
    absent = replace(TOTAL, name="colour", objects=(f"{LIFE}.1.1", f"{LIFE}.1.9"))
    assert await second_opinion(target, [TOTAL, absent], 10.0) == {"total": "500", SYS_OBJECT_ID: PRINTER_OBJECT_ID}


@pytest.mark.parametrize(
    ("members", "told"),
    [
        ({"version": "2c", "community": "not-the-word"}, "No SNMP response received before timeout"),
        ({"version": "3", "user": replace(USER, auth_password="not-the-password")}, "Wrong SNMP PDU digest"),
        ({"version": "3", "user": replace(USER, name="nobody")}, "Unknown USM user"),
        ({"version": "3", "user": replace(USER, auth_password="short")}, "pysnmp: "),
    ],
)
async def test_why_there_is_no_opinion_is_told_without_a_credential(
    port: int, members: dict[str, object], told: str
) -> None:
    target = replace(MeterTarget("p", "127.0.0.1", port), **members)  # type: ignore[arg-type]
    with pytest.raises(NoOpinion) as caught:
        await second_opinion(target, [TOTAL], 8.0)
    assert told in str(caught.value)
    for secret in ("not-the-word", "not-the-password", "short", *PASSWORDS):
        assert secret not in str(caught.value)


async def test_two_readers_that_differ_are_told_with_both_figures(monkeypatch: pytest.MonkeyPatch) -> None:
    async with an_installation() as here:

        async def other(*_: object) -> dict[str, str]:
            return {"total": "997", SYS_OBJECT_ID: "1.3.6.1.4.1.32473.8"}

        monkeypatch.setattr("pagereeve.proof.stages.comparing.second_opinion", other)
        stage = stage_of(await here.prove(), "second-reader")
    assert stage.outcome == "failed"
    assert "total: 997, ours 1000 before and 1000 after" in stage.came
    assert "sysObjectID: 1.3.6.1.4.1.32473.8, ours 1.3.6.1.4.1.32473.7.1" in stage.came
