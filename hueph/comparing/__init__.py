"""Compare tubes: what changed between two, whether a buffer held, whole experiments."""
