"""Simulated wears whose truth is known, and the invented incident that the demo and the sample logs use."""
