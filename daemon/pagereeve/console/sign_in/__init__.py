"""How people sign in: their passwords, and the sessions that follow."""
