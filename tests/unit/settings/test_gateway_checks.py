"""[[gateways]] check: where a gateway itself shows a sign of life, and what does not go together."""

from __future__ import annotations

from pathlib import Path

import pytest

from pagereeve.ports.gateways import GatewayCheck
from pagereeve.settings import BadSettings, load_settings


def written(folder: Path, members: str) -> Path:
    path = folder / "pagereeve.toml"
    path.write_text(f'[[gateways]]\nname = "gate-1"\n{members}\n')
    return path


def test_a_gateway_is_checked_as_its_table_says(tmp_path: Path) -> None:
    assert load_settings(written(tmp_path, ""), {}).gateway_checks() == ()
    (tcp,) = load_settings(written(tmp_path, 'check = "192.0.2.10:22"'), {}).gateway_checks()
    assert tcp == GatewayCheck("gate-1", "192.0.2.10", 22)
    assert tcp.label == "tcp 192.0.2.10:22"
    (tmp_path / "secret").write_text("hall-42\n")
    members = 'check = "[2001:db8::1]:161"\nkind = "snmp"\ncommunity_file = "secret"'
    (snmp,) = load_settings(written(tmp_path, members), {}).gateway_checks()
    assert (snmp.label, snmp.community) == ("snmp [2001:db8::1]:161", "hall-42")
    assert "hall-42" not in repr(snmp)


@pytest.mark.parametrize(
    ("members", "why"),
    [
        ('kind = "snmp"', "say where the gateway itself answers"),
        ('check = "192.0.2.10:22"\ncommunity_file = "secret"', 'goes with kind = "snmp"'),
        ('check = "192.0.2.10"', "is no address"),
        ('check = "192.0.2.10:0"', "port 0"),
        ('check = "192.0.2.10:22"\nkind = "icmp"', "'tcp' or 'snmp'"),
    ],
)
def test_what_does_not_go_together_is_said(tmp_path: Path, members: str, why: str) -> None:
    with pytest.raises(BadSettings) as caught:
        load_settings(written(tmp_path, members), {})
    assert why in str(caught.value)


def test_a_secret_that_can_not_be_read_is_named(tmp_path: Path) -> None:
    members = 'check = "192.0.2.10:161"\nkind = "snmp"\ncommunity_file = "absent"'
    with pytest.raises(BadSettings, match=r"gateway gate-1: its secret: .*absent can't be read"):
        load_settings(written(tmp_path, members), {}).gateway_checks()
