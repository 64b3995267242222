"""Many units at once."""
