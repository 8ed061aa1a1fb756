"""A printer looked at because somebody asks for it: by the daemon, over its network."""
