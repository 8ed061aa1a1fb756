"""Whether the gateways themselves answer."""
