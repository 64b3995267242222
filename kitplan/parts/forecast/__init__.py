"""Months ahead, and why past months cost what they did."""
