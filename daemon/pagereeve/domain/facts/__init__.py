"""What happened, stored once and never changed; its JSON; what is in force when."""
