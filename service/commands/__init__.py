"""Commands of `cutledger`, by what they are about."""
