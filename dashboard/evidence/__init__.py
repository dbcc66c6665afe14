"""Report, case folder, exports and outside notes."""
