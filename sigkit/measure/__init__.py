"""Quantities from instants: one code for our instants, rivals' and a hand's."""
