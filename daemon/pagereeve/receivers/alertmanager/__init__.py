"""Alertmanager's API v2."""
