"""The instants of a firing, with uncertainty."""
