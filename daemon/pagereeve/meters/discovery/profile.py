"""Makers' own counters as data: one TOML file a profile, read once, no code for a new one.

A profile says to which sysObjectIDs it belongs and where each channel is. Of several entries of one name the first
that a printer answers counts. README.md of the folder ``profiles`` explains every key.
"""

from __future__ import annotations

import json
import tomllib
from collections.abc import Iterable, Iterator, Sequence
from functools import cache
from importlib import resources
from pathlib import Path
from typing import Annotated, Final, Literal, Self

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, ValidationError, model_validator

from pagereeve.domain.facts.reading import COUNTER32_MODULUS, Unit
from pagereeve.domain.values.codec import FIGURE_MAX
from pagereeve.domain.values.errors import PagereeveError
from pagereeve.meters.discovery.channels import RestsOn
from pagereeve.meters.snmp.ber import oid_bytes

PROFILES_MAX: Final = 500
PROFILE_MAX_BYTES: Final = 256 * 1024

ChannelName = Literal[
    "total", "mono", "colour", "prints", "copies", "faxes", "sheets", "duplex", "large", "blank", "picked"
]
NO_PROFILE: Final = "none"


class BadProfile(PagereeveError):
    """A profile that can't be used; the text names the file, the place in it and what to do."""


def _is_oid(text: str) -> str:
    oid_bytes(text)
    return text


Oid = Annotated[str, Field(pattern=r"^[0-2](\.\d{1,10}){1,127}$"), AfterValidator(_is_oid)]


class _Table(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, strict=True)


class Records(_Table):
    """Records of one octet string, added up (``meters.records``)."""

    object: Oid
    tags: tuple[Annotated[int, Field(ge=0, le=254)], ...] = Field(min_length=1, max_length=16)


class ProfileRows(_Table):
    """Rows of a table, added up: those that have one of ``called`` in the ``labels`` column, or all without labels."""

    values: Oid
    labels: Oid | None = None
    called: tuple[str | int, ...] = Field(default=(), max_length=16)

    @model_validator(mode="after")
    def _both_or_none(self) -> Self:
        if (self.labels is None) != (not self.called):
            raise ValueError("labels and called belong together; give both, or neither to add up all rows")
        return self


class ProfileChannel(_Table):
    """Where one channel is found. ``unproven`` is a unit that no test print has shown yet.

    ``rests_on`` is what its meaning rests on, ``source`` which recording, MIB or list that is.
    """

    name: ChannelName
    rests_on: RestsOn = "hearsay"
    source: Annotated[str, Field(max_length=500)] = ""
    unit: Literal["impressions", "sheets", "unproven"]
    modulus: Annotated[int, Field(ge=1_000, le=FIGURE_MAX)] = COUNTER32_MODULUS
    objects: tuple[Oid, ...] = Field(default=(), max_length=16)
    records: Records | None = None
    rows: ProfileRows | None = None

    @model_validator(mode="after")
    def _one_place(self) -> Self:
        given = [name for name in ("objects", "records", "rows") if getattr(self, name)]
        if len(given) != 1:
            raise ValueError(f"one of objects, records and rows says where it is; give one, not {len(given)}")
        return self

    @property
    def places(self) -> tuple[str, ...]:
        """Where its figures stand: objects, or the column or octet string that holds them."""
        if self.rows is not None:
            return (self.rows.values,)
        return self.objects if self.records is None else (self.records.object,)

    @property
    def proven_unit(self) -> Unit | None:
        return None if self.unit == "unproven" else Unit(self.unit)


class Profile(_Table):
    """One file. ``object_ids`` are the beginnings of the sysObjectIDs that it is for."""

    name: Annotated[str, Field(pattern=r"^[a-z][a-z0-9-]{0,63}$")]
    maker: Annotated[str, Field(min_length=1, max_length=200)]
    object_ids: tuple[Oid, ...] = Field(min_length=1, max_length=64)
    sources: tuple[Annotated[str, Field(min_length=1, max_length=500)], ...] = Field(min_length=1, max_length=32)
    evidence: Annotated[str, Field(min_length=1, max_length=4000)]
    channels: tuple[ProfileChannel, ...] = Field(min_length=1, max_length=64)

    def reach(self, object_id: str) -> int:
        """How many characters of ``object_id`` the profile names; 0 where it is for other devices."""
        return max((len(one) for one in self.object_ids if f"{object_id}.".startswith(f"{one}.")), default=0)


