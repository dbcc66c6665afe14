"""From frames to results: air, alarms, heat, clocks and findings. Plain functions, no I/O, no clock."""
