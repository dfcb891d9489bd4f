"""Tests of access: who gets in, who may do what, and what happens to those who try otherwise."""
