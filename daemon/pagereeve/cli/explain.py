"""``pagereeve explain``."""

from __future__ import annotations

import asyncio
from pathlib import Path
from typing import Annotated, Final

from cyclopts import Parameter

from pagereeve.cli.journal import open_reads
from pagereeve.cli.options import CONFIG_DEFAULT, AsJson, Config, DataDir, Zone
from pagereeve.cli.output import complain, say, say_json
from pagereeve.cli.site import site_of
from pagereeve.queries.explain import Explained, explained
from pagereeve.queries.near_releases import NoSuchRelease
from pagereeve.queries.own_view import for_its_owner
from pagereeve.reports.explain import explain_all, explain_json
from pagereeve.reports.near_releases import no_release_text

NOT_THERE: Final = 2


def explain(
    release: Annotated[str, Parameter(help="The release, as the release server named it.")],
    /,
    *,
    source: Annotated[
        str | None, Parameter(help="Only the release of this source, if several sources use the name.")
    ] = None,
    names: Annotated[
        bool, Parameter(negative="", help="Name other people too, and show free texts: for those who may see both.")
    ] = False,
    json: AsJson = False,
    zone: Zone = None,
    config: Config = CONFIG_DEFAULT,
    data_dir: DataDir = None,
) -> int:
    """The whole chain of evidence for a release, in order: claim, badge, readings, window, count, verdict, charge.

    It names nobody but the release's owner, so that it may be shown to them. A name that several sources or printers
    use is explained for each of them.
    """
    shown_zone = site_of(config, data_dir, zone).zone
    try:
        known = asyncio.run(_explained(config, data_dir, release, source))
    except NoSuchRelease as error:
        complain(no_release_text(error, shown_zone))
        return NOT_THERE
    seen = known if names else tuple(for_its_owner(one) for one in known)
    if json:
        say_json([explain_json(one, shown_zone) for one in seen])
    else:
        say(explain_all(seen, shown_zone))
    return 0


async def _explained(config: Path, data_dir: Path | None, release: str, source: str | None) -> tuple[Explained, ...]:
    async with open_reads(config, data_dir) as reads:
        return await explained(reads, release, source)
