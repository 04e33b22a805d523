"""The evidence archive: append-only, hash-chained records of what was measured, and their originals."""
