"""What many agents are like: a line each, grouped by model where a meter can be used, else by reason."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any, Final, NamedTuple

from pagereeve.domain.values.amounts import amount
from pagereeve.domain.values.visible import visible
from pagereeve.ports.inspection import ChannelFound, Inspection
from pagereeve.ports.meter import MeterTarget
from pagereeve.reports.inspection import inspection_json, step_text

UNKNOWN_MODEL: Final = "(says no model)"
# A label of a group is a heading, not a text.
LABEL_MAX: Final = 80


class Seen(NamedTuple):
    """One printer of a fleet: whom was asked, and what was made of it."""

    target: MeterTarget
    inspection: Inspection

    @property
    def usable(self) -> bool:
        return self.inspection.reading is not None

    @property
    def place(self) -> str:
        """As it is dialled; empty where the printer's name is that already."""
        host = f"[{self.target.host}]" if ":" in self.target.host else self.target.host
        places = {self.target.host, host, f"{host}:{self.target.port}"}
        return "" if self.target.printer in places else f"{host}:{self.target.port}"

    @property
    def model(self) -> str:
        identity = self.inspection.identity
        said = (identity.model or identity.description).strip()
        return visible(said.splitlines()[0][:LABEL_MAX]) if said else UNKNOWN_MODEL

    @property
    def reason(self) -> str:
        failure = self.inspection.failure
        return "" if failure is None else failure.reason.value


def fleet_json(fleet: Sequence[Seen]) -> dict[str, Any]:
    """``printers`` are in the order asked; each is as of a single read, with its name and place."""
    return {
        "printers_asked": len(fleet),
        "printers_usable": sum(one.usable for one in fleet),
        "by_model": {label: [one.target.printer for one in some] for label, some in _by_model(fleet)},
        "by_reason": {label: [one.target.printer for one in some] for label, some in _by_reason(fleet)},
        "printers": [
            {"printer": one.target.printer, "host": one.target.host, "port": one.target.port}
            | inspection_json(one.inspection)
            for one in fleet
        ],
    }


def fleet_text(fleet: Sequence[Seen]) -> str:
    """The same for a terminal; the last line has the sums."""
    width = max((len(one.target.printer) for one in fleet), default=0)
    lines: list[str] = []
    for label, some in _by_model(fleet):
        lines += [
            "",
            f"{label}: {amount(len(some), 'printer')} can be used",
            *(f"  {_usable(one, width)}" for one in some),
        ]
    for label, some in _by_reason(fleet):
        lines += [
            "",
            f"{label}: {amount(len(some), 'printer')} can't be used",
            *(f"  {_refused(one, width)}" for one in some),
        ]
        steps = dict.fromkeys(one.inspection.next_step for one in some)
        lines += [f"  Next: {step_text(step)}" for step in steps if step is not None]
    return "\n".join([*lines[1:], "", _sums(fleet)])


def _by_model(fleet: Iterable[Seen]) -> list[tuple[str, list[Seen]]]:
    return _grouped((one.model, one) for one in fleet if one.usable)


def _by_reason(fleet: Iterable[Seen]) -> list[tuple[str, list[Seen]]]:
    return _grouped((one.reason, one) for one in fleet if not one.usable)


def _grouped(labelled: Iterable[tuple[str, Seen]]) -> list[tuple[str, list[Seen]]]:
    """The largest group first, then by label; within a group in the order asked."""
    groups: dict[str, list[Seen]] = {}
    for label, one in labelled:
        groups.setdefault(label, []).append(one)
    return sorted(groups.items(), key=lambda group: (-len(group[1]), group[0]))


def _usable(one: Seen, width: int) -> str:
    serial = visible(one.inspection.identity.serial) or "-"
    channels = ", ".join(_channel(channel) for channel in one.inspection.channels)
    return "  ".join(
        part for part in (f"{one.target.printer:{width}}", one.place, channels, f"serial {serial}") if part
    )


def _channel(channel: ChannelFound) -> str:
    unit = f"unit {channel.unit_said}" if channel.unit is None else channel.unit.value
    return f"{channel.name} {channel.value} {unit}"


def _refused(one: Seen, width: int) -> str:
    failure, identity = one.inspection.failure, one.inspection.identity
    model = f"[{one.model}]" if identity.model or identity.description else ""
    detail = "" if failure is None else visible(failure.detail)
    return "  ".join(part for part in (f"{one.target.printer:{width}}", one.place, model, detail) if part)


def _sums(fleet: Sequence[Seen]) -> str:
    reasons = ", ".join(f"{len(some)} {label}" for label, some in _by_reason(fleet))
    usable = sum(one.usable for one in fleet)
    text = f"{amount(len(fleet), 'printer')}: {usable} can be used, {len(fleet) - usable} can't"
    return f"{text} ({reasons})." if reasons else f"{text}."
