"""Series of trials: planned, read off the ledger, and what they say of the factors that were varied."""
