"""``dataclass`` for values of which there are very many: frozen for mypy, and cheap to make.

A dataclass that is frozen at run time sets each attribute through ``object.__setattr__``, which makes it cost about
three times as much to make. Here mypy alone refuses to change one; in Python's development mode (``python -X dev``) it
is frozen at run time too. All else is as ``dataclasses.dataclass`` has it: equality, hash, slots, replace.
"""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING, Any

__all__ = ["dataclass"]

if TYPE_CHECKING:
    from dataclasses import dataclass
else:
    import dataclasses

    def dataclass(**options: Any) -> Any:
        if options.get("frozen") and not sys.flags.dev_mode:
            options |= {"frozen": False, "unsafe_hash": True}

        def made(cls: type) -> type:
            # A compiled class has its places for attributes already, and would be left for another one by "slots".
            compiled = "__mypyc_attrs__" in vars(cls)
            return dataclasses.dataclass(**(options | {"slots": False} if compiled else options))(cls)

        return made
