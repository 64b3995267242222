"""Prints as PDF, A4 and US Letter, legible in black and white."""