def profile_from(text: str, source: str) -> Profile:
    """Raises BadProfile."""
    try:
        return Profile.model_validate_json(_json_of(text))
    except tomllib.TOMLDecodeError as error:
        raise BadProfile(f"{source}: no TOML: {error}") from error
    except ValidationError as error:
        problems = "; ".join(
            f"{'.'.join(map(str, one['loc'])) or 'profile'}: {one['msg']}" for one in error.errors(include_url=False)
        )
        raise BadProfile(f"{source}: {problems}") from None


def _json_of(text: str) -> str:
    # In strict mode pydantic takes a list for a tuple only from JSON.
    return json.dumps(tomllib.loads(text), default=str)


class Profiles:
    """All profiles at hand. A site's own win over those that come with the program."""

    def __init__(self, profiles: Iterable[Profile]) -> None:
        self._by_name = {profile.name: profile for profile in profiles}

    def __len__(self) -> int:
        return len(self._by_name)

    def __iter__(self) -> Iterator[Profile]:
        return iter(self._by_name.values())

    def named(self, name: str) -> Profile | None:
        return self._by_name.get(name)

    def require(self, names: Iterable[str]) -> None:
        """Raises BadProfile for names that are none of these, nor ``none``."""
        unknown = sorted({name for name in names if name and name != NO_PROFILE and name not in self._by_name})
        if unknown:
            known = ", ".join(self.names())
            raise BadProfile(f"no profile is called {', '.join(unknown)}; known are {known}, and {NO_PROFILE!r}")

    def names(self) -> Sequence[str]:
        return sorted(self._by_name)

    def of_object_id(self, object_id: str) -> Profile | None:
        """The profile that names most of a sysObjectID."""
        if not object_id:
            return None
        best = max(self._by_name.values(), key=lambda one: one.reach(object_id), default=None)
        return best if best is not None and best.reach(object_id) else None


@cache
def shipped_profiles() -> Profiles:
    """The profiles that come with the program. Raises BadProfile."""
    folder = resources.files("pagereeve.meters.discovery") / "profiles"
    files = sorted((file for file in folder.iterdir() if file.name.endswith(".toml")), key=lambda file: file.name)
    return Profiles(profile_from(file.read_text("utf-8"), file.name) for file in files)


def profiles_with(folder: Path | None) -> Profiles:
    """The shipped profiles and those of a site's own folder. Raises BadProfile."""
    shipped = shipped_profiles()
    if folder is None:
        return shipped
    try:
        files = sorted(folder.glob("*.toml"))
        if len(files) > PROFILES_MAX:
            raise BadProfile(f"{folder}: {len(files)} profiles; {PROFILES_MAX} at most")
        own = [profile_from(_bounded(file), str(file)) for file in files]
    except OSError as error:
        raise BadProfile(f"{folder}: {error.strerror}") from error
    if not own:
        raise BadProfile(f"{folder}: no profile (*.toml) is there")
    return Profiles([*shipped, *own])


def profile_of(file: Path) -> Profile:
    """The profile in a file. Raises BadProfile."""
    try:
        return profile_from(_bounded(file), str(file))
    except OSError as error:
        raise BadProfile(f"{file}: can't be read ({error.strerror})") from error


def _bounded(file: Path) -> str:
    with file.open("rb") as opened:
        raw = opened.read(PROFILE_MAX_BYTES + 1)
    if len(raw) > PROFILE_MAX_BYTES:
        raise BadProfile(f"{file}: longer than {PROFILE_MAX_BYTES} bytes")
    try:
        return raw.decode()
    except UnicodeDecodeError:
        raise BadProfile(f"{file}: not UTF-8; write it as plain text") from None
