"""An address that can't be listened on, in words for people."""

from __future__ import annotations

import os

from pagereeve.ports.setting_types import HostPort


def cannot_listen(listen: HostPort, error: OSError) -> OSError:
    """The same error, with the address as settings write it."""
    code = error.errno or 0
    why = os.strerror(code) if code > 0 else (error.strerror or type(error).__name__)
    return OSError(error.errno, f"can't listen on {listen}: {why}; is another process there? Change the setting listen")
