"""Today's par levels on trial."""
