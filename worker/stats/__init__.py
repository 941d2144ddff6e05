"""Numbers in, numbers out: pure statistics, one subject a module."""
