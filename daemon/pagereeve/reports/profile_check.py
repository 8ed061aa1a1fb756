"""What a check of a profile found: its channels, what is odd about it, and what it makes of a recording."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final

from pagereeve.domain.values.amounts import amount
from pagereeve.domain.values.visible import visible
from pagereeve.ports.inspection import ChannelFound, Inspection
from pagereeve.reports.inspection import inspection_json


@dataclass(frozen=True, slots=True)
class ProfileCheck:
    """``profile`` has name, maker, object_ids, sources and channels, each with what it rests on and its own source.

    ``seen`` is what a recording gave, if there was one, and ``refuted`` what of it speaks against the profile.
    """

    profile: Mapping[str, Any]
    remarks: tuple[str, ...]
    seen: Inspection | None
    refuted: tuple[str, ...] = ()

    @property
    def given(self) -> tuple[ChannelFound, ...]:
        """The channels that the profile itself gave."""
        channels = () if self.seen is None else self.seen.channels
        return tuple(one for one in channels if one.source == self.profile["name"])

    @property
    def silent(self) -> tuple[str, ...]:
        """Channels of the profile that the recording shows nothing of, or that another source has."""
        given = {one.name for one in self.given}
        names = dict.fromkeys(str(one["name"]) for one in self.profile["channels"])
        return () if self.seen is None else tuple(name for name in names if name not in given)

    @property
    def sound(self) -> bool:
        """Without a recording, the file can be used; with one, it gives something that nothing contradicts."""
        return self.seen is None or (bool(self.given) and not self.refuted)


def check_json(check: ProfileCheck) -> dict[str, Any]:
    """``recording`` is None without one, else as ``pagereeve read --json``, with the profile's own part of it."""
    recording = None
    if check.seen is not None:
        recording = inspection_json(check.seen) | {
            "given": [one.name for one in check.given],
            "not_given": list(check.silent),
            "refuted": list(check.refuted),
        }
    return {"sound": check.sound, **check.profile, "remarks": list(check.remarks), "recording": recording}


def check_text(check: ProfileCheck) -> str:
    """The same for a terminal."""
    profile = check.profile
    lines = [
        f"profile      {profile['name']} ({visible(str(profile['maker']))})",
        f"object ids   {', '.join(profile['object_ids'])}",
        "",
    ]
    for nth, one in enumerate(profile["channels"], 1):
        lines.append(f"{nth:2} {one['name']:8} {one['unit']:12} {' + '.join(one['objects'])}")
        lines.append(f"{'':24} rests on {_ground(one)}")
    lines += ["", "sources", *(f"  {visible(one)}" for one in profile["sources"])]
    lines += ["", *(f"note   {visible(one)}" for one in check.remarks)] if check.remarks else []
    lines += _recording_lines(check)
    return "\n".join([*lines, "", _verdict(check)])


GROUNDS: Final = {"recording": "a recording", "mib": "the text of a MIB", "hearsay": "hearsay"}


def _ground(channel: Mapping[str, Any]) -> str:
    source = visible(str(channel["source"]))
    return f"{GROUNDS[channel['rests_on']]}{f': {source}' if source else ''}"


def _recording_lines(check: ProfileCheck) -> list[str]:
    if check.seen is None:
        return []
    lines = ["", "of the recording"]
    for one in check.given:
        unit = one.unit_said if one.unit is None else one.unit.value
        lines.append(f"  {one.name:8} {one.value:>10}  {unit:12} {' + '.join(one.objects)}")
    lines += [f"  {name:8} {'-':>10}  nothing that this profile gives" for name in check.silent]
    lines += [f"  check   {one.text}" for one in check.seen.checks if one.passed]
    lines += [f"  FAILED  {visible(one)}" for one in check.refuted]
    return [*lines, *(f"  note   {visible(note)}" for note in check.seen.notes)]


def _verdict(check: ProfileCheck) -> str:
    if check.seen is None:
        return "The profile can be used."
    if check.refuted:
        return f"The recording contradicts the profile: {'; '.join(check.refuted)}"
    if not check.given:
        failure = check.seen.failure
        why = "" if failure is None else f": {visible(failure.detail)}"
        return f"The profile gives nothing of this recording{why}"
    return f"The profile gives {amount(len(check.given), 'channel')} of this recording, and nothing contradicts it."
