"""What an agent answers, taken down: captured, made anonymous, written so that a test can read it back."""
