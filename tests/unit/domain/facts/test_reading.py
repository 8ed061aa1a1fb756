"""hrPrinterDetectedErrorState (RFC 2790 section 4), and what a sight says of rest."""

from __future__ import annotations

import pytest

from pagereeve.domain.facts.reading import PrinterState, Sight, decode_error_bits

# RFC 2790 section 4, hrPrinterDetectedErrorState: strings of no, one and two octets.
ERROR_STATES = [
    ("", ()),
    ("00", ()),
    ("80", ("lowPaper",)),
    ("40", ("noPaper",)),
    ("20", ("lowToner",)),
    ("08", ("doorOpen",)),
    ("04", ("jammed",)),
    ("0400", ("jammed",)),
    ("02", ("offline",)),
    ("01", ("serviceRequested",)),
    ("C0", ("lowPaper", "noPaper")),
    ("50", ("noPaper", "noToner")),
    ("44", ("noPaper", "jammed")),
    ("4004", ("noPaper", "inputTrayEmpty")),
    ("0004", ("inputTrayEmpty",)),
    ("0040", ("outputTrayMissing",)),
    ("0010", ("outputNearFull",)),
    ("0108", ("serviceRequested", "outputFull")),
    ("0002", ("overduePreventMaint",)),
    ("8080", ("lowPaper", "inputTrayMissing")),
]


@pytest.mark.parametrize(("octets", "names"), ERROR_STATES)
def test_error_bits_read_from_the_top_bit_of_the_first_octet(octets: str, names: tuple[str, ...]) -> None:
    assert decode_error_bits(bytes.fromhex(octets)) == names


@pytest.mark.parametrize("octets", ["0001", "000000FF", "0000" + "FF" * 40])
def test_bits_that_nobody_assigned_say_nothing(octets: str) -> None:
    assert decode_error_bits(bytes.fromhex(octets)) == ()


@pytest.mark.parametrize(
    ("errors", "stopped"),
    [
        ((), False),
        (("lowPaper", "lowToner", "outputNearFull", "overduePreventMaint"), False),
        # One tray empty is not nothing to feed (RFC 2790 section 4).
        (("inputTrayEmpty",), False),
        (("noPaper",), True),
        (("lowPaper", "jammed"), True),
        (("doorOpen",), True),
        (("outputFull",), True),
        (("offline",), True),
    ],
)
def test_only_conditions_that_stop_paper_stop_the_printer(errors: tuple[str, ...], stopped: bool) -> None:
    sight = Sight((), state=PrinterState.IDLE, errors=errors)
    assert sight.stopped is stopped
    assert sight.resting is not stopped


@pytest.mark.parametrize(
    ("state", "resting"),
    [
        # RFC 3805 section 2.2.13.2: a sleeper reports other; warm-up precedes paper.
        ("idle", True),
        ("other", True),
        ("unknown", True),
        ("absent", True),
        ("printing", False),
        ("warmup", False),
    ],
)
def test_a_printer_rests_unless_it_prints_or_warms_up(state: str, resting: bool) -> None:
    assert Sight((), state=PrinterState(state)).resting is resting
