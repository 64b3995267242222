"""kitplan: tube-securement supplies, planned from a census of airways."""

__version__ = "0.1.0"
