"""What is pushed to receivers: said in the transaction in which it becomes true, delivered at least once."""
