"""Years of wears: ledger, measures, statistics, planning, privacy of small counts."""
