"""Matching, timing errors and agreement: nobody scores himself with his own code."""
