"""First sheets, and what a plan rests on."""
