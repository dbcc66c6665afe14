"""What was simulated and ships: wears to learn from, and the three years that the demo brings in."""
