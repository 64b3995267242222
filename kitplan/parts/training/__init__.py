"""The educator's class."""
