"""The sets' clocks put right, and what the link lost."""
