"""Who may do what, and where a request may come from."""
