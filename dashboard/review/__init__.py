"""The review of one incident: its charts and tables."""
