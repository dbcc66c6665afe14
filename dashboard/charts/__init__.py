"""The charts and tables of one incident."""
