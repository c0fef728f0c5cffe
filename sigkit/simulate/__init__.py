"""Ignition firings as circuits integrated in time; exact truth rides along."""
