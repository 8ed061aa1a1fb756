"""Instants, canonical JSON, strict reading of objects, codecs, errors."""
