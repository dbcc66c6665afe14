"""Who may come in and what each may do."""
