"""The labelling app."""
