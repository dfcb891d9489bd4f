"""Numbers the computing rooms are checked against, with the source of each."""
