"""Shipped data: kit list editions, and the invented demo scenario with what makes journal entries of it."""
