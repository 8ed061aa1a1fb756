"""SNMP v1, v2c and v3: bytes, security, one shared endpoint, conversations."""
