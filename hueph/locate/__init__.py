"""locate."""
