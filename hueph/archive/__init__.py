"""archive."""
