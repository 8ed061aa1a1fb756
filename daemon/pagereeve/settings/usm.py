"""Whom to be for SNMPv3: the part of a printer's entry that names a user, and where its passwords are."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Annotated, Final, Literal, Self

from pydantic import Field, model_validator

from pagereeve.ports.meter import AuthProtocol, PrivProtocol, UsmUser
from pagereeve.ports.secrets import NoSecret, named_by, secret_from_environment, secret_from_file
from pagereeve.ports.setting_types import Plain, Section

PASSWORD_MIN: Final = 8
WEAK: Final = frozenset({"md5", "des"})
EnvName = Annotated[str, Field(pattern=r"^[A-Za-z_][A-Za-z0-9_]{0,127}$")]
UserName = Annotated[str, Field(min_length=1, max_length=32, pattern=r"^[\x21-\x7e]+$")]
ContextName = Annotated[str, Field(max_length=255), Plain]


class UsmSettings(Section):
    """``version`` 3 needs a ``user``; ``auth`` and ``priv`` each need a password, from a file or the environment."""

    version: Literal["1", "2c", "3"] = "2c"
    user: UserName | None = None
    auth: AuthProtocol | None = None
    auth_password_file: Path | None = None
    auth_password_env: EnvName | None = None
    priv: PrivProtocol | None = None
    priv_password_file: Path | None = None
    priv_password_env: EnvName | None = None
    context: ContextName = ""
    allow_weak: bool = False

    @model_validator(mode="after")
    def _user_is_whole(self) -> Self:
        problems = usm_problems(self)
        if problems:
            raise ValueError("; ".join(problems))
        return self

    def usm_user(self, environment: Mapping[str, str]) -> UsmUser | None:
        """Raises NoSecret."""
        if self.user is None:
            return None
        return UsmUser(
            name=self.user,
            auth=self.auth,
            auth_password=_password("auth", self.auth_password_file, self.auth_password_env, environment),
            priv=self.priv,
            priv_password=_password("priv", self.priv_password_file, self.priv_password_env, environment),
            context=self.context,
            allow_weak=self.allow_weak,
        )


def usm_problems(entry: UsmSettings) -> list[str]:
    """What does not fit together."""
    problems = []
    if entry.version == "3" and entry.user is None:
        problems.append("version 3 needs a user")
    if entry.user is None and (entry.auth or entry.priv or entry.context):
        problems.append("auth, priv and context are a user's; name the user")
    if entry.priv is not None and entry.auth is None:
        problems.append("priv without auth does not exist (RFC 3414 section 1.4.2)")
    for what in ("auth", "priv"):
        given = [name for name in (f"{what}_password_file", f"{what}_password_env") if getattr(entry, name) is not None]
        if len(given) != (getattr(entry, what) is not None):
            problems.append(f"{what} and one of {what}_password_file, {what}_password_env belong together")
    weak = sorted({str(entry.auth), str(entry.priv)} & WEAK)
    if weak and not entry.allow_weak:
        problems.append(f"{' and '.join(weak)} can be broken; allow_weak = true permits it all the same")
    return problems


def _password(what: str, file: Path | None, env: str | None, environment: Mapping[str, str]) -> str:
    if file is None and env is None:
        return ""
    with named_by(f"{what}_password_{'env' if file is None else 'file'}"):
        password = secret_from_file(file) if file is not None else secret_from_environment(env or "", environment)
    if len(password.encode()) < PASSWORD_MIN:
        raise NoSecret(f"the {what} password has fewer than {PASSWORD_MIN} octets (RFC 3414 section 11.2)")
    return password
