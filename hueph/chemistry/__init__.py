"""chemistry."""
