"""Keeping what is stored: copies while the service writes, putting one back, moving to another database."""
