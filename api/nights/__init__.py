"""Nights: sleeping heights against the guideline, sealed notes about people's health, and their privacy."""
