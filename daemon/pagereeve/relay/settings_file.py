"""What the relay reads of the settings file: [[relays]], [log], and where its local socket is, and nothing else.

So an error in the settings of a printer, say, does not keep badge lines from the release server.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Annotated, Any, Final, Literal

from pydantic import BaseModel, ConfigDict, Field, TypeAdapter, ValidationError

from pagereeve.domain.values.errors import PagereeveError
from pagereeve.domain.values.ordinals import ordinal
from pagereeve.ports.line_settings import RelaySettings
from pagereeve.ports.relay_link import SOCKET_PATH_MAX_BYTES

FILE_MAX_BYTES: Final = 64 * 2**20
SOCKET_NAME: Final = "relay.sock"
# The greatest process id of Linux, PID_MAX_LIMIT of proc_sys_kernel(5).
PROCESS_ID_MAX: Final = 4_194_304
DATA_DIR_DEFAULT: Final = Path("/var/lib/pagereeve")
_VARIABLES: Final = {name: f"PAGEREEVE_{name.upper()}" for name in ("data_dir", "relay_socket", "relays")}
_JSON: Final[TypeAdapter[Any]] = TypeAdapter(Any)


class BadRelaySettings(PagereeveError):
    """What is wrong with them, all at once."""


class RelayLog(BaseModel):
    """[log], as far as it fits: how loud the relay is must not keep it from starting."""

    model_config = ConfigDict(extra="ignore", frozen=True)

    format: Literal["auto", "human", "json"] = "auto"
    level: Literal["debug", "info", "warning", "error"] = "info"


class RelayFile(BaseModel):
    model_config = ConfigDict(extra="ignore", frozen=True, hide_input_in_errors=True)

    data_dir: Path = DATA_DIR_DEFAULT
    relay_socket: Path | None = None
    log: RelayLog = RelayLog()
    relays: Annotated[tuple[RelaySettings, ...], Field(max_length=10_000)] = ()

    @property
    def socket_path(self) -> Path:
        return self.relay_socket or self.data_dir / SOCKET_NAME


def load_relay_file(path: Path, environment: Mapping[str, str]) -> RelayFile:
    """Paths are relative to the file's folder; the environment wins. Raises BadRelaySettings."""
    try:
        with path.open("rb") as file:
            table = tomllib.loads(file.read(FILE_MAX_BYTES).decode("utf-8-sig"))
    except OSError as error:
        raise BadRelaySettings(f"{path}: can't be read ({error.strerror})") from error
    except (UnicodeDecodeError, tomllib.TOMLDecodeError, RecursionError) as error:
        raise BadRelaySettings(f"{path}: is no TOML: {error}") from None
    for name in ("data_dir", "relay_socket"):
        if isinstance(written := table.get(name), str) and written:
            table[name] = str(path.absolute().parent / written)
    table |= _from(environment)
    try:
        RelayLog.model_validate(table.get("log", {}))
    except ValidationError:
        table.pop("log")
    try:
        found = RelayFile.model_validate(table)
    except ValidationError as error:
        raise BadRelaySettings(f"{path}: {_text_of(error, table)}") from None
    problem = _problem_of(found)
    if problem:
        raise BadRelaySettings(f"{path}: {problem}")
    return found


def _from(environment: Mapping[str, str]) -> dict[str, Any]:
    given = {name: environment[variable] for name, variable in _VARIABLES.items() if variable in environment}
    if "relays" in given:
        try:
            return {**given, "relays": _JSON.validate_json(given["relays"])}
        except ValidationError:
            raise BadRelaySettings(f"{_VARIABLES['relays']}: is no JSON") from None
    return dict(given)


def _text_of(error: ValidationError, table: Mapping[str, Any]) -> str:
    details = error.errors(include_url=False, include_input=False)
    return "; ".join(f"{_place(one['loc'], table)}: {one['msg'].removeprefix('Value error, ')}" for one in details)


def _place(steps: tuple[int | str, ...], table: Mapping[str, Any]) -> str:
    """A relay by its name, and without one counted from 1."""
    if steps[0] != "relays" or len(steps) == 1 or not isinstance(nth := steps[1], int):
        return ".".join(map(str, steps))
    row = table["relays"][nth]
    name = row.get("name") if isinstance(row, Mapping) else None
    relay = f"[[relays]] {name[:64]!r}" if isinstance(name, str) and name else f"the {ordinal(nth + 1)} [[relays]]"
    return ", ".join([relay, *(str(step) for step in steps[2:])])


def _problem_of(found: RelayFile) -> str:
    if not found.relays:
        return "names no [[relays]], so there is nothing to forward; pagereeve example settings shows how"
    names = [one.name for one in found.relays]
    twice = {name for name in names if names.count(name) > 1}
    if twice:
        return f"[[relays]] has the name {min(twice)} twice; each needs its own"
    return socket_problem(found.socket_path)


def socket_problem(path: Path) -> str:
    """Empty where the system can make a local socket of that name, which at first has a longer one, with our id."""
    size = len(bytes(path.absolute().with_name(f".{path.name}.{PROCESS_ID_MAX}")))
    if size <= SOCKET_PATH_MAX_BYTES:
        return ""
    return f"the local socket's path has {size} bytes, and the system allows {SOCKET_PATH_MAX_BYTES}; set relay_socket"
