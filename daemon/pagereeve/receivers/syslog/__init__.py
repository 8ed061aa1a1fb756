"""Syslog, RFC 5424."""
