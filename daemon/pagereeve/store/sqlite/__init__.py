"""Opening, lock, connections, the writer's thread, upgrades."""
