"""Alarms as the set reported them and as its readings say."""
