"""CloudEvents over HTTP."""
