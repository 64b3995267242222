"""Bedside kits: contents, designs, builds."""
