"""Gateways, relays, badge lines and a release server."""
