"""NATS JetStream between a site and its centre. Needs the extra ``nats``: nothing here is imported without it."""
