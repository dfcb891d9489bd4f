"""What the office writes about the seasons: trials of a changed kit list, and letters."""
