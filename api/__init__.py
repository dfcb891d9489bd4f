"""Rimaye's service: what the mountain asks, minus what the people have, is what the board shows."""

__version__ = "0.1.0"
