"""``pagereeve read --record``: what an agent answers, in a file, without names."""

from __future__ import annotations

import asyncio
import os
import sys
from collections.abc import Mapping
from pathlib import Path
from typing import Final

from pagereeve.app.clocks import SystemClock, SystemEntropy
from pagereeve.cli.output import output_file
from pagereeve.domain.values.amounts import amount
from pagereeve.meters.discovery.profile import Profiles
from pagereeve.meters.reader import SnmpMeter
from pagereeve.meters.recording.anonymous import anonymous
from pagereeve.meters.recording.harmless import Harmless
from pagereeve.meters.recording.snmprec import BadRecording, recording_text
from pagereeve.meters.snmp.ber import DecodeError, Varbind
from pagereeve.meters.snmp.question import ReadEnded
from pagereeve.ports.meter import MeterTarget

# Some thousand rows, one at a time, of a slow card.
RECORD_MAX_S: Final = 300.0
KEY_BYTES: Final = 32


def record_agent(target: MeterTarget, profiles: Profiles, path: Path) -> None:
    """The file is written whole or not at all. Raises BadRecording where the agent stops answering."""
    try:
        rows = asyncio.run(_captured(target, profiles))
    except (ReadEnded, DecodeError) as error:
        raise BadRecording(f"{target.printer}: nothing was recorded: {error}") from error
    made = anonymous(rows, Harmless.by(profiles), os.urandom(KEY_BYTES))
    with output_file(path) as file:
        file.write(recording_text(made.rows).encode())
    sys.stderr.write(
        f"{amount(len(made.rows), 'object')} recorded in {path}; {made.replaced} texts and addresses replaced, "
        f"{amount(made.left_out, 'object')} left out. Read the file before you give it to anybody.\n"
    )


async def _captured(target: MeterTarget, profiles: Profiles) -> Mapping[bytes, Varbind]:

    meter = SnmpMeter.of(SystemClock(), SystemEntropy(), profiles=profiles)
    try:
        return await meter.record(target, RECORD_MAX_S)
    finally:
        await meter.close()
