"""``pagereeve credentials``: who may send, note, decide, read, install, administer."""

from __future__ import annotations

import asyncio
from collections.abc import Sequence
from pathlib import Path
from typing import Annotated

from cyclopts import App, Parameter

from pagereeve.app.clocks import SystemClock
from pagereeve.app.credential_changes import (
    AtProvider,
    BadCredential,
    ByProxy,
    CredentialRequest,
    WithPassword,
    add_credential,
    add_person,
    change_password,
    revoke_credential,
)
from pagereeve.app.journals import JournalPlace, reads_if_any
from pagereeve.cli.journal import journal_place
from pagereeve.cli.options import CONFIG_DEFAULT, AsJson, Config, DataDir, Zone
from pagereeve.cli.output import complain, say, say_json, show
from pagereeve.cli.passwords import asked_password
from pagereeve.cli.site import site_of
from pagereeve.domain.accounts.periods import instant_of
from pagereeve.domain.credentials.callers import ACTS, Act
from pagereeve.ports.credentials import StoredCredential
from pagereeve.queries.credentials import known_credentials
from pagereeve.reports.credentials import credentials_json, credentials_table
from pagereeve.settings import load_settings

app = App(
    name="credentials", help="Make, list and revoke credentials: who may send, note, decide, read, install, administer."
)

Name = Annotated[str, Parameter(help="Whose it is, as release-server. Facts name it as their author, for good.")]
Acts = Annotated[
    list[Act],
    Parameter(name="--act", negative="", help="What it may do: may be repeated. No act implies another."),
]
Sources = Annotated[
    list[str] | None,
    Parameter(name="--source", negative="", help="Only events of this source; may be repeated. Default: of any."),
]
Types = Annotated[
    list[str] | None,
    Parameter(name="--type", negative="", help="Only events of this type; may be repeated. Default: all of its acts."),
]


@app.command
def add(
    name: Name,
    /,
    *,
    act: Acts,
    source: Sources = None,
    type_: Types = None,
    expires: Annotated[
        str | None, Parameter(help="Valid until before this date or time; default: until revoked.")
    ] = None,
    pages_max: Annotated[
        int | None,
        Parameter(help="With the act decide: pages that one decision may be about; default: any number."),
    ] = None,
    pages_day_max: Annotated[
        int | None, Parameter(help="As --pages-max, of all decisions of any 24 hours together.")
    ] = None,
    password: Annotated[
        bool, Parameter(negative="", help="For a person who signs in: asks for a password, and prints no token.")
    ] = False,
    proxy: Annotated[
        bool, Parameter(negative="", help="For a person whose name the proxy of [console] says: without a password.")
    ] = False,
    oidc: Annotated[
        str | None,
        Parameter(help="For a person whom the provider of [console.oidc] knows by this subject: without a password."),
    ] = None,
    zone: Zone = None,
    config: Config = CONFIG_DEFAULT,
    data_dir: DataDir = None,
) -> int:
    """Make a credential, and print its token: this once, since only a digest of it is kept. A running daemon knows it
    within two seconds.

    With --password, --proxy or --oidc it is that of a person who signs in, and has no token. A password is asked for
    twice at a terminal, else it is a line of standard input.
    """
    expires_us = None if expires is None else instant_of(expires, site_of(config, data_dir, zone).zone, "--expires")
    asked = CredentialRequest(
        name,
        frozenset(act),
        None if source is None else frozenset(source),
        None if type_ is None else frozenset(type_),
        expires_us,
        pages_max,
        pages_day_max,
    )
    if password + proxy + (oidc is not None) > 1:
        raise BadCredential("--password, --proxy and --oidc are ways to sign in; give one of them")
    if password or proxy or oidc is not None:
        how = WithPassword(asked_password(name)) if password else ByProxy() if oidc is None else _at(config, oidc)
        add_person(journal_place(config, data_dir), asked, _given_names(config, data_dir), how)
        say(f"Added: {name}, who may {', '.join(one for one in ACTS if one in asked.acts)}.")
        return 0
    token = add_credential(journal_place(config, data_dir), asked, _given_names(config, data_dir))
    say(token)
    complain(f"this is the token of {name}, shown this once: keep it where its sender alone can read it")
    return 0


@app.command
def password(name: Name, /, *, config: Config = CONFIG_DEFAULT, data_dir: DataDir = None) -> int:
    """Give a person another password: asked for twice at a terminal, else a line of standard input. Whoever is signed
    in with it is signed out within two seconds.
    """
    change_password(journal_place(config, data_dir), name, _given_names(config, data_dir), asked_password(name))
    say(f"Changed: the password of {name}.")
    return 0


@app.command
def revoke(name: Name, /, *, config: Config = CONFIG_DEFAULT, data_dir: DataDir = None) -> int:
    """Revoke a credential for good. A running daemon refuses it within two seconds."""
    revoke_credential(journal_place(config, data_dir), name, _given_names(config, data_dir))
    say(f"Revoked: {name}.")
    return 0


@app.command(name="list")
def list_(*, json: AsJson = False, zone: Zone = None, config: Config = CONFIG_DEFAULT, data_dir: DataDir = None) -> int:
    """List credentials, those of the settings too: what each may do, and when it was last used, to the hour."""
    given = () if data_dir is not None else load_settings(config).http_credentials()
    stored = asyncio.run(_stored(journal_place(config, data_dir)))
    known = known_credentials(stored, {one.place: one.credential for one in given}, SystemClock().now_us())
    if json:
        say_json(credentials_json(known))
    elif not known:
        say("No credentials. Senders on this machine may send and note; nobody decides over HTTP.")
    else:
        show(credentials_table(known, site_of(config, data_dir, zone).zone))
    return 0


def _at(config: Path, subject: str) -> AtProvider:
    """Raises BadCredential. The issuer is the settings': a subject means nothing without it."""
    oidc = load_settings(config).console.oidc
    if oidc is None:
        raise BadCredential("--oidc needs [console.oidc] in the settings, which says whose subject it is")
    return AtProvider(oidc.issuer, subject)


def _given_names(config: Path, data_dir: Path | None) -> dict[str, str]:
    """Names that the settings give, with the places where they do; none where only a folder is named."""
    return {} if data_dir is not None else {one.name: one.place for one in load_settings(config).http_credentials()}


async def _stored(place: JournalPlace) -> Sequence[StoredCredential]:
    """None where no daemon ever ran."""
    reads = await reads_if_any(place)
    if reads is None:
        return ()
    async with reads:
        return await reads.credentials()
