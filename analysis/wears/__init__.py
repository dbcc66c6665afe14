"""Wears: from valve, readings and tally to who wore which set when, and turn-back."""
