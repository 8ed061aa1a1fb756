"""What a person should look at, with its evidence as data."""
