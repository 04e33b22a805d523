"""Pure chemistry: what the pH of a preparation should be. Knows no pictures and no colours."""
