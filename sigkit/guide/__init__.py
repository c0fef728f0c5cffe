"""Documentation sources, shipped."""
