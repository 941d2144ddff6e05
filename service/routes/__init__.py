"""One module per resource: parse, one call, return."""
