"""What an event passes on its way in: dated, hashed, placed, stored, handed on."""
