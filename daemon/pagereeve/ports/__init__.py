"""Protocols, a file for each thing that the engine needs."""
