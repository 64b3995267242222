"""From demand to decisions. `program` is the only module that imports PuLP."""
