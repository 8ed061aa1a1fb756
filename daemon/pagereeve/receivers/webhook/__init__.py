"""Signed CloudEvents to a webhook."""
