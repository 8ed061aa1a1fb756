"""Kinds of devices by their objects, and what to do next by reason, kind and maker."""

from __future__ import annotations

import pytest

from pagereeve.domain.facts.reading import SilenceReason
from pagereeve.meters.discovery.next_steps import HP, STEPS, next_step
from pagereeve.meters.discovery.responders import PRINTING, enterprise_of, kind_of, prints
from pagereeve.ports.inspection import ResponderKind

OTHER = "1.3.6.1.4.1.99999.2.1"


@pytest.mark.parametrize(
    ("object_id", "services", "printer_mib", "printer_device", "kind"),
    [
        # RFC 3418 section 2: a host that offers applications says 72, a router 4, a bridge 2.
        (OTHER, 72, False, False, ResponderKind.OTHER),
        (OTHER, 76, False, False, ResponderKind.FORWARDER),
        (OTHER, 2, False, False, ResponderKind.FORWARDER),
        (OTHER, None, False, False, ResponderKind.OTHER),
        ("", None, False, False, ResponderKind.UNSAID),
        # What prints is not called a box in the middle, whatever layers it says it serves.
        (OTHER, 76, False, True, ResponderKind.PRINT_SERVER),
        ("1.3.6.1.4.1.683.6.0", 76, False, False, ResponderKind.PRINT_SERVER),
        ("1.3.6.1.4.1.1248.1.1.2.1", None, False, False, ResponderKind.PRINT_SERVER),
        (OTHER, 4, True, False, ResponderKind.PRINTER),
    ],
)
def test_the_kind_of_a_device_follows_from_its_objects(
    object_id: str, services: int | None, printer_mib: bool, printer_device: bool, kind: ResponderKind
) -> None:
    assert kind_of(object_id, services, printer_mib=printer_mib, printer_device=printer_device) is kind


def test_a_subtree_is_whole_arcs_and_a_makers_other_devices_are_none() -> None:
    assert prints("1.3.6.1.4.1.11.2.3.9.1")
    # HP's switches: librenms/librenms, resources/definitions/os_detection/procurve.yaml, and the stack recorded in its
    # tests/snmpsim/procurve.snmprec.
    assert not prints("1.3.6.1.4.1.11.2.3.7.11.1")
    assert not prints("1.3.6.1.4.1.11.2.3.7.8.5.2")
    assert not prints("1.3.6.1.4.1.6411.1")
    assert not prints("")
    assert all(enterprise_of(one) for one in PRINTING)
    assert enterprise_of("1.3.6.1.4.1.11") == HP
    assert enterprise_of("1.3.6.1.2.1.11") is None
    assert enterprise_of("1.3.6.1.4.1.") is None


@pytest.mark.parametrize("reason", list(SilenceReason))
def test_every_refusal_has_a_next_step(reason: SilenceReason) -> None:
    for kind in ResponderKind:
        assert len(next_step(reason, kind, None).text) > 20
        assert next_step(reason, kind, 99_999) == next_step(reason, kind, None)


def test_the_most_special_row_counts() -> None:
    generic = next_step(SilenceReason.NO_METER, ResponderKind.PRINTER, None)
    server = next_step(SilenceReason.NO_METER, ResponderKind.PRINT_SERVER, None)
    maker = next_step(SilenceReason.NO_METER, ResponderKind.PRINT_SERVER, HP)
    assert len({generic, server, maker}) == 3
    assert "Jetdirect" in maker.text
    assert maker.source
    # A row that nothing leads to would never be read.
    reached = {next_step(case.reason, kind, case.enterprise) for case in STEPS for kind in ResponderKind}
    assert reached == set(STEPS.values())
