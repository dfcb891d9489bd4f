"""Tests; folders mirror api and web."""
