"""The benchmark runner."""
