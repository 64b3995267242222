"""Two units side by side."""
