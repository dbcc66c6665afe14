"""Simulated data that ships: wears to learn from, and the three years that the demo brings in."""
