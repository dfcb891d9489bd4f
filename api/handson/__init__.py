"""The hands-on check: the order it is done in, and everything a phone needs to do it without signal."""
