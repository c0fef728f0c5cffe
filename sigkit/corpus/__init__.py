"""Labelled data sets: manifest, splits, labels, hash."""
