"""One folder a part: its mathematics, its sheets, its prints, its command."""
