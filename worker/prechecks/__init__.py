"""What the record says of a plate that is about to be cut: evidence, never a permission."""
