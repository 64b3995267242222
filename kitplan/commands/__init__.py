"""One module a command: parse, call, print. No arithmetic here."""
