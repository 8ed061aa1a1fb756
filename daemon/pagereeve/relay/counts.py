"""What one relay counts. All only grow, except ``connections_open``; a daemon adds what grew to its own figures."""

from __future__ import annotations

from dataclasses import asdict, dataclass


@dataclass(slots=True)
class Counts:
    """connections_refused   beyond a limit; ``connections_pushed_out`` never sent a byte, and made room for another
    forwarded_bytes       read from gateways and written to the release server
    returned_bytes        read from the release server and written to gateways
    unreachable           connections whose release server could not be reached
    broken                connections that ended in a reset or a time-out
    blank_lines           empty lines, which some gateways send to keep a connection alive
    lines                 lines copied for the daemon
    dropped_lines         lines of which no copy could be kept, or whose copy made room for a calmer gateway's: too many
                          waited for the daemon. They were forwarded.
    """

    connections: int = 0
    connections_open: int = 0
    connections_refused: int = 0
    connections_pushed_out: int = 0
    forwarded_bytes: int = 0
    returned_bytes: int = 0
    unreachable: int = 0
    broken: int = 0
    blank_lines: int = 0
    lines: int = 0
    dropped_lines: int = 0

    def totals(self) -> dict[str, int]:
        figures = asdict(self)
        del figures["connections_open"]
        return figures
