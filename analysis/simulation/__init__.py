"""Simulated wears whose truth is known, and the invented years that the demo brings in."""
