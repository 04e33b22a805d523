"""From measured colours to a posterior of pH."""
