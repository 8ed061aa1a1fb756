"""``pagereeve profile``: makers' counters as data, checked before the daemon goes by them."""

from __future__ import annotations

import asyncio
from collections.abc import Mapping
from pathlib import Path
from typing import Annotated, Final

from cyclopts import App, Parameter

from pagereeve.app.clocks import SystemClock, SystemEntropy
from pagereeve.cli.options import AsJson
from pagereeve.cli.output import say, say_json
from pagereeve.meters.discovery.profile import Profile, ProfileChannel, Profiles, profile_of, shipped_profiles
from pagereeve.meters.discovery.refuting import refuted
from pagereeve.meters.reader import SnmpMeter
from pagereeve.meters.recording.snmprec import recorded_rows
from pagereeve.meters.snmp.ber import Varbind
from pagereeve.ports.inspection import Inspection
from pagereeve.ports.meter import MeterTarget
from pagereeve.reports.profile_check import ProfileCheck, check_json, check_text
from pagereeve.simulator.snmp.recorded_agent import RecordedAgent

REPLAY_S: Final = 30.0

app = App(name="profile", help="Check a profile of a maker's counters.")


@app.command
def check(
    file: Annotated[Path, Parameter(help="The profile, a TOML file.")],
    /,
    *,
    recording: Annotated[
        Path | None, Parameter(help="A recording (pagereeve read --record) to try the profile on.")
    ] = None,
    json: AsJson = False,
) -> int:
    """Check a profile: schema, objects, and with a recording what it gives. Status 1 if it gives no usable counter."""
    profile = profile_of(file)
    seen = None if recording is None else asyncio.run(_replayed(profile, recorded_rows(recording)))
    against = () if seen is None else refuted(profile.name, seen)
    result = ProfileCheck(_described(profile), _remarks(profile), seen, against)
    if json:
        say_json(check_json(result))
    else:
        say(check_text(result))
    return 0 if result.sound else 1


def _described(profile: Profile) -> dict[str, object]:
    return {
        "name": profile.name,
        "maker": profile.maker,
        "object_ids": list(profile.object_ids),
        "sources": list(profile.sources),
        "channels": [
            {
                "name": one.name,
                "unit": one.unit,
                "objects": list(one.places),
                "rests_on": one.rests_on,
                "source": one.source,
            }
            for one in profile.channels
        ],
    }


def _remarks(profile: Profile) -> tuple[str, ...]:
    """What is allowed, and seldom meant."""
    remarks = [f"channel {nth} ({one.name}) rests on hearsay{_told(one)}" for nth, one in _hearsay(profile)]
    remarks += [
        f"{place} ({one.name}) is of none of the makers in object_ids; is a digit wrong?"
        for one in profile.channels
        for place in one.places
        if not any(place.startswith(f"{maker}.") for maker in _makers(profile))
    ]
    seen: dict[tuple[str, tuple[str, ...]], int] = {}
    for nth, one in enumerate(profile.channels, 1):
        first = seen.setdefault((one.name, one.places), nth)
        if first != nth:
            remarks.append(f"channel {nth} ({one.name}) repeats channel {first}: it can never count")
    shipped = shipped_profiles()
    if shipped.named(profile.name) is not None:
        remarks.append(f"it takes the place of the profile {profile.name} that comes with the program")
    for object_id in profile.object_ids:
        other = shipped.of_object_id(object_id)
        if other is not None and other.name != profile.name:
            remarks.append(f"{object_id} is of the profile {other.name} too; the longer beginning wins")
    return tuple(remarks)


def _hearsay(profile: Profile) -> list[tuple[int, ProfileChannel]]:
    return [(nth, one) for nth, one in enumerate(profile.channels, 1) if one.rests_on == "hearsay"]


def _told(channel: ProfileChannel) -> str:
    """Where it was heard, and what that means."""
    whence = f" ({channel.source})" if channel.source else ", and names no source"
    return f"{whence}: it gives way to what is proven"


def _makers(profile: Profile) -> set[str]:
    """The enterprise's subtree of each (1.3.6.1.4.1.N), and the standard's own."""
    return {".".join(one.split(".")[:7]) for one in profile.object_ids} | {"1.3.6.1.2.1.43", "1.3.6.1.4.1.2699"}


async def _replayed(profile: Profile, rows: Mapping[bytes, Varbind]) -> Inspection:
    """The recording, served on loopback and read as the daemon reads a printer."""
    agent = RecordedAgent((one.oid, one.tag, one.content) for one in rows.values())
    await agent.bind("127.0.0.1", 0)
    meter = SnmpMeter.of(SystemClock(), SystemEntropy(), profiles=Profiles([profile]))
    try:
        host, port = agent.address
        return await meter.inspect(MeterTarget("recording", host, port, profile=profile.name), REPLAY_S)
    finally:
        await meter.close()
        agent.close()
