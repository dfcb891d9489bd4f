"""Tests of api/science."""
