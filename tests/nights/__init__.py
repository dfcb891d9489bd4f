"""Tests of nights and health notes."""
