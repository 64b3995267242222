"""Proof by play."""
