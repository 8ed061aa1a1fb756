"""The local socket: commands on the daemon's own host, each with the user at its other end as its author."""
