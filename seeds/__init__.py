"""Shipped data: kit list editions, the invented demo scenario, and the code that turns it into journal entries."""
