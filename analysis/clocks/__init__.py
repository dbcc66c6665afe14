"""Correct the sets' clocks, and find what the link lost."""
