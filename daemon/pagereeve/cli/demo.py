"""``pagereeve demo``."""

from __future__ import annotations

from typing import Annotated

from cyclopts import Parameter, validators

from pagereeve.demo.run import DemoOptions, run_demo

Port = Annotated[
    int,
    Parameter(
        help="Port of the daemon on 127.0.0.1; 0 selects a free one.", validator=validators.Number(gte=0, lte=65_535)
    ),
]


def demo(
    *,
    seed: Annotated[int, Parameter(help="The same seed plays the same day.")] = 1,
    length: Annotated[
        float | None, Parameter(help="Length of the day in seconds of real time; 50, or 160 for the long day.")
    ] = None,
    long: Annotated[bool, Parameter(negative="", help="A day in which nearly every kind of finding occurs.")] = False,
    all_: Annotated[
        bool, Parameter(name="--all", negative="", help="Print totals, findings and pages in full at the end.")
    ] = False,
    keep: Annotated[
        bool,
        Parameter(
            negative="", help="Keep everything running afterwards, until Ctrl-C; its folder, with settings, stays."
        ),
    ] = False,
    http_port: Port = 0,
) -> int:
    """A fictional college's working day in about a minute, over real sockets on loopback.

    Exit status 1 if a planted fault was not found, anything was found that was not planted, or a page is unaccounted
    for.
    """
    return run_demo(DemoOptions(seed=seed, length_s=length, keep=keep, http_port=http_port, long=long, whole=all_))
