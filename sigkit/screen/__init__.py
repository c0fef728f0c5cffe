"""Whole archives, one command."""
